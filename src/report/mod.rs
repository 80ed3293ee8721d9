//! What a reader is given: figures, a page, tables, and the result document.
//!
//! Everything here is a function of the results and, for the pictures, of the volume they were
//! measured on. Nothing is measured, no clock is read, no font of the machine is used: the same
//! results give the same bytes. [`write_folder`] puts it all in one place.

mod answer;
mod archive;
mod blocks;
pub mod chart;
pub mod colour;
mod comparison;
mod content;
mod document;
pub mod figure;
mod folder;
pub mod html;
mod paint;
mod pdf;
pub mod raster;
pub mod schema;
pub mod study;
pub mod svg;
mod switch;
pub mod table;
mod units;
pub mod words;

#[cfg(test)]
pub(crate) mod fixture;

pub use archive::{Archive, StructuredReportOptions, Valve, structured_report};
pub use comparison::{
    COMPARISON_FOLDER, comparison_answer, comparison_figures, comparison_json, comparison_lines,
    comparison_pdf, write_comparison,
};
pub use figure::{FigureError, PlainCut, Subject, View};
pub use folder::{ReportError, ReportOptions, ReportPaths, report_pdf, results_json, write_folder};
pub use paint::{PaintError, Painted, paint_svg, paint_svg_wide, png_from_svg};
pub use pdf::{PairFigures, Paper, PaperOptions, PdfError, pdf};
pub use switch::{put_among, refuse_among};
pub use units::AreaUnit;
