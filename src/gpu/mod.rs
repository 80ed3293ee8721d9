//! Pictures of a volume: on the graphics processor, and plainly on the processor by the same rule.
//!
//! This module draws and explores; it reports no number. It knows no user interface: the passes
//! write into any render pass (a window's, a headless picture's), and the shaders they run stand
//! in `shaders/`. Every pass has a plain twin with the same view type and the same meaning, and
//! tests hold the two together:
//!
//! | view | graphics processor | plain twin |
//! |---|---|---|
//! | [`CutView`] | `CutPass` | [`cut_picture`] |
//! | [`TiltView`] | `TiltPass` | [`tilt_areas`] |
//!
//! A time frame lives on the graphics processor as 3D textures of eight bits a component
//! (`VolumeTextures`, a small ring of frames). What is filtered there is never a velocity code but
//! the cosine and sine of its phase, weighted by presence, as in [`crate::sample`]. Hardware
//! filters weigh in steps of about 1/256, so a picture may differ from its twin by a shade;
//! what is measured is measured elsewhere, in f64.
//!
//! With the feature `gui` off only the plain twins and the colour maps are there.

mod colour;
mod picture;
#[cfg(test)]
mod test_volume;
mod tilt;
mod view;

pub use colour::{Colour, ColourMap, LUT_COLOURS, VelocityLut, linear_from_srgb, oklab, srgb_from_oklab};
pub use picture::{cut_picture, png_bytes};
pub use tilt::{TiltDisc, TiltField, TiltView, tilt_areas};
pub use view::{CutView, FlowLook, TissueWindow};

#[cfg(feature = "gui")]
mod context;
#[cfg(feature = "gui")]
mod cut_pass;
#[cfg(feature = "gui")]
mod device;
#[cfg(feature = "gui")]
mod shader;
#[cfg(feature = "gui")]
mod target;
#[cfg(feature = "gui")]
mod textures;
#[cfg(feature = "gui")]
mod tilt_pass;
#[cfg(feature = "gui")]
mod timer;

#[cfg(feature = "gui")]
pub use context::{ContextPass, ContextView};
#[cfg(feature = "gui")]
pub use cut_pass::CutPass;
#[cfg(feature = "gui")]
pub use device::{Device, DeviceOptions, GpuError, Tier};
#[cfg(feature = "gui")]
pub use target::Target;
#[cfg(feature = "gui")]
pub use textures::{FrameTextures, VolumeTextures};
#[cfg(feature = "gui")]
pub use tilt_pass::{TiltJob, TiltPass};
#[cfg(feature = "gui")]
pub use timer::Timer;

/// The one wgpu of the program: whoever needs its types takes them from here
#[cfg(feature = "gui")]
pub use egui_wgpu::wgpu;
