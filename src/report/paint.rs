//! An SVG figure as a PNG file, with a font that travels inside the program.
//!
//! No font of the machine is looked at, so the pixels are the same everywhere.

use std::sync::{Arc, LazyLock};

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb::Database};

/// Why a figure could not be painted
#[derive(Debug, thiserror::Error)]
pub enum PaintError {
    /// The figure is not valid SVG
    #[error("reading the figure's own SVG: {0}")]
    Svg(#[from] resvg::usvg::Error),
    /// The picture has no pixels or too many
    #[error("making a picture of {0} by {1} pixels")]
    Size(u32, u32),
    /// The picture could not be encoded
    #[error("encoding the picture as PNG: {0}")]
    Png(#[from] png::EncodingError),
}

static FONTS: LazyLock<Arc<Database>> = LazyLock::new(|| {
    let mut fonts = Database::new();
    fonts.load_font_data(epaint_default_fonts::UBUNTU_LIGHT.to_vec());
    let family = fonts.faces().next().and_then(|face| face.families.first()).map(|family| family.0.clone());
    if let Some(family) = family {
        fonts.set_sans_serif_family(family);
    }
    Arc::new(fonts)
});

/// How a figure's SVG is read: with the program's own font and no other
pub(crate) fn options() -> Options<'static> {
    Options { fontdb: FONTS.clone(), font_family: "sans-serif".into(), ..Options::default() }
}

/// Longest side of a painted figure
const LARGEST: u32 = 16_384;

/// A painted figure: red, green, blue of each pixel, top row first
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Painted {
    /// Pixels in a row
    pub width: u32,
    /// Rows
    pub height: u32,
    /// Three bytes a pixel
    pub rgb: Vec<u8>,
}

/// Paints an SVG at `scale` pixels a page unit
///
/// # Errors
/// See [`PaintError`].
pub fn paint_svg(svg: &str, scale: f32) -> Result<Painted, PaintError> {
    let tree = Tree::from_str(svg, &options())?;
    let [width, height] =
        [tree.size().width(), tree.size().height()].map(|side| (side * scale).round() as u32);
    if width > LARGEST || height > LARGEST {
        return Err(PaintError::Size(width, height));
    }
    let mut pixels = Pixmap::new(width, height).ok_or(PaintError::Size(width, height))?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixels.as_mut());
    // A figure lies on white, so every pixel is opaque.
    let rgb = pixels.data().chunks_exact(4).flat_map(|pixel| [pixel[0], pixel[1], pixel[2]]).collect();
    Ok(Painted { width, height, rgb })
}

/// Paints an SVG so many pixels wide
///
/// # Errors
/// See [`PaintError`].
pub fn paint_svg_wide(svg: &str, pixels: f32) -> Result<Painted, PaintError> {
    let width = Tree::from_str(svg, &options())?.size().width();
    paint_svg(svg, pixels / width)
}

/// Paints an SVG at `scale` pixels a page unit, as a PNG file packed fast rather than small
///
/// # Errors
/// See [`PaintError`].
pub fn png_from_svg(svg: &str, scale: f32) -> Result<Vec<u8>, PaintError> {
    let painted = paint_svg(svg, scale)?;
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, painted.width, painted.height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    encoder.write_header()?.write_image_data(&painted.rgb)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::svg::{Face, Svg};

    fn decoded(svg: &Svg) -> (u32, u32, Vec<u8>) {
        let png = png_from_svg(&svg.finish(), 2.0).unwrap();
        let pixmap = Pixmap::decode_png(&png).unwrap();
        (pixmap.width(), pixmap.height(), pixmap.data().to_vec())
    }

    #[test]
    fn letters_and_pictures_leave_ink() {
        let blank = decoded(&Svg::new(120.0, 40.0, "t"));
        assert_eq!((blank.0, blank.1), (240, 80));
        assert!(blank.2.iter().all(|&byte| byte == 255));
        // Every sign the figures use must be in the font.
        let unknown = |svg: &mut Svg| svg.text((10.0, 30.0), Face::new(24.0, "#000000"), "\u{10fffd}");
        let mut missing = Svg::new(120.0, 40.0, "t");
        unknown(&mut missing);
        let missing = decoded(&missing).2;
        for sign in "AZaz09²°±–−×≤≥·µ%".chars() {
            let mut svg = Svg::new(120.0, 40.0, "t");
            svg.text((10.0, 30.0), Face::new(24.0, "#000000"), &sign.to_string());
            let pixels = decoded(&svg).2;
            assert!(pixels.iter().any(|&byte| byte < 128) && pixels != missing, "{sign}");
        }
        let mut svg = Svg::new(20.0, 20.0, "t");
        let square = crate::numeric::Image::filled(2, 2, [200u8, 30, 40]);
        svg.picture((0.0, 0.0), (20.0, 20.0), &crate::report::raster::png(&square).unwrap());
        let (width, _, pixels) = decoded(&svg);
        let middle = (20 * width as usize + 20) * 4;
        assert_eq!(&pixels[middle..middle + 3], &[200, 30, 40]);
    }
}
