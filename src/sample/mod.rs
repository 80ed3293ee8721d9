//! A [`Cut`](crate::space::Cut) out of a [`Volume4`](crate::volume::Volume4): the reference that the graphics mirror.
//!
//! Tissue and power are interpolated trilinearly. Velocity never is: its codes are phases, and the
//! average of two codes across a wrap is a velocity that was never there. What is interpolated is
//! the phasor `exp(i pi v / v_N)` of the coloured voxels, weighted trilinearly; its angle is the
//! velocity, its length over the coloured weight is the coherence.
//!
//! [`FrameSampler`] and [`FlowSampler`] read single points, plainly. Whole cuts go row by row over threads, in blocks
//! that the compiler turns into vector instructions; they agree with the plain reading to rounding,
//! and give the same bytes for any number of threads.

// The kernels must be inlined into the function that is compiled for wide vectors, or they are
// compiled for narrow ones; their loops run over several arrays of one length at once.
#![allow(clippy::inline_always, clippy::needless_range_loop)]

mod angle;
mod cuts;
mod kernel;
mod lanes;
mod phasor;
mod probe;
mod raster;
mod rows;

pub use cuts::{
    FlowCut, flow_cut, flow_cut_into, scalar_cut, scalar_cut_into, scalar_cuts, velocity_cut,
    velocity_cut_into,
};
pub use probe::{FlowSample, FlowSampler, FrameSampler};
pub use raster::Raster;
