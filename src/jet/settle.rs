//! From a place where a vena contracta may be to the plane of one: the network looks about it, moves and leans the
//! plane, and looks again, until it stands still.

use nalgebra::Vector3;

use crate::network::{Patch, PowerUse, Reading, pitch_mm, read, read_both};
use crate::numeric::Image;
use crate::outline::Placed;
use crate::sample::Raster;
use crate::space::{Cut, CutPoint, Direction, VolumePoint, VoxelPoint};
use crate::unit::Mm;

use super::pose::{InBeat, JetPose, Part};
use super::section::{displayed_mm2, profile_about};
use super::{Signal, StrengthSource};

/// The plane is laid at most so many times
const ROUNDS: usize = 4;
/// It stands still when it leans by less than this, radians, and moves by less than this, mm
const STILL: [f64; 2] = [0.03, 0.4];
/// A first look with a logit below this leads nowhere: training left 5 % of false places above 0
const HOPELESS: f64 = -4.0;
/// A vena contracta has at least this logit in the end (solved tuning geometries: nine in ten have more than 3)
const LEAST: f64 = 1.5;
/// A patch of another size is laid at most so many times, and where its pitch would differ by this share (our own choice)
const RESIZED: usize = 2;
const UNLIKE: f64 = 0.15;
/// What is displayed is about so much longer than the effective outline, mm
const BEYOND_MM: f64 = 1.2;
/// Side of the blocks in which incoherent flow is gathered, mm (our own choice)
const BLOCK_MM: f64 = 2.0;
/// At most so many gatherings are looked at
const MOST_PEAKS: usize = 6;
/// Less incoherence than this share of the strongest gathering is not looked at (our own choice)
const FAINTEST: f64 = 0.12;
/// Where along the flow from a gathering the vena contracta is sought, mm: just behind the orifice's own gathering,
/// and well before that of the jet's breaking up
const STARTS_MM: [f64; 2] = [1.5, -7.0];
/// Planes whose centres lie nearer than this are one, mm
const SAME_MM: f64 = 3.5;
/// Beside a vena contracta others are looked for as far as this, mm (an annulus is some 35 mm wide)
const FARTHEST_MM: f64 = 20.0;
/// On planes so far behind its own, mm, at points so far apart, mm
const BESIDE_MM: [f64; 3] = [0.0, 1.0, 2.0];
const BESIDE_PIXEL_MM: f64 = 1.0;
/// Where this share of the most incoherence is passed, at the most places, so far outside its outline, mm (our own choice)
const BESIDE_LEAST: f64 = 0.25;
const MOST_BESIDE: usize = 4;
const BESIDE_GAP_MM: f64 = 1.0;

/// A plane that stands still on a vena contracta
pub(super) struct Settled {
    plane: Cut,
    reading: Reading,
    outline: Option<Placed>,
}

/// The network's reading about a plane; `extent_mm` is the length of what is displayed on it
///
/// What is displayed may be far longer than the jet (moving blood around it) or a part of it: where the outline that is
/// read asks for a patch of another size, it is read again on one.
pub fn reading_about(signal: &Signal, plane: &Cut, extent_mm: f64) -> Option<(Patch, Reading)> {
    let mut extent = extent_mm;
    let mut found = once(signal, plane, extent)?;
    for _ in 0..RESIZED {
        let next = extent_of(&found.1);
        if (pitch_mm(next) / pitch_mm(extent) - 1.0).abs() < UNLIKE {
            break;
        }
        extent = next;
        found = once(signal, plane, extent)?;
    }
    let (patch, reading) = found;
    let both = read_both(&patch, &reading);
    Some((patch, both))
}

/// Length of what is displayed of the outline that a reading has, mm
fn extent_of(reading: &Reading) -> f64 {
    let round = 2.0 * (reading.effective_mm2() / std::f64::consts::PI).sqrt();
    BEYOND_MM + reading.outline().map_or(round, |outline| outline.feret().max.get())
}

/// One reading on a patch for this length
fn once(signal: &Signal, plane: &Cut, extent_mm: f64) -> Option<(Patch, Reading)> {
    let power = match signal.scale().source {
        StrengthSource::Power => PowerUse::Present,
        StrengthSource::Colour => PowerUse::Absent,
    };
    let (volume, frame) = signal.acquired();
    let patch = Patch::lay(volume, frame, plane, pitch_mm(extent_mm), power)?;
    let reading = read(&patch);
    Some((patch, reading))
}

/// The plane of the vena contracta about another plane, `None` where there is none
pub(super) fn settle(signal: &Signal, start: Cut, extent_mm: f64) -> Option<Settled> {
    let mut plane = Cut::perpendicular_to(start.centre(), start.normal());
    let mut extent = extent_mm;
    let mut last = None;
    for round in 0..ROUNDS {
        let (_, reading) = once(signal, &plane, extent)?;
        if round == 0 && reading.orifice < HOPELESS {
            return None;
        }
        let next = reading.corrected(&plane);
        let moved = next.centre().from(plane.centre()).norm();
        let leant = libm::hypot(reading.lean[0], reading.lean[1]);
        extent = extent_of(&reading);
        let still = leant < STILL[0] && moved < STILL[1];
        last = Some(Settled { plane, outline: None, reading });
        if still {
            break;
        }
        plane = Cut::perpendicular_to(next.centre(), next.normal());
    }
    let mut settled = last.filter(|found| found.reading.orifice >= LEAST)?;
    let read = settled.reading.outline().ok();
    settled.outline = read.map(|outline| Placed { plane: settled.plane, outline });
    settled.plane = {
        let next = settled.reading.corrected(&settled.plane);
        Cut::perpendicular_to(next.centre(), next.normal())
    };
    Some(settled)
}

impl Settled {
    /// Whether another plane is on the same vena contracta: the centres lie near each other or one within the other's
    /// outline, or the outlines overlap, which two orifices do not
    pub(super) fn is_same(&self, other: &Self) -> bool {
        let offset = other.plane.centre().from(self.plane.centre());
        let along = self.plane.normal().dot(&offset);
        let aside = (offset - self.plane.normal().into_inner() * along).norm();
        let outlines = self.outline.as_ref().zip(other.outline.as_ref());
        let holds = |a: &Self, b: &Self| a.outline.as_ref().is_some_and(|it| it.holds(b.plane.centre()));
        aside < SAME_MM
            || holds(self, other)
            || holds(other, self)
            || outlines.is_some_and(|(a, b)| a.is_over(b))
    }

    /// Whether it lies between two others, more than a millimetre from either
    pub(super) fn lies_between(&self, a: &Self, b: &Self) -> bool {
        let [a, b] = [a, b].map(|other| other.plane.centre().from(self.plane.centre()));
        a.norm() > 1.0 && b.norm() > 1.0 && a.dot(&b) < -0.5 * a.norm() * b.norm()
    }

    /// Its centre
    pub(super) fn centre(&self) -> VolumePoint {
        self.plane.centre()
    }

    /// How sure it is that there is one
    pub(super) fn orifice(&self) -> f64 {
        self.reading.orifice
    }

    /// Whether it lies near a point, mm
    pub(super) fn is_near(&self, point: VolumePoint) -> bool {
        self.plane.centre().from(point).norm() < SAME_MM
    }

    /// Planes of the same direction at flow that is as incoherent, beside what it encloses: where a second vena contracta
    /// may be that a look from afar would leave for this one; and the length to look with
    pub(super) fn beside(&self, signal: &Signal) -> Vec<(Cut, f64)> {
        let Some(Placed { plane: traced, outline }) = &self.outline else { return Vec::new() };
        let raster = Raster::square(Mm::new(2.0 * FARTHEST_MM), Mm::new(BESIDE_PIXEL_MM));
        let strong = |plane: &Cut, at: CutPoint| {
            let [strength, haste] = signal.at(plane.at(at));
            strength.min(1.0) * haste
        };
        let planes = BESIDE_MM.map(|mm| traced.at_level(mm));
        let image = Image::from_fn(raster.width, raster.height, |x, y| {
            let at = raster.cut_from_pixel(x as f64, y as f64);
            planes.iter().map(|plane| strong(plane, at)).sum::<f64>()
        });
        let around = |x: usize, y: usize, reach: usize| {
            let (last_x, last_y) = (raster.width - 1, raster.height - 1);
            (y.saturating_sub(reach)..=(y + reach).min(last_y))
                .flat_map(move |y| (x.saturating_sub(reach)..=(x + reach).min(last_x)).map(move |x| (x, y)))
        };
        let smooth = Image::from_fn(raster.width, raster.height, |x, y| {
            around(x, y, 1).map(|(x, y)| image.at(x, y)).sum::<f64>()
        });
        let most = smooth.data().iter().copied().fold(0.0, f64::max);
        let mut places: Vec<(f64, CutPoint)> = Vec::new();
        for (x, y) in (0..raster.height).flat_map(|y| (0..raster.width).map(move |x| (x, y))) {
            let (here, at) = (smooth.at(x, y), raster.cut_from_pixel(x as f64, y as f64));
            if here > BESIDE_LEAST * most
                && around(x, y, 2).all(|(x, y)| smooth.at(x, y) <= here)
                && outline.signed_distance(at).get() > BESIDE_GAP_MM
            {
                places.push((here, at));
            }
        }
        places.sort_by(|a, b| b.0.total_cmp(&a.0));
        let laid = |(_, at): &(f64, CutPoint)| {
            let extent = extent_of(&self.reading).min(at.distance(CutPoint::default()));
            (Cut::perpendicular_to(traced.at(*at), self.plane.normal()), extent)
        };
        places.iter().take(MOST_BESIDE).map(laid).collect()
    }

    /// As a pose, with what is displayed about it
    pub(super) fn pose(&self, signal: &Signal) -> JetPose {
        let profile = profile_about(signal, &self.plane).unwrap_or_default();
        let effective = self.reading.effective_mm2();
        let area_mm2 = displayed_mm2(signal, &self.plane).unwrap_or(effective);
        let between = |low: f64, high: f64| {
            let inside = profile.positions_mm.iter().zip(&profile.areas_mm2);
            inside.filter(move |(p, _)| **p >= low && **p <= high).map(|(_, a)| *a).fold(0.0, f64::max)
        };
        let part = |found: bool| if found { Part::Found } else { Part::Missing };
        let reach = (area_mm2 / std::f64::consts::PI).sqrt() + 1.0;
        let inside = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)]
            .iter()
            .all(|(u, v)| signal.grid().contains(self.plane.at(CutPoint::new(u * reach, v * reach))));
        JetPose {
            neck: self.plane.centre(),
            narrowest: self.plane.centre(),
            axis: self.plane.normal(),
            axis_error: AXIS_ERROR,
            level_error_mm: LEVEL_ERROR_MM,
            area_mm2,
            effective_mm2: effective,
            haste: profile.haste.iter().copied().fold(0.0, f64::max),
            convergence: part(between(-4.0, -1.5) >= 1.3 * effective),
            contraction: part(between(-4.0, -0.5) >= area_mm2 && between(0.5, 4.0) >= area_mm2),
            expansion: part(between(1.5, 4.0) >= 1.02 * area_mm2),
            whole: part(inside),
            orifice: self.reading.orifice,
            reading: self.outline.clone(),
            in_beat: InBeat::default(),
            profile,
        }
    }
}

/// One less sure than another by this logit is not put in its place (our own choice)
pub(super) const LIKELY: f64 = 4.0;

/// Of planes on one vena contracta the surest, the surest first
///
/// One that lies between two that are apart is a look at both at once and makes way for them.
pub(super) fn all_apart(mut found: Vec<Settled>) -> Vec<Settled> {
    found.sort_by(|a, b| b.orifice().total_cmp(&a.orifice()));
    let (mut apart, mut again): (Vec<Settled>, Vec<Settled>) = (Vec::new(), Vec::new());
    for settled in found {
        let known = apart.iter().any(|known| known.is_same(&settled));
        if known { &mut again } else { &mut apart }.push(settled);
    }
    for side in again {
        let beyond = |both: &Settled| {
            let other = |other: &&Settled| !other.is_same(&side) && both.lies_between(&side, other);
            apart.iter().any(|known| other(&known))
        };
        let likely = |both: &Settled| both.is_same(&side) && side.orifice() > both.orifice() - LIKELY;
        if let Some(both) = apart.iter().position(|both| likely(both) && beyond(both)) {
            apart[both] = side;
        }
    }
    apart.sort_by(|a, b| b.orifice().total_cmp(&a.orifice()));
    apart
}

/// Standard error of a settled axis, radians, and level, mm (card of the network)
const AXIS_ERROR: f64 = 0.03;
const LEVEL_ERROR_MM: f64 = 0.5;

/// Where incoherent flow gathers, the strongest first, and the planes across a direction to begin with there
pub(super) fn starts(signal: &Signal, sense: impl Fn(VolumePoint) -> Direction) -> Vec<Cut> {
    let field = signal.haste_field();
    let (grid, kept) = (*signal.grid(), field.kept());
    let spacing = grid.spacing_mm();
    let stride = spacing.map(|mm| ((BLOCK_MM / mm).round() as usize).max(1));
    let count: [usize; 3] = std::array::from_fn(|a| kept.side[a].div_ceil(stride[a]).max(1));
    let mut sums = vec![0.0f64; count.iter().product()];
    let [sx, sy, _] = kept.side;
    for (i, haste) in field.data().iter().enumerate().filter(|(_, haste)| **haste > 0.0) {
        let place = [i % sx, i / sx % sy, i / (sx * sy)];
        let voxel = [0, 1, 2].map(|a| kept.low[a] + place[a]);
        let block = [0, 1, 2].map(|a| place[a] / stride[a]);
        let shown = f64::from(signal.strength_field().value(voxel)).min(1.0);
        sums[block[0] + count[0] * (block[1] + count[1] * block[2])] += f64::from(*haste) * shown;
    }
    let at = |b: [isize; 3]| -> f64 {
        let inside = (0..3).all(|a| b[a] >= 0 && (b[a] as usize) < count[a]);
        if inside { sums[b[0] as usize + count[0] * (b[1] as usize + count[1] * b[2] as usize)] } else { 0.0 }
    };
    let around = |b: [isize; 3], reach: isize| {
        let steps = move || -reach..=reach;
        steps().flat_map(move |z| {
            steps().flat_map(move |y| steps().map(move |x| [b[0] + x, b[1] + y, b[2] + z]))
        })
    };
    let smooth = |b: [isize; 3]| around(b, 1).map(&at).sum::<f64>();
    let mut peaks: Vec<(f64, [isize; 3])> = Vec::new();
    for (i, sum) in sums.iter().enumerate().filter(|(_, sum)| **sum > 0.0) {
        let b = [i % count[0], i / count[0] % count[1], i / (count[0] * count[1])].map(|n| n as isize);
        let _ = sum;
        let here = smooth(b);
        if around(b, 1).all(|other| smooth(other) <= here) {
            peaks.push((here, b));
        }
    }
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    let most = peaks.first().map_or(0.0, |peak| peak.0);
    let strong = peaks.into_iter().filter(|(sum, _)| *sum > FAINTEST * most).take(MOST_PEAKS);
    strong
        .flat_map(|(_, b)| {
            let middle = |a: usize| {
                (kept.low[a] as f64 + (b[a] as f64 + 0.5) * stride[a] as f64 - 0.5)
                    .min(grid.shape()[a] as f64 - 1.0)
            };
            let point = grid.volume_from_voxel(VoxelPoint::new(middle(0), middle(1), middle(2)));
            let axis = sense(point);
            let along: Vector3<f64> = axis.into_inner();
            STARTS_MM.map(|mm| Cut::perpendicular_to(point.moved(along * mm), axis))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::space::direction;

    /// A plane across z on a round orifice of a radius, mm
    fn settled(x: f64, radius: f64, orifice: f64) -> Settled {
        let across = direction(Vector3::z()).unwrap();
        let plane = Cut::perpendicular_to(VolumePoint::new(x, 0.0, 0.0), across);
        let reading = Reading {
            inside: Image::from_fn(1, 1, |_, _| 0.0),
            pitch_mm: 0.6,
            log_area: libm::log(std::f64::consts::PI * radius * radius),
            log_spread: -2.0,
            half_width: 0.3,
            lean: [0.0; 2],
            offset_mm: [0.0; 3],
            orifice,
        };
        let outline = crate::outline::Outline::regular(CutPoint::default(), radius, 40).unwrap();
        Settled { plane, reading, outline: Some(Placed { plane, outline }) }
    }

    fn places(found: Vec<Settled>) -> Vec<f64> {
        all_apart(found).iter().map(|at| at.centre().to_array()[0]).collect()
    }

    #[test]
    fn of_looks_at_one_orifice_the_surest_stays() {
        assert_eq!(
            places(vec![settled(0.0, 2.0, 7.0), settled(1.0, 2.0, 9.0), settled(8.0, 2.0, 8.0)]),
            [1.0, 8.0]
        );
        // Far from each other, but the outlines overlap: the ends of one slit.
        assert_eq!(places(vec![settled(0.0, 4.0, 7.0), settled(6.0, 4.0, 9.0)]), [6.0]);
    }

    #[test]
    fn a_look_at_two_at_once_makes_way_for_both() {
        let two = || vec![settled(0.0, 1.8, 9.0), settled(7.0, 1.8, 8.5)];
        let both = settled(2.5, 2.5, 10.0);
        assert_eq!(places(two().into_iter().chain([both]).collect()), [0.0, 7.0]);
        // With one of them it is that one.
        assert_eq!(places(vec![settled(2.5, 2.5, 10.0), settled(0.0, 1.8, 9.0)]), [2.5]);
    }
}
