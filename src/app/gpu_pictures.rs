//! Pictures drawn by the graphics processor, inside the toolkit's own render pass.

use std::sync::{Arc, Mutex, PoisonError};

use egui::{Painter, Rect};
use egui_wgpu::{Callback, CallbackResources, CallbackTrait, ScreenDescriptor};

use crate::gpu::{ContextPass, ContextView, CutPass, CutView, Device, GpuError, VolumeTextures, wgpu};
use crate::ui::{Drawn3, Pane, Pictures};
use crate::volume::Volume4;

/// Frames of the beat kept on the device
const RING: usize = 4;

/// What the passes need while they draw
struct Stage {
    device: Arc<Device>,
    cuts: CutPass,
    context: ContextPass,
    volume: Option<(Arc<Volume4>, VolumeTextures)>,
    trouble: Option<String>,
}

/// Pictures drawn by the graphics processor
pub(super) struct GpuPictures {
    stage: Arc<Mutex<Stage>>,
}

impl GpuPictures {
    /// Readies the passes for a window of a format
    ///
    /// # Errors
    /// Where the device refuses them.
    pub(super) fn new(device: Arc<Device>, format: wgpu::TextureFormat) -> Result<Self, GpuError> {
        let cuts = CutPass::new(&device, format)?;
        let context = ContextPass::new(&device, format)?;
        let stage = Stage { device, cuts, context, volume: None, trouble: None };
        Ok(Self { stage: Arc::new(Mutex::new(stage)) })
    }

    /// Shows another volume, or none
    ///
    /// # Errors
    /// Where the device cannot hold a side of it.
    pub(super) fn set_volume(&self, volume: Option<Arc<Volume4>>) -> Result<(), GpuError> {
        let mut stage = self.stage.lock().unwrap_or_else(PoisonError::into_inner);
        stage.volume = match volume {
            None => None,
            Some(volume) => {
                let textures = VolumeTextures::new(&stage.device, &volume, RING)?;
                Some((volume, textures))
            }
        };
        Ok(())
    }

    /// Whether a frame of the volume is on the device
    pub(super) fn is_shown(&self) -> bool {
        let stage = self.stage.lock().unwrap_or_else(PoisonError::into_inner);
        stage.volume.as_ref().is_some_and(|(_, textures)| textures.shown().is_some())
    }

    /// What went wrong while drawing, since the last time
    pub(super) fn trouble(&self) -> Option<String> {
        self.stage.lock().unwrap_or_else(PoisonError::into_inner).trouble.take()
    }
}

impl Pictures for GpuPictures {
    fn cut(&self, painter: &Painter, rect: Rect, pane: Pane, frame: usize, view: &CutView) {
        let what = What::Cut(pane.index(), *view);
        let draw = Draw { stage: self.stage.clone(), frame, what };
        painter.add(Callback::new_paint_callback(rect, draw));
    }

    fn context(&self, painter: &Painter, rect: Rect, frame: usize, view: &ContextView) -> Drawn3 {
        let draw = Draw { stage: self.stage.clone(), frame, what: What::Context(*view) };
        painter.add(Callback::new_paint_callback(rect, draw));
        Drawn3::Yes
    }
}

enum What {
    Cut(usize, CutView),
    Context(ContextView),
}

struct Draw {
    stage: Arc<Mutex<Stage>>,
    frame: usize,
    what: What,
}

impl CallbackTrait for Draw {
    fn prepare(
        &self,
        _: &wgpu::Device,
        _: &wgpu::Queue,
        _: &ScreenDescriptor,
        _: &mut wgpu::CommandEncoder,
        _: &mut CallbackResources,
    ) -> Vec<wgpu::CommandBuffer> {
        let mut stage = self.stage.lock().unwrap_or_else(PoisonError::into_inner);
        let Stage { device, cuts, context, volume, trouble } = &mut *stage;
        let Some((volume, textures)) = volume else { return Vec::new() };
        if let Err(error) = textures.show(device, volume, self.frame) {
            *trouble = Some(error.to_string());
            return Vec::new();
        }
        match &self.what {
            What::Cut(slot, view) => cuts.prepare(device, *slot, volume, view),
            What::Context(view) => context.prepare(device, volume, view),
        }
        Vec::new()
    }

    fn paint(&self, _: egui::PaintCallbackInfo, pass: &mut wgpu::RenderPass<'static>, _: &CallbackResources) {
        let stage = self.stage.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(frame) = stage.volume.as_ref().and_then(|(_, textures)| textures.shown()) else { return };
        match &self.what {
            What::Cut(slot, _) => stage.cuts.paint(pass, *slot, frame),
            What::Context(_) => stage.context.paint(pass, frame),
        }
    }
}
