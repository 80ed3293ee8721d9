//! What a study is given: pages, figures and tables of cohorts, readers, groups, sweeps and
//! practice.
//!
//! As in the report of one volume nothing is computed here, no clock is read, and the same document
//! gives the same bytes.

mod agreement;
mod bundle;
mod columns;
mod differences;
mod journal;
mod page;
mod practice;
mod shapes;
mod sweep;

pub use agreement::{agreement_csv, agreement_files, kappa_name, pair_figures};
pub use bundle::{Bundle, Home, write_bundle};
pub use columns::{dictionary_csv, table_csv, table_parquet};
pub use differences::differences_figure;
pub use journal::{Journal, JournalError, Known, journal_key};
pub use practice::{
    learners_csv, moment, practice_csv, practice_figure, practice_files, practice_jet, practice_text,
};
pub use shapes::{shapes_csv, shapes_figure, shapes_files};
pub use sweep::{Look, sweep_csv, sweep_figure, sweep_files};
