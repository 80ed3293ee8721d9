//! Jets whose flow is solved, not drawn: the flow on its grid, its file, and what is true of it.
//!
//! One file a step:
//!
//! ```text
//!   field    the velocity at a point         file     bytes to a flow and back
//!   truth    areas, outlines, axes of it     library  the flows of the repository, by name
//! ```
//!
//! The frame of a flow is (u, v, w), millimetres: w runs along the jet, the upstream face of the
//! plate lies at w = 0 at the orifices, u and v span the plate. Velocities are metres a second
//! along u, v, w; arrays run u fastest, then v, then w.

mod field;
mod file;
mod library;
mod truth;

pub use field::{FlowSample, SolvedFlow};
pub use file::FlowError;
pub use library::{flow_names, library_flow};
pub use truth::{FlowHeader, FlowPlane, FlowTruth, FlowUse, OrificeTruth};
