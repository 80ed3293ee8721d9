//! Practice: simulated acquisitions measured blind, and the error split into its causes.
//!
//! A teacher makes a set: volumes under plain numbers, a list for the learners, and a sealed key with what
//! was really there. A learner reads each volume as any other. Afterwards [`score`] lays a ladder
//! from the truth to what was reported, one choice of the reader at a time, and the steps of the
//! ladder are the parts of the error: they add up to it by construction.
//!
//! It is training on simulated volumes. It certifies nobody, and a phantom has no valve, no rhythm
//! and no artefacts but those of its recipe.

mod ladder;
mod progress;
mod set;

pub use ladder::{JetReading, JetScore, LEVEL_REACH_MM, PracticeError, Scored, Steps, Taken, score};
pub use progress::{Attempt, LearnerSummary, SCORES_SCHEMA, Scores};
pub use set::{
    KEY_SCHEMA, KeyCase, LIST_SCHEMA, ListedCase, MadeCase, PracticeKey, PracticeList, SHIPPED, described,
    make, order,
};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What practice is not; it stands in every list, table and figure
pub const STANDING: &str =
    "Training on simulated volumes: not a certificate of anybody's skill, and no statement about patients.";

/// A cause of error, in the order of the ladder
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// What the correction for blooming leaves at the true pose; with a typed width, which nobody corrects,
    /// its blooming too
    Blooming,
    /// Another frame than that of the largest true area
    Frame,
    /// The cut not perpendicular to the true axis
    Tilt,
    /// The cut not at the vena contracta
    Level,
    /// A circle in place of the shape, where only a width was given
    Shape,
    /// The outline, or the width, as the reader drew it
    Outline,
    /// Jets that were missed, and jets that are none
    Jets,
}

impl Cause {
    /// All of them, in the order of the ladder
    pub const ALL: [Self; 7] =
        [Self::Blooming, Self::Frame, Self::Tilt, Self::Level, Self::Shape, Self::Outline, Self::Jets];

    /// Its word in tables and figures
    pub const fn word(self) -> &'static str {
        match self {
            Self::Blooming => "blooming",
            Self::Frame => "frame",
            Self::Tilt => "tilt",
            Self::Level => "level",
            Self::Shape => "shape",
            Self::Outline => "outline",
            Self::Jets => "jets",
        }
    }

    /// What it means, in words
    pub const fn meaning(self) -> &'static str {
        match self {
            Self::Blooming => "left over by the correction for blooming at the true pose",
            Self::Frame => "another frame than that of the largest area",
            Self::Tilt => "the plane not perpendicular to the jet",
            Self::Level => "the plane not at the vena contracta",
            Self::Shape => "a circle in place of the shape",
            Self::Outline => "the outline, or the width, as drawn",
            Self::Jets => "jets missed, and jets that are none",
        }
    }
}

/// The parts of an error, one a cause; in mm2, or in percent where the name says so
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Parts {
    /// See [`Cause::Blooming`]
    pub blooming: f64,
    /// See [`Cause::Frame`]
    pub frame: f64,
    /// See [`Cause::Tilt`]
    pub tilt: f64,
    /// See [`Cause::Level`]
    pub level: f64,
    /// See [`Cause::Shape`]
    pub shape: f64,
    /// See [`Cause::Outline`]
    pub outline: f64,
    /// See [`Cause::Jets`]
    pub jets: f64,
}

impl Parts {
    /// The part of a cause
    pub fn of(&self, cause: Cause) -> f64 {
        match cause {
            Cause::Blooming => self.blooming,
            Cause::Frame => self.frame,
            Cause::Tilt => self.tilt,
            Cause::Level => self.level,
            Cause::Shape => self.shape,
            Cause::Outline => self.outline,
            Cause::Jets => self.jets,
        }
    }

    /// Parts made cause by cause
    pub fn each(make: impl Fn(Cause) -> f64) -> Self {
        Self {
            blooming: make(Cause::Blooming),
            frame: make(Cause::Frame),
            tilt: make(Cause::Tilt),
            level: make(Cause::Level),
            shape: make(Cause::Shape),
            outline: make(Cause::Outline),
            jets: make(Cause::Jets),
        }
    }

    /// Their sum, which is the error
    pub fn sum(&self) -> f64 {
        Cause::ALL.iter().map(|cause| self.of(*cause)).sum()
    }

    /// The cause of the largest part in either direction; the first on a tie
    pub fn largest(&self) -> Cause {
        let mut largest = Cause::Blooming;
        for cause in Cause::ALL {
            if self.of(cause).abs() > self.of(largest).abs() {
                largest = cause;
            }
        }
        largest
    }
}
