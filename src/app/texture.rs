//! Pictures that the processor drew, on the screen.

use std::sync::{Arc, Mutex, PoisonError};

use egui::epaint::{ClippedShape, RectShape};
use egui::{Color32, ColorImage, Painter, Rect, Shape, TextureHandle, TextureOptions, pos2};
use egui_wgpu::{Callback, CallbackResources, CallbackTrait};

use crate::gpu::{CopyPass, Device, GpuError, wgpu};
use crate::numeric::Image;

/// A picture as the toolkit takes it
pub(super) fn color_image(picture: &Image<[u8; 4]>) -> ColorImage {
    let size = [picture.width(), picture.height()];
    ColorImage::from_rgba_premultiplied(size, bytemuck::cast_slice(picture.data()))
}

/// Lays pictures on the screen, each in a slot
#[derive(Clone)]
pub(super) enum Layer {
    /// With the toolkit's textures and shader
    Toolkit(egui::Context),
    /// With a pass of our own, in the toolkit's render pass: an adapter that is a program has far less to do for each pixel
    Copies(egui::Context, Arc<Copies>),
}

/// A pass and its device
pub(super) struct Copies {
    device: Arc<Device>,
    pass: Mutex<CopyPass>,
}

/// A picture on the screen
pub(super) enum Laid {
    Texture(TextureHandle),
    Slot(usize),
}

impl Layer {
    /// Lays with a pass on a device, into a window of this format
    ///
    /// # Errors
    /// Where the device refuses it.
    pub(super) fn copies(
        ctx: &egui::Context,
        device: Arc<Device>,
        format: wgpu::TextureFormat,
    ) -> Result<Self, GpuError> {
        let pass = Mutex::new(CopyPass::new(&device, format)?);
        Ok(Self::Copies(ctx.clone(), Arc::new(Copies { device, pass })))
    }

    /// Puts a picture in place of the one before, if any; one that the device refuses goes to the toolkit
    pub(super) fn put(&self, before: Option<Laid>, slot: usize, image: &Image<[u8; 4]>) -> Laid {
        let ctx = match self {
            Self::Toolkit(ctx) => ctx,
            Self::Copies(ctx, copies) => {
                let mut pass = copies.pass.lock().unwrap_or_else(PoisonError::into_inner);
                if pass.put(&copies.device, slot, image).is_ok() {
                    return Laid::Slot(slot);
                }
                ctx
            }
        };
        let image = color_image(image);
        if let Some(Laid::Texture(mut texture)) = before {
            texture.set(image, TextureOptions::LINEAR);
            return Laid::Texture(texture);
        }
        Laid::Texture(ctx.load_texture(format!("picture {slot}"), image, TextureOptions::LINEAR))
    }

    /// Paints it into a rectangle
    pub(super) fn paint(&self, painter: &Painter, rect: Rect, laid: &Laid) {
        match (self, laid) {
            (_, Laid::Texture(texture)) => {
                let whole = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
                painter.image(texture.id(), rect, whole, Color32::WHITE);
            }
            (Self::Copies(_, copies), Laid::Slot(slot)) => {
                let copy = Copy { copies: copies.clone(), what: What::Slot(*slot) };
                painter.add(Callback::new_paint_callback(rect, copy));
            }
            (Self::Toolkit(_), Laid::Slot(_)) => {}
        }
    }

    /// Fills large areas of one opaque colour by the pass, too; their corners become square
    pub(super) fn lighten(&self, shapes: &mut [ClippedShape]) {
        let Self::Copies(_, copies) = self else { return };
        let mut pass = copies.pass.lock().unwrap_or_else(PoisonError::into_inner);
        for clipped in shapes {
            let Shape::Rect(area) = &mut clipped.shape else { continue };
            let colour = area.fill.to_array();
            if is_large(area) && pass.ready(&copies.device, colour).is_ok() {
                let fill = Copy { copies: copies.clone(), what: What::Colour(colour) };
                let fill = Callback::new_paint_callback(area.rect, fill);
                let edge = RectShape { fill: Color32::TRANSPARENT, ..area.clone() };
                clipped.shape = Shape::Vec(vec![Shape::Callback(fill), Shape::Rect(edge)]);
            }
        }
    }
}

/// Whether filling an area is felt where graphics are a program, and it is filled by one opaque colour alone
fn is_large(area: &RectShape) -> bool {
    let plain = area.brush.is_none() && area.blur_width == 0.0 && area.angle == 0.0;
    plain && area.fill.is_opaque() && area.rect.area() > 4000.0
}

/// What a pass lays
enum What {
    Slot(usize),
    Colour([u8; 4]),
}

struct Copy {
    copies: Arc<Copies>,
    what: What,
}

impl CallbackTrait for Copy {
    fn paint(&self, _: egui::PaintCallbackInfo, pass: &mut wgpu::RenderPass<'static>, _: &CallbackResources) {
        let copies = self.copies.pass.lock().unwrap_or_else(PoisonError::into_inner);
        match self.what {
            What::Slot(slot) => copies.paint(pass, slot),
            What::Colour(colour) => copies.fill(pass, colour),
        }
    }
}
