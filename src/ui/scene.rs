//! Everything the screen shows, handed in by the shell.
//!
//! The views read a [`Scene`] and return [`Action`]s; they hold no document and compute no number.
//! What changes only on the screen (an open sheet, a hovered vertex) lives in [`super::ViewState`].

use std::path::PathBuf;
use std::time::Instant;

use egui::{Painter, Rect, TextureId, Vec2};

use crate::gpu::{ContextView, CutView};
use crate::measure::results::{Interval, ShapeClass};
use crate::review::{Command, JetId, Session, TracingId, When};
use crate::space::Grid;
use crate::study::sweep::Over;
use crate::unit::MetresPerSecond;
use crate::volume::VelocityScale;

/// Which picture of a cut
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Pane {
    /// Perpendicular to the jet
    EnFace,
    /// Along the jet, anterior-posterior
    LongAxis,
    /// Along the jet, along the commissures
    Commissural,
}

impl Pane {
    /// All three
    pub const ALL: [Self; 3] = [Self::EnFace, Self::LongAxis, Self::Commissural];

    /// Its place among them
    pub fn index(self) -> usize {
        Self::ALL.iter().position(|known| *known == self).unwrap_or(0)
    }
}

/// Whoever draws the pictures: the graphics processor, or the processor on a machine without one
pub trait Pictures {
    /// Draws a cut into a rectangle
    fn cut(&self, painter: &Painter, rect: Rect, pane: Pane, frame: usize, view: &CutView);

    /// Draws the jet in three dimensions into a rectangle
    fn context(&self, painter: &Painter, rect: Rect, frame: usize, view: &ContextView) -> Drawn3;
}

/// Whether there is a picture in three dimensions
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Drawn3 {
    /// Drawn
    Yes,
    /// This tier has none: the view shows the wire model alone
    No,
}

/// What the screen must know of the volume
#[derive(Clone, Debug)]
pub struct Facts {
    /// File name
    pub file: String,
    /// Times of the frames, seconds from the R wave
    pub times_s: Vec<f64>,
    /// What a velocity code means, where there are velocities
    pub scale: Option<VelocityScale>,
    /// Channels, in words
    pub channels: String,
    /// Voxels, in words
    pub grid: String,
    /// Where the voxels lie
    pub voxels: Grid,
    /// Longest side of the volume, mm
    pub extent_mm: f64,
    /// Beats the volume was gathered from
    pub gated_beats: Option<u32>,
    /// Whether it is one to practise on: what is truly in it can be shown
    pub practice: bool,
}

/// Where an outline on the screen comes from
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutlineSource {
    /// Traced on the cut as it is now
    Live,
    /// A tracing of the review
    Kept(TracingId),
}

/// An outline on the current en-face cut
#[derive(Clone, Debug)]
pub struct ReadOutline {
    /// Where it comes from
    pub source: OutlineSource,
    /// Vertices on the current cut, mm
    pub points: Vec<[f64; 2]>,
    /// The same with as few vertices as a hand wants to drag
    pub handles: Vec<[f64; 2]>,
    /// Why it is not counted
    pub fault: Option<String>,
    /// Where its edges cross, on the current cut, mm
    pub crossing: Option<[f64; 2]>,
    /// Whether it is still being drawn
    pub open: bool,
    /// Area inside it, mm2
    pub area_mm2: Option<f64>,
    /// How far its cut lies from the current one: degrees and millimetres
    pub away: [f64; 2],
    /// Who drew it, in words
    pub drawn: String,
}

impl ReadOutline {
    /// Whether it lies on the cut that is shown
    pub fn is_here(&self) -> bool {
        self.away[0] < 0.5 && self.away[1] < 0.1
    }
}

/// Where the numbers of a reading come from
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// The measurement's own, at its own cut
    Measured,
    /// What may hide where the neck is not displayed
    Hidden,
    /// Traced on the reader's cut
    Live,
    /// The reader's tracings
    Traced,
}

/// The numbers of the selected jet in the current frame, made by the core
#[derive(Clone, Debug)]
pub struct Reading {
    /// Which jet
    pub jet: JetId,
    /// Which frame
    pub frame: usize,
    /// Where the numbers come from
    pub origin: Origin,
    /// Vena contracta area, corrected for blooming, mm2
    pub area: Option<Interval>,
    /// Area as displayed, mm2
    pub traced_mm2: Option<f64>,
    /// How many tracings are summed
    pub summed: usize,
    /// Width on the long-axis cut, mm
    pub long_axis: Option<Interval>,
    /// Width on the commissural cut, mm
    pub commissural: Option<Interval>,
    /// Whether the long-axis direction was assumed
    pub axes_assumed: bool,
    /// Area of the circle that the long-axis width implies, mm2
    pub circle_mm2: Option<f64>,
    /// Area of the ellipse that both widths imply, mm2
    pub ellipse_mm2: Option<f64>,
    /// Error of the circle, percent
    pub circle_error_percent: Option<f64>,
    /// Whether the circle lies outside the area's interval
    pub circle_misleads: bool,
    /// Shape
    pub shape: Option<ShapeClass>,
    /// Middle of the tracing on the current cut, mm
    pub middle: Option<[f64; 2]>,
    /// Width direction on the current cut, radians from `u`
    pub width_direction: f64,
    /// Outlines to draw
    pub outlines: Vec<ReadOutline>,
    /// The effective orifice behind the outline that the numbers are of, on the current cut, mm; may be empty
    pub effective: Vec<[f64; 2]>,
    /// Angle between cut and jet, degrees
    pub tilt_deg: f64,
    /// What that angle alone adds to the area of a tube, percent
    pub obliquity_percent: f64,
    /// Angle between beam and jet, degrees
    pub beam_deg: Option<f64>,
    /// Why nothing could be traced, in words
    pub trouble: Option<String>,
    /// Level of the automatic contour that was used, as a share of the plateau
    pub threshold: f64,
}

impl Reading {
    /// Whether the numbers are of tracings none of which lies on the plane that is shown
    pub fn is_elsewhere(&self) -> bool {
        let kept = |outline: &&ReadOutline| matches!(outline.source, OutlineSource::Kept(_));
        self.origin == Origin::Traced && !self.outlines.iter().filter(kept).any(ReadOutline::is_here)
    }
}

/// Area against the direction of the cut
#[derive(Clone, Debug, Default)]
pub struct TiltMap {
    /// Largest lean, degrees: the rim of the disc
    pub reach_deg: f64,
    /// Lean toward `u` and `v` in degrees, and the area there, mm2, where something was traced: the displayed area in
    /// the measure of the effective one at the perpendicular, which comes first
    pub samples: Vec<([f64; 2], Option<f64>)>,
    /// Triangles of samples that fill the disc
    pub triangles: Vec<[usize; 3]>,
    /// Pieces of the line on which the area is 5 % larger than at the perpendicular, degrees
    pub five_percent: Vec<[[f64; 2]; 2]>,
    /// Least and largest area of the map
    pub range_mm2: Option<[f64; 2]>,
    /// Share of the directions that are done
    pub done: f32,
}

/// Work in the background
#[derive(Clone, Debug)]
pub struct Progress {
    /// What is being done
    pub stage: String,
    /// How far, 0 to 1
    pub share: f32,
}

/// Something the reader should know or decide
#[derive(Clone, Debug)]
pub struct Notice {
    /// How serious it is
    pub weight: Weight,
    /// What happened
    pub text: String,
    /// What can be done about it
    pub hint: String,
    /// What the reader can choose, beside closing the notice
    pub choices: Vec<(String, Action)>,
    /// When it goes by itself; `None` waits for the reader
    pub until: Option<Instant>,
}

/// How serious a notice is
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weight {
    /// Good to know
    Plain,
    /// Something did not work
    Trouble,
}

/// A volume offered on the start screen
#[derive(Clone, Debug)]
pub struct Card {
    /// Name
    pub title: String,
    /// What it shows
    pub text: String,
    /// The file
    pub path: PathBuf,
    /// Its picture, once drawn
    pub picture: Option<TextureId>,
}

/// Work left behind by an earlier run
#[derive(Clone, Debug)]
pub struct Leftover {
    /// Whose it is and how it was left
    pub head: String,
    /// When it was written and where the volume lay
    pub place: String,
    /// What it holds, in words
    pub text: String,
}

/// A volume of several files or of a folder
#[derive(Clone, Debug)]
pub struct Found {
    /// Series Instance UID, by which volumes belong together; empty where there is none
    pub uid: String,
    /// The series in words
    pub series: String,
    /// The volume: file, parts and size
    pub text: String,
    /// Its first file
    pub path: PathBuf,
}

/// What a page laid over the screen shows
#[derive(Clone, Debug, Default)]
pub struct Page {
    /// Its title
    pub title: String,
    /// The number the eye goes to; may be empty
    pub headline: String,
    /// What it means
    pub sentence: String,
    /// What stands against it, a sentence each
    pub cautions: Vec<String>,
    /// What it rests on, a sentence each
    pub notes: Vec<String>,
    /// Rows of a table, the first its heads
    pub table: Vec<Vec<String>>,
    /// Pictures with a name each: texture and size in points
    pub pictures: Vec<(String, TextureId, Vec2)>,
    /// So many stand side by side; the table takes what is left free in the last row
    pub beside: usize,
    /// What can be done with it
    pub choices: Vec<(String, Action)>,
}

/// Everything the screen shows
pub struct Scene<'a> {
    /// The review being worked on; the start screen is shown without one
    pub session: Option<&'a Session>,
    /// The volume, once it is there
    pub facts: Option<&'a Facts>,
    /// The numbers of the selected jet in the current frame
    pub reading: Option<&'a Reading>,
    /// The tilt map of the selected jet in the current frame
    pub tilt: Option<&'a TiltMap>,
    /// Who draws the pictures
    pub pictures: &'a dyn Pictures,
    /// Work in the background
    pub progress: Option<&'a Progress>,
    /// What the reader should know, the newest last
    pub notices: &'a [Notice],
    /// Volumes offered on the start screen
    pub cards: &'a [Card],
    /// Work left behind
    pub leftovers: &'a [Leftover],
    /// Volumes opened last, the latest first
    pub recent: &'a [PathBuf],
    /// The file of the review, where it has one
    pub review_file: Option<&'a PathBuf>,
    /// Volumes of which one is to be chosen
    pub found: &'a [Found],
    /// A page laid over the screen
    pub page: Option<&'a Page>,
    /// What draws, in words
    pub adapter: &'a str,
}

/// What the reader wants
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// Change the review
    Do(Command),
    /// Open a volume or a review
    Open(PathBuf),
    /// Ask for a file and open it
    AskOpen,
    /// Ask for a folder and open what is in it
    AskFolder,
    /// Choose none of the volumes that were found
    CloseFound,
    /// Save the review to its file, or ask for one
    Save,
    /// Ask for a file and save the review to it
    AskSave,
    /// Save the review to this file
    SaveAs(PathBuf),
    /// Write the report beside the volume
    Report,
    /// Ask for the other volume of a comparison
    AskOther,
    /// Compare with another volume, which is the earlier or the later one
    Compare(When, PathBuf),
    /// Compare again with the volume that the review is compared with
    CompareAgain,
    /// Hold the reading against what is truly in a simulated volume
    Practise,
    /// Write what the page shows beside the open volume
    WritePage,
    /// Vary one parameter of the selected jet's measurement
    Sweep(Over),
    /// Close the page
    ClosePage,
    /// Measure again, with the landmarks as they are
    Measure,
    /// Stop the work in the background
    Cancel,
    /// Back to the start screen
    Close,
    /// End the program
    Quit,
    /// Show a file with the system's program for it
    Show(PathBuf),
    /// Sign the review off, today
    Sign {
        /// Who reads
        reader: String,
        /// The study, or its label
        study: String,
    },
    /// Begin a new version of what was signed off
    NewVersion,
    /// Read the volume again with another velocity scale
    Scale {
        /// The Nyquist velocity, where it is another
        nyquist: Option<MetresPerSecond>,
        /// The baseline shift, where it is another
        baseline: Option<MetresPerSecond>,
    },
    /// Put a text on the clipboard
    Copy(String),
    /// Take over work left behind
    Recover(usize),
    /// Throw work left behind away
    Discard(usize),
    /// Open the review that waits on a volume that is not the one that was read
    OpenDifferent(PathBuf),
    /// Close a notice
    Dismiss(usize),
}

/// A tracing's vertices as a command that keeps them
pub fn keep(outline: &ReadOutline, threshold: f64) -> Command {
    Command::AddTracing {
        points: outline.handles.clone(),
        drawn: crate::review::Drawn::Proposed,
        threshold: Some(threshold),
    }
}
