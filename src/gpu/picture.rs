//! A cut as a picture, drawn plainly: the twin of the cut pass, and what is shown without a
//! graphics adapter.

use rayon::prelude::*;

use crate::numeric::Image;
use crate::sample::{FlowSampler, FrameSampler, Raster, flow_cut, scalar_cuts};
use crate::volume::{ChannelKind, Volume4};

use super::colour::VelocityLut;
use super::view::{CutView, INCOHERENT, OUTSIDE};

/// The picture of a cut through one frame, sRGB, row 0 at the top
///
/// A frame the volume lacks gives the colour of outside everywhere.
pub fn cut_picture(volume: &Volume4, frame: usize, view: &CutView) -> Image<[u8; 4]> {
    let [width, height] = view.size_px.map(|side| side as usize);
    let mut image = Image::filled(width, height, opaque(OUTSIDE));
    if width == 0 || height == 0 || frame >= volume.frames() {
        return image;
    }
    let cut = view.cut.centred(view.cut.at(view.middle));
    let raster = Raster { width, height, pixel: view.pixel };
    let echoes: Vec<(ChannelKind, FrameSampler<'_>)> = [ChannelKind::Tissue, ChannelKind::Power]
        .into_iter()
        .filter_map(|kind| Some((kind, FrameSampler::new(volume, kind, frame)?)))
        .collect();
    let samplers: Vec<&FrameSampler<'_>> = echoes.iter().map(|(_, sampler)| sampler).collect();
    let scalars = scalar_cuts(&samplers, &cut, &raster);
    let scalar = |kind| echoes.iter().position(|(known, _)| *known == kind).map(|index| &scalars[index]);
    let (tissue, power) = (scalar(ChannelKind::Tissue), scalar(ChannelKind::Power));
    let flow = FlowSampler::new(volume, frame).map(|sampler| {
        let scale = sampler.scale();
        (flow_cut(&sampler, &cut, &raster), VelocityLut::new(view.flow.map, &scale), scale)
    });
    let range = |kind| {
        volume.channel(kind).map_or(255.0, |channel| f64::from((1u32 << channel.samples().bits()) - 1))
    };
    let (tissue_range, power_range) = (range(ChannelKind::Tissue), range(ChannelKind::Power));
    let greys = view.tissue.greys();

    image.data_mut().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let up = height - 1 - y;
        for (x, pixel) in row.iter_mut().enumerate() {
            let at = |image: &Image<f64>| image.at(x, up);
            let any = tissue.or(power).or(flow.as_ref().map(|(flow, ..)| &flow.coloured));
            if any.is_none_or(|image| at(image).is_nan()) {
                continue;
            }
            let value = tissue.map_or(0.0, |image| (at(image) / tissue_range) as f32);
            let grey = [greys.at(value); 3];
            *pixel = opaque(grey);
            let Some((flow, lut, scale)) = &flow else { continue };
            let loud = power.map_or(1.0, |image| (at(image) / power_range) as f32);
            if at(&flow.coloured) < 0.5 || loud < view.flow.gain || value > view.flow.priority {
                continue;
            }
            let (low, cycle) = (scale.limits().0.get(), 2.0 * scale.nyquist().get());
            let colour = lut.at((at(&flow.velocity) - low) / cycle);
            let lost = 1.0 - at(&flow.coherence) as f32;
            let colour = mix(colour, INCOHERENT, view.flow.incoherence * lost);
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
