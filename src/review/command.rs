//! Everything that can be done to a review.

use crate::severity::{Entry, Item};

use super::{Drawn, JetId, OtherVolume, Settings, SignOff, TracingId, Turn};

/// A named point of the valve
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Landmark {
    /// Anterior annulus
    Anterior,
    /// Posterior annulus
    Posterior,
    /// Anterolateral commissure
    LateralCommissure,
    /// Posteromedial commissure
    MedialCommissure,
}

impl Landmark {
    /// All four, in the order they are asked for
    pub const ALL: [Self; 4] =
        [Self::Anterior, Self::Posterior, Self::LateralCommissure, Self::MedialCommissure];

    /// Its name in words
    pub const fn name(self) -> &'static str {
        match self {
            Self::Anterior => "Anterior annulus",
            Self::Posterior => "Posterior annulus",
            Self::LateralCommissure => "Anterolateral commissure",
            Self::MedialCommissure => "Posteromedial commissure",
        }
    }
}

/// Everything that can be done to a review
///
/// Points are millimetres, `[u, v]` on a tracing's own cut and `[x, y, z]` in volume space.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// Go to a frame (no edit)
    Frame(usize),
    /// Show the cuts of a jet (no edit)
    Select(JetId),
    /// Show so many millimetres en face, 0 to fit the jet (no edit)
    Field(f64),
    /// Turn the cut of a jet; the whole turn is given, not a step
    Turn(JetId, Turn),
    /// Put the cut of a jet back where it was proposed
    BackToProposed(JetId),
    /// Make the current en-face cut the cut of a new jet, and select it
    AddJet,
    /// Set a jet aside (a found one), or remove it with its tracings (a placed one)
    Dismiss(JetId),
    /// Take a jet back that was set aside
    Restore(JetId),
    /// Put a closed polygon on the current cut of the selected jet
    AddTracing {
        /// Vertices on the current en-face cut
        points: Vec<[f64; 2]>,
        /// Who or what drew it
        drawn: Drawn,
        /// Level of the contour, where the program drew it
        threshold: Option<f64>,
    },
    /// Start to draw on the current cut with one vertex
    BeginTracing([f64; 2]),
    /// Add a vertex at the end of a tracing being drawn
    Extend(TracingId, [f64; 2]),
    /// Join the last vertex to the first
    Close(TracingId),
    /// Move a vertex
    MoveVertex {
        /// The tracing
        tracing: TracingId,
        /// Which vertex, from 0
        vertex: usize,
        /// Where to
        to: [f64; 2],
    },
    /// Insert a vertex after another
    InsertVertex {
        /// The tracing
        tracing: TracingId,
        /// The vertex it comes after, from 0
        after: usize,
        /// Where
        at: [f64; 2],
    },
    /// Remove a vertex; the last one takes the tracing with it
    RemoveVertex {
        /// The tracing
        tracing: TracingId,
        /// Which vertex, from 0
        vertex: usize,
    },
    /// Smooth a closed tracing, its area kept
    Smooth(TracingId),
    /// Grow a closed tracing by millimetres all around; shrink it with a negative number
    Grow(TracingId, f64),
    /// Copy a tracing to another frame, onto the cut of its jet there
    CopyToFrame(TracingId, usize),
    /// Copy a tracing to every other frame in which its jet is measured and the reader traced nothing
    Carry(TracingId),
    /// Remove a tracing
    RemoveTracing(TracingId),
    /// Set or clear a landmark
    Mark(Landmark, Option<[f64; 3]>),
    /// Change the contour's level, or how the volume is shown (which is no edit)
    Set(Settings),
    /// Enter what else is known; what was entered for the item before is replaced
    Enter(Item, Entry),
    /// Take back what was entered for an item
    RemoveEntry(Item),
    /// Weigh against a built-in table, by its name
    Criteria(String),
    /// First and last moment of systole, ms after the R wave; `None` takes them from the data
    Systole(Option<[f64; 2]>),
    /// Compare with another volume, or with none
    CompareWith(Option<OtherVolume>),
    /// Replace the notes
    Note(String),
    /// Read without seeing what the program finds (no edit); refused once it was seen
    ReadBlind,
    /// End that (no edit); refused before anything was read
    Reveal,
    /// Sign the review off: nothing but what is looked at changes any more
    Sign(SignOff),
    /// Begin a new version of a review that was signed off
    NewVersion,
    /// What follows up to [`Command::Commit`] is one step: a drag, a burst of keys
    Begin,
    /// The step is complete
    Commit,
    /// Take the last step back
    Undo,
    /// Do it again
    Redo,
}

/// Where in the document a command worked
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Key {
    /// Which frame or jet is shown
    Place,
    /// A cut, or the list of jets
    Cuts,
    /// A tracing
    Tracings,
    /// Landmarks (and so the directions of the cuts)
    Landmarks,
    /// Display and contour settings
    Settings,
    /// What else is known, systole, the other volume, notes
    Notes,
    /// Perhaps everything: an undo or a redo
    All,
}

/// What a command did
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Effect {
    /// Nothing is different
    Unchanged,
    /// This part is different
    Changed(Key),
    /// A tracing was made
    Made(TracingId),
    /// A jet was made
    Placed(JetId),
}
