//! One jet's area through systole: when it is there, its mean, its integral, the volume it leaks.
//!
//! A single frame's area times the whole velocity-time integral overstates a leak that is not
//! holosystolic, so the peak, the time mean and the pattern stand side by side.

mod envelope;
mod fullness;
mod leak;
mod pattern;
mod smooth;
mod systole;
mod zone;

pub use envelope::{ContinuousWave, Envelope};
pub use fullness::{FlowFrame, Fullness};
pub use leak::{regurgitant_volume, sampling_error};
pub use pattern::{Course, Pattern, course};
pub use smooth::in_beat;
pub use systole::{SystoleBounds, bounds, given_bounds};
pub use zone::{
    Counted, Opening, Zone, ZoneError, ZoneSurface, convergences, effective_orifice, hemisphere_flow_ml_s,
};
