//! A cut as a picture, drawn plainly: the twin of the cut pass, and what is shown without a
//! graphics adapter.

use rayon::prelude::*;

use crate::numeric::Image;
use crate::sample::FrameSampler;
use crate::volume::{ChannelKind, Volume4};

use super::colour::VelocityLut;
use super::view::{CutView, INCOHERENT, OUTSIDE};

/// The picture of a cut through one frame, sRGB, row 0 at the top
///
/// A frame the volume lacks gives the colour of outside everywhere.
pub fn cut_picture(volume: &Volume4, frame: usize, view: &CutView) -> Image<[u8; 4]> {
    let sampler = |kind| FrameSampler::new(volume, kind, frame);
    let tissue = sampler(ChannelKind::Tissue);
    let velocity = sampler(ChannelKind::Velocity);
    let power = sampler(ChannelKind::Power);
    let range = |kind| {
        volume.channel(kind).map_or(255.0, |channel| f64::from((1u32 << channel.samples().bits()) - 1))
    };
    let (tissue_range, power_range) = (range(ChannelKind::Tissue), range(ChannelKind::Power));
    let lut = VelocityLut::new(view.flow.map, &volume.velocity_scale);
    let low = volume.velocity_scale.limits().0.get();
    let cycle = 2.0 * volume.velocity_scale.nyquist().get();
    let shown = frame < volume.frames();

    let [width, height] = view.size_px.map(|side| side as usize);
    let mut image = Image::filled(width, height, opaque(OUTSIDE));
    image.data_mut().par_chunks_mut(width.max(1)).enumerate().for_each(|(y, row)| {
        for (x, pixel) in row.iter_mut().enumerate() {
            let point = view.cut.at(view.cut_from_pixel(x as f64, y as f64));
            if !shown || !volume.grid.contains(point) {
                continue;
            }
            let value = tissue.as_ref().and_then(|s| s.scalar(point)).unwrap_or(0.0) / tissue_range;
            let grey = [(view.tissue.grey(value as f32) * 255.0).round() as u8; 3];
            *pixel = opaque(grey);
            let Some(flow) = velocity.as_ref().and_then(|s| s.flow(point)) else { continue };
            let loud = power.as_ref().and_then(|s| s.scalar(point)).unwrap_or(power_range) / power_range;
            if flow.coloured < 0.5 || (loud as f32) < view.flow.gain || value as f32 > view.flow.priority {
                continue;
            }
            let colour = lut.at((flow.velocity.get() - low) / cycle);
            let colour = mix(colour, INCOHERENT, view.flow.incoherence * (1.0 - flow.coherence as f32));
            *pixel = opaque(mix(grey, colour, view.flow.opacity));
        }
    });
    image
}

fn opaque([r, g, b]: [u8; 3]) -> [u8; 4] {
    [r, g, b, 255]
}

fn mix(from: [u8; 3], to: [u8; 3], part: f32) -> [u8; 3] {
    std::array::from_fn(|i| {
        let (from, to) = (f32::from(from[i]), f32::from(to[i]));
        (from + (to - from) * part.clamp(0.0, 1.0)).round() as u8
    })
}

/// A picture as the bytes of a PNG file
///
/// # Errors
/// Where the picture has no pixels or more than PNG can hold.
pub fn png_bytes(image: &Image<[u8; 4]>) -> Result<Vec<u8>, png::EncodingError> {
    let mut bytes = Vec::new();
    let side = |pixels: usize| u32::try_from(pixels).unwrap_or(0);
    let mut encoder = png::Encoder::new(&mut bytes, side(image.width()), side(image.height()));
    encoder.set_color(png::ColorType::Rgba);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(bytemuck::cast_slice(image.data()))?;
    writer.finish()?;
    Ok(bytes)
}
