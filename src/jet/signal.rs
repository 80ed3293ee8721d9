//! How strongly each voxel of a frame speaks for flow, and for fast flow.
//!
//! Two fields are made of one frame. *Strength* is the power of the flow signal over its plateau
//! (the power of blood far from any edge), so that the edge of a wide stream lies at one half
//! whatever the gain was; where no power was stored it is 1 in coloured voxels and 0 elsewhere.
//! *Haste* is the loss of coherence: 0 where neighbouring phasors agree, near 1 where the velocity
//! has wrapped several times and turbulence scatters it, so that hue means nothing any more. Slow
//! coloured blood has strength without haste and is not part of a jet.

use std::ops::Range;

use crate::numeric::{Extent, Field};
use crate::space::{Grid, VolumePoint};
use crate::volume::{ChannelKind, Codes, VelocityScale, Volume4};

/// What the strength was made of
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StrengthSource {
    /// A stored power channel
    Power,
    /// The presence of colour only
    Colour,
}

/// What velocities mean, and the level of full signal and of no display, common to all frames of a volume
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SignalScale {
    /// What a velocity code means
    pub velocity: VelocityScale,
    /// Linear power of blood away from edges (1 without a power channel)
    pub plateau: f64,
    /// Smallest displayed strength, as a share of the plateau; `None` where it cannot be known
    pub gate: Option<f64>,
    /// What the strength is made of
    pub source: StrengthSource,
}

/// One frame's strength and haste
#[derive(Clone, Debug)]
pub struct Signal {
    volume: Volume4,
    frame: usize,
    grid: Grid,
    strength: Field,
    haste: Field,
    scale: SignalScale,
}

impl SignalScale {
    /// The least strength that is displayed; 0 where no power is stored, since strength is then presence itself
    pub fn threshold(&self) -> f64 {
        self.gate.unwrap_or(0.0)
    }

    /// Reads the plateau and the gate off the frame with the most colour
    ///
    /// The plateau is the median power of scattered voxels all of whose neighbours two steps away are
    /// coloured as well: their phases fill the circle, so the wall filter takes the same share from
    /// each. Where too few are scattered, all such inner voxels stand in. The gate is the 2 % quantile
    /// of the coloured power over the plateau.
    /// `None` without a velocity channel.
    pub fn of(volume: &Volume4) -> Option<Self> {
        let (velocity, scale) = volume.velocity()?;
        let zero = scale.zero_code();
        let source = StrengthSource::Colour;
        let colour_only = Self { velocity: scale, plateau: 1.0, gate: None, source };
        let Some((power, power_scale)) = volume.power() else { return Some(colour_only) };
        let count = |frame: &usize| velocity.frame(*frame).count_other(zero);
        let frame = (0..volume.frames()).max_by_key(|frame| (count(frame), usize::MAX - frame))?;
        let shape = volume.grid.shape();
        let codes = velocity.frame(frame);
        // Two voxels farther out nothing is coloured: there a voxel's neighbours are seen whole.
        let part = coloured(&codes, zero, shape).grown(2, shape);
        let here: Vec<bool> = gathered(&codes, part, shape, |code| code != zero);
        let haste = haste_of(volume, frame, part)?;
        let power = gathered(&power.frame(frame), part, shape, |code| code);
        let [nx, ny, nz] = part.side;
        let (mut deep, mut scattered, mut all) = (Histogram::new(), Histogram::new(), Histogram::new());
        for z in 0..nz {
            for y in 0..ny {
                for x in 0..nx {
                    let i = x + nx * (y + ny * z);
                    if !here[i] {
                        continue;
                    }
                    all.add(power[i]);
                    let inside = x >= 2 && y >= 2 && z >= 2 && x + 2 < nx && y + 2 < ny && z + 2 < nz;
                    let steps = [2, 2 * nx, 2 * nx * ny];
                    if inside && steps.iter().all(|step| here[i - step] && here[i + step]) {
                        deep.add(power[i]);
                        if haste[i] > SCATTERED {
                            scattered.add(power[i]);
                        }
                    }
                }
            }
        }
        let enough = scattered.count as f64 * volume.grid.voxel_mm3() > ENOUGH_MM3;
        let linear = |code: u16| power_scale.linear(f64::from(code));
        let plateau = scattered
            .quantile(0.5)
            .filter(|_| enough)
            .or_else(|| deep.quantile(0.5))
            .or_else(|| all.quantile(0.9))
            .map(linear)?;
        if !(plateau > 0.0 && plateau.is_finite()) {
            return Some(colour_only);
        }
        let gate = all.quantile(0.02).map(|low| linear(low) / plateau);
        Some(Self { velocity: scale, plateau, gate, source: StrengthSource::Power })
    }
}

/// Haste of a voxel whose phases fill the circle
const SCATTERED: f32 = 0.35;
/// Volume of scattered blood from which a plateau can be read, mm3
const ENOUGH_MM3: f64 = 100.0;

/// How often each code was met
struct Histogram {
    counts: Vec<usize>,
    count: usize,
}

impl Histogram {
    fn new() -> Self {
        Self { counts: vec![0; 1 << 16], count: 0 }
    }

    fn add(&mut self, code: u16) {
        self.counts[usize::from(code)] += 1;
        self.count += 1;
    }

    /// The code below which this share lies; `None` where none was met
    fn quantile(&self, share: f64) -> Option<u16> {
        let at = (self.count.checked_sub(1)? as f64 * share) as usize;
        let mut below = 0;
        let reached = |counted: &usize| {
            below += counted;
            below > at
        };
        self.counts.iter().position(reached).map(|code| code as u16)
    }
}

impl Signal {
    /// The signal of one frame; `None` without a velocity channel or such a frame
    pub fn new(volume: &Volume4, frame: usize, scale: SignalScale) -> Option<Self> {
        let (velocity, _) = volume.velocity()?;
        if frame >= volume.frames() {
            return None;
        }
        let shape = volume.grid.shape();
        let codes = velocity.frame(frame);
        let zero = scale.velocity.zero_code();
        let power = volume.power().filter(|_| scale.source == StrengthSource::Power);
        let (power, power_scale) = power.map(|(power, scale)| (power.frame(frame), scale)).unzip();
        let linear =
            |code: u16| power_scale.map_or(0.0, |of| (of.linear(f64::from(code)) / scale.plateau) as f32);
        // What is coloured or has power, one voxel more for what is continued below the gate, and the
        // hem of zeros that a field wants.
        let part = match &power {
            Some(power) if linear(0) == 0.0 => coloured(&codes, zero, shape).with(coloured(power, 0, shape)),
            Some(_) => Extent::whole(shape),
            None => coloured(&codes, zero, shape),
        };
        let part = part.grown(2, shape);
        let haste = haste_of(volume, frame, part)?;
        let strength = match power {
            Some(power) => {
                let table: Vec<f32> = match power {
                    Codes::U8(_) => (0..256).map(linear).collect(),
                    Codes::U16(_) => Vec::new(),
                };
                let of = |code: u16| table.get(usize::from(code)).copied().unwrap_or_else(|| linear(code));
                let mut strength = gathered(&power, part, shape, of);
                extend_below_gate(&mut strength, part.side, scale.gate.unwrap_or(0.0) as f32);
                strength
            }
            None => gathered(&codes, part, shape, |code| f32::from(u8::from(code != zero))),
        };
        Some(Self {
            volume: volume.clone(),
            frame,
            grid: volume.grid,
            strength: Field::within(shape, part, strength)?,
            haste: Field::within(shape, part, haste)?,
            scale,
        })
    }

    /// The volume that it is of (its samples are shared, not copied), and the frame
    pub fn acquired(&self) -> (&Volume4, usize) {
        (&self.volume, self.frame)
    }

    /// The grid of the frame
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// What strength means here
    pub fn scale(&self) -> SignalScale {
        self.scale
    }

    /// The level at which a cross-section is traced: one half, or just above the gate
    pub fn tracing_level(&self) -> f64 {
        match (self.scale.source, self.scale.gate) {
            (StrengthSource::Power, Some(gate)) => (gate * 1.08).clamp(0.5, 0.75),
            _ => 0.5,
        }
    }

    /// The level just above the gate, at which everything displayed is seen
    pub fn seeing_level(&self) -> f64 {
        match (self.scale.source, self.scale.gate) {
            (StrengthSource::Power, Some(gate)) => (gate * 1.03).clamp(0.4, 0.75),
            _ => 0.5,
        }
    }

    /// Strength at a point: 0 none, 1 the plateau; 0 outside the volume
    pub fn strength(&self, point: VolumePoint) -> f64 {
        self.strength.at(self.grid.voxel_from_volume(point).0)
    }

    /// Strength and haste at a point
    pub fn at(&self, point: VolumePoint) -> [f64; 2] {
        let index = self.grid.voxel_from_volume(point).0;
        [self.strength.at(index), self.haste.at(index)]
    }

    /// Bytes it takes
    pub fn bytes(&self) -> usize {
        size_of_val(self.strength.data()) + size_of_val(self.haste.data())
    }

    /// Strength of the voxels
    pub fn strength_field(&self) -> &Field {
        &self.strength
    }

    /// Haste of the voxels
    pub fn haste_field(&self) -> &Field {
        &self.haste
    }
}

/// The part of a frame with other codes than the one of nothing
fn coloured(codes: &Codes<'_>, nothing: u16, shape: [usize; 3]) -> Extent {
    Extent::of(shape, |row| codes.ends_other(row, nothing))
}

/// What is made of the codes of a part of a frame, x fastest
fn gathered<T>(codes: &Codes<'_>, part: Extent, shape: [usize; 3], of: impl Fn(u16) -> T) -> Vec<T> {
    let mut all = Vec::with_capacity(part.count());
    for row in part.rows(shape) {
        match codes {
            Codes::U8(codes) => all.extend(codes[row].iter().map(|code| of(u16::from(*code)))),
            Codes::U16(codes) => all.extend(codes[row].iter().map(|code| of(*code))),
        }
    }
    all
}

/// Unit phasor of each code, cosine and sine; zeros for the code of no colour
fn phasor_table(scale: VelocityScale) -> Vec<[f32; 2]> {
    let of = |code: u16| {
        if code == scale.zero_code() {
            return [0.0; 2];
        }
        let (sin, cos) = libm::sincos(scale.phase(code));
        [cos as f32, sin as f32]
    };
    (0..1u32 << scale.bits()).map(|code| of(code as u16)).collect()
}

/// Haste of every voxel of a part of a frame: from neighbouring phasors and, where stored, from the
/// variance
///
/// The part holds all that is coloured and its neighbours.
fn haste_of(volume: &Volume4, frame: usize, part: Extent) -> Option<Vec<f32>> {
    let shape = volume.grid.shape();
    let (velocity, scale) = volume.velocity()?;
    let codes = velocity.frame(frame);
    let (table, zero) = (phasor_table(scale), scale.zero_code());
    let mut haste = haste(part.side, |z| {
        let low = [part.low[0], part.low[1], part.low[2] + z];
        let codes =
            gathered(&codes, Extent { low, side: [part.side[0], part.side[1], 1] }, shape, |code| code);
        Phasors {
            cos: codes.iter().map(|code| table[usize::from(*code)][0]).collect(),
            sin: codes.iter().map(|code| table[usize::from(*code)][1]).collect(),
            count: codes.iter().map(|code| f32::from(u8::from(*code != zero))).collect(),
        }
    });
    if let Some(variance) = volume.channel(ChannelKind::Variance) {
        // A stored variance says the same from within one voxel: half its range is scattered.
        let told = variance.samples().frame(frame);
        let full = f32::from(if variance.samples().bits() == 8 { u16::from(u8::MAX) } else { u16::MAX });
        for (haste, i) in haste.iter_mut().zip(part.rows(shape).flatten()) {
            if codes.at(i) != zero {
                *haste = haste.max((f32::from(told.at(i)) / full - 0.3).max(0.0));
            }
        }
    }
    Some(haste)
}

/// Phasors of a plane, or sums of them, each part on its own so that many are added at once
struct Phasors {
    cos: Vec<f32>,
    sin: Vec<f32>,
    count: Vec<f32>,
}

impl Phasors {
    fn each(&self, of: impl Fn(&[f32]) -> Vec<f32>) -> Self {
        Self { cos: of(&self.cos), sin: of(&self.sin), count: of(&self.count) }
    }

    fn add(&mut self, more: &Self) {
        add(&mut self.cos, &more.cos);
        add(&mut self.sin, &more.sin);
        add(&mut self.count, &more.count);
    }
}

/// One minus the length of the mean phasor of the coloured voxels in a 3 x 3 x 3 neighbourhood
///
/// `phasors` gives a plane, zeros where nothing is coloured; only three planes are kept at a time.
fn haste([nx, ny, nz]: [usize; 3], phasors: impl Fn(usize) -> Phasors) -> Vec<f32> {
    let mut haste = Vec::with_capacity(nx * ny * nz);
    if nx * ny * nz == 0 {
        return haste;
    }
    // Sums of three along each axis in turn.
    let summed = |z: usize| {
        let plain = phasors(z);
        let sums = plain.each(|plane| with_neighbouring_rows(&with_neighbours(plane, nx), nx));
        (plain.count, sums)
    };
    let mut before: Option<Phasors> = None;
    let mut here = Some(summed(0));
    for z in 0..nz {
        let Some((coloured, sums)) = here else { break };
        here = (z + 1 < nz).then(|| summed(z + 1));
        let mut total = sums.each(<[f32]>::to_vec);
        if let Some(before) = &before {
            total.add(before);
        }
        if let Some((_, next)) = &here {
            total.add(next);
        }
        let parts = total.cos.iter().zip(&total.sin).zip(&total.count).zip(&coloured);
        haste.extend(parts.map(|(((cos, sin), count), coloured)| {
            let lost = (1.0 - (cos * cos + sin * sin).sqrt() / count).clamp(0.0, 1.0);
            if *coloured == 0.0 || *count < 4.0 { 0.0 } else { lost }
        }));
        before = Some(sums);
    }
    haste
}

/// Each number of a row with those before and after it added
fn with_neighbours(plane: &[f32], width: usize) -> Vec<f32> {
    let mut sums = plane.to_vec();
    for (sums, row) in sums.chunks_exact_mut(width).zip(plane.chunks_exact(width)) {
        add(&mut sums[1..], &row[..width - 1]);
        add(&mut sums[..width - 1], &row[1..]);
    }
    sums
}

/// Each row of a plane with those before and after it added
fn with_neighbouring_rows(plane: &[f32], width: usize) -> Vec<f32> {
    let mut sums = plane.to_vec();
    let rest = plane.len() - width;
    add(&mut sums[width..], &plane[..rest]);
    add(&mut sums[..rest], &plane[width..]);
    sums
}

fn add(sum: &mut [f32], more: &[f32]) {
    for (sum, more) in sum.iter_mut().zip(more) {
        *sum += more;
    }
}

/// Continues the strength one voxel past the displayed edge by straight extrapolation
///
/// Where power was stored only under colour, an undisplayed voxel reads 0 though the blur left it
/// just under the gate; interpolating to that 0 would pull every contour inward. The continued
/// value lies between 0 and the gate.
fn extend_below_gate(strength: &mut [f32], shape: [usize; 3], gate: f32) {
    let [nx, ny, nz] = shape;
    if strength.is_empty() {
        return;
    }
    let known = strength.to_vec();
    // A row with nothing in it nor in the four beside it stays empty, and so does what lies farther out
    // than one voxel from all that they hold.
    let held = |row: &[f32]| -> Range<usize> {
        let some = |v: &f32| *v > 0.0;
        let ends = row.iter().position(some).zip(row.iter().rposition(some));
        ends.map_or(nx..0, |(first, last)| first.saturating_sub(1)..(last + 2).min(nx))
    };
    let held: Vec<Range<usize>> = known.chunks_exact(nx).map(held).collect();
    for z in 0..nz {
        for y in 0..ny {
            let row = y + ny * z;
            let beside = [
                (y > 0).then(|| row - 1),
                (y + 1 < ny).then(|| row + 1),
                (z > 0).then(|| row - ny),
                (z + 1 < nz).then(|| row + ny),
            ];
            let near = beside.into_iter().flatten().fold(held[row].clone(), |near, row| {
                near.start.min(held[row].start)..near.end.max(held[row].end)
            });
            for x in near {
                let i = x + nx * row;
                if known[i] > 0.0 {
                    continue;
                }
                let (mut sum, mut count) = (0.0, 0.0);
                for (at, side, stride) in [(x, nx, 1), (y, ny, nx), (z, nz, nx * ny)] {
                    if at >= 2 && known[i - stride] > 0.0 && known[i - 2 * stride] > 0.0 {
                        sum += 2.0 * known[i - stride] - known[i - 2 * stride];
                        count += 1.0;
                    }
                    if at + 2 < side && known[i + stride] > 0.0 && known[i + 2 * stride] > 0.0 {
                        sum += 2.0 * known[i + stride] - known[i + 2 * stride];
                        count += 1.0;
                    }
                }
                if count > 0.0 {
                    strength[i] = (sum / count).clamp(0.0, gate);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agreeing_phasors_have_no_haste_and_scattered_ones_do() {
        let shape = [5, 5, 5];
        let calm = |_| Phasors { cos: vec![1.0; 25], sin: vec![0.0; 25], count: vec![1.0; 25] };
        assert!(haste(shape, calm).iter().all(|h| *h < 1e-6));
        // Four directions in turn cancel: haste near 1 in the middle.
        let four = [1.0, 0.0, -1.0, 0.0];
        let turned = |z: usize, by: usize| (25 * z..25 * z + 25).map(|i| four[(i + by) % 4]).collect();
        let wild = |z: usize| Phasors { cos: turned(z, 0), sin: turned(z, 3), count: vec![1.0; 25] };
        assert!(haste(shape, wild)[62] > 0.9);
    }

    #[test]
    fn a_gated_edge_is_continued_to_the_gate_at_most() {
        let mut row = vec![1.0, 0.9, 0.6, 0.0, 0.0];
        extend_below_gate(&mut row, [5, 1, 1], 0.4);
        assert!((row[3] - 0.3).abs() < 1e-6);
        assert_eq!(row[4], 0.0);
    }
}
