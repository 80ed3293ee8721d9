//! Voxels taken together: the phase of the calm blood in blocks of about the size of what is resolved.
//!
//! A volume with fine voxels holds many more numbers than it holds detail. Where the cycles are restored
//! and surfaces laid, one phase for each block says the same in a fraction of the time.

use std::f32::consts::TAU;

use crate::numeric::Field;
use crate::numeric::unwrap::wrapped;
use crate::space::Grid;
use crate::volume::{ChannelKind, Codes, Volume4};

/// Voxels are taken together in blocks of no more than this along a side, mm: about one standard deviation of
/// the smoothing that follows, and blood so far out turns by less than half a cycle between blocks
const BLOCK_MM: f64 = 0.75;
/// Voxels that have lost more coherence than this are not unwrapped
const CALM: f32 = 0.25;

/// The calm blood of a block
pub(super) struct Calm {
    /// Phase, radians, in the cycle that is displayed
    pub(super) phase: f32,
    /// One minus the haste
    pub(super) quality: f32,
}

/// The blocks of a frame, numbered along x, y, z
pub(super) struct Blocks<'a> {
    volume: &'a Volume4,
    codes: Codes<'a>,
    haste: &'a Field,
    /// Voxels of a block along each axis
    by: [usize; 3],
    /// First voxel of block 0: what no whole block is left for lies at both ends
    first: [usize; 3],
    /// Lowest phase of the displayed cycle, radians
    low: f32,
}

impl<'a> Blocks<'a> {
    /// The blocks of a frame of which the haste is known; `None` without a velocity channel
    pub(super) fn new(volume: &'a Volume4, frame: usize, haste: &'a Field) -> Option<Self> {
        let codes = volume.channel(ChannelKind::Velocity)?.samples().frame(frame);
        let (shape, sides) = (volume.grid.shape(), volume.grid.spacing_mm());
        let by: [usize; 3] = std::array::from_fn(|a| ((BLOCK_MM / sides[a]) as usize).clamp(1, shape[a]));
        let first = std::array::from_fn(|a| shape[a] % by[a] / 2);
        let scale = volume.velocity_scale;
        let (slow, fast) = scale.limits();
        // Codes that reach over more than one cycle do not say where the display wraps.
        let one_cycle = fast - slow <= scale.nyquist() * 2.04;
        let low = if one_cycle { slow } else { -scale.nyquist() };
        let low = (std::f64::consts::PI * (low / scale.nyquist())) as f32;
        Some(Self { volume, codes, haste, by, first, low })
    }

    /// Whole blocks along each axis
    pub(super) fn shape(&self) -> [usize; 3] {
        let voxels = self.volume.grid.shape();
        std::array::from_fn(|a| voxels[a] / self.by[a])
    }

    /// The grid of a box of blocks
    pub(super) fn grid(&self, first: [usize; 3], shape: [usize; 3]) -> Option<Grid> {
        let voxel = std::array::from_fn(|a| self.first[a] + first[a] * self.by[a]);
        self.volume.grid.blocks(voxel, self.by, shape).ok()
    }

    /// A phase in the displayed cycle
    fn in_cycle(&self, phase: f32) -> f32 {
        phase - TAU * ((phase - self.low) / TAU).floor()
    }

    /// The calm blood of a block; `None` where it fills less than half of it
    pub(super) fn calm(&self, block: [usize; 3]) -> Option<Calm> {
        let scale = self.volume.velocity_scale;
        let [nx, ny, _] = self.volume.grid.shape();
        let first: [usize; 3] = std::array::from_fn(|a| self.first[a] + block[a] * self.by[a]);
        let (mut count, mut start, mut turned, mut haste) = (0usize, 0.0, 0.0, 0.0);
        for z in first[2]..first[2] + self.by[2] {
            for y in first[1]..first[1] + self.by[1] {
                for x in first[0]..first[0] + self.by[0] {
                    let code = self.codes.at(x + nx * (y + ny * z));
                    if code == scale.zero_code() {
                        continue;
                    }
                    let here = self.haste.value([x, y, z]);
                    if here > CALM {
                        continue;
                    }
                    // The mean of phases, each taken within half a cycle of the first.
                    let phase = self.in_cycle(scale.phase(code) as f32);
                    if count == 0 {
                        start = phase;
                    }
                    turned += wrapped(phase - start);
                    haste += here;
                    count += 1;
                }
            }
        }
        if count == 0 || 2 * count < self.by.iter().product::<usize>() {
            return None;
        }
        let count = count as f32;
        let phase = self.in_cycle(start + turned / count);
        Some(Calm { phase, quality: 1.0 - haste / count })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::{MetresPerSecond, Seconds};
    use crate::volume::{Channel, Cycle, PowerScale, Provenance, Samples, Timeline, VelocityScale};

    const ZERO: u16 = 100;

    fn volume(shape: [usize; 3], side_mm: f64, codes: Vec<u8>, scale: VelocityScale) -> Volume4 {
        let voxels = codes.len();
        Volume4::new(
            Grid::axis_aligned(shape, [side_mm; 3], [0.0; 3]).unwrap(),
            Timeline::regular(1, Seconds::new(0.04)).unwrap(),
            None,
            scale,
            PowerScale::default(),
            Provenance::default(),
            vec![Channel::new(ChannelKind::Velocity, Samples::from_u8(codes, 1, voxels).unwrap())],
        )
        .unwrap()
    }

    /// Zero off centre
    fn cyclic() -> VelocityScale {
        VelocityScale::full_cycle(8, ZERO, MetresPerSecond::new(0.5)).unwrap()
    }

    fn calm(codes: [u8; 8], haste: [f32; 8]) -> Option<Calm> {
        let volume = volume([2; 3], 0.3, codes.to_vec(), cyclic());
        let haste = Field::new([2; 3], haste.to_vec()).unwrap();
        let blocks = Blocks::new(&volume, 0, &haste).unwrap();
        assert_eq!(blocks.shape(), [1; 3]);
        assert_eq!(blocks.grid([0; 3], [1; 3]).unwrap().origin().to_array(), [0.15; 3]);
        blocks.calm([0; 3])
    }

    fn phase_of(code: f64) -> f32 {
        ((code - f64::from(ZERO)) * std::f64::consts::PI / 128.0) as f32
    }

    #[test]
    fn the_mean_of_a_block_does_not_mix_across_the_wrap() {
        let here = calm([110, 112, 114, 116, 110, 112, 114, 116], [0.1; 8]).unwrap();
        assert!((here.phase - phase_of(113.0)).abs() < 1e-5 && (here.quality - 0.9).abs() < 1e-6);
        // Half at the top of the display, half wrapped to its bottom: the mean lies at the edge, in the display.
        let here = calm([254, 254, 254, 254, 2, 2, 2, 2], [0.0; 8]).unwrap();
        let off = wrapped(here.phase - phase_of(0.0)).abs();
        assert!(off < 1e-5 && here.phase >= phase_of(0.0) && here.phase < phase_of(256.0), "{}", here.phase);
        let here = calm([255, 255, 255, 1, 1, 1, 1, 1], [0.0; 8]).unwrap();
        assert!((here.phase - phase_of(0.25)).abs() < 1e-5, "{}", here.phase);
    }

    #[test]
    fn a_block_is_calm_where_at_least_half_of_it_is() {
        let none = ZERO as u8;
        assert!(calm([110, 110, 110, 110, none, none, none, none], [0.0; 8]).is_some());
        assert!(calm([110, 110, 110, none, none, none, none, none], [0.0; 8]).is_none());
        let mut haste = [0.0; 8];
        haste[..4].fill(0.9);
        assert!(calm([110; 8], haste).is_some());
        haste[4] = 0.9;
        assert!(calm([110; 8], haste).is_none());
    }

    #[test]
    fn a_range_of_several_cycles_is_brought_into_the_one_about_zero() {
        // Codes from -1 to 1 m/s where the display wraps at 0.25 m/s.
        let nyquist = MetresPerSecond::new(0.25);
        let scale = VelocityScale::new(8, 128, nyquist * (1.0 / 32.0), nyquist, Cycle::Open).unwrap();
        let haste = Field::new([2; 3], vec![0.0; 8]).unwrap();
        for (code, cycles) in [(138, 0.0), (118, 0.0), (138 + 64, 1.0), (118 - 64, -1.0)] {
            let volume = volume([2; 3], 0.3, vec![code; 8], scale);
            let here = Blocks::new(&volume, 0, &haste).unwrap().calm([0; 3]).unwrap();
            let displayed = scale.phase(u16::from(code)) as f32 - TAU * cycles;
            assert!((here.phase - displayed).abs() < 1e-5, "{code}: {}", here.phase);
        }
    }

    #[test]
    fn what_no_whole_block_is_left_for_lies_at_both_ends() {
        // Blocks of three voxels: of eight two are left over.
        let volume = volume([8, 3, 4], 0.24, vec![110; 96], cyclic());
        let haste = Field::new([8, 3, 4], vec![0.0; 96]).unwrap();
        let blocks = Blocks::new(&volume, 0, &haste).unwrap();
        assert_eq!((blocks.shape(), blocks.by, blocks.first), ([2, 1, 1], [3; 3], [1, 0, 0]));
        assert!(blocks.calm([1, 0, 0]).is_some());
        let grid = blocks.grid([1, 0, 0], [1; 3]).unwrap();
        assert!((grid.origin().0 - nalgebra::Point3::new(5.0, 1.0, 1.0) * 0.24).norm() < 1e-12);
    }
}
