//! The context on a machine whose graphics adapter is a program: drawn aside, while the hand rests.
//!
//! Such an adapter draws the jet in three dimensions well, but not many times a second. A thread
//! of its own draws it once for each look and hands the picture over; meanwhile the old one stays,
//! with the wires of the new pose over it.

use std::sync::{Arc, Mutex, PoisonError};

use egui::{Painter, Rect};

use crate::gpu::{ContextPass, ContextView, Device, GpuError, Target, VolumeTextures};
use crate::numeric::Image;
use crate::ui::{Drawn3, Pane};
use crate::volume::Volume4;

use super::layer::{Laid, Layer};
use super::worker::{Notify, Worker};

/// Longest side of a picture, pixels: the corner is small, and the adapter slow
const MOST: u32 = 360;

#[derive(Clone, Copy, Debug, PartialEq)]
struct Wanted {
    frame: usize,
    view: ContextView,
}

type Job = (Arc<Volume4>, Wanted);

#[derive(Default)]
struct Slot {
    wanted: Option<Wanted>,
    asked: Option<Wanted>,
    shown: Option<Laid>,
}

/// Pictures of the context drawn aside
pub(super) struct ContextPictures {
    layer: Layer,
    volume: Option<Arc<Volume4>>,
    slot: Mutex<Slot>,
    worker: Worker<Job, Image<[u8; 4]>>,
}

impl ContextPictures {
    /// Starts the thread on a device; what it draws is laid by a layer
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(super) fn new(layer: Layer, device: Arc<Device>, notify: Notify) -> std::io::Result<Self> {
        let mut easel = None;
        let worker = Worker::start("context", notify, move |(volume, wanted): Job, turn| {
            // A picture that cannot be drawn is left out; the wires say what must be said.
            if let Ok(image) = draw(&device, &mut easel, &volume, &wanted) {
                turn.give(image);
            }
        })?;
        Ok(Self { layer, volume: None, slot: Mutex::default(), worker })
    }

    /// Waits until the thread has let go of its device
    pub(super) fn finish(self) {
        self.worker.finish();
    }

    /// Shows another volume, or none
    pub(super) fn set_volume(&mut self, volume: Option<Arc<Volume4>>) {
        self.volume = volume;
        self.worker.take();
        *self.slot.lock().unwrap_or_else(PoisonError::into_inner) = Slot::default();
    }

    /// Takes a finished picture over, and asks for the next while the hand rests
    pub(super) fn turn_over(&self, resting: bool) {
        let mut slot = self.slot.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(image) = self.worker.take().pop() {
            let before = slot.shown.take();
            slot.shown = Some(self.layer.put(before, Pane::ALL.len(), &image));
        }
        if let (Some(volume), Some(wanted)) = (&self.volume, slot.wanted)
            && resting
            && slot.asked != Some(wanted)
        {
            slot.asked = Some(wanted);
            self.worker.ask((volume.clone(), wanted));
        }
    }

    /// Draws the last picture into a rectangle and remembers which one is wanted
    pub(super) fn paint(&self, painter: &Painter, rect: Rect, frame: usize, view: &ContextView) -> Drawn3 {
        let mut slot = self.slot.lock().unwrap_or_else(PoisonError::into_inner);
        let mut view = *view;
        let most = view.size_px[0].max(view.size_px[1]).max(1);
        if most > MOST {
            view.size_px = view.size_px.map(|side| (side * MOST / most).max(1));
        }
        let wanted = Wanted { frame, view };
        slot.wanted = Some(wanted);
        let Some(laid) = &slot.shown else { return Drawn3::No };
        laid.paint(painter, rect);
        // An old picture under the wires of a new pose would mislead without the new rim.
        if slot.asked == Some(wanted) { Drawn3::Yes } else { Drawn3::No }
    }
}

/// What the thread keeps from picture to picture
struct Easel {
    pass: ContextPass,
    volume: Arc<Volume4>,
    textures: VolumeTextures,
}

fn draw(
    device: &Device,
    easel: &mut Option<Easel>,
    volume: &Arc<Volume4>,
    wanted: &Wanted,
) -> Result<Image<[u8; 4]>, GpuError> {
    if easel.as_ref().is_none_or(|easel| !Arc::ptr_eq(&easel.volume, volume)) {
        *easel = Some(Easel {
            pass: ContextPass::new(device, Target::COLOURS)?,
            volume: volume.clone(),
            textures: VolumeTextures::new(device, volume, 1)?,
        });
    }
    let Some(Easel { pass, textures, .. }) = easel else { return Ok(Image::filled(0, 0, [0; 4])) };
    let frame = textures.show(device, volume, wanted.frame)?;
    pass.picture(device, volume, frame, &wanted.view)
}
