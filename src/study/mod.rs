//! The statistics of a study: tables over many volumes, agreement of readers, shapes in groups,
//! sweeps of one parameter.
//!
//! Pure functions from tables and results to documents and tables; no file is opened or written
//! here. Nothing is dropped in silence: what a statistic could not use is listed in its document.
//! Formulas name their sources beside them and again in the methods paragraph that goes with every
//! result.

pub mod agree;
pub mod cohort;
pub mod document;
mod error;
pub mod list;
pub mod practice;
pub(crate) mod resample;
pub mod shapes;
pub mod sweep;
mod table;

pub use error::StudyError;
pub use table::Table;
