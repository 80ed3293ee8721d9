//! From the pictures of the core to those of the toolkit.

use egui::ColorImage;

/// A picture as the toolkit takes it
pub(super) fn color_image(picture: &crate::numeric::Image<[u8; 4]>) -> ColorImage {
    let size = [picture.width(), picture.height()];
    ColorImage::from_rgba_premultiplied(size, bytemuck::cast_slice(picture.data()))
}
