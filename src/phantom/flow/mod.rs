//! Jets whose flow is solved, not drawn: the flow on its grid, its file, and what is true of it.
//!
//! One file a step:
//!
//! ```text
//!   field    the velocity at a point         file     bytes to a flow and back
//!   truth    areas, outlines, axes of it     library  the flows of the repository, by name
//!   recipe   what the TOML says              geometry where there is blood and where wall
//!   lattice  cells, walls, the size of a step
//!   processor  a step of the solver          graphics the same as compute shaders
//!   solve    settling, averaging, and what comes out
//!   trials   flows with a known answer, that the solver is checked on
//! ```
//!
//! The frame of a flow is (u, v, w), millimetres: w runs along the jet, the upstream face of the
//! plate lies at w = 0 at the orifices, u and v span the plate. Velocities are metres a second
//! along u, v, w; arrays run u fastest, then v, then w.

mod field;
mod file;
mod geometry;
#[cfg(feature = "gpu")]
mod graphics;
mod lattice;
mod library;
mod processor;
mod recipe;
mod solve;
#[cfg(test)]
mod tests;
pub mod trials;
mod truth;

pub use field::{FlowSample, SolvedFlow};
pub use file::FlowError;
pub use library::{flow_names, flows_for, library_flow, library_flow_for};
pub use recipe::{Chamber, FlowOrifice, FlowRecipe, FlowRecipeError, Fluid, Leaflet};
pub use solve::{FlowCost, FlowDevice, FlowSolveError, Solved, flow_adapter, flow_cost, solve};
pub use truth::{FlowHeader, FlowPlane, FlowTruth, FlowUse, OrificeTruth};
