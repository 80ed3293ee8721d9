//! Pictures that the processor drew, on the screen.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use egui::epaint::{ClippedShape, RectShape};
use egui::{Color32, ColorImage, Painter, Rect, Shape, TextureHandle, TextureOptions, pos2};
use egui_wgpu::{Callback, CallbackResources, CallbackTrait};

use crate::gpu::{CopyPass, Device, wgpu};
use crate::numeric::Image;

/// A picture as the toolkit takes it
pub(super) fn color_image(picture: &Image<[u8; 4]>) -> ColorImage {
    let size = [picture.width(), picture.height()];
    ColorImage::from_rgba_premultiplied(size, bytemuck::cast_slice(picture.data()))
}

/// Lays pictures on the screen, each in a slot: with the toolkit's textures and shader, or with a pass of our own in the
/// toolkit's render pass, in which an adapter that is a program has far less to do for each pixel
#[derive(Clone)]
pub(super) struct Layer {
    ctx: egui::Context,
    copies: Option<Arc<Copies>>,
}

/// A pass and its device
pub(super) struct Copies {
    device: Arc<Device>,
    pass: Mutex<CopyPass>,
}

/// A picture on the screen
pub(super) enum Laid {
    Texture(TextureHandle),
    Slot(Arc<Copies>, usize),
}

impl Layer {
    /// Lays with the toolkit
    pub(super) fn of_toolkit(ctx: &egui::Context) -> Self {
        Self { ctx: ctx.clone(), copies: None }
    }

    /// Lays with a pass on a device into a window of this format; with the toolkit where the device refuses it
    pub(super) fn of_copies(ctx: &egui::Context, device: Arc<Device>, format: wgpu::TextureFormat) -> Self {
        let pass = CopyPass::new(&device, format).ok();
        let copies = pass.map(|pass| Arc::new(Copies { device, pass: Mutex::new(pass) }));
        Self { ctx: ctx.clone(), copies }
    }

    /// Puts a picture in place of the one before, if any; one that the device refuses goes to the toolkit
    pub(super) fn put(&self, before: Option<Laid>, slot: usize, image: &Image<[u8; 4]>) -> Laid {
        if let Some(copies) = &self.copies
            && copies.pass().put(&copies.device, slot, image).is_ok()
        {
            return Laid::Slot(copies.clone(), slot);
        }
        let image = color_image(image);
        if let Some(Laid::Texture(mut texture)) = before {
            texture.set(image, TextureOptions::LINEAR);
            return Laid::Texture(texture);
        }
        Laid::Texture(self.ctx.load_texture(format!("picture {slot}"), image, TextureOptions::LINEAR))
    }

    /// Fills large areas of one opaque colour by the pass, too; their corners become square
    pub(super) fn lighten(&self, shapes: &mut [ClippedShape]) {
        let Some(copies) = &self.copies else { return };
        for clipped in shapes {
            let Shape::Rect(area) = &clipped.shape else { continue };
            let colour = area.fill.to_array();
            if is_large(area) && copies.pass().ready(&copies.device, colour).is_ok() {
                let fill = copies.painted(area.rect, What::Colour(colour));
                let edge = RectShape { fill: Color32::TRANSPARENT, ..area.clone() };
                clipped.shape = Shape::Vec(vec![fill, Shape::Rect(edge)]);
            }
        }
    }
}

impl Laid {
    /// Paints it into a rectangle
    pub(super) fn paint(&self, painter: &Painter, rect: Rect) {
        match self {
            Self::Texture(texture) => {
                let whole = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
                painter.image(texture.id(), rect, whole, Color32::WHITE);
            }
            Self::Slot(copies, slot) => {
                painter.add(copies.painted(rect, What::Slot(*slot)));
            }
        }
    }
}

impl Copies {
    fn pass(&self) -> MutexGuard<'_, CopyPass> {
        self.pass.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What the pass lays into a rectangle
    fn painted(self: &Arc<Self>, rect: Rect, what: What) -> Shape {
        Shape::Callback(Callback::new_paint_callback(rect, Copy { copies: self.clone(), what }))
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
        let copies = self.copies.pass();
        match self.what {
            What::Slot(slot) => copies.paint(pass, slot),
            What::Colour(colour) => copies.fill(pass, colour),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gpu::{DeviceOptions, Target};
    use egui::vec2;

    #[test]
    fn only_large_plain_areas_are_filled_by_the_pass() {
        let device = Device::headless(DeviceOptions::default())
            .expect("tests need a graphics adapter, a software one will do");
        let ctx = egui::Context::default();
        let area = |side: f32, fill| {
            let rect = Rect::from_min_size(pos2(3.0, 4.0), vec2(side, side));
            let shape = Shape::Rect(RectShape::filled(rect, 2.0, fill));
            ClippedShape {
                clip_rect: rect,
                shape,
                transform_after_tessellation: egui::emath::TSTransform::IDENTITY,
            }
        };
        let shapes = || {
            [area(200.0, Color32::RED), area(20.0, Color32::RED), area(200.0, Color32::from_white_alpha(9))]
        };
        let mut kept = shapes();
        Layer::of_toolkit(&ctx).lighten(&mut kept);
        assert_eq!(kept, shapes());
        let mut lighter = shapes();
        Layer::of_copies(&ctx, Arc::new(device), Target::COLOURS).lighten(&mut lighter);
        assert_eq!(lighter[1..], shapes()[1..]);
        let Shape::Vec(parts) = &lighter[0].shape else { panic!("{lighter:?}") };
        let [Shape::Callback(fill), Shape::Rect(edge)] = &parts[..] else { panic!("{parts:?}") };
        assert_eq!(
            (fill.rect, edge.rect, edge.fill),
            (lighter[0].clip_rect, fill.rect, Color32::TRANSPARENT)
        );
    }
}
