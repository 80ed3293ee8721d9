//! Who draws the cuts: the boundary between the graphics processor and the processor.
//!
//! [`PlainPictures`] is the tier of a machine without graphics: the core's own sampler fills a
//! picture, by the rule that the graphics pass mirrors. In a window it draws on a thread and shows
//! the last picture until the next is there, so that a slow machine lags but never stutters; in a
//! test it draws at once.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use egui::epaint::ClippedShape;
use egui::{Painter, Rect};

use crate::gpu::{ContextView, CutView, cut_picture};
use crate::numeric::Image;
use crate::ui::{Drawn3, Pane, Pictures};
use crate::volume::Volume4;

use super::context_pictures::ContextPictures;
use super::layer::{Laid, Layer};
use super::worker::{Notify, Worker};

/// When plain pictures are drawn
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DrawWhen {
    /// On a thread, while the last picture is shown
    Behind,
    /// At once, while everybody waits
    AtOnce,
}

/// What a picture shows: two that are equal look the same
#[derive(Clone, Copy, Debug, PartialEq)]
struct Wanted {
    frame: usize,
    view: CutView,
}

/// Job of the drawing thread: everything wanted and not there yet
struct Job {
    volume: Arc<Volume4>,
    wanted: Vec<(Pane, Wanted)>,
}

/// A picture that was drawn, and what it shows
type Picture = (Pane, Wanted, Image<[u8; 4]>);

struct Slot {
    wanted: Wanted,
    shown: Option<(Wanted, Laid)>,
}

/// Pictures drawn by the processor
pub(super) struct PlainPictures {
    layer: Layer,
    volume: Option<Arc<Volume4>>,
    slots: Mutex<BTreeMap<Pane, Slot>>,
    worker: Option<Worker<Job, Picture>>,
    context: Option<ContextPictures>,
}

impl PlainPictures {
    /// Draws nothing until it is given a volume
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(super) fn new(ctx: &egui::Context, when: DrawWhen, notify: Notify) -> std::io::Result<Self> {
        let worker = match when {
            DrawWhen::AtOnce => None,
            DrawWhen::Behind => Some(Worker::start("cuts", notify, |job: Job, turn| {
                for (pane, wanted) in job.wanted {
                    if turn.is_stale() {
                        return;
                    }
                    let image = cut_picture(&job.volume, wanted.frame, &wanted.view);
                    turn.give((pane, wanted, image));
                }
            })?),
        };
        let layer = Layer::of_toolkit(ctx);
        Ok(Self { layer, volume: None, slots: Mutex::default(), worker, context: None })
    }

    /// Lets go of the device that draws the context, and of what lies on it
    pub(super) fn finish_context(&mut self, ctx: &egui::Context) {
        self.use_layer(Layer::of_toolkit(ctx));
        if let Some(context) = self.context.take() {
            context.finish();
        }
    }

    /// Lays pictures with this from now on; those that are there are drawn anew
    pub(super) fn use_layer(&mut self, layer: Layer) {
        self.layer = layer;
        self.slots.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    /// Makes what the screen is drawn with cheaper where that is felt
    pub(super) fn lighten(&self, shapes: &mut [ClippedShape]) {
        self.layer.lighten(shapes);
    }

    /// Draws the context with a device from now on
    pub(super) fn use_context(&mut self, mut context: ContextPictures) {
        context.set_volume(self.volume.clone());
        self.context = Some(context);
    }

    /// Shows another volume, or none
    pub(super) fn set_volume(&mut self, volume: Option<Arc<Volume4>>) {
        if let Some(context) = &mut self.context {
            context.set_volume(volume.clone());
        }
        self.volume = volume;
        self.slots.lock().unwrap_or_else(PoisonError::into_inner).clear();
        if let Some(worker) = &self.worker {
            worker.take();
        }
    }

    /// Takes finished pictures over and asks for those still wanted; once a frame, after the views
    pub(super) fn turn_over(&self, resting: bool) {
        if let Some(context) = &self.context {
            context.turn_over(resting);
        }
        let (Some(worker), Some(volume)) = (&self.worker, &self.volume) else { return };
        let mut slots = self.slots.lock().unwrap_or_else(PoisonError::into_inner);
        for (pane, wanted, image) in worker.take() {
            if let Some(slot) = slots.get_mut(&pane) {
                self.put(slot, pane, wanted, &image);
            }
        }
        let wanted: Vec<(Pane, Wanted)> = slots
            .iter()
            .filter(|(_, slot)| slot.shown.as_ref().is_none_or(|(shown, _)| *shown != slot.wanted))
            .map(|(pane, slot)| (*pane, slot.wanted))
            .collect();
        if !wanted.is_empty() {
            worker.ask(Job { volume: volume.clone(), wanted });
        }
    }

    /// Whether every picture asked for so far has been drawn at least once
    pub(super) fn is_shown(&self) -> bool {
        let slots = self.slots.lock().unwrap_or_else(PoisonError::into_inner);
        slots.values().all(|slot| slot.shown.is_some())
    }

    fn put(&self, slot: &mut Slot, pane: Pane, wanted: Wanted, image: &Image<[u8; 4]>) {
        let before = slot.shown.take().map(|(_, laid)| laid);
        slot.shown = Some((wanted, self.layer.put(before, pane.index(), image)));
    }
}

impl Pictures for PlainPictures {
    fn cut(&self, painter: &Painter, rect: Rect, pane: Pane, frame: usize, view: &CutView) {
        let Some(volume) = &self.volume else { return };
        let wanted = Wanted { frame, view: *view };
        let mut slots = self.slots.lock().unwrap_or_else(PoisonError::into_inner);
        let slot = slots.entry(pane).or_insert(Slot { wanted, shown: None });
        slot.wanted = wanted;
        if self.worker.is_none() && slot.shown.as_ref().is_none_or(|(shown, _)| *shown != wanted) {
            self.put(slot, pane, wanted, &cut_picture(volume, frame, view));
        }
        if let Some((_, laid)) = &slot.shown {
            laid.paint(painter, rect);
        }
    }

    fn context(&self, painter: &Painter, rect: Rect, frame: usize, view: &ContextView) -> Drawn3 {
        self.context.as_ref().map_or(Drawn3::No, |context| context.paint(painter, rect, frame, view))
    }
}
