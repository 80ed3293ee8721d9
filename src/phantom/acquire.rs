//! The scanner: from beams to stored codes.
//!
//! Every beam's echo is made in beam space (see `beams` and `estimate`), converted to the Cartesian grid
//! (power and first lag interpolated, or velocities), and coded: the angle of the first lag, the
//! display threshold, velocity reject, tissue priority. Gated beats are slabs along x, each from its own
//! beat's echo alone. Work is spread over planes; each has its own random stream, so the bytes do
//! not depend on the number of threads.

use std::ops::Range;

use nalgebra::Vector3;
use rand_core::Rng;
use rand_pcg::Pcg64;
use rayon::prelude::*;
use wide::f32x4;

use super::PhantomError;
use super::beams;
use super::estimate;
use super::filter::PacketFilter;
use super::flow::{SolvedFlow, library_flow};
use super::random::Quantiles;
use super::recipe::Recipe;
use super::scanner::{Conversion, PowerExtent, PowerLaw, TissuePriority};
use super::sector::Sector;
use super::signal::Signal;
use super::solved::ReadyFlow;
use super::stage::{Moment, Stage};
use super::truth::{self, Beat, Pose, Truth};
use crate::job::Watch;
use crate::space::{Grid, VolumePoint};
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::{
    Channel, ChannelKind, PowerScale, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4,
};

/// Tissue at least this bright hides colour, 0 to 1
const HIDES: f32 = 0.45;
/// Share of the power codes' range that the full-signal power takes
pub(super) const FULL_SHARE: f64 = 0.6;
/// The tissue code of blood
const BLOOD_CODE: f64 = 6.0;

/// The volume a scanner would have stored, and the truth beside it
///
/// A solved flow is read from the library, or from its path. Deterministic: the same recipe gives
/// the same bytes with any number of threads.
///
/// # Errors
/// [`PhantomError::Recipe`] for a recipe that cannot be simulated, [`PhantomError::Flow`] where its
/// flow cannot be read, [`PhantomError::Cancelled`] when the watch says so.
pub fn simulate(recipe: &Recipe, watch: &Watch) -> Result<(Volume4, Truth), PhantomError> {
    recipe.check()?;
    let flow = match &recipe.flow.solved {
        Some(name) => Some(ReadyFlow::new(&read_flow(name)?)),
        None => None,
    };
    scan(recipe, flow.as_ref(), watch)
}

/// As [`simulate`], with the flow that the recipe names already at hand
///
/// # Errors
/// As [`simulate`].
pub fn simulate_flow(
    recipe: &Recipe,
    flow: &ReadyFlow,
    watch: &Watch,
) -> Result<(Volume4, Truth), PhantomError> {
    recipe.check()?;
    scan(recipe, Some(flow), watch)
}

/// A flow by its name in the library or by the path of its file
///
/// # Errors
/// [`PhantomError::Flow`] where it cannot be read.
pub fn read_flow(name: &str) -> Result<SolvedFlow, PhantomError> {
    let path = std::path::Path::new(name);
    if path.extension().is_none_or(|end| end != "flow") {
        return Ok(library_flow(name)?);
    }
    let bytes = std::fs::read(path)
        .map_err(|source| super::flow::FlowError::File { source, path: path.display().to_string() })?;
    Ok(SolvedFlow::read(&bytes)?)
}

fn scan(recipe: &Recipe, flow: Option<&ReadyFlow>, watch: &Watch) -> Result<(Volume4, Truth), PhantomError> {
    let stage = Stage::new(recipe, flow)?;
    let beats = beats(recipe);
    let times: Vec<f64> = (0..recipe.beat.frames)
        .map(|frame| recipe.beat.first_s + recipe.beat.interval_s * frame as f64)
        .collect();
    let scanner = Scanner::new(recipe, &stage, &beats)?;

    let mut stored = Stored::default();
    let mut last: Vec<Vec<f32x4>> = Vec::new();
    for (frame, time) in times.iter().enumerate() {
        watch.step("simulating", frame, times.len())?;
        scanner.frame(frame, *time, &mut last, &mut stored);
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
        provenance,
        stored.channels(recipe, &scanner, grid.voxels())?,
    )?;
    Ok((volume, truth::of(&stage, &times, &beats)?))
}

/// Shift and length of each gated beat, given or drawn
fn beats(recipe: &Recipe) -> Vec<Beat> {
    let beat = &recipe.beat;
    let mut rng = Pcg64::new(u128::from(recipe.seed), 0x0062_6561_7473);
    (0..beat.gated_beats)
        .map(|index| {
            let [x, y, z, rr] = Quantiles::get().four(rng.next_u64()).map(f64::from);
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
    fn with_capacity(voxels: usize) -> Self {
        Self {
            tissue: Vec::with_capacity(voxels),
            velocity: Vec::with_capacity(voxels),
            power: Vec::with_capacity(voxels),
            variance: Vec::with_capacity(voxels),
        }
    }

    fn append(&mut self, other: &Self) {
        self.tissue.extend_from_slice(&other.tissue);
        self.velocity.extend_from_slice(&other.velocity);
        self.power.extend_from_slice(&other.power);
        self.variance.extend_from_slice(&other.variance);
    }

    fn channels(
        self,
        recipe: &Recipe,
        scanner: &Scanner<'_>,
        voxels: usize,
    ) -> Result<Vec<Channel>, PhantomError> {
        let frames = recipe.beat.frames;
        let wide = |codes: Vec<u16>, bits| {
            if bits == 16 {
                return Samples::from_u16(&codes, frames, voxels);
            }
            Samples::from_u8(codes.into_iter().map(|code| code as u8).collect(), frames, voxels)
        };
        let mut channels = Vec::new();
        let mut add = |kind, samples| {
            channels.push(Channel::new(Scale::of(kind, scanner.velocity, scanner.power), samples));
        };
        let wanted = |kind| recipe.store.channels.contains(&kind);
        if wanted(ChannelKind::Tissue) {
            let samples = Samples::from_u8(self.tissue, frames, voxels)?;
            add(ChannelKind::Tissue, samples);
        }
        if wanted(ChannelKind::Velocity) {
            let samples = wide(self.velocity, recipe.store.velocity_bits)?;
            add(ChannelKind::Velocity, samples);
        }
        if wanted(ChannelKind::Power) {
            let samples = wide(self.power, recipe.store.power_bits)?;
            add(ChannelKind::Power, samples);
        }
        if wanted(ChannelKind::Variance) {
            let samples = Samples::from_u8(self.variance, frames, voxels)?;
            add(ChannelKind::Variance, samples);
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
    stage: &'a Stage<'a>,
    slabs: Vec<Slab>,
    signal: Signal,
    velocity: VelocityScale,
    power: PowerScale,
    /// Centre of voxel (0, 0, 0) in scan space, mm
    origin: Vector3<f64>,
}

impl<'a> Scanner<'a> {
    fn new(recipe: &'a Recipe, stage: &'a Stage<'a>, beats: &[Beat]) -> Result<Self, PhantomError> {
        let grid = &recipe.grid;
        let span = Vector3::from_fn(|i, _| (grid.shape[i] as f64 - 1.0) / 2.0 * grid.voxel_mm[i]);
        let origin = stage.mount.centre + Vector3::from(grid.offset_mm) - span;
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
            signal: Signal::new(
                doppler.nyquist_m_s,
                &PacketFilter::new(doppler.wall_filter, doppler.packet, doppler.nyquist_m_s),
            ),
            velocity: VelocityScale::full_cycle(bits, zero, nyquist)?,
            power,
            origin,
        })
    }

    /// Simulates one frame and appends its codes; `last` holds the beams of the frame before
    fn frame(&self, frame: usize, time: f64, last: &mut Vec<Vec<f32x4>>, stored: &mut Stored) {
        let recipe = self.recipe;
        let mut parts = Vec::with_capacity(self.slabs.len());
        for (index, slab) in self.slabs.iter().enumerate() {
            let [low, high] = self.bounds(&slab.columns);
            let sector = Sector::covering(&recipe.doppler, &low, &high);
            let margin = Vector3::repeat(BLOOD_MARGIN_MM);
            let moment =
                Moment::new(self.stage, time / slab.stretch, slab.shift, [low - margin, high + margin]);
            let mut samples = beams::echoes(recipe, &self.signal, &moment, &sector, &[low, high]);
            let stream = (frame as u64) << 16 | index as u64;
            estimate::estimate(recipe, &self.signal, &sector, stream, &mut samples);
            if recipe.doppler.persistence > 0.0 {
                match last.get_mut(index) {
                    Some(last) => {
                        estimate::persist(recipe.doppler.persistence, last, &mut samples);
                        last.clone_from(&samples);
                    }
                    None => last.push(samples.clone()),
                }
            }
            estimate::to_interpolate(recipe, &mut samples);
            parts.push((sector, samples));
        }
        let slices: Vec<Stored> =
            (0..recipe.grid.shape[2]).into_par_iter().map(|z| self.encode(frame, z, &parts)).collect();
        for slice in &slices {
            stored.append(slice);
        }
    }

    /// Corners of the voxel centres of some columns, scan space
    fn bounds(&self, columns: &Range<usize>) -> [Vector3<f64>; 2] {
        let grid = &self.recipe.grid;
        let at = |x: usize, y: usize, z: usize| {
            let index = [x as f64, y as f64, z as f64];
            self.origin + Vector3::from_fn(|axis, _| index[axis] * grid.voxel_mm[axis])
        };
        [at(columns.start, 0, 0), at(columns.end - 1, grid.shape[1] - 1, grid.shape[2] - 1)]
    }

    /// Scan conversion, display threshold and codes of one slice
    fn encode(&self, frame: usize, z: usize, parts: &[(Sector, Vec<f32x4>)]) -> Stored {
        let recipe = self.recipe;
        let [nx, ny, _] = recipe.grid.shape;
        let seed = u128::from(recipe.seed) << 64 | (frame as u128) << 32 | z as u128;
        let mut rng = Pcg64::new(seed, 0x0073_6c69_6365);
        let mut out = Stored::with_capacity(nx * ny);
        for y in 0..ny {
            for (slab, (sector, samples)) in self.slabs.iter().zip(parts) {
                for x in slab.columns.clone() {
                    let index = [x as f64, y as f64, z as f64];
                    let place =
                        self.origin + Vector3::from_fn(|axis, _| index[axis] * recipe.grid.voxel_mm[axis]);
                    let normal = Quantiles::get().four(rng.next_u64())[0];
                    self.voxel(interpolated(sector, samples, &place), normal, &mut out);
                }
            }
        }
        out
    }

    /// Codes of one voxel
    fn voxel(&self, value: f32x4, normal: f32, out: &mut Stored) {
        let recipe = self.recipe;
        let doppler = &recipe.doppler;
        let [power, second, third, bright] = value.to_array();
        out.tissue.push(tissue_code(f64::from(bright), normal));
        let (velocity, coherence) = match doppler.conversion {
            Conversion::Phasor => {
                let phase = libm::atan2f(third, second) / std::f32::consts::PI;
                let length = (second * second + third * third).sqrt();
                (f64::from(phase) * doppler.nyquist_m_s, length / power.max(f32::MIN_POSITIVE))
            }
            Conversion::Velocity => (f64::from(second), third),
        };
        let hidden = doppler.tissue_priority == TissuePriority::On && bright >= HIDES;
        let slow = velocity.abs() < doppler.reject_m_s;
        if f64::from(power) <= doppler.gain || hidden || slow {
            out.velocity.push(self.velocity.zero_code());
            out.variance.push(0);
            out.power.push(match recipe.store.power_extent {
                PowerExtent::Gated => 0,
                PowerExtent::Full => self.power_code(f64::from(power), 0),
            });
            return;
        }
        out.velocity.push(self.velocity.code(MetresPerSecond::new(velocity)));
        out.power.push(self.power_code(f64::from(power), 1));
        out.variance.push(((1.0 - coherence) * 255.0).round().clamp(0.0, 255.0) as u8);
    }

    /// The code of a power relative to the full-signal power, at least `least`
    fn power_code(&self, relative: f64, least: u16) -> u16 {
        let last = f64::from((1u32 << self.recipe.store.power_bits) - 1);
        let linear = relative * FULL_SHARE;
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

/// Blood is made this far beyond what is scanned, mm: the reach of the point spread
const BLOOD_MARGIN_MM: f64 = 6.0;

/// The samples around a place, interpolated; nothing outside the sector
fn interpolated(sector: &Sector, samples: &[f32x4], place: &Vector3<f64>) -> f32x4 {
    let Some((first, share)) = sector.cell(place) else { return f32x4::ZERO };
    let start = sector.index(first);
    let (row, plane) = (sector.count[0], sector.count[0] * sector.count[2]);
    let [beam, elevation, range] = share.map(f32x4::splat);
    let between = |a: f32x4, b: f32x4, part: f32x4| a + (b - a) * part;
    let line = |at: usize| between(samples[at], samples[at + 1], beam);
    let face = |at: usize| between(line(at), line(at + row), range);
    between(face(start), face(start + plane), elevation)
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn phasors_are_right_across_the_wrap_and_velocities_are_not() {
        // Two beams, +0.50 and -0.46 m/s at a Nyquist velocity of 0.6: on the circle they lie 0.24 m/s apart and
        // their middle is 0.62, shown as -0.58; the mean of the numbers is 0.02.
        let mut recipe = Recipe::default();
        recipe.doppler.nyquist_m_s = 0.6;
        let turn = |velocity: f32| {
            let (sin, cos) = libm::sincosf(std::f32::consts::PI * velocity / 0.6);
            f32x4::from([1.0, cos, sin, 0.0])
        };
        let step = 1f64.to_radians();
        let sector = Sector { step: [step, step, 0.5], first: [0, 0, 80], count: [2, 2, 2] };
        let middle = super::super::sector::beam_direction(step / 2.0, step / 2.0) * 40.25;
        let mut found = |conversion| {
            recipe.doppler.conversion = conversion;
            let mut samples = [turn(0.5), turn(-0.46)].repeat(4);
            estimate::to_interpolate(&recipe, &mut samples);
            interpolated(&sector, &samples, &middle).to_array()
        };
        let [_, re, im, _] = found(Conversion::Phasor);
        assert!((libm::atan2f(im, re) / std::f32::consts::PI * 0.6 + 0.58).abs() < 1e-4);
        // Half of the angle between them: cos(pi 0.12 / 0.6).
        assert!((libm::hypotf(re, im) - 0.809_017).abs() < 1e-4);
        let [_, velocity, coherence, _] = found(Conversion::Velocity);
        assert!((velocity - 0.02).abs() < 1e-4 && (coherence - 1.0).abs() < 1e-5);
    }
}
