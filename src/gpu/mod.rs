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
//!
//! Where the adapter is a program, the twin's pictures are laid into a window by `CopyPass`.
//!
//! A time frame lives on the graphics processor as 3D textures of eight bits a component
//! (`VolumeTextures`, a small ring of frames). What is filtered there is never a velocity code but
//! the cosine and sine of its phase, weighted by presence, as in [`crate::sample`]. Hardware
//! filters weigh in steps of about 1/256, so a picture may differ from its twin by a shade;
//! what is measured is measured elsewhere, in f64.
//!
//! A window holds one `Device`, a ring of frames, and the passes; per frame of the screen it
//! shows a time frame, prepares a slot for each cut, and paints inside its render pass:
//!
//! ```no_run
//! # #[cfg(feature = "gui")]
//! # fn picture(volume: &narrows::volume::Volume4, cut: narrows::space::Cut) -> Result<(), narrows::gpu::GpuError> {
//! use narrows::gpu::{CutPass, CutView, Device, DeviceOptions, Target, VolumeTextures};
//! use narrows::unit::Mm;
//!
//! let gpu = Device::headless(DeviceOptions::default())?;
//! let mut textures = VolumeTextures::new(&gpu, volume, 4)?;
//! let mut cuts = CutPass::new(&gpu, Target::COLOURS)?;
//!
//! textures.show(&gpu, volume, 0)?;
//! cuts.prepare(&gpu, 0, volume, &CutView::new(cut, [640, 480], Mm::new(0.1)));
//! let target = Target::new(&gpu, 640, 480)?;
//! target.draw(&gpu, |pass| {
//!     if let Some(frame) = textures.shown() {
//!         cuts.paint(pass, 0, frame);
//!     }
//! })?;
//! # Ok(())
//! # }
//! ```
//!
//! With the feature `gui` off only the plain twins and the colour maps are there.

mod colour;
mod picture;
#[cfg(test)]
mod test_volume;
mod view;

pub use colour::{Colour, ColourMap, LUT_COLOURS, VelocityLut, linear_from_srgb, oklab, srgb_from_oklab};
pub use picture::{cut_picture, png_bytes};
pub use view::{CutView, FlowLook, TissueWindow};

#[cfg(feature = "gui")]
mod context;
#[cfg(feature = "gui")]
mod copy_pass;
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
mod timer;

#[cfg(feature = "gui")]
pub use context::{ContextPass, ContextView};
#[cfg(feature = "gui")]
pub use copy_pass::CopyPass;
#[cfg(feature = "gui")]
pub use cut_pass::CutPass;
#[cfg(feature = "gui")]
pub use device::{Device, DeviceOptions, GpuError, Tier};
#[cfg(feature = "gui")]
pub use target::Target;
#[cfg(feature = "gui")]
pub use textures::{FrameTextures, VolumeTextures};
#[cfg(feature = "gui")]
pub use timer::Timer;

/// The one wgpu of the program: whoever needs its types takes them from here
#[cfg(feature = "gui")]
pub use egui_wgpu::wgpu;
