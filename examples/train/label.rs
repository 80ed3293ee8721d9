//! Patches of one scan, with what is true of each.
//!
//! Most scans give three patches around an orifice, laid with errors of the pose: half of them as after a first
//! correction (about 2 degrees, 0.5 mm), half as proposed (up to 18 degrees, 5 mm sideways and along the axis). One scan
//! in six gives three patches where no vena contracta is: in the jet's body, in chamber blood, beside the orifice,
//! upstream of it, at a ghost, or with the flow's direction the wrong way round.

use anyhow::Context as _;
use nalgebra::{Unit, Vector3};
use narrows::job::Watch;
use narrows::network::{LEVEL_SLICE, Patch, PowerUse, SIDE, SLICES, pitch_mm};
use narrows::phantom::{JetTruth, JetTruthFrame, ReadyFlow, Recipe, Truth, simulate_flow};
use narrows::space::{Cut, CutPoint, Direction, VolumePoint};
use narrows::volume::{Channel, ChannelKind, PowerScale, Scale, Volume4, VolumeError};

use crate::draw::{Draw, Drawn, PowerCurve, recipe};

/// The numbers of a record, in their order, f32
pub(crate) const LABELS: [&str; 32] = [
    "geometry",
    "scan",
    "orifice",
    "log_area",
    "lean_u",
    "lean_v",
    "offset_u",
    "offset_v",
    "offset_w",
    "pitch",
    "nyquist",
    "apex_u",
    "apex_v",
    "apex_w",
    "rim",
    "negative",
    "blood",
    "lateral",
    "elevational",
    "curve",
    "gain",
    "speed",
    "scale",
    "beam_deg",
    "tilt_error",
    "side_error",
    "jets",
    "view",
    "voxel",
    "reserved_a",
    "reserved_b",
    "reserved_c",
];
const PIXELS: usize = SIDE * SIDE;
const SAMPLES: usize = 4 * SLICES * PIXELS;
/// Labels, outline, samples
pub(crate) const RECORD_BYTES: usize = LABELS.len() * 4 + PIXELS + SAMPLES;
/// Patches a scan
const PATCHES: usize = 3;

/// Where a patch lies, and whether there is an orifice
struct Planned {
    plane: Cut,
    pitch_mm: f64,
    /// The jet it is centred on, and 0; or none, and the kind of place
    target: Result<usize, u8>,
}

/// The records of one scan
pub(crate) fn scan(flow: &ReadyFlow, geometry: usize, seed: u64) -> anyhow::Result<Vec<Vec<u8>>> {
    let mut draw = Draw::new(seed);
    let Drawn { recipe, curve } = recipe(&mut draw, flow, seed);
    let mut one = recipe.patch(flow, [4.0; 3])?;
    // (A patch has one beat; this one may be stitched.)
    (one.beat.gated_beats, one.beat.shift_std_mm) = (recipe.beat.gated_beats, recipe.beat.shift_std_mm);
    // The truth of a few voxels is the truth of all.
    let (_, truth) = simulate_flow(&one, flow, &Watch::silent()).context("probe")?;
    let planned = plan(&mut draw, &truth, &one);
    enclose(&mut draw, &mut one, &truth, &planned);
    let (mut volume, truth) = simulate_flow(&one, flow, &Watch::silent()).context("scan")?;
    if curve == PowerCurve::Misdeclared {
        volume = misdeclared(&volume)?;
    }
    let scan = Scan { volume: &volume, truth: &truth, recipe: &one, geometry, seed, curve };
    Ok(planned.iter().filter_map(|planned| scan.record(planned)).collect())
}

/// The volume whose power is said to be linear, whatever it is
fn misdeclared(volume: &Volume4) -> Result<Volume4, VolumeError> {
    let said = |channel: &Channel| {
        let scale = match channel.scale() {
            Scale::Power(_) => Scale::Power(PowerScale::Linear { zero_code: 0.0 }),
            other => other,
        };
        Channel::new(scale, channel.samples().clone())
    };
    let (timeline, provenance) = (volume.timeline.clone(), volume.provenance.clone());
    let channels = volume.channels().iter().map(said).collect();
    Volume4::new(volume.grid, timeline, volume.apex, provenance, channels)
}

fn frame(jet: &JetTruth) -> Option<&JetTruthFrame> {
    jet.frames.first().filter(|frame| frame.present)
}

fn unit(v: [f64; 3]) -> Direction {
    Unit::new_normalize(Vector3::from(v))
}

/// A plane across a jet with a random roll
fn across(draw: &mut Draw, jet: &JetTruth, at: Vector3<f64>) -> Cut {
    let plane = Cut::perpendicular_to(VolumePoint(at.into()), unit(jet.axis));
    plane.rolled(draw.between(0.0, std::f64::consts::TAU))
}

fn plan(draw: &mut Draw, truth: &Truth, recipe: &Recipe) -> Vec<Planned> {
    let jets: Vec<usize> = (0..truth.jets.len()).filter(|i| frame(&truth.jets[*i]).is_some()).collect();
    if jets.is_empty() {
        return Vec::new();
    }
    let nothing = draw.chance(1.0 / 6.0);
    (0..PATCHES)
        .filter_map(|_| {
            let index = jets[draw.index(jets.len())];
            let jet = &truth.jets[index];
            let now = frame(jet)?;
            if nothing { astray(draw, truth, recipe, jet, now) } else { Some(aimed(draw, index, jet, now)) }
        })
        .collect()
}

/// A patch around an orifice, a little off
fn aimed(draw: &mut Draw, index: usize, jet: &JetTruth, now: &JetTruthFrame) -> Planned {
    let wide = draw.chance(0.5);
    let neck = Vector3::from(now.neck_mm);
    let plane = across(draw, jet, neck);
    let turn = draw.between(0.0, std::f64::consts::TAU);
    let (tilt_deg, side, level) = if wide {
        (draw.between(0.0, 18.0), draw.between(0.0, 5.0), draw.between(-5.0, 5.0))
    } else {
        ((2.0 * draw.normal()).abs(), (0.6 * draw.normal()).abs(), 0.6 * draw.normal())
    };
    let (sin, cos) = libm::sincos(draw.between(0.0, std::f64::consts::TAU));
    let by = plane.u().into_inner() * (side * cos)
        + plane.v().into_inner() * (side * sin)
        + plane.normal().into_inner() * level;
    let plane = plane.centred(plane.centre().moved(by)).tilted(tilt_deg.to_radians(), turn);
    // What is displayed is about a millimetre longer than the outline.
    let extent = (now.long_mm + 1.2) * libm::exp(0.18 * draw.normal());
    Planned { plane, pitch_mm: pitch_mm(extent), target: Ok(index) }
}

/// A patch where no vena contracta is; none where the place drawn is too near to one
fn astray(
    draw: &mut Draw,
    truth: &Truth,
    recipe: &Recipe,
    jet: &JetTruth,
    now: &JetTruthFrame,
) -> Option<Planned> {
    let neck = Vector3::from(now.neck_mm);
    let axis = unit(jet.axis).into_inner();
    let wide = now.long_mm / 2.0;
    let plane = across(draw, jet, neck);
    let (sin, cos) = libm::sincos(draw.between(0.0, std::f64::consts::TAU));
    let aside = plane.u().into_inner() * cos + plane.v().into_inner() * sin;
    let tilt = draw.between(0.0, 15.0).to_radians();
    let toward = draw.between(0.0, std::f64::consts::TAU);
    let kind = draw.index(7) as u8;
    let (by, plane) = match kind {
        0 | 1 => (axis * draw.between(12.0, 26.0) + aside * draw.normal(), plane.tilted(tilt, toward)),
        2 => {
            let any = Unit::new_normalize(Vector3::from_fn(|_, _| draw.normal()));
            let place = aside * draw.between(wide + 8.0, wide + 20.0) + axis * draw.between(-20.0, 25.0);
            (place, Cut::perpendicular_to(plane.centre(), any))
        }
        3 => {
            let place = aside * draw.between(wide + 8.0, wide + 16.0) + axis * draw.between(-4.0, 4.0);
            (place, plane.tilted(tilt, toward))
        }
        4 => (-axis * draw.between(10.0, 18.0) + aside * draw.normal(), plane.tilted(tilt, toward)),
        5 => {
            let ghost = recipe.ghost.first()?;
            let beam = (neck - Vector3::from(truth.apex_mm)).normalize();
            (beam * ghost.deeper_mm + aside * (0.5 * draw.normal()), plane.tilted(tilt, toward))
        }
        _ => (aside * draw.normal(), plane.tilted(std::f64::consts::PI - tilt, toward)),
    };
    let centre = neck + by;
    let near = truth
        .jets
        .iter()
        .filter_map(frame)
        .any(|other| (Vector3::from(other.neck_mm) - centre).norm() < other.long_mm / 2.0 + 7.0);
    // (The other places are far from this orifice by their making.)
    if near && matches!(kind, 2 | 3 | 5) {
        return None;
    }
    let extent = (now.long_mm + 1.2) * libm::exp(0.4 * draw.normal());
    Some(Planned {
        plane: plane.centred(VolumePoint(centre.into())),
        pitch_mm: pitch_mm(extent),
        target: Err(kind + 1),
    })
}

/// Sets the grid around all patches; one in six is cut off at a side, as by the border of a sector
fn enclose(draw: &mut Draw, one: &mut Recipe, truth: &Truth, planned: &[Planned]) {
    let (mut low, mut high) = ([f64::INFINITY; 3], [f64::NEG_INFINITY; 3]);
    for planned in planned {
        let plane = &planned.plane;
        let half = (SIDE as f64 - 1.0) / 2.0 * planned.pitch_mm;
        let levels = [-(LEVEL_SLICE as f64), (SLICES - 1 - LEVEL_SLICE) as f64];
        for level in levels {
            for (u, v) in [(-half, -half), (-half, half), (half, -half), (half, half)] {
                let corner = plane.at_level(level * planned.pitch_mm).at(CutPoint::new(u, v)).to_array();
                for axis in 0..3 {
                    low[axis] = low[axis].min(corner[axis]);
                    high[axis] = high[axis].max(corner[axis]);
                }
            }
        }
    }
    if planned.is_empty() {
        return;
    }
    // The corners of a leaning patch hold little: the box is a tenth shorter on either side.
    for axis in 0..3 {
        let tenth = 0.1 * (high[axis] - low[axis]);
        (low[axis], high[axis]) = (low[axis] + tenth, high[axis] - tenth);
    }
    if draw.chance(1.0 / 6.0) {
        let axis = draw.index(3);
        let by = draw.between(0.1, 0.3) * (high[axis] - low[axis]);
        if draw.chance(0.5) { low[axis] += by } else { high[axis] -= by }
    }
    for axis in 0..3 {
        one.grid.offset_mm[axis] = f64::midpoint(low[axis], high[axis]) - truth.plate_mm[axis];
        one.grid.shape[axis] = (((high[axis] - low[axis]) / one.grid.voxel_mm[axis]).round() as usize).max(8);
    }
}

/// A scan that was made
struct Scan<'a> {
    volume: &'a Volume4,
    truth: &'a Truth,
    recipe: &'a Recipe,
    geometry: usize,
    seed: u64,
    curve: PowerCurve,
}

impl Scan<'_> {
    fn record(&self, planned: &Planned) -> Option<Vec<u8>> {
        let power = if self.volume.channel(ChannelKind::Power).is_some() {
            PowerUse::Present
        } else {
            PowerUse::Absent
        };
        let patch = Patch::lay(self.volume, 0, &planned.plane, planned.pitch_mm, power)?;
        let mut labels = [0.0f64; LABELS.len()];
        let mut outline = vec![0u8; PIXELS];
        let scene = patch.scene();
        let doppler = &self.recipe.doppler;
        labels[0] = self.geometry as f64;
        labels[1] = self.seed as f64;
        labels[9] = scene.pitch_mm;
        labels[10] = scene.nyquist_m_s;
        labels[11..14].copy_from_slice(&scene.apex_mm?);
        labels[14] = patch.coloured_rim();
        labels[16] = self.recipe.blood.speed_m_s;
        (labels[17], labels[18]) = (doppler.lateral_mm, doppler.elevational_mm);
        labels[19] = f64::from(self.curve as u8);
        labels[20] = doppler.gain;
        labels[21] = self.recipe.flow.wave.peak_m_s;
        labels[22] = self.recipe.flow.scale;
        labels[26] = self.truth.jets.len() as f64;
        labels[27] = f64::from(self.recipe.scan.view as u8);
        labels[28] = self.recipe.grid.voxel_mm[0];
        match planned.target {
            Err(kind) => labels[15] = f64::from(kind),
            Ok(index) => {
                let jet = self.truth.jets.get(index)?;
                let now = frame(jet)?;
                aim(&planned.plane, jet, now, &mut labels);
                labels[23] = now.beam_angle_deg;
                let ring: Vec<[f64; 2]> = now
                    .outline_mm
                    .iter()
                    .map(|point| {
                        let (foot, _) = planned.plane.project(VolumePoint::new(point[0], point[1], point[2]));
                        [foot.u, foot.v].map(|x| x / scene.pitch_mm + (SIDE as f64 - 1.0) / 2.0)
                    })
                    .collect();
                cover(&ring, &mut outline);
            }
        }
        let mut record = Vec::with_capacity(RECORD_BYTES);
        for label in labels {
            record.extend((label as f32).to_le_bytes());
        }
        record.extend(outline);
        // Phasors in steps of 1/127 from -1 to 1, shares of 1/255, power of 1/127 up to 2.
        for (kind, samples) in patch.samples().chunks_exact(SLICES * PIXELS).enumerate() {
            record.extend(samples.iter().map(|value| match kind {
                0 | 1 => (value * 127.0).round() as i8 as u8,
                2 => (value * 255.0).round() as u8,
                _ => (value * 127.0).round() as u8,
            }));
        }
        Some(record)
    }
}

/// What must be corrected
fn aim(plane: &Cut, jet: &JetTruth, now: &JetTruthFrame, labels: &mut [f64]) {
    let axis = unit(jet.axis);
    let along = [plane.u(), plane.v(), plane.normal()].map(|direction| direction.dot(&axis));
    let across = libm::hypot(along[0], along[1]);
    let tilt = libm::atan2(across, along[2]);
    let scale = if across > 1e-9 { tilt / across } else { 1.0 };
    let [x, y, z] = now.neck_mm;
    let (foot, level) = plane.project(VolumePoint::new(x, y, z));
    labels[2] = 1.0;
    labels[3] = libm::log(now.effective_area_mm2);
    labels[4..9].copy_from_slice(&[along[0] * scale, along[1] * scale, foot.u, foot.v, level]);
    labels[24] = tilt.to_degrees();
    labels[25] = libm::hypot(foot.u, foot.v);
}

/// The share of each pixel within a ring of pixel coordinates, 0 to 255: exact along x on eight lines a row
fn cover(ring: &[[f64; 2]], shares: &mut [u8]) {
    const LINES: usize = 8;
    let mut sums = vec![0.0f64; shares.len()];
    for line in 0..SIDE * LINES {
        let y = (line as f64 + 0.5) / LINES as f64 - 0.5;
        let mut crossings: Vec<f64> = Vec::new();
        for (i, a) in ring.iter().enumerate() {
            let b = ring[(i + 1) % ring.len()];
            if (a[1] > y) != (b[1] > y) {
                crossings.push(a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]));
            }
        }
        crossings.sort_by(f64::total_cmp);
        for pair in crossings.chunks_exact(2) {
            let row = &mut sums[line / LINES * SIDE..][..SIDE];
            let first = (pair[0] + 0.5).floor().max(0.0) as usize;
            for (x, sum) in row.iter_mut().enumerate().skip(first) {
                let (left, right) = (x as f64 - 0.5, x as f64 + 0.5);
                if left >= pair[1] {
                    break;
                }
                *sum += (pair[1].min(right) - pair[0].max(left)).max(0.0);
            }
        }
    }
    for (share, sum) in shares.iter_mut().zip(sums) {
        *share = (sum / LINES as f64 * 255.0).round().clamp(0.0, 255.0) as u8;
    }
}
