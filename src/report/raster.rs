//! A cut as a picture: tissue in grey, colour flow over it where colour is present.
//!
//! A pixel is coloured where at least half of its neighbourhood is; its hue is the phase-safe
//! velocity, so no false dark ring appears where the velocity wraps.

use crate::numeric::Image;
use crate::sample::{FlowSampler, FrameSampler, Raster, flow_cut, scalar_cut};
use crate::space::Cut;
use crate::volume::{ChannelKind, Volume4};

use super::colour;

/// Grey of what lies outside the acquired volume
const OUTSIDE: [u8; 3] = [38, 42, 46];
/// Grey of the tissue where the acquisition has no tissue channel
const NO_TISSUE: f64 = 0.10;

/// The pixels of a cut, top row first (`v` runs upward)
pub fn picture(volume: &Volume4, frame: usize, cut: &Cut, raster: &Raster) -> Image<[u8; 3]> {
    let tissue = FrameSampler::new(volume, ChannelKind::Tissue, frame)
        .map(|sampler| (scalar_cut(&sampler, cut, raster), brightest(volume, frame)));
    let flow = FlowSampler::new(volume, frame)
        .map(|sampler| (flow_cut(&sampler, cut, raster), sampler.scale().limits()));
    Image::from_fn(raster.width, raster.height, |x, row| {
        let y = raster.height - 1 - row;
        if !volume.grid.contains(cut.at(raster.cut_from_pixel(x as f64, y as f64))) {
            return OUTSIDE;
        }
        if let Some((flow, (low, high))) = &flow
            && flow.coloured.at(x, y) >= 0.5
        {
            return colour::velocity(flow.velocity.at(x, y), (low.get(), high.get()));
        }
        let share = tissue.as_ref().map_or(NO_TISSUE, |(codes, full)| codes.at(x, y) / full);
        // `as` turns what is not a number into 0.
        let grey = (share.clamp(0.0, 1.0) * 235.0).round() as u8;
        [grey; 3]
    })
}

/// The tissue code drawn as white: the top of 8 bits, or the frame's own brightest of 16
fn brightest(volume: &Volume4, frame: usize) -> f64 {
    let Some(channel) = volume.channel(ChannelKind::Tissue) else { return 1.0 };
    if channel.samples().bits() == 8 {
        return 255.0;
    }
    let codes = channel.samples().frame(frame);
    f64::from((0..codes.len()).map(|i| codes.at(i)).max().unwrap_or(1).max(1))
}

/// An image as a PNG file
///
/// # Errors
/// Where the encoder refuses, which only a picture without pixels makes it do.
pub fn png(image: &Image<[u8; 3]>) -> Result<Vec<u8>, png::EncodingError> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, image.width() as u32, image.height() as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.write_header()?.write_image_data(bytemuck::cast_slice(image.data()))?;
    Ok(bytes)
}
