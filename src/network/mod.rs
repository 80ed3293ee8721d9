//! A small network that reads a patch around a proposed vena contracta.
//!
//! The model proposes a plane; [`Patch::lay`] samples the volume on a grid along its axes; [`read`] gives the
//! effective outline, the effective area with its interval, corrections of the plane, and whether there is
//! an orifice at all. A second reading on the corrected plane ([`Reading::corrected`]) is better than the first.
//!
//! The network is a corrector behind a proposal, not a finder: it was trained with planes up to 15 degrees
//! and 5 mm off. There are two trainings of it; what they saw, and their errors on geometries left out of training, stand
//! beside the weights in `plain.md` and `stretched.md`; the training command in `examples/train`.
//!
//! The arithmetic is f32 in one fixed order of products and sums, never fused: the same bits on every machine
//! and in any thread. About 0.3 G products, 10 to 20 ms on one thread.

mod convolution;
mod forward;
mod patch;
mod reading;
mod weights;

pub use forward::{read, read_both};
pub use patch::{LEVEL_SLICE, Patch, PowerUse, SIDE, SLICES, Scene, Surround, pitch_mm};
pub use reading::Reading;
pub use weights::WeightsError;
