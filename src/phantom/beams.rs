//! The echo of every beam: flow and tissue on fine points of beam space, blurred by the point spread.
//!
//! What is averaged is the echo (power and first lag), never the velocity. The fine points lie about
//! half a standard deviation of the point spread apart. Phases that turn within one of their cells do
//! not add up: the variance of the velocity within the cell, `step^2 / 12` of each slope's square, damps
//! the first lag as the spread of a spectrum does. Power is taken at the point alone: a slope's spread
//! would let slow blood beside an edge pass the wall filter. The blur is a separable Gaussian along range, from beam to beam and from
//! plane to plane, its widths those at each range.

use nalgebra::Vector3;
use rayon::prelude::*;
use wide::f32x4;

use super::recipe::Recipe;
use super::sector::{Sector, beam_direction, point_spread};
use super::signal::Signal;
use super::stage::{Moment, Sample};

/// The kernel reaches this many standard deviations
const REACH: f64 = 2.9;
/// Fine points lie at most this many standard deviations apart: from beam to beam, from plane to
/// plane, along a beam. Jets run along the beams, more or less, so that their edges lie across the
/// first two (a test holds all three to points four times as dense).
const FINE: [f64; 3] = [0.65, 0.65, 1.1];

/// Power, first lag (re, im) and tissue of each sample of a sector: beams fastest, then range, planes
///
/// Only what a box of scan space is blurred from is made.
pub(crate) fn echoes(
    recipe: &Recipe,
    signal: &Signal,
    moment: &Moment,
    sector: &Sector,
    bounds: &[Vector3<f64>; 2],
) -> Vec<f32x4> {
    Fine::new(recipe, sector, FINE).echoes(recipe, signal, moment, bounds)
}

/// The fine points of a sector and the kernels between both
struct Fine {
    sector: Sector,
    /// Fine points to a step
    factor: [usize; 3],
    /// Fine points before the first sample
    margin: [usize; 3],
    /// Fine points along azimuth, elevation, range
    count: [usize; 3],
    /// Kernels of azimuth and elevation, one a range sample
    across: [Vec<Kernel>; 2],
    /// Kernel of range, one a range sample
    along: Vec<Kernel>,
}

impl Fine {
    fn new(recipe: &Recipe, sector: &Sector, apart: [f64; 3]) -> Self {
        let ranges: Vec<f64> = (0..sector.count[2]).map(|i| sector.at(2, i as f64)).collect();
        // In steps of the sector, at each range.
        let widths = |axis: usize| -> Vec<f64> {
            ranges
                .iter()
                .map(|range| {
                    let arc = if axis == 2 { 1.0 } else { *range };
                    point_spread(recipe, *range)[axis] / (sector.step[axis] * arc)
                })
                .collect()
        };
        let widths = [widths(0), widths(1), widths(2)];
        let factor = std::array::from_fn(|axis| {
            let least = widths[axis].iter().copied().fold(f64::MAX, f64::min);
            ((1.0 / (apart[axis] * least)).ceil() as usize).clamp(1, 8)
        });
        let kernels = |axis: usize| -> Vec<Kernel> {
            widths[axis].iter().map(|width| Kernel::new(width * factor[axis] as f64)).collect()
        };
        let kernels = [kernels(0), kernels(1), kernels(2)];
        let margin = std::array::from_fn(|axis| kernels[axis].iter().map(Kernel::half).max().unwrap_or(0));
        let count =
            std::array::from_fn(|axis| factor[axis] * (sector.count[axis] - 1) + 1 + 2 * margin[axis]);
        let [azimuth, elevation, along] = kernels;
        Self { sector: *sector, factor, margin, count, across: [azimuth, elevation], along }
    }

    /// Azimuth, elevation or range of a fine point
    fn at(&self, axis: usize, fine: usize) -> f64 {
        self.sector.at(axis, (fine as f64 - self.margin[axis] as f64) / self.factor[axis] as f64)
    }

    /// The echoes of the sector
    fn echoes(
        &self,
        recipe: &Recipe,
        signal: &Signal,
        moment: &Moment,
        bounds: &[Vector3<f64>; 2],
    ) -> Vec<f32x4> {
        let [beams, planes, _] = self.count;
        let samples: Vec<Vec<Sample>> =
            (0..planes).into_par_iter().map(|plane| self.sample(recipe, moment, bounds, plane)).collect();
        let thinned: Vec<Vec<f32x4>> = (0..planes)
            .into_par_iter()
            .map(|plane| {
                let around = [&samples[plane.saturating_sub(1)], &samples[(plane + 1).min(planes - 1)]];
                let rows = Self::echo(recipe, signal, &samples[plane], around, beams);
                self.thin(&rows)
            })
            .collect();
        let width = self.sector.count[0];
        let size = width * self.sector.count[2];
        (0..self.sector.count[1])
            .into_par_iter()
            .flat_map_iter(|plane| {
                let mut out = vec![f32x4::ZERO; size];
                for (sample, row) in out.chunks_exact_mut(width).enumerate() {
                    let kernel = &self.across[1][sample];
                    let first = self.factor[1] * plane + self.margin[1] - kernel.half();
                    for (tap, weight) in kernel.weights.iter().enumerate() {
                        add_scaled(row, *weight, &thinned[first + tap][sample * width..][..width]);
                    }
                }
                out
            })
            .collect()
    }

    /// How far beyond a box along x, y and z the blur and the cells between samples reach at a range, mm
    fn reach(&self, recipe: &Recipe, bounds: &[Vector3<f64>; 2], range: f64) -> [f64; 3] {
        let [lateral, elevational, axial] = point_spread(recipe, range);
        let arc = |axis: usize| self.sector.step[axis] * range;
        let [x, y, z] =
            [REACH * lateral + arc(0), REACH * elevational + arc(1), REACH * axial + self.sector.step[2]];
        // Beams that lean see some of one width along the other axis.
        let aside = bounds.iter().map(|corner| corner.x.abs().max(corner.y.abs())).fold(0.0, f64::max);
        let lean = (aside / range).min(1.0);
        [libm::hypot(x, lean * z), libm::hypot(y, lean * z), libm::hypot(z, lean * x.max(y))]
    }

    /// What one fine plane meets: beams fastest, then range
    fn sample(
        &self,
        recipe: &Recipe,
        moment: &Moment,
        bounds: &[Vector3<f64>; 2],
        plane: usize,
    ) -> Vec<Sample> {
        let [beams, _, ranges] = self.count;
        let elevation = self.at(1, plane);
        let directions: Vec<[f32; 3]> = (0..beams)
            .map(|beam| {
                let d = beam_direction(self.at(0, beam), elevation);
                [d.x as f32, d.y as f32, d.z as f32]
            })
            .collect();
        let shades: Vec<Vec<Shade>> = directions.iter().map(|d| Shade::of(recipe, moment, *d)).collect();
        let mut out = Vec::with_capacity(beams * ranges);
        for sample in 0..ranges {
            let range = self.at(2, sample).max(0.1);
            let reach = self.reach(recipe, bounds, range);
            let low: [f32; 3] = std::array::from_fn(|a| (bounds[0][a] - reach[a]) as f32);
            let high: [f32; 3] = std::array::from_fn(|a| (bounds[1][a] + reach[a]) as f32);
            let range = range as f32;
            for (direction, shades) in directions.iter().zip(&shades) {
                let point = direction.map(|d| d * range);
                if (0..3).any(|a| point[a] < low[a] || point[a] > high[a]) {
                    out.push(Sample::default());
                    continue;
                }
                let mut met = moment.sample(point, *direction);
                for shade in shades.iter().filter(|shade| range > shade.from) {
                    met.blood *= shade.power;
                    met.tissue *= shade.tissue;
                }
                out.push(met);
            }
        }
        out
    }

    /// Echo of one fine plane between those before and after it
    fn echo(
        recipe: &Recipe,
        signal: &Signal,
        plane: &[Sample],
        around: [&Vec<Sample>; 2],
        beams: usize,
    ) -> Vec<f32x4> {
        let doppler = &recipe.doppler;
        let (broad, rest) = (doppler.broadening as f32, doppler.rest_m_s as f32);
        let per_shear = (0.5 * (std::f64::consts::PI / doppler.nyquist_m_s).powi(2)) as f32;
        let end = plane.len() - 1;
        plane
            .iter()
            .enumerate()
            .map(|(i, met)| {
                if met.blood <= 0.0 {
                    return f32x4::from([0.0, 0.0, 0.0, met.tissue]);
                }
                // Half the difference between the neighbours is the change over one step.
                let slope =
                    |low: &Sample, high: &Sample| (high.velocity - low.velocity).powi(2) * (0.25 / 12.0);
                let shear = slope(&plane[i.saturating_sub(1)], &plane[(i + 1).min(end)])
                    + slope(
                        &plane[i.saturating_sub(beams)],
                        &plane[if i + beams > end { i } else { i + beams }],
                    )
                    + slope(&around[0][i], &around[1][i]);
                let variance = met.variance + rest * rest + (broad * met.velocity).powi(2);
                let [power, re, im, _] = signal.at(met.velocity, variance.sqrt());
                let lag = met.blood * libm::expf(-shear * per_shear);
                f32x4::from([power * met.blood, re * lag, im * lag, met.tissue])
            })
            .collect()
    }

    /// One fine plane, blurred along range and from beam to beam and thinned to samples of the sector
    fn thin(&self, rows: &[f32x4]) -> Vec<f32x4> {
        let wide = self.count[0];
        let width = self.sector.count[0];
        let mut line = vec![f32x4::ZERO; wide];
        let mut out = vec![f32x4::ZERO; width * self.sector.count[2]];
        for (sample, out) in out.chunks_exact_mut(width).enumerate() {
            line.fill(f32x4::ZERO);
            let along = &self.along[sample];
            let first = self.factor[2] * sample + self.margin[2] - along.half();
            for (tap, weight) in along.weights.iter().enumerate() {
                add_scaled(&mut line, *weight, &rows[(first + tap) * wide..][..wide]);
            }
            let across = &self.across[0][sample];
            for (beam, out) in out.iter_mut().enumerate() {
                let first = self.factor[0] * beam + self.margin[0] - across.half();
                for (value, weight) in line[first..].iter().zip(&across.weights) {
                    *out += *value * f32x4::splat(*weight);
                }
            }
        }
        out
    }
}

/// What a bright structure takes from a beam behind it
struct Shade {
    from: f32,
    power: f32,
    tissue: f32,
}

impl Shade {
    fn of(recipe: &Recipe, moment: &Moment, direction: [f32; 3]) -> Vec<Self> {
        let mut shades = Vec::new();
        for shadow in &recipe.shadow {
            let centre = moment.structure(shadow.position_mm);
            let along: f32 = (0..3).map(|a| centre[a] * direction[a]).sum();
            let off2 = centre.iter().map(|c| c * c).sum::<f32>() - along * along;
            let radius = shadow.radius_mm as f32;
            if along > 0.0 && off2 < radius * radius {
                let power = libm::pow(10.0, -shadow.loss_db / 10.0) as f32;
                // The image is compressed: 40 dB of loss leave nothing (our own choice).
                let tissue = (1.0 - shadow.loss_db / 40.0).clamp(0.0, 1.0) as f32;
                shades.push(Self { from: along, power, tissue });
            }
        }
        shades
    }
}

fn add_scaled(sum: &mut [f32x4], weight: f32, values: &[f32x4]) {
    let weight = f32x4::splat(weight);
    for (s, v) in sum.iter_mut().zip(values) {
        *s += *v * weight;
    }
}

/// A Gaussian on fine points, centred on one of them
#[derive(Clone, Debug)]
struct Kernel {
    /// Weights of `2 half + 1` fine points
    weights: Vec<f32>,
}

impl Kernel {
    /// A kernel with a standard deviation in fine steps
    fn new(sigma: f64) -> Self {
        let half = (REACH * sigma).ceil().max(1.0) as usize;
        let weight = |offset: f64| {
            if sigma > 0.8 {
                return libm::exp(-offset * offset / (2.0 * sigma * sigma));
            }
            // Too narrow to sample: the Gaussian's share of each fine cell.
            let edge = |at: f64| libm::erf(at / (sigma * std::f64::consts::SQRT_2));
            edge(offset + 0.5) - edge(offset - 0.5)
        };
        let raw: Vec<f64> = (0..=2 * half).map(|i| weight(i as f64 - half as f64)).collect();
        let total: f64 = raw.iter().sum();
        Self { weights: raw.into_iter().map(|w| (w / total) as f32).collect() }
    }

    fn half(&self) -> usize {
        self.weights.len() / 2
    }
}

#[cfg(test)]
mod tests {
    use super::super::filter::PacketFilter;
    use super::super::scanner::ShadowRecipe;
    use super::super::stage::Stage;
    use super::*;

    /// Echoes of one frame at mid-systole around a drawn jet, with fine points so far apart
    fn made(recipe: &Recipe, apart: [f64; 3]) -> Vec<[f32; 4]> {
        let doppler = &recipe.doppler;
        let filter = PacketFilter::new(doppler.wall_filter, doppler.packet, doppler.nyquist_m_s);
        let signal = Signal::new(doppler.nyquist_m_s, &filter);
        let stage = Stage::new(recipe, None).unwrap();
        let half = Vector3::new(7.0, 7.0, 6.0);
        let bounds = [stage.mount.centre - half, stage.mount.centre + half];
        let moment = Moment::new(&stage, 0.2, Vector3::zeros(), bounds);
        let sector = Sector::covering(doppler, &bounds[0], &bounds[1]);
        let echoes = Fine::new(recipe, &sector, apart).echoes(recipe, &signal, &moment, &bounds);
        echoes.iter().map(|v| v.to_array()).collect()
    }

    #[test]
    fn an_edge_is_an_error_function_whose_width_grows_with_depth() {
        // Blood on one side of the plane x = 0: at an azimuth a of range r the blurred power is
        // (1 + erf(a r / (sigma(r) sqrt 2))) / 2 with sigma(r) = lateral (1 + growth (r / depth - 1)).
        let mut recipe = Recipe::default();
        let doppler = &mut recipe.doppler;
        (doppler.lateral_mm, doppler.elevational_mm, doppler.growth) = (1.0, 1.8, 0.7);
        let step = doppler.beam_deg.to_radians();
        let sector = Sector { step: [step, step, 0.45], first: [-8, -2, 67], count: [17, 5, 90] };
        let fine = Fine::new(&recipe, &sector, FINE);
        let row = (0..fine.count[0]).map(|beam| match fine.at(0, beam) {
            // A point on the edge stands for both sides of it.
            at if at.abs() < 1e-9 => 0.5,
            at => f32::from(u8::from(at > 0.0)),
        });
        let row: Vec<f32x4> = row.map(f32x4::splat).collect();
        let thinned = fine.thin(&row.repeat(fine.count[2]));
        for sample in [0, 30, 60, 89] {
            let range = sector.at(2, sample as f64);
            let grown = 1.0 + 0.7 * (range / recipe.scan.depth_mm - 1.0);
            for beam in 0..17 {
                let at = sector.at(0, beam as f64) * range / grown;
                let expected = 0.5 * (1.0 + libm::erf(at / std::f64::consts::SQRT_2));
                let found = f64::from(thinned[sample * 17 + beam].to_array()[0]);
                assert!((found - expected).abs() < 0.012, "{found} {expected} at {at} of {range}");
            }
            // From plane to plane it is 1.8 times as wide: the variance of the kernel's weights.
            let kernel = &fine.across[1][sample];
            let off = |tap: usize| (tap as f64 - kernel.half() as f64) * step / fine.factor[1] as f64 * range;
            let taps = kernel.weights.iter().enumerate();
            let variance: f64 = taps.map(|(tap, weight)| f64::from(*weight) * off(tap) * off(tap)).sum();
            assert!((variance.sqrt() / (1.8 * grown) - 1.0).abs() < 0.03, "{variance}");
        }
    }

    #[test]
    fn a_shadow_takes_its_decibels_behind_the_structure_and_nothing_before_it() {
        let mut recipe = Recipe::default();
        recipe.scan.beam_angle_deg = 0.0;
        let clear = made(&recipe, FINE);
        // Wide enough to cover all beams, 9 mm before the plate: nothing of the box lies before it.
        let shadow =
            |along: f64, loss_db| ShadowRecipe { position_mm: [0.0, 0.0, along], radius_mm: 12.0, loss_db };
        recipe.shadow = vec![shadow(22.0, 8.0)];
        let behind = made(&recipe, FINE);
        recipe.shadow = vec![shadow(-22.0, 8.0)];
        let before = made(&recipe, FINE);
        let left = libm::powf(10.0, -0.8);
        let mut coloured = 0;
        for ((clear, behind), before) in clear.iter().zip(&behind).zip(&before) {
            assert_eq!(clear, before);
            for part in 0..3 {
                assert!((behind[part] - left * clear[part]).abs() < 1e-5, "{behind:?} {clear:?}");
            }
            assert!((behind[3] - 0.8 * clear[3]).abs() < 1e-5);
            coloured += usize::from(clear[0] > 0.3);
        }
        assert!(coloured > 50, "{coloured}");
    }

    #[test]
    fn denser_points_change_little() {
        let mut recipe = Recipe::default();
        recipe.scan.beam_angle_deg = 20.0;
        let (coarse, dense) = (made(&recipe, FINE), made(&recipe, FINE.map(|f| f / 4.0)));
        for (part, most) in [(0, 0.025), (1, 0.025), (2, 0.025), (3, 0.025)] {
            let sum: f32 = coarse.iter().zip(&dense).map(|(a, b)| (a[part] - b[part]).powi(2)).sum();
            let rms = (sum / coarse.len() as f32).sqrt();
            eprintln!("part {part}: rms {rms}");
            assert!(rms < most, "part {part}: {rms}");
        }
    }
}
