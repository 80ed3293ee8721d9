//! Who draws the cuts: the boundary between the graphics processor and the processor.
//!
//! [`PlainPictures`] is the tier of a machine without graphics: the core's own sampler fills a
//! texture, by the rule that the graphics pass mirrors. In a window it draws on a thread and shows
//! the last picture until the next is there, so that a slow machine lags but never stutters; in a
//! test it draws at once.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use egui::{Color32, ColorImage, Painter, Rect, TextureHandle, TextureOptions, pos2};

use crate::gpu::{ContextView, CutView, cut_picture};
use crate::ui::{Drawn3, Pane, Pictures};
use crate::volume::Volume4;

use super::context_pictures::ContextPictures;
use super::texture::color_image;
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

struct Slot {
    wanted: Wanted,
    shown: Option<(Wanted, TextureHandle)>,
}

/// Pictures drawn by the processor
pub(super) struct PlainPictures {
    ctx: egui::Context,
    volume: Option<Arc<Volume4>>,
    slots: Mutex<BTreeMap<Pane, Slot>>,
    worker: Option<Worker<Job, (Pane, Wanted, ColorImage)>>,
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
                    turn.give((pane, wanted, draw(&job.volume, &wanted)));
                }
            })?),
        };
        Ok(Self { ctx: ctx.clone(), volume: None, slots: Mutex::new(BTreeMap::new()), worker, context: None })
    }

    /// Lets go of the device that draws the context
    pub(super) fn finish_context(&mut self) {
        if let Some(context) = self.context.take() {
            context.finish();
        }
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
                self.put(slot, pane, wanted, image);
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

    fn put(&self, slot: &mut Slot, pane: Pane, wanted: Wanted, image: ColorImage) {
        if let Some((shown, texture)) = &mut slot.shown {
            texture.set(image, TextureOptions::LINEAR);
            *shown = wanted;
        } else {
            let texture = self.ctx.load_texture(format!("{pane:?}"), image, TextureOptions::LINEAR);
            slot.shown = Some((wanted, texture));
        }
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
            let image = draw(volume, &wanted);
            self.put(slot, pane, wanted, image);
        }
        if let Some((_, texture)) = &slot.shown {
            let whole = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
            painter.image(texture.id(), rect, whole, Color32::WHITE);
        }
    }

    fn context(&self, painter: &Painter, rect: Rect, frame: usize, view: &ContextView) -> Drawn3 {
        self.context.as_ref().map_or(Drawn3::No, |context| context.paint(painter, rect, frame, view))
    }
}

fn draw(volume: &Volume4, wanted: &Wanted) -> ColorImage {
    color_image(&cut_picture(volume, wanted.frame, &wanted.view))
}
