//! The box that the network looks at.
//!
//! ```text
//!   w (flow)      32 slices across the flow, the plane itself is slice 13:
//!   ^             13 pitches of convergence upstream, 18 of jet downstream;
//!   |             each 48 x 48, centred on the plane's centre
//!   +---> u, v
//! ```

use nalgebra::Vector3;

use crate::space::{Cut, Grid, VolumePoint};
use crate::volume::{Codes, PowerScale, VelocityScale, Volume4};

/// Pixels along u and along v
pub const SIDE: usize = 48;
/// Slices along w
pub const SLICES: usize = 32;
/// The slice that lies on the plane
pub const LEVEL_SLICE: usize = 13;
/// Cosine and sine of the phase, coloured share, power
pub(super) const KINDS: usize = 4;
/// Pixels of a slice
pub(super) const PIXELS: usize = SIDE * SIDE;
/// Greatest power over full-signal power that is told apart (our own choice)
pub(super) const MOST_POWER: f32 = 2.0;
/// Share of the deepest powers that count as above the full signal: the level is read where speckle
/// is still common (our own choice; the network sees the same rule in training)
const ABOVE_FULL: f64 = 0.1;
/// Pixels of the rim in which the surround is judged
const RIM: usize = 4;
/// Coloured share of the rim above which the surround is busy (our own choice)
const BUSY: f64 = 0.15;

/// The pitch of a patch around a region this long, mm: 8 mm to spare on either side, 0.5 to 1.1 mm
///
/// `extent_mm` is the largest diameter of the displayed region in the plane. The voxels (0.4 to 0.8 mm) allow
/// nothing finer, and 48 pixels of 1.1 mm hold a slit of 36 mm (our own choice).
pub fn pitch_mm(extent_mm: f64) -> f64 {
    if extent_mm.is_finite() { ((extent_mm + 16.0) / SIDE as f64).clamp(0.5, 1.1) } else { 0.6 }
}

/// Whether the patch holds power
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PowerUse {
    /// Power of the flow signal was stored
    Present,
    /// It was not, or is not to be believed
    Absent,
}

/// Whether coloured blood surrounds the jet
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Surround {
    /// At most 15 % of the patch's rim is coloured
    Calm,
    /// More than that
    Busy,
}

/// How the patch lies and was acquired
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scene {
    /// From pixel to pixel and slice to slice, mm
    pub pitch_mm: f64,
    /// Nyquist velocity, m/s
    pub nyquist_m_s: f64,
    /// Where the beams start, along u, v and w from the plane's centre, mm; `None` where unknown
    pub apex_mm: Option<[f64; 3]>,
    /// Whether there is power
    pub power: PowerUse,
}

/// The box that the network looks at
#[derive(Clone, Debug)]
pub struct Patch {
    scene: Scene,
    /// `[kind, slice, v, u]`, u fastest: sum of cosines, of sines, coloured share, power over full signal
    samples: Vec<f32>,
}

impl Patch {
    /// Samples one frame on a plane's axes, the plane's normal along the flow
    ///
    /// Phasors, colour and power of the eight neighbours are weighted trilinearly; where nothing is coloured,
    /// and outside the volume, all are 0. Power is taken over the level that a tenth of the samples
    /// amid colour exceed. `None` without velocity, without such a frame, or with a pitch that is no length.
    pub fn lay(volume: &Volume4, frame: usize, plane: &Cut, pitch_mm: f64, power: PowerUse) -> Option<Self> {
        let (velocity, scale) = volume.velocity()?;
        if frame >= volume.frames() || !(pitch_mm.is_finite() && pitch_mm > 0.0) {
            return None;
        }
        let powers = volume.power().filter(|_| power == PowerUse::Present);
        let codes = velocity.frame(frame);
        let powers = powers.map(|(samples, scale)| (samples.frame(frame), scale));
        let steps = Steps::new(volume, plane, pitch_mm);
        let nodes =
            Nodes::gather(&volume.grid, (&codes, scale), powers.as_ref(), steps.bounds(volume.grid.shape()));
        let mut samples = vec![0.0; KINDS * SLICES * PIXELS];
        nodes.sample(&steps, &mut samples);
        let scene = Scene {
            pitch_mm,
            nyquist_m_s: scale.nyquist().get(),
            apex_mm: volume.apex.map(|apex| in_frame(plane, apex)),
            power: if powers.is_some() { PowerUse::Present } else { PowerUse::Absent },
        };
        let mut patch = Self { scene, samples };
        patch.scale_power();
        Some(patch)
    }

    /// A patch of given samples, `[kind, slice, v, u]`; `None` where their number is another
    pub fn from_samples(scene: Scene, samples: Vec<f32>) -> Option<Self> {
        (samples.len() == KINDS * SLICES * PIXELS).then_some(Self { scene, samples })
    }

    /// How it lies and was acquired
    pub fn scene(&self) -> &Scene {
        &self.scene
    }

    /// `[kind, slice, v, u]`, u fastest: cosine, sine, coloured share (0 to 1), power over full signal (0 to 2)
    pub fn samples(&self) -> &[f32] {
        &self.samples
    }

    /// Whether coloured blood surrounds the jet
    pub fn surround(&self) -> Surround {
        if self.coloured_rim() > BUSY { Surround::Busy } else { Surround::Calm }
    }

    /// The coloured share of the four outermost pixels of all slices, 0 to 1
    pub fn coloured_rim(&self) -> f64 {
        let inner = RIM..SIDE - RIM;
        let shown = &self.samples[2 * SLICES * PIXELS..3 * SLICES * PIXELS];
        let mut sum = 0.0;
        for row in 0..SLICES * SIDE {
            let line = &shown[row * SIDE..(row + 1) * SIDE];
            let inside = inner.contains(&(row % SIDE));
            for (x, share) in line.iter().enumerate() {
                if !(inside && inner.contains(&x)) {
                    sum += f64::from(*share);
                }
            }
        }
        sum / (SLICES * (PIXELS - inner.len() * inner.len())) as f64
    }

    /// Power over the full signal's, at most [`MOST_POWER`]
    fn scale_power(&mut self) {
        let (rest, power) = self.samples.split_at_mut(3 * SLICES * PIXELS);
        let shown = &rest[2 * SLICES * PIXELS..];
        let amid = |least: f32| -> Vec<f32> {
            power.iter().zip(shown).filter(|(_, s)| **s > least).map(|(p, _)| *p).collect()
        };
        let mut inner = amid(0.999);
        if inner.is_empty() {
            inner = amid(0.0);
        }
        let Some(last) = inner.len().checked_sub(1) else { return };
        let at = (last as f64 * (1.0 - ABOVE_FULL)) as usize;
        let full = *inner.select_nth_unstable_by(at, f32::total_cmp).1;
        let scale = if full > 0.0 && full.is_finite() { 1.0 / full } else { 0.0 };
        for power in power {
            *power = (*power * scale).clamp(0.0, MOST_POWER);
        }
    }
}

/// A point along a plane's axes: u, v, and w along its normal, mm from its centre
fn in_frame(plane: &Cut, point: VolumePoint) -> [f64; 3] {
    let (foot, level) = plane.project(point);
    [foot.u, foot.v, level]
}

/// From sample to sample in voxels
struct Steps {
    start: Vector3<f64>,
    u: Vector3<f64>,
    v: Vector3<f64>,
    w: Vector3<f64>,
}

impl Steps {
    fn new(volume: &Volume4, plane: &Cut, pitch_mm: f64) -> Self {
        let step = |direction: crate::space::Direction| {
            volume.grid.voxel_from_vector(direction.into_inner() * pitch_mm)
        };
        let [u, v, w] = [plane.u(), plane.v(), plane.normal()].map(step);
        let half = (SIDE as f64 - 1.0) / 2.0;
        let centre = volume.grid.voxel_from_volume(plane.centre()).0.coords;
        Self { start: centre - u * half - v * half - w * LEVEL_SLICE as f64, u, v, w }
    }

    /// The voxels around the patch, lowest and one past the highest, within the grid
    fn bounds(&self, shape: [usize; 3]) -> [[usize; 2]; 3] {
        let span = [(self.u, SIDE), (self.v, SIDE), (self.w, SLICES)];
        std::array::from_fn(|i| {
            let (mut low, mut high) = (self.start[i], self.start[i]);
            for (step, count) in span {
                let reach = step[i] * (count as f64 - 1.0);
                low += reach.min(0.0);
                high += reach.max(0.0);
            }
            // (A conversion to usize saturates: what is not finite gives an empty range.)
            let first = (low.floor().max(0.0) as usize).min(shape[i]);
            let end = ((high.floor() + 2.0).max(0.0) as usize).min(shape[i]);
            [first, end.max(first)]
        })
    }
}

/// What is interpolated, voxel by voxel: cosine, sine, coloured, power; in a hem of zeros one voxel wide
struct Nodes {
    /// Index of the first voxel inside the hem
    first: [usize; 3],
    /// Voxels with the hem
    side: [usize; 3],
    values: Vec<[f32; KINDS]>,
}

impl Nodes {
    fn gather(
        grid: &Grid,
        (velocity, scale): (&Codes, VelocityScale),
        power: Option<&(Codes, PowerScale)>,
        bounds: [[usize; 2]; 3],
    ) -> Self {
        let [nx, ny, _] = grid.shape();
        let zero = scale.zero_code();
        let phasor = |code: u16| {
            let (sin, cos) = libm::sincos(scale.phase(code));
            [cos as f32, sin as f32]
        };
        let linear = |scale: &PowerScale, code: u16| scale.linear(f64::from(code)) as f32;
        // A byte has few codes; words are worked out one by one.
        let phasors: Vec<[f32; 2]> = bytes(velocity).map(phasor).collect();
        let powers: Vec<f32> = power
            .map(|(power, scale)| bytes(power).map(|code| linear(scale, code)).collect())
            .unwrap_or_default();
        let side = bounds.map(|[first, end]| end - first + 2);
        let mut values = vec![[0.0; KINDS]; side.iter().product()];
        for z in bounds[2][0]..bounds[2][1] {
            for y in bounds[1][0]..bounds[1][1] {
                let row = side[0] * ((y - bounds[1][0] + 1) + side[1] * (z - bounds[2][0] + 1));
                for x in bounds[0][0]..bounds[0][1] {
                    let index = x + nx * (y + ny * z);
                    let code = velocity.at(index);
                    if code == zero {
                        continue;
                    }
                    let [cos, sin] = phasors.get(usize::from(code)).copied().unwrap_or_else(|| phasor(code));
                    let power = power.map_or(0.0, |(power, scale)| {
                        let code = power.at(index);
                        powers.get(usize::from(code)).copied().unwrap_or_else(|| linear(scale, code))
                    });
                    values[row + x - bounds[0][0] + 1] = [cos, sin, 1.0, power];
                }
            }
        }
        Self { first: bounds.map(|[first, _]| first), side, values }
    }

    /// Fills all samples
    fn sample(&self, steps: &Steps, samples: &mut [f32]) {
        // Positions within the hem: voxel `first` is number 1.
        let shift = Vector3::from_fn(|i, _| 1.0 - self.first[i] as f64);
        let top = self.side.map(|side| side as f64 - 1.0);
        for slice in 0..SLICES {
            for y in 0..SIDE {
                let row = steps.start + shift + steps.w * slice as f64 + steps.v * y as f64;
                for x in 0..SIDE {
                    let at = row + steps.u * x as f64;
                    if !(0..3).all(|i| at[i] >= 0.0 && at[i] < top[i]) {
                        continue;
                    }
                    let value = self.at(at);
                    for (kind, value) in value.into_iter().enumerate() {
                        samples[(kind * SLICES + slice) * PIXELS + y * SIDE + x] = value;
                    }
                }
            }
        }
    }

    /// The trilinear value at a position within the hem
    fn at(&self, at: Vector3<f64>) -> [f32; KINDS] {
        let low = at.map(|a| a as usize);
        let [fx, fy, fz] = [0, 1, 2].map(|i| (at[i] - low[i] as f64) as f32);
        let between = |a: [f32; KINDS], b: [f32; KINDS], fraction: f32| -> [f32; KINDS] {
            std::array::from_fn(|k| a[k] + fraction * (b[k] - a[k]))
        };
        let [sx, sy] = [self.side[0], self.side[1]];
        let line = |y: usize, z: usize| {
            let index = low[0] + sx * (low[1] + y + sy * (low[2] + z));
            between(self.values[index], self.values[index + 1], fx)
        };
        between(between(line(0, 0), line(1, 0), fy), between(line(0, 1), line(1, 1), fy), fz)
    }
}

/// All codes of a byte, none of a word
fn bytes(codes: &Codes) -> std::ops::Range<u16> {
    match codes {
        Codes::U8(_) => 0..256,
        Codes::U16(_) => 0..0,
    }
}
