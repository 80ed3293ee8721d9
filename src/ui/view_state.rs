//! What changes only on the screen.

use std::collections::{BTreeMap, VecDeque};

use egui::Pos2;

use crate::review::{Landmark, TracingId, Turn};
use crate::severity::Item;

use super::keys::Deed;
use super::scene::Pane;

/// What a click on a cut does
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Tool {
    /// Turn the cut; take hold of a vertex where one is near
    #[default]
    Turn,
    /// Add a vertex to a new tracing
    Draw,
    /// Set a landmark
    Mark(Landmark),
    /// Measure a distance, which is kept nowhere
    Caliper,
}

/// What a drag has hold of
///
/// A plane goes to where the hand is now, counted from where it took hold: what was in between may have been seen or not.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Grip {
    /// The normal of the plane
    Tilt(Hold),
    /// The plane about its normal
    Roll(Hold),
    /// The centre of the plane
    Shift(Hold),
    /// A vertex of a tracing
    Vertex(TracingId, usize),
    /// The level of the plane
    Level,
}

/// Where and how a plane was when it was taken hold of
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hold {
    /// Where the hand took hold, points
    pub from: Pos2,
    /// How the plane lay
    pub turn: Turn,
}

/// What a path is asked for
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PathPurpose {
    /// To open it
    Open,
    /// To save the review to it
    Save,
    /// To compare with it
    Other,
}

/// A step of the rail
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RailStep {
    /// Can the acquisition be trusted
    Trust,
    /// Which jets
    Jet,
    /// Where the cuts lie
    Cut,
    /// The tracing
    Trace,
    /// Through the beat
    Beat,
    /// Against all other measures
    Weigh,
    /// Out of the door
    Report,
}

impl RailStep {
    /// All seven, in order
    pub const ALL: [Self; 7] =
        [Self::Trust, Self::Jet, Self::Cut, Self::Trace, Self::Beat, Self::Weigh, Self::Report];

    /// Its name
    pub const fn name(self) -> &'static str {
        match self {
            Self::Trust => "Trust",
            Self::Jet => "Jet",
            Self::Cut => "Plane",
            Self::Trace => "Trace",
            Self::Beat => "Beat",
            Self::Weigh => "Grade",
            Self::Report => "Report",
        }
    }
}

/// Whether something is open on the screen
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sheet {
    /// Not shown
    #[default]
    Closed,
    /// Shown
    Open,
}

impl Sheet {
    /// The other
    pub fn turned(self) -> Self {
        match self {
            Self::Closed => Self::Open,
            Self::Open => Self::Closed,
        }
    }

    /// Whether it is shown
    pub fn is_open(self) -> bool {
        self == Self::Open
    }
}

/// How volumes are opened
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Opening {
    /// What the program finds is shown
    #[default]
    Open,
    /// It stays hidden until the reader has read
    Blind,
}

/// What changes only on the screen
#[derive(Clone, Debug)]
pub struct ViewState {
    /// How the next volume is opened
    pub opening: Opening,
    /// What a click on a cut does
    pub tool: Tool,
    /// What a drag has hold of
    pub grip: Option<Grip>,
    /// The step whose part of the ledger is shown
    pub step: RailStep,
    /// What the keys pressed so far ask for and was not done yet, the oldest first
    pub deeds: VecDeque<Deed>,
    /// The vertex that was touched last
    pub vertex: Option<(TracingId, usize)>,
    /// When the next frame is due, while the beat plays, in the time of the screen
    pub playing: Option<f64>,
    /// The sheet of keys
    pub help: Sheet,
    /// The commissural cut in a narrow window
    pub commissural: Sheet,
    /// Who reads, for the sign-off
    pub reader: String,
    /// The study, for the sign-off
    pub study: String,
    /// A Nyquist velocity being settled, m/s
    pub nyquist: Option<f64>,
    /// A baseline shift being settled, m/s
    pub baseline: Option<f64>,
    /// The free caliper: the pane and its ends there, mm
    pub caliper: Option<(Pane, [[f64; 2]; 2])>,
    /// Whether work left behind is not shown until the next start
    pub later: bool,
    /// The work left behind that is to be thrown away, once more asked
    pub discard: Option<usize>,
    /// The path being typed on the start screen
    pub path: String,
    /// The path of a comparison's other volume
    pub other: String,
    /// A path that is asked for, since the system shows no dialog
    pub asked: Option<(PathPurpose, String)>,
    /// Numbers of the weighing while they are typed
    pub typing: BTreeMap<Item, String>,
    /// The notes being typed, and what they were when the typing began
    pub notes: Option<String>,
    /// How the jet in the corner is turned: about its axis and up, radians
    pub orbit: [f64; 2],
    /// Points of wheel not yet turned into a level
    pub wheel: f32,
    /// What was copied last, and until when that is told
    pub copied: Option<(String, f64)>,
}

impl Default for ViewState {
    fn default() -> Self {
        Self {
            opening: Opening::Open,
            tool: Tool::Turn,
            grip: None,
            step: RailStep::Trace,
            deeds: VecDeque::new(),
            vertex: None,
            playing: None,
            help: Sheet::Closed,
            commissural: Sheet::Closed,
            path: String::new(),
            other: String::new(),
            asked: None,
            reader: String::new(),
            study: String::new(),
            nyquist: None,
            baseline: None,
            caliper: None,
            later: false,
            discard: None,
            typing: BTreeMap::new(),
            notes: None,
            orbit: [0.6, 0.35],
            wheel: 0.0,
            copied: None,
        }
    }
}
