//! What an archive of images takes: the structured report, and the key figures as pictures.

mod capture;
mod structured_report;

pub use self::structured_report::{StructuredReportOptions, Valve, structured_report};

use self::capture::{Picture, secondary_capture};
use super::paint::paint_svg;
use super::{ReportError, View};
use crate::format::dicom::SourceInstance;
use crate::measure::results::Results;

/// Says that a report is also written for an archive
#[derive(Clone, Debug, PartialEq)]
pub struct Archive {
    /// What the measurement was made from
    pub source: SourceInstance,
    /// Who is named, and what is known of the valve
    pub options: StructuredReportOptions,
}

/// The name of the structured report in a folder
pub(super) const REPORT: &str = "report.sr.dcm";
/// How the names of pictures end
pub(super) const PICTURE: &str = ".sc.dcm";
/// The figures that an archive is given
pub(super) const VIEWS: [View; 2] = [View::EnFace, View::LongAxis];
/// Pixels of a picture for a unit of the SVG
const SCALE: f32 = 1.2;

impl Archive {
    /// The structured report
    pub(super) fn report(&self, results: &Results) -> Result<Vec<u8>, ReportError> {
        Ok(structured_report(results, &self.source, &self.options)?)
    }

    /// A figure as a picture; `number` counts the pictures of a report from 1
    pub(super) fn picture(&self, svg: &str, title: &str, number: usize) -> Result<Vec<u8>, ReportError> {
        let painted = paint_svg(svg, SCALE)?;
        let side = |side: u32| u16::try_from(side).unwrap_or(u16::MAX);
        let picture = Picture {
            width: side(painted.width),
            height: side(painted.height),
            rgb: &painted.rgb,
            title,
            number: number as u32,
        };
        Ok(secondary_capture(&picture, &self.source, self.options.identity)?)
    }
}
