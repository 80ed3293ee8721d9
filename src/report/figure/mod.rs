//! The figures of a report, each a function of the volume, the results and one jet.
//!
//! Pictures (en face, long axis, commissural) are sampled from the volume at the pose the results
//! name; curves (profile, time) are drawn from the results alone. Nothing is measured here.

mod axial;
mod beat;
mod convergence;
mod en_face;
mod grading;
mod pair;
mod panel;
mod plain;
mod profile;
mod severity;
mod stitch;

pub use en_face::fitting_side;
pub use grading::grading;
pub use pair::courses;
pub use plain::{PlainCut, plain};
pub use severity::severity;
pub use stitch::stitch;

use nalgebra::{Unit, Vector3};

use super::svg::{Face, Halo, Svg};
use super::{AreaUnit, colour};
use crate::measure::results::{FrameResult, JetResult, Results};
use crate::space::{Direction, VolumePoint, direction};
use crate::unit::Mm;
use crate::volume::Volume4;

/// One of the figures of a jet
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum View {
    /// The cut perpendicular to the jet at its neck, with the tracing
    EnFace,
    /// The cut that contains the jet axis and the long-axis direction
    LongAxis,
    /// The cut that contains the jet axis and the commissural direction
    Commissural,
    /// Area against position along the axis
    Profile,
    /// Area against time
    Time,
    /// Flow against speed upstream of the neck
    Convergence,
}

impl View {
    /// All views, in the order of the report
    pub const ALL: [Self; 6] =
        [Self::EnFace, Self::LongAxis, Self::Commissural, Self::Profile, Self::Time, Self::Convergence];

    /// The name used in file names and on the command line
    pub fn name(self) -> &'static str {
        match self {
            Self::EnFace => "en-face",
            Self::LongAxis => "long-axis",
            Self::Commissural => "commissural",
            Self::Profile => "profile",
            Self::Time => "time",
            Self::Convergence => "convergence",
        }
    }
}

/// Why a figure could not be drawn
#[derive(Debug, thiserror::Error)]
pub enum FigureError {
    /// The results name a direction that is none
    #[error("drawing jet {jet}: its {what} is not a direction")]
    Direction {
        /// The jet's id
        jet: usize,
        /// Which direction
        what: &'static str,
    },
    /// The frame does not exist
    #[error("drawing frame {}: the volume has frames 1 to {}", frame + 1, last + 1)]
    Frame {
        /// The frame asked for, from 0
        frame: usize,
        /// The last there is, from 0
        last: usize,
    },
    /// The picture could not be encoded
    #[error("encoding a cut as PNG: {0}")]
    Png(#[from] png::EncodingError),
}

/// What a figure is about
#[derive(Clone, Copy, Debug)]
pub struct Subject<'a> {
    /// The acquisition
    pub volume: &'a Volume4,
    /// What was measured on it
    pub results: &'a Results,
    /// The jet shown
    pub jet: &'a JetResult,
    /// In which unit areas are told
    pub unit: AreaUnit,
    /// The frame shown in the pictures
    pub frame: usize,
    /// Side of the en-face picture; `None` fits the jet
    pub side: Option<Mm>,
}

impl<'a> Subject<'a> {
    /// A jet at its peak frame
    pub fn at_peak(volume: &'a Volume4, results: &'a Results, jet: &'a JetResult) -> Self {
        Self { volume, results, jet, unit: AreaUnit::default(), frame: jet.peak_frame, side: None }
    }

    /// Whether the frame shown is the one that was traced
    fn is_peak(&self) -> bool {
        self.frame == self.jet.peak_frame
    }

    /// What was measured in the frame shown
    fn frame_result(&self) -> Option<&'a FrameResult> {
        self.jet.frames.iter().find(|frame| frame.frame == self.frame)
    }

    /// The moment of the frame shown, in words
    fn moment(&self) -> String {
        let time = self.volume.timeline.times().get(self.frame).map_or(f64::NAN, |time| time.get());
        let peak = if self.is_peak() { ", the peak frame" } else { "" };
        let (frame, ms) = (super::words::frame(self.frame), super::words::fixed(1e3 * time, 0));
        format!("frame {frame} of {}{peak}, {ms} ms after the R wave", self.volume.frames())
    }

    /// A unique beginning for ids inside the page
    fn id(&self, view: View) -> String {
        format!("jet{}-{}", self.jet.id, view.name())
    }
}

/// The jet's own frame of reference
#[derive(Clone, Copy, Debug)]
struct Pose {
    neck: VolumePoint,
    /// Along the flow
    axis: Direction,
    /// In the en-face cut, along the long-axis width
    long: Direction,
    /// In the en-face cut, across it: axis x long, so that (long, commissural, axis) is right-handed
    commissural: Direction,
}

impl Pose {
    /// The pose at the frame shown, the peak's where the frame has none
    fn of(subject: &Subject<'_>) -> Result<Self, FigureError> {
        let Subject { volume, jet, frame, .. } = *subject;
        if frame >= volume.frames() {
            return Err(FigureError::Frame { frame, last: volume.frames() - 1 });
        }
        let traced = |frame: &&FrameResult| !subject.is_peak() && frame.traced_at_mm.is_some();
        let here = subject.frame_result().filter(traced);
        let axis = here.and_then(|f| f.axis).unwrap_or(jet.axis);
        let neck = here.and_then(|f| f.traced_at_mm).unwrap_or(jet.traced_at_mm);
        let missing = |what| FigureError::Direction { jet: jet.id, what };
        let axis = direction(Vector3::from(axis)).ok_or(missing("axis"))?;
        let long = Vector3::from(jet.width_mm.long_axis_direction);
        let long = direction(long - axis.into_inner() * axis.dot(&long)).ok_or(missing("long axis"))?;
        let commissural = Unit::new_normalize(axis.cross(&long));
        Ok(Self { neck: VolumePoint::new(neck[0], neck[1], neck[2]), axis, long, commissural })
    }
}

/// Draws a view
///
/// # Errors
/// See [`FigureError`].
pub fn draw(view: View, subject: &Subject<'_>) -> Result<Svg, FigureError> {
    match view {
        View::EnFace => en_face::draw(subject),
        View::LongAxis | View::Commissural => axial::draw(view, subject),
        View::Profile => Ok(profile::draw(subject)),
        View::Time => Ok(beat::draw(subject)),
        View::Convergence => Ok(convergence::draw(subject)),
    }
}

/// The heading of a figure
pub(super) fn heading(svg: &mut Svg, title: &str, under: &str) {
    svg.text((24.0, 34.0), Face::new(22.0, colour::INK).with(Halo::Bold), title);
    svg.text((24.0, 58.0), Face::new(15.0, colour::QUIET), under);
}

/// The middle, along the second coordinate, of where a polygon crosses "first coordinate = 0"
fn chord_middle(points: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let points: Vec<(f64, f64)> = points.collect();
    let mut crossings: Vec<f64> = Vec::new();
    for (i, a) in points.iter().enumerate() {
        let b = points[(i + 1) % points.len()];
        if (a.0 < 0.0) != (b.0 < 0.0) {
            crossings.push(a.1 + (b.1 - a.1) * (-a.0) / (b.0 - a.0));
        }
    }
    let low = crossings.iter().copied().reduce(f64::min)?;
    let high = crossings.iter().copied().reduce(f64::max)?;
    Some(f64::midpoint(low, high))
}
