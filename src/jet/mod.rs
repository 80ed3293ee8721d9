//! Finding jets, one or several, and following each through the beat.
//!
//! A jet is found where the flow signal loses its coherence (several wraps and turbulence) in a
//! connected body. From there the stream is followed plane by plane to both sides: upstream it
//! narrows to the neck and opens into the convergence zone, downstream it widens. The line through
//! the centres of the cross-sections just downstream of the neck is the axis, and the planes are
//! laid anew until they stand perpendicular to it. Jets that merge downstream are told apart in
//! the plane of the neck, where they are still separate. No jet is a valid answer.
//!
//! Nothing here is a reported area: [`crate::planimetry`] measures; this module says where.

mod find;
mod hidden;
mod link;
mod pose;
mod section;
mod seed;
mod settle;
mod signal;

pub use find::{JetError, JetOptions, find};
pub use hidden::hides_neck;
pub use link::Jet;
pub use pose::{InBeat, JetPose, NECK_BEYOND_MM, NeckProfile, Part};
pub use section::{displayed_mm2, profile_about, strength_image};
pub use settle::reading_about;
pub use signal::{Signal, SignalScale, StrengthSource};
