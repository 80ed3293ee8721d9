//! Writes a volume of seeded random codes, for the tests that look at our files with other readers.
//!
//! `made_volume BITS SYNTAX APEX OUT`: bits 8 or 16, syntax as in `codes`, apex `apex` or `none`;
//! `made_volume --large OUT` writes 160 x 160 x 160 voxels x 20 frames x 3 channels of 16 bits.

use std::path::Path;

use anyhow::bail;
use narrows::format::dicom::{self, Syntax, WriteOptions};
use narrows::space::{Grid, VolumePoint};
use narrows::unit::{MetresPerSecond, Seconds};
use narrows::volume::{
    Channel, ChannelKind, PowerScale, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4,
};
use rand_core::Rng as _;

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let (bits, syntax, shape, frames, apex, output) = match words[..] {
        ["--large", output] => (16, Syntax::ExplicitLittle, [160; 3], 20, Some([0.0; 3]), output),
        [bits, syntax, apex, output] => {
            let syntax = match syntax {
                "native" => Syntax::ExplicitLittle,
                "rle" => Syntax::Rle,
                "jpeg-ls" => Syntax::JpegLs,
                "deflated" => Syntax::Deflated,
                other => bail!("no such syntax: {other}"),
            };
            let apex = (apex == "apex").then_some([0.5, -0.25, 0.125]);
            (bits.parse()?, syntax, [24, 20, 7], 3, apex, output)
        }
        _ => bail!("usage: made_volume BITS SYNTAX apex|none OUT, or made_volume --large OUT"),
    };
    let grid = Grid::axis_aligned(shape, [0.43, 11.0 / 26.0, 0.61], [-3.1, 2.7, 41.0])?;
    let times = (0..frames).map(|frame| Seconds::new(0.013 + 0.037 * frame as f64)).collect();
    let mut timeline = Timeline::new(times)?;
    if apex.is_some() {
        timeline.rr = Some(Seconds::new(0.8213));
        timeline.gated_beats = Some(4);
        timeline.beats_rr = [0.82, 0.8371, 0.8, 1.0 / 1.3].map(Seconds::new).into();
    }
    let mut random = rand_pcg::Pcg64::new(11, 7);
    let zero = if bits == 8 { 90 } else { 20_000 };
    let scale = VelocityScale::full_cycle(bits, zero, MetresPerSecond::new(0.617))?;
    let power = PowerScale::Decibel { decibel_per_code: 0.25, decibel_at_zero: -48.5 };
    let mut channels = Vec::new();
    for kind in [ChannelKind::Tissue, ChannelKind::Velocity, ChannelKind::Power] {
        let codes = (0..grid.voxels() * frames).map(|_| (random.next_u64() >> 40) as u16);
        let samples = if bits == 8 {
            Samples::from_u8(codes.map(|code| code as u8).collect(), frames, grid.voxels())?
        } else {
            Samples::from_u16(&codes.collect::<Vec<_>>(), frames, grid.voxels())?
        };
        channels.push(Channel::new(Scale::of(kind, scale, power), samples));
    }
    let apex = apex.map(|[x, y, z]| VolumePoint::new(x, y, z));
    let volume = Volume4::new(grid, timeline, apex, Provenance::default(), channels)?;
    Ok(dicom::write(&volume, Path::new(output), &WriteOptions { syntax, ..WriteOptions::default() })?)
}
