//! One jet's area through systole: when it is there, its mean, its integral.
//!
//! A single frame's area times the whole velocity-time integral overstates a leak that is not
//! holosystolic, so the peak, the time mean and the pattern stand side by side.

mod pattern;
mod systole;

pub use pattern::{Course, Pattern, course};
pub use systole::{SystoleBounds, bounds};
