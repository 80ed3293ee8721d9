//! The compiled part of the Python package `narrows`: the library's functions under Python's names.
//!
//! Nothing is decided here. Documents cross as the JSON that the command line prints, arrays as numpy arrays
//! without a copy where they lie together; the rest of the package, in Python, gives both their form. Long work
//! runs without the interpreter's lock, on a thread that is asked to stop when a signal arrives.

// What Python hands over arrives by value, and a function has the arguments that the command has options.
#![allow(clippy::needless_pass_by_value, clippy::too_many_arguments)]

mod arrays;
mod faults;
mod measuring;
mod studies;
mod volume;
mod work;

use pyo3::prelude::*;

#[pymodule]
mod _narrows {
    #[pymodule_export]
    use super::measuring::{
        agreement_figure, figure, grading_figure, is_criteria_file, measure, plane, png, report,
        sweep_figure, sweep_words, table, trust,
    };
    #[pymodule_export]
    use super::studies::{agree, cohort, flow, flow_names, phantom, serve_cohort, sweep};
    #[pymodule_export]
    const LONGEST_TEXT: u64 = crate::severity::LONGEST_TEXT;
    #[pymodule_export]
    use super::version;
    #[pymodule_export]
    use super::volume::{PyVolume, from_arrays, open};
}

/// Versions of the program and of its numerical method
#[pyfunction]
fn version() -> (&'static str, &'static str) {
    (env!("CARGO_PKG_VERSION"), crate::measure::ENGINE)
}
