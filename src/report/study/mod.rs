//! What a study is given: pages, figures and tables of cohorts, readers, groups and sweeps.
//!
//! As in the report of one volume nothing is computed here, no clock is read, and the same document
//! gives the same bytes.

mod agreement;
mod bundle;
mod columns;
mod differences;
mod journal;
mod page;
mod shapes;
mod sweep;

pub use agreement::{agreement_csv, agreement_files, kappa_name};
pub use bundle::{Bundle, write_bundle};
pub use columns::{dictionary_csv, table_csv, table_parquet};
pub use differences::differences_figure;
pub use journal::{Journal, JournalError, Known, journal_key};
pub use shapes::{shapes_csv, shapes_figure, shapes_files};
pub use sweep::{Look, sweep_csv, sweep_figure, sweep_files};
