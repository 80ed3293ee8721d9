//! Before and after, side by side and on one scale: folder, page, paper, table.

mod rows;
mod write;

pub use rows::comparison_lines;
pub(super) use rows::{answer, rows};
pub use write::{comparison_json, comparison_pdf, write_comparison};
