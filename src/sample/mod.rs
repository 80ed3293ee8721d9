//! A [`Cut`] out of a [`Volume4`]: the reference that the graphics mirror.
//!
//! Tissue and power are interpolated trilinearly. Velocity never is: its codes are phases, and the
//! average of two codes across a wrap is a velocity that was never there. What is interpolated is
//! the phasor `exp(i pi v / v_N)` of the coloured voxels, weighted trilinearly; its angle is the
//! velocity, its length over the coloured weight is the coherence.

mod probe;
mod raster;

pub use probe::{FlowSample, FrameSampler};
pub use raster::{FlowCut, Raster, flow_cut, scalar_cut};
