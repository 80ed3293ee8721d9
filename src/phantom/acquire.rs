//! The scanner: from the velocity of blood to stored codes.
//!
//! The autocorrelation of blood (power, and two parts of the first lag) is evaluated on a grid
//! twice as fine as the voxels and blurred by a separable Gaussian whose widths grow with depth:
//! what is averaged is the echo, never the velocity. Then come speckle, noise, the angle of the
//! first lag, the colour gate, and codes. Edges therefore fall where the blurred power passes the
//! gain, as on a scanner, and not where a voxel centre happens to lie.
//!
//! Gated beats are slabs along x, each blurred from its own beat's echo alone. Work is spread over
//! slices; each has its own random stream, so the bytes do not depend on the number of threads.

use std::ops::Range;

use nalgebra::Vector3;
use rand_core::Rng;
use rand_pcg::Pcg64;
use rayon::prelude::*;

use super::PhantomError;
use super::recipe::{PowerExtent, PowerLaw, Recipe, TissuePriority};
use super::scene::{Scene, Stage};
use super::signal::Signal;
use super::truth::{self, Beat, Pose, Truth};
use crate::job::Watch;
use crate::space::{Grid, VolumePoint};
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::{
    Channel, ChannelKind, PowerScale, Provenance, Samples, Timeline, VelocityScale, Volume4,
};

/// Fine points to a voxel, along each axis
const FINE: usize = 2;
/// The kernel reaches this many standard deviations
const REACH: f64 = 4.0;
/// Tissue at least this bright hides colour, 0 to 1
const HIDES: f64 = 0.45;
/// Share of the power codes' range that the plateau takes
const PLATEAU_SHARE: f64 = 0.6;
/// The tissue code of blood
const BLOOD_CODE: f64 = 6.0;

/// The volume a scanner would have stored, and the truth beside it
///
/// Deterministic: the same recipe gives the same bytes with any number of threads.
///
/// # Errors
/// [`PhantomError::Recipe`] for a recipe that cannot be simulated, [`PhantomError::Cancelled`] when
/// the watch says so.
pub fn simulate(recipe: &Recipe, watch: &Watch) -> Result<(Volume4, Truth), PhantomError> {
    recipe.check()?;
    let stage = Stage::new(recipe).ok_or_else(|| PhantomError::Recipe {
        key: String::from("orifice"),
        fault: super::RecipeFault::Outline("an outline has no area"),
    })?;
    let random = Quantiles::new();
    let beats = beats(recipe, &random);
    let times: Vec<f64> = (0..recipe.beat.frames)
        .map(|frame| recipe.beat.first_s + recipe.beat.interval_s * frame as f64)
        .collect();
    let scanner = Scanner::new(recipe, &stage, &beats, random)?;

    let mut stored = Stored::default();
    for (frame, time) in times.iter().enumerate() {
        watch.step("simulating", frame, times.len())?;
        scanner.frame(frame, *time, &mut stored);
    }
    watch.step("simulating", times.len(), times.len())?;

    let pose = Pose::of(recipe);
    let axes = std::array::from_fn(|i| pose.rotation.column(i).into_owned());
    let [ox, oy, oz] = pose.point(scanner.origin);
    let grid = Grid::new(recipe.grid.shape, recipe.grid.voxel_mm, VolumePoint::new(ox, oy, oz), axes)?;
    let mut timeline = Timeline::new(times.iter().map(|time| Seconds::new(*time)).collect())?;
    timeline.rr = Some(Seconds::new(beats.iter().map(|beat| beat.rr_s).sum::<f64>() / beats.len() as f64));
    timeline.beats_rr = beats.iter().map(|beat| Seconds::new(beat.rr_s)).collect();
    timeline.gated_beats = Some(beats.len() as u32);
    let [ax, ay, az] = recipe.grid.apex_mm;
    let provenance = Provenance { format: String::from("phantom"), ..Provenance::default() };
    let volume = Volume4::new(
        grid,
        timeline,
        Some(VolumePoint::new(ax, ay, az)),
        scanner.velocity,
        scanner.power,
        provenance,
        stored.channels(recipe, grid.voxels())?,
    )?;
    Ok((volume, truth::of(recipe, &stage, &times, &beats)))
}

/// Shift and length of each gated beat, given or drawn
fn beats(recipe: &Recipe, random: &Quantiles) -> Vec<Beat> {
    let beat = &recipe.beat;
    let mut rng = Pcg64::new(u128::from(recipe.seed), 0x0062_6561_7473);
    (0..beat.gated_beats)
        .map(|index| {
            let [x, y, z, rr] = random.four(rng.next_u64()).map(f64::from);
            let drawn = Vector3::new(x, y, z) * beat.shift_std_mm;
            let shift = beat.shift_mm.get(index).map_or(drawn, |shift| Vector3::from(*shift));
            let rr_s = beat.beats_rr_s.get(index).copied();
            Beat { shift, rr_s: rr_s.unwrap_or((beat.rr_s + rr * beat.rr_std_s).max(0.2)) }
        })
        .collect()
}

/// Codes of all frames so far
#[derive(Default)]
struct Stored {
    tissue: Vec<u8>,
    velocity: Vec<u16>,
    power: Vec<u16>,
    variance: Vec<u8>,
}

impl Stored {
    fn append(&mut self, other: &Self) {
        self.tissue.extend_from_slice(&other.tissue);
        self.velocity.extend_from_slice(&other.velocity);
        self.power.extend_from_slice(&other.power);
        self.variance.extend_from_slice(&other.variance);
    }

    fn channels(self, recipe: &Recipe, voxels: usize) -> Result<Vec<Channel>, PhantomError> {
        let frames = recipe.beat.frames;
        let wide = |codes: Vec<u16>, bits| {
            if bits == 16 {
                return Samples::from_u16(&codes, frames, voxels);
            }
            Samples::from_u8(codes.into_iter().map(|code| code as u8).collect(), frames, voxels)
        };
        let mut channels = Vec::new();
        let wanted = |kind| recipe.store.channels.contains(&kind);
        if wanted(ChannelKind::Tissue) {
            let samples = Samples::from_u8(self.tissue, frames, voxels)?;
            channels.push(Channel::new(ChannelKind::Tissue, samples));
        }
        if wanted(ChannelKind::Velocity) {
            let samples = wide(self.velocity, recipe.store.velocity_bits)?;
            channels.push(Channel::new(ChannelKind::Velocity, samples));
        }
        if wanted(ChannelKind::Power) {
            let samples = wide(self.power, recipe.store.power_bits)?;
            channels.push(Channel::new(ChannelKind::Power, samples));
        }
        if wanted(ChannelKind::Variance) {
            let samples = Samples::from_u8(self.variance, frames, voxels)?;
            channels.push(Channel::new(ChannelKind::Variance, samples));
        }
        Ok(channels)
    }
}

/// Columns of voxels that come from one beat
struct Slab {
    columns: Range<usize>,
    shift: Vector3<f64>,
    /// Systolic times of this beat over the mean beat's
    stretch: f64,
}

/// Everything that stays the same over the frames
struct Scanner<'a> {
    recipe: &'a Recipe,
    stage: &'a Stage,
    slabs: Vec<Slab>,
    signal: Signal,
    random: Quantiles,
    velocity: VelocityScale,
    power: PowerScale,
    /// Centre of voxel (0, 0, 0) in scan space, mm
    origin: Vector3<f64>,
}

impl<'a> Scanner<'a> {
    fn new(
        recipe: &'a Recipe,
        stage: &'a Stage,
        beats: &[Beat],
        random: Quantiles,
    ) -> Result<Self, PhantomError> {
        let grid = &recipe.grid;
        let span = Vector3::from_fn(|i, _| (grid.shape[i] as f64 - 1.0) / 2.0 * grid.voxel_mm[i]);
        let origin = stage.centre + Vector3::from(grid.offset_mm) - span;
        let columns = grid.shape[0];
        let mut slabs: Vec<Slab> = Vec::new();
        for (index, beat) in beats.iter().enumerate() {
            let range = columns * index / beats.len()..columns * (index + 1) / beats.len();
            // Systole takes half of the relative change of the R-R interval (our own choice).
            let stretch = 1.0 + 0.5 * (beat.rr_s / recipe.beat.rr_s - 1.0);
            match slabs.last_mut() {
                Some(last) if last.shift == beat.shift && last.stretch == stretch => {
                    last.columns.end = range.end;
                }
                _ => slabs.push(Slab { columns: range, shift: beat.shift, stretch }),
            }
        }
        let doppler = &recipe.doppler;
        let nyquist = MetresPerSecond::new(doppler.nyquist_m_s);
        let bits = recipe.store.velocity_bits;
        let codes = f64::from(1u32 << bits);
        let middle = codes / 2.0;
        let shift = doppler.baseline_shift_m_s / (2.0 * doppler.nyquist_m_s) * codes;
        let zero = (middle - shift).round().clamp(1.0, codes - 2.0) as u16;
        let power = match recipe.store.power_law {
            PowerLaw::Linear => PowerScale::Linear { zero_code: 0.0 },
            PowerLaw::Decibel => {
                // Code 1 is the floor of the range, the last code its top.
                let last = f64::from((1u32 << recipe.store.power_bits) - 1);
                let step = recipe.store.power_range_db / (last - 1.0);
                PowerScale::Decibel {
                    decibel_per_code: step,
                    decibel_at_zero: -recipe.store.power_range_db - step,
                }
            }
        };
        Ok(Self {
            recipe,
            stage,
            slabs,
            signal: Signal::new(doppler.nyquist_m_s, doppler.wall_filter_m_s),
            random,
            velocity: VelocityScale::full_cycle(bits, zero, nyquist)?,
            power,
            origin,
        })
    }

    /// Simulates one frame and appends its codes
    fn frame(&self, frame: usize, time: f64, stored: &mut Stored) {
        let [nx, ny, nz] = self.recipe.grid.shape;
        let scenes: Vec<Scene> = self
            .slabs
            .iter()
            .map(|slab| Scene::new(self.recipe, self.stage, time / slab.stretch, slab.shift))
            .collect();
        let mut echoes: Vec<Vec<f32>> = vec![vec![0.0; 3 * nx * ny]; nz];
        for (slab, scene) in self.slabs.iter().zip(&scenes) {
            if scene.moves() {
                self.slab(scene, slab.columns.clone(), &mut echoes);
            }
        }
        let slices: Vec<Stored> =
            echoes.par_iter().enumerate().map(|(z, echo)| self.encode(frame, z, echo, &scenes)).collect();
        for slice in &slices {
            stored.append(slice);
        }
    }

    /// Widths of the point spread at a depth, mm
    fn blur_at(&self, depth: f64) -> [f64; 3] {
        let doppler = &self.recipe.doppler;
        let relative = depth / self.recipe.scan.depth_mm - 1.0;
        let grow = |sigma: f64, growth: f64| sigma * (1.0 + growth * relative).max(0.2);
        [
            grow(doppler.lateral_mm, doppler.growth),
            grow(doppler.elevational_mm, doppler.growth),
            grow(doppler.axial_mm, doppler.axial_growth),
        ]
    }

    /// Blurred echoes of the columns of one slab, written into `echoes[z][y][part][x]`
    fn slab(&self, scene: &Scene, columns: Range<usize>, echoes: &mut [Vec<f32>]) {
        let [nx, ny, nz] = self.recipe.grid.shape;
        let width = columns.len();
        let step = self.recipe.grid.voxel_mm[2] / FINE as f64;
        let kernels: Vec<Kernel> = (0..nz)
            .map(|z| {
                let depth = self.origin.z + z as f64 * self.recipe.grid.voxel_mm[2];
                Kernel::new(self.blur_at(depth)[2] / step)
            })
            .collect();
        let margin = kernels.iter().map(|kernel| kernel.half).max().unwrap_or(1) - 1;
        let planes: Vec<Vec<f32>> = (0..FINE * nz + 2 * margin)
            .into_par_iter()
            .map(|plane| self.plane(scene, plane as isize - margin as isize, &columns))
            .collect();
        echoes.par_iter_mut().enumerate().for_each(|(z, echo)| {
            let kernel = &kernels[z];
            let first = FINE * z + margin + 1 - kernel.half;
            let mut sum = vec![0.0f32; 3 * width * ny];
            for (weight, plane) in kernel.weights.iter().zip(&planes[first..]) {
                add_scaled(&mut sum, *weight, plane);
            }
            for (line, rows) in sum.chunks_exact(width).enumerate() {
                echo[line * nx + columns.start..line * nx + columns.end].copy_from_slice(rows);
            }
        });
    }

    /// One fine plane, blurred along x and y and thinned to voxels: `[y][part][x]`
    fn plane(&self, scene: &Scene, plane: isize, columns: &Range<usize>) -> Vec<f32> {
        let grid = &self.recipe.grid;
        let ny = grid.shape[1];
        let width = columns.len();
        // Fine point i lies at voxel index i / 2 - 1/4.
        let place = |axis: usize, fine: isize| {
            let index = fine as f64 / FINE as f64 - 0.25;
            self.origin[axis] + index * grid.voxel_mm[axis]
        };
        let z = place(2, plane);
        let [sx, sy, _] = self.blur_at(z);
        let across = Kernel::new(sx / (grid.voxel_mm[0] / FINE as f64));
        let along = Kernel::new(sy / (grid.voxel_mm[1] / FINE as f64));
        let (hx, hy) = (across.half as isize, along.half as isize);
        let first_x = (FINE * columns.start) as isize - hx + 1;
        let pairs = width + across.half - 1;
        let rows = FINE * ny + 2 * along.half - 2;
        let mut lines = vec![0.0f32; rows * 3 * width];
        // Fine points of one row: first those at even places, then those at odd ones.
        let mut fine = vec![[0.0f32; 3]; 2 * pairs];
        let mut split = vec![0.0f32; 2 * pairs];
        for row in 0..rows {
            let y = place(1, row as isize - hy + 1);
            let mut any = false;
            for (i, echo) in fine.iter_mut().enumerate() {
                let x = place(0, first_x + i as isize);
                *echo = self.echo(scene, &Vector3::new(x, y, z));
                any |= echo[0] != 0.0;
            }
            if !any {
                continue;
            }
            for part in 0..3 {
                for (i, echo) in fine.iter().enumerate() {
                    split[(i % 2) * pairs + i / 2] = echo[part];
                }
                let start = (row * 3 + part) * width;
                let line = &mut lines[start..start + width];
                for (tap, weight) in across.weights.iter().enumerate() {
                    let from = (tap % 2) * pairs + tap / 2;
                    add_scaled(line, *weight, &split[from..from + width]);
                }
            }
        }
        let mut thin = vec![0.0f32; ny * 3 * width];
        for (y, out) in thin.chunks_exact_mut(3 * width).enumerate() {
            for (tap, weight) in along.weights.iter().enumerate() {
                let start = (FINE * y + tap) * 3 * width;
                add_scaled(out, *weight, &lines[start..start + 3 * width]);
            }
        }
        thin
    }

    /// Power and first lag of the blood at a point of scan space; zero inside tissue
    fn echo(&self, scene: &Scene, point: &Vector3<f64>) -> [f32; 3] {
        let Some(blood) = scene.blood(point) else { return [0.0; 3] };
        let doppler = &self.recipe.doppler;
        let toward_probe = -blood.velocity.dot(point) / point.norm().max(1e-9);
        let broad = doppler.broadening * toward_probe;
        let variance = blood.turbulence + broad * broad + doppler.rest_m_s * doppler.rest_m_s;
        self.signal.at(toward_probe, variance.sqrt())
    }

    /// Noise, gate and codes of one slice
    fn encode(&self, frame: usize, z: usize, echo: &[f32], scenes: &[Scene]) -> Stored {
        let recipe = self.recipe;
        let doppler = &recipe.doppler;
        let [nx, ny, _] = recipe.grid.shape;
        let seed = u128::from(recipe.seed) << 64 | (frame as u128) << 32 | z as u128;
        let mut rng = Pcg64::new(seed, 0x0073_6c69_6365);
        let plateau = self.signal.plateau as f32;
        let noise = doppler.noise as f32 * plateau;
        let gate = doppler.gain as f32 * plateau;
        let speckle = Speckle::new(doppler.looks);
        let depth = self.origin.z + z as f64 * recipe.grid.voxel_mm[2];
        let soft = self.blur_at(depth)[2].max(0.2);
        let voxels = nx * ny;
        let mut out = Stored {
            tissue: Vec::with_capacity(voxels),
            velocity: Vec::with_capacity(voxels),
            power: Vec::with_capacity(voxels),
            variance: Vec::with_capacity(voxels),
        };
        for y in 0..ny {
            for (slab, scene) in self.slabs.iter().zip(scenes) {
                for x in slab.columns.clone() {
                    let at = |part: usize| echo[(y * 3 + part) * nx + x];
                    let draw = rng.next_u64();
                    let [n_look, n_power, n_re, n_im] = self.random.four(draw);
                    let n_tissue = self.random.fifth(draw);
                    let look = speckle.factor(n_look);
                    let power = (at(0) * look + noise * n_power).max(0.0);
                    let re = at(1) * look + noise * n_re;
                    let im = at(2) * look + noise * n_im;
                    let place = Vector3::new(
                        self.origin.x + x as f64 * recipe.grid.voxel_mm[0],
                        self.origin.y + y as f64 * recipe.grid.voxel_mm[1],
                        depth,
                    );
                    let bright = scene.tissue(&place, soft);
                    out.tissue.push(tissue_code(bright, n_tissue));
                    let hidden = doppler.tissue_priority == TissuePriority::On && bright >= HIDES;
                    let coloured = power > gate && !hidden;
                    let relative = f64::from(power / plateau);
                    if !coloured {
                        out.velocity.push(self.velocity.zero_code());
                        out.variance.push(0);
                        out.power.push(match recipe.store.power_extent {
                            PowerExtent::Gated => 0,
                            PowerExtent::Full => self.power_code(relative, 0),
                        });
                        continue;
                    }
                    let phase = libm::atan2(f64::from(im), f64::from(re));
                    let v = phase / std::f64::consts::PI * doppler.nyquist_m_s;
                    out.velocity.push(self.velocity.code(MetresPerSecond::new(v)));
                    out.power.push(self.power_code(relative, 1));
                    let lost = 1.0 - (re * re + im * im).sqrt() / power;
                    out.variance.push((lost * 255.0).round().clamp(0.0, 255.0) as u8);
                }
            }
        }
        out
    }

    /// The code of a power relative to the plateau, at least `least`
    fn power_code(&self, relative: f64, least: u16) -> u16 {
        let last = f64::from((1u32 << self.recipe.store.power_bits) - 1);
        let linear = relative * PLATEAU_SHARE;
        let code = match self.power {
            PowerScale::Linear { .. } => linear * last,
            PowerScale::Decibel { decibel_per_code, decibel_at_zero } if linear > 0.0 => {
                (10.0 * libm::log10(linear) - decibel_at_zero) / decibel_per_code
            }
            PowerScale::Decibel { .. } => 0.0,
        };
        (code.round().clamp(0.0, last) as u16).max(least)
    }
}

/// The tissue code: blood dark and even, tissue with a mild speckle in coarse steps, so that a file
/// of it stays small
fn tissue_code(bright: f64, normal: f32) -> u8 {
    let level = BLOOD_CODE + (250.0 - BLOOD_CODE) * bright;
    if bright < 0.05 {
        return BLOOD_CODE as u8;
    }
    let grain = (f64::from(normal) * 1.2).round() * 6.0 * bright;
    ((level / 6.0).round() * 6.0 + grain).round().clamp(0.0, 255.0) as u8
}

fn add_scaled(sum: &mut [f32], weight: f32, values: &[f32]) {
    for (s, v) in sum.iter_mut().zip(values) {
        *s += weight * v;
    }
}

/// A Gaussian between fine points, centred midway between two of them
#[derive(Clone, Debug)]
struct Kernel {
    /// Weights of `2 half` fine points
    weights: Vec<f32>,
    half: usize,
}

impl Kernel {
    /// A kernel with a standard deviation in fine steps
    fn new(sigma: f64) -> Self {
        let half = ((REACH * sigma).ceil() as usize).max(1);
        let weight = |offset: f64| {
            if sigma > 0.8 {
                return libm::exp(-offset * offset / (2.0 * sigma * sigma));
            }
            // Too narrow to sample: the Gaussian's share of each fine cell.
            let edge = |at: f64| libm::erf(at / (sigma * std::f64::consts::SQRT_2));
            edge(offset + 0.5) - edge(offset - 0.5)
        };
        let raw: Vec<f64> = (0..2 * half).map(|i| weight(i as f64 + 0.5 - half as f64)).collect();
        let total: f64 = raw.iter().sum();
        Self { weights: raw.into_iter().map(|w| (w / total) as f32).collect(), half }
    }
}

/// Multiplicative speckle: the mean of a number of exponential looks, by the cube-root normal
/// approximation of the gamma distribution (Wilson and Hilferty, PNAS 1931;17:684-8, from memory)
struct Speckle {
    shape: f32,
    spread: f32,
}

impl Speckle {
    fn new(looks: f64) -> Self {
        if looks <= 0.0 {
            return Self { shape: 1.0, spread: 0.0 };
        }
        let c = 1.0 / (9.0 * looks.max(1.0));
        Self { shape: (1.0 - c) as f32, spread: c.sqrt() as f32 }
    }

    fn factor(&self, normal: f32) -> f32 {
        let root = (self.shape + self.spread * normal).max(0.0);
        root * root * root
    }
}

/// Normal deviates by table: five from the 64 bits of one draw
struct Quantiles(Vec<f32>);

impl Quantiles {
    const BITS: u32 = 12;

    fn new() -> Self {
        let n = 1usize << Self::BITS;
        let mut quantiles = Vec::with_capacity(n);
        let mut x = -4.0;
        for i in 0..n {
            let target = (i as f64 + 0.5) / n as f64;
            for _ in 0..60 {
                let below = 0.5 * libm::erfc(-x / std::f64::consts::SQRT_2);
                let density = libm::exp(-x * x / 2.0) / (2.0 * std::f64::consts::PI).sqrt();
                let step = ((below - target) / density).clamp(-0.5, 0.5);
                x -= step;
                if step.abs() < 1e-12 {
                    break;
                }
            }
            quantiles.push(x);
        }
        // The table's variance is a little short of one, for want of tails.
        let scale = (n as f64 / quantiles.iter().map(|q| q * q).sum::<f64>()).sqrt();
        Self(quantiles.into_iter().map(|q| (q * scale) as f32).collect())
    }

    fn pick(&self, draw: u64, which: u32) -> f32 {
        self.0[(draw >> (Self::BITS * which)) as usize & ((1 << Self::BITS) - 1)]
    }

    fn four(&self, draw: u64) -> [f32; 4] {
        [0, 1, 2, 3].map(|which| self.pick(draw, which))
    }

    fn fifth(&self, draw: u64) -> f32 {
        self.pick(draw, 4)
    }
}

#[cfg(test)]
mod tests {
    use super::super::recipe::{OrificeRecipe, OrificeShape, View, WaveKind};
    use super::*;
    use crate::job::CancelToken;

    /// A small acquisition of one frame at mid-systole
    fn small() -> Recipe {
        let mut recipe = Recipe::default();
        recipe.grid.shape = [24, 20, 26];
        recipe.grid.voxel_mm = [1.0, 1.1, 0.9];
        recipe.beat.frames = 1;
        recipe.beat.first_s = recipe.beat.systole_onset_s + recipe.beat.systole_duration_s / 2.0;
        recipe
    }

    fn made(recipe: &Recipe) -> (Volume4, Truth) {
        simulate(recipe, &Watch::silent()).unwrap()
    }

    fn codes(volume: &Volume4, kind: ChannelKind) -> Vec<u16> {
        let samples = volume.channel(kind).unwrap().samples();
        (0..volume.frames())
            .flat_map(|frame| {
                let codes = samples.frame(frame);
                (0..codes.len()).map(|i| codes.at(i)).collect::<Vec<_>>()
            })
            .collect()
    }

    fn all_codes(volume: &Volume4) -> Vec<Vec<u16>> {
        volume.channels().iter().map(|channel| codes(volume, channel.kind())).collect()
    }

    #[test]
    fn a_thresholded_round_jet_shows_the_area_of_a_blurred_disc() {
        // A disc of radius 3.57 mm under a Gaussian of 1 mm: the contour at 50 % encloses 8.0 % less
        // than the disc, at 30 % 23.0 % more, at 20 % 43.9 % more (closed form of the blurred disc,
        // by quadrature).
        let mut recipe = small();
        recipe.grid.shape = [50, 50, 4];
        recipe.grid.voxel_mm = [0.35, 0.35, 0.5];
        // A window on a jet that neither contracts nor spreads, seen end on.
        recipe.grid.offset_mm = [0.07, -0.11, -14.0];
        recipe.scan.beam_angle_deg = 0.0;
        recipe.flow.spread_rate = 0.0;
        recipe.flow.swirl_m_s = 0.0;
        recipe.flow.turbulence_core = 0.5;
        recipe.orifice = vec![OrificeRecipe {
            shape: OrificeShape::Round { diameter_mm: 7.14 },
            contraction: 1.0,
            ..OrificeRecipe::default()
        }];
        let doppler = &mut recipe.doppler;
        (doppler.lateral_mm, doppler.elevational_mm, doppler.axial_mm) = (1.0, 1.0, 1.0);
        (doppler.growth, doppler.noise, doppler.looks, doppler.rest_m_s) = (0.0, 0.0, 0.0, 0.0);
        recipe.store.power_bits = 16;
        recipe.store.power_extent = PowerExtent::Full;
        let (volume, truth) = made(&recipe);
        let disc = truth.jets[0].frames[0].effective_area_mm2;
        assert!((disc - 40.04).abs() < 0.01);
        let power = codes(&volume, ChannelKind::Power);
        let slice: Vec<f64> =
            power[2500..5000].iter().map(|code| f64::from(*code) / 65535.0 / PLATEAU_SHARE).collect();
        for (level, change) in [(0.5, -0.080), (0.3, 0.230), (0.2, 0.439)] {
            let fine = 10;
            let mut inside = 0;
            for j in 0..49 * fine {
                for i in 0..49 * fine {
                    let (x, fx) = (i / fine, (i % fine) as f64 / fine as f64);
                    let (y, fy) = (j / fine, (j % fine) as f64 / fine as f64);
                    let line = |at: usize| slice[at] + fx * (slice[at + 1] - slice[at]);
                    let (a, b) = (line(y * 50 + x), line((y + 1) * 50 + x));
                    inside += usize::from(a + fy * (b - a) > level);
                }
            }
            let area = inside as f64 * (0.35 / fine as f64) * (0.35 / fine as f64);
            let found = area / disc - 1.0;
            assert!((found - change).abs() < 0.012, "{found} instead of {change} at {level}");
        }
    }

    #[test]
    fn the_bytes_do_not_depend_on_the_number_of_threads() {
        let mut recipe = small();
        recipe.beat.frames = 2;
        recipe.beat.gated_beats = 3;
        recipe.beat.shift_std_mm = 0.5;
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| made(&recipe))
        };
        let (one, truth_of_one) = with(1);
        for threads in [2, 5] {
            let (more, truth) = with(threads);
            assert_eq!(all_codes(&one), all_codes(&more));
            assert_eq!(truth_of_one, truth);
        }
    }

    #[test]
    fn another_seed_is_another_noise_on_the_same_truth() {
        let recipe = small();
        let other = Recipe { seed: 2, ..recipe.clone() };
        let ((a, truth_a), (b, truth_b)) = (made(&recipe), made(&other));
        assert_ne!(codes(&a, ChannelKind::Velocity), codes(&b, ChannelKind::Velocity));
        assert_eq!(truth_a.jets, truth_b.jets);
    }

    #[test]
    fn far_upstream_the_colour_is_the_speed_of_the_hemisphere() {
        // Q / (2 pi r^2) toward the orifice: positive toward a probe on the receiving side, negative
        // toward one on the other.
        for (view, sign) in [(View::Transoesophageal, 1.0), (View::Transthoracic, -1.0)] {
            let mut recipe = small();
            recipe.scan.view = view;
            recipe.scan.beam_angle_deg = 0.0;
            recipe.doppler.nyquist_m_s = 1.2;
            recipe.doppler.baseline_shift_m_s = 0.2;
            (recipe.doppler.noise, recipe.doppler.looks) = (0.0, 0.0);
            recipe.store.velocity_bits = 16;
            recipe.orifice[0].effective_area_mm2 = Some(40.0);
            // Twelve millimetres upstream of the middle of the upstream face.
            let face = recipe.plate.thickness_mm / 2.0;
            recipe.grid.shape = [9, 9, 9];
            recipe.grid.voxel_mm = [0.5; 3];
            recipe.grid.offset_mm = [0.0, 0.0, sign * (12.0 + face)];
            let (volume, truth) = made(&recipe);
            let velocity = codes(&volume, ChannelKind::Velocity);
            let middle = volume.velocity_scale.velocity(velocity[4 * 81 + 4 * 9 + 4]).get();
            let flow = truth.jets[0].frames[0].flow_ml_s;
            assert!((flow - 200.0).abs() < 1e-9);
            // On the axis of the hole's even sheet, in closed form; ml/s over mm2 is m/s.
            let hole = truth.jets[0].frames[0].anatomic_area_mm2;
            let radius2 = hole / std::f64::consts::PI;
            let expected = flow / hole * (1.0 - 12.0 / (144.0 + radius2).sqrt());
            assert!((middle / (sign * expected) - 1.0).abs() < 0.02, "{middle} {expected}");
            // The hemisphere is 9 % more, for the hole is not a point.
            let hemisphere = flow / (2.0 * std::f64::consts::PI * 144.0);
            assert!((middle / (sign * hemisphere) - 0.91).abs() < 0.02, "{middle} {hemisphere}");
            let shift = volume.velocity_scale.baseline_shift().get();
            assert!((shift - 0.2).abs() < 1e-3);
        }
    }

    #[test]
    fn a_gated_slab_is_its_own_beat() {
        let mut recipe = small();
        let (still, _) = made(&recipe);
        recipe.beat.gated_beats = 2;
        recipe.beat.shift_mm = vec![[0.0; 3], [0.0, 2.2, 0.0]];
        let (gated, truth) = made(&recipe);
        let (a, b) = (codes(&still, ChannelKind::Velocity), codes(&gated, ChannelKind::Velocity));
        let differ = |columns: Range<usize>| {
            a.iter().zip(&b).enumerate().filter(|(i, (a, b))| columns.contains(&(i % 24)) && a != b).count()
        };
        assert_eq!(differ(0..12), 0);
        assert!(differ(12..24) > 50);
        assert_eq!(truth.beat_shift_mm[1], [0.0, 2.2, 0.0]);
        assert_eq!(gated.timeline.gated_beats, Some(2));
    }

    #[test]
    fn colour_and_power_stand_in_the_same_voxels() {
        let (volume, _) = made(&small());
        let zero = volume.velocity_scale.zero_code();
        let velocity = codes(&volume, ChannelKind::Velocity);
        let power = codes(&volume, ChannelKind::Power);
        assert!(velocity.iter().zip(&power).all(|(v, p)| (*v == zero) == (*p == 0)));
        let coloured = velocity.iter().filter(|v| **v != zero).count();
        assert!(coloured > 200 && coloured < velocity.len() / 2, "{coloured}");
    }

    #[test]
    fn in_diastole_nothing_is_coloured() {
        let mut recipe = small();
        recipe.beat.first_s = 0.6;
        let (volume, truth) = made(&recipe);
        let zero = volume.velocity_scale.zero_code();
        assert!(codes(&volume, ChannelKind::Velocity).iter().all(|code| *code == zero));
        assert!(!truth.jets[0].frames[0].present);
        assert_eq!(truth.jets[0].peak_frame, None);
    }

    #[test]
    fn only_the_asked_channels_are_stored_as_asked() {
        let mut recipe = small();
        recipe.store.channels = vec![ChannelKind::Power, ChannelKind::Velocity];
        recipe.store.power_bits = 16;
        recipe.store.velocity_bits = 16;
        let (linear, _) = made(&recipe);
        assert_eq!(linear.channels().len(), 2);
        assert_eq!(linear.channel(ChannelKind::Power).unwrap().samples().bits(), 16);
        recipe.store.power_law = PowerLaw::Decibel;
        let (decibel, _) = made(&recipe);
        let pairs = codes(&linear, ChannelKind::Power).into_iter().zip(codes(&decibel, ChannelKind::Power));
        let mut compared = 0;
        for (a, b) in pairs.filter(|(a, _)| *a > 1000) {
            // The two laws say the same power, relative to the top of the range.
            let (a, b) = (f64::from(a) / 65535.0, decibel.power_scale.linear(f64::from(b)));
            assert!((a / b - 1.0).abs() < 2e-3 || a > 0.999);
            compared += 1;
        }
        assert!(compared > 100);
    }

    #[test]
    fn the_truth_lies_in_the_volume_and_follows_the_pose() {
        let mut recipe = small();
        recipe.orifice[0].wave.kind = WaveKind::Late;
        recipe.beat.frames = 12;
        recipe.beat.first_s = 0.02;
        recipe.scan.beam_angle_deg = 30.0;
        recipe.grid.turn_deg = [0.0, 0.0, 90.0];
        recipe.grid.apex_mm = [100.0, 0.0, 0.0];
        let (turned, truth) = made(&recipe);
        recipe.grid.turn_deg = [0.0; 3];
        recipe.grid.apex_mm = [0.0; 3];
        let (plain, plain_truth) = made(&recipe);
        assert_eq!(all_codes(&turned), all_codes(&plain));
        let jet = &truth.jets[0];
        let frame = &jet.frames[jet.peak_frame.unwrap()];
        let [x, y, z] = plain_truth.jets[0].frames[frame.frame].neck_mm;
        for (found, expected) in frame.neck_mm.into_iter().zip([100.0 - y, x, z]) {
            assert!((found - expected).abs() < 1e-9);
        }
        let [x, y, z] = frame.neck_mm;
        assert!(turned.grid.contains(VolumePoint::new(x, y, z)));
        let beam = (Vector3::from(frame.neck_mm) - Vector3::from(truth.apex_mm)).normalize();
        let cosine = beam.dot(&Vector3::from(jet.axis)).abs();
        assert!((libm::cos(frame.beam_angle_deg.to_radians()) - cosine).abs() < 1e-12);
        assert!((frame.beam_angle_deg - 30.0).abs() < 5.0);
        assert!((frame.effective_area_mm2 / frame.anatomic_area_mm2 - 0.75).abs() < 1e-12);
        assert!((frame.flow_ml_s - frame.core_speed_m_s * frame.effective_area_mm2).abs() < 1e-9);
        // The outline in space has the effective area, counter-clockwise against the flow.
        let normal = Vector3::from(jet.axis);
        let points: Vec<_> = frame.outline_mm.iter().map(|p| Vector3::from(*p)).collect();
        let twice: Vector3<f64> =
            (0..points.len()).map(|i| points[i].cross(&points[(i + 1) % points.len()])).sum();
        assert!((twice.dot(&normal) / 2.0 / frame.effective_area_mm2 - 1.0).abs() < 1e-9);
        // A late orifice is shut in the first half.
        assert!(jet.frames.iter().filter(|f| f.time_s < 0.19).all(|f| !f.present));
    }

    #[test]
    fn a_cancelled_watch_stops_it() {
        let token = CancelToken::new();
        token.cancel();
        let made = simulate(&small(), &Watch::new(token, |_, _, _| {}));
        assert!(matches!(made, Err(PhantomError::Cancelled(_))));
    }

    #[test]
    fn the_deviates_are_normal() {
        let random = Quantiles::new();
        let mut rng = Pcg64::new(7, 7);
        let mut sums = [0.0f64; 4];
        let n = 40_000;
        for _ in 0..n {
            for value in random.four(rng.next_u64()).map(f64::from) {
                sums[0] += value;
                sums[1] += value * value;
                sums[2] += f64::from(u8::from(value < -1.959_964));
                sums[3] += f64::from(u8::from(value > 0.674_490));
            }
        }
        let mean = sums.map(|sum| sum / f64::from(4 * n));
        assert!(mean[0].abs() < 0.01 && (mean[1] - 1.0).abs() < 0.015);
        // 2.5 % lie below -1.96, 25 % above the upper quartile: tables of the normal distribution.
        assert!((mean[2] - 0.025).abs() < 0.002 && (mean[3] - 0.25).abs() < 0.005);
    }
}
