//! Before and after, side by side and on one scale: folder, page, paper, table.

mod rows;
mod write;

pub(super) use rows::rows;
pub use rows::{comparison_answer, comparison_lines};
pub use write::{COMPARISON_FOLDER, comparison_figures, comparison_json, comparison_pdf, write_comparison};
