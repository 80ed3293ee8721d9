//! Simulated acquisitions with known truth: the flow, the scanner, and what was really there.
//!
//! A [`Recipe`] says where the probe, the plate and the orifices are and how the scanner is set;
//! [`simulate`] makes the [`Volume4`](crate::volume::Volume4) that such a scanner would have stored
//! and the [`Truth`] that no scanner can see.
//!
//! The chain, one file a step:
//!
//! ```text
//!   recipe   what the TOML says             scanner  the part of it about the scanner and blood
//!   flow     jets that are solved           solved   one of them made ready to be scanned
//!   mount    where the plate stands         blood    what moves in the chambers
//!   wave     speed and area in time         stage    what stands before the probe at one moment
//!   sector   beams at fixed angles          beams    their echo, blurred by the point spread
//!   filter   the wall filter of a packet    signal   power and first lag of blood at one point
//!   estimate noise, speckle, gain errors    acquire  scan conversion and stored codes
//!   truth    areas, axes, necks             population  random recipes within stated ranges
//!   shape    outlines of orifices           patch    smaller recipes of the same phantom
//!   sheet, spread, scene   drawn jets, for tests of closed forms
//! ```
//!
//! The trade-off: a beat is a row of steady flows, scaled in speed. Drawn jets solve no equation of
//! flow: upstream is the exact half-space potential flow of a sheet of sinks, downstream Reichardt's
//! linear diffusion of momentum.

mod acquire;
mod beams;
mod blood;
mod estimate;
mod filter;
pub mod flow;
mod mount;
mod patch;
mod population;
mod random;
mod recipe;
mod scanner;
mod scene;
mod sector;
mod shape;
mod sheet;
mod signal;
#[cfg(test)]
mod slow_time;
mod solved;
mod spread;
mod stage;
#[cfg(test)]
mod tests;
mod truth;
mod truth_file;
mod wave;

pub use acquire::{read_flow, simulate, simulate_flow};
pub use population::{Fault, random_recipe};
pub use recipe::{
    BeatRecipe, FlowRecipe, GridRecipe, OrificeRecipe, OrificeShape, PlateRecipe, PracticeRecipe, Recipe,
    RecipeFault, ScanRecipe, SheetKind, View, WaveKind, WaveRecipe,
};
pub use scanner::{
    BloodRecipe, Conversion, DopplerRecipe, GhostRecipe, PowerExtent, PowerLaw, ShadowRecipe, StoreRecipe,
    TissuePriority, WallFilter,
};
pub use solved::ReadyFlow;
pub use truth::{FlowInfo, JetTruth, JetTruthFrame, Truth, TruthShape};
pub use truth_file::{TruthError, truth_beside};

/// Version of the generator, raised when the same recipe gives other bytes
pub const ENGINE: &str = "phantom/2";

/// Why a phantom was not made
#[derive(Debug, thiserror::Error)]
pub enum PhantomError {
    /// The text is not a recipe
    #[error("the recipe could not be read: {0}")]
    Parse(#[from] Box<toml::de::Error>),
    /// A value of the recipe cannot be simulated
    #[error("the recipe asks for something impossible: {key}: {fault}")]
    Recipe {
        /// The key, as written in the TOML
        key: String,
        /// What is wrong with it
        fault: RecipeFault,
    },
    /// The solved flow of the recipe could not be read
    #[error("the flow of the recipe cannot be used: {0}")]
    Flow(#[from] flow::FlowError),
    /// The recipe could not be written as TOML
    #[error("the recipe could not be written: {0}")]
    Write(#[from] toml::ser::Error),
    /// The grid of the recipe was refused
    #[error("the grid of the recipe was refused: {0}")]
    Grid(#[from] crate::space::GridError),
    /// The frame times of the recipe were refused
    #[error("the frame times of the recipe were refused: {0}")]
    Timeline(#[from] crate::volume::TimelineError),
    /// The velocity scale of the recipe was refused
    #[error("the velocity scale of the recipe was refused: {0}")]
    Scale(#[from] crate::volume::ScaleError),
    /// The simulated channels did not fit together
    #[error("the simulated channels do not fit together: {0}")]
    Volume(#[from] crate::volume::VolumeError),
    /// The simulated samples did not fit the grid
    #[error("the simulated samples do not fit the grid: {0}")]
    Samples(#[from] crate::volume::SamplesError),
    /// The work was stopped
    #[error(transparent)]
    Cancelled(#[from] crate::job::Cancelled),
}
