//! Where to start looking: streams that narrow and open again.
//!
//! The strong signal is cut into planes across the beam or another direction. Regions of neighbouring planes that
//! overlap belong to one stream; where a stream has a region smaller than those around it, wide
//! flow on one side and a stream that goes on for a while on the other, there may be a neck. The
//! planes lie obliquely to the jet, which moves the areas but not the places, so this is only a
//! first guess, made without asking what the colours mean.

use nalgebra::Vector3;

use crate::numeric::Image;
use crate::numeric::label::{Labels, Touch2, label};
use crate::sample::Raster;
use crate::space::{Cut, CutPoint, Direction, VolumePoint, direction};
use crate::unit::Mm;

use super::Signal;
use super::section::strength_image;

/// A place where a stream narrows
#[derive(Clone, Debug)]
pub(super) struct Seed {
    /// Centre of the narrowest region
    pub centre: VolumePoint,
    /// Along the stream, from wide flow into the jet as far as areas tell
    pub axis: Direction,
    /// Area of the narrowest region in its oblique plane, mm2
    pub area_mm2: f64,
}

/// Distance between planes and pixel side, mm
const STEP_MM: f64 = 0.7;
/// Regions outside these areas are no neck, mm2
const NECK_MM2: [f64; 2] = [3.0, 260.0];
/// How far from the neck wide flow is looked for, mm
const OPENS_WITHIN_MM: f64 = 9.0;
/// Wide flow is at least so many times the neck
const OPENS: f64 = 1.4;
/// The jet goes on at least so far, mm
const GOES_ON_MM: f64 = 4.0;

/// One connected region of a plane
struct Region {
    area_mm2: f64,
    centre: CutPoint,
    /// The regions it overlaps most in the plane before and after
    beside: [Option<usize>; 2],
}

/// Places of one frame where a stream narrows, the widest first
pub(super) fn seeds(signal: &Signal, across: Direction) -> Vec<Seed> {
    let grid = signal.grid();
    let base = Cut::perpendicular_to(grid.middle(), across);
    let [nx, ny, nz] = grid.shape().map(|side| side as f64 - 1.0);
    let reach = |axis: Direction| {
        let [a, b, c] = grid.axes();
        let [sx, sy, sz] = grid.spacing_mm();
        0.5 * (nx * sx * a.dot(&axis).abs() + ny * sy * b.dot(&axis).abs() + nz * sz * c.dot(&axis).abs())
    };
    let side = Mm::new(2.0 * reach(base.u()).max(reach(base.v())));
    let raster = Raster::square(side, Mm::new(STEP_MM));
    let depth = reach(base.normal());
    let level = signal.seeing_level();
    let count = (2.0 * depth / STEP_MM) as usize;
    let position = |k: usize| k as f64 * STEP_MM - depth;
    let mut planes: Vec<Vec<Region>> = Vec::with_capacity(count);
    let mut before: Option<Labels> = None;
    for k in 0..count {
        let image = strength_image(signal, &base.at_level(position(k)), &raster);
        let (labels, mut regions) = regions(&image, &raster, level);
        if let (Some(old), Some(last)) = (&before, planes.last_mut()) {
            join(old, &labels, last, &mut regions);
        }
        planes.push(regions);
        before = Some(labels);
    }
    let mut found: Vec<Seed> = Vec::new();
    for k in 0..planes.len() {
        for index in 0..planes[k].len() {
            if let Some(seed) =
                narrowing(&planes, k, index, |k, centre| base.at_level(position(k)).at(centre))
            {
                found.push(seed);
            }
        }
    }
    found.sort_by(|a, b| a.area_mm2.total_cmp(&b.area_mm2));
    // Of several places close by on one stream the narrowest stands for all.
    let mut kept: Vec<Seed> = Vec::new();
    for seed in found {
        let near = |known: &Seed| {
            let offset = seed.centre.from(known.centre);
            let along = known.axis.dot(&offset);
            (offset - known.axis.into_inner() * along).norm() < 3.0 && along.abs() < 2.5
        };
        if !kept.iter().any(near) {
            kept.push(seed);
        }
    }
    kept.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
    kept
}

/// A starting place at a region that is the smallest of its stream nearby, if it is one
fn narrowing(
    planes: &[Vec<Region>],
    k: usize,
    index: usize,
    place: impl Fn(usize, CutPoint) -> VolumePoint,
) -> Option<Seed> {
    let region = &planes[k][index];
    if !(NECK_MM2[0]..=NECK_MM2[1]).contains(&region.area_mm2) {
        return None;
    }
    // The stream to both sides: (plane, region) from near to far.
    let stream = |side: usize| {
        let mut chain = Vec::new();
        let (mut at, mut i) = (k, index);
        while let Some(next) = planes[at][i].beside[side] {
            at = if side == 0 { at - 1 } else { at + 1 };
            i = next;
            chain.push((at, i));
        }
        chain
    };
    let sides = [stream(0), stream(1)];
    let area = |(at, i): &(usize, usize)| planes[*at][*i].area_mm2;
    let smallest = sides.iter().all(|chain| chain.iter().take(2).all(|r| area(r) >= region.area_mm2));
    if !smallest {
        return None;
    }
    let within = (OPENS_WITHIN_MM / STEP_MM) as usize;
    let widest = |chain: &[(usize, usize)]| chain.iter().take(within).map(area).fold(0.0, f64::max);
    let goes_on = |chain: &[(usize, usize)]| chain.len() as f64 * STEP_MM >= GOES_ON_MM;
    let [a, b] = [widest(&sides[0]), widest(&sides[1])];
    if a.max(b) < OPENS * region.area_mm2 || !sides.iter().all(|chain| goes_on(chain)) {
        return None;
    }
    // The jet is the side that stays narrow.
    let jet = usize::from(a > b);
    let start = place(k, region.centre);
    let far: Vec<VolumePoint> = sides[jet]
        .iter()
        .take((10.0 / STEP_MM) as usize)
        .take_while(|r| area(r) < 4.0 * region.area_mm2)
        .map(|(at, i)| place(*at, planes[*at][*i].centre))
        .collect();
    let toward: Vector3<f64> = far.iter().map(|p| p.from(start)).sum();
    let axis = direction(toward)?;
    Some(Seed { centre: start, axis, area_mm2: region.area_mm2 })
}

/// The connected regions of a plane above a level: labels from 1, and the regions in that order
fn regions(image: &Image<f64>, raster: &Raster, level: f64) -> (Labels, Vec<Region>) {
    let parts = label(&image.map(|v| v >= level), Touch2::Side);
    let mut sums = vec![(0.0, 0.0); parts.count()];
    for (i, part) in parts.labels.iter().enumerate().filter(|(_, part)| **part != 0) {
        let at = raster.cut_from_pixel((i % raster.width) as f64, (i / raster.width) as f64);
        let sum = &mut sums[*part as usize - 1];
        *sum = (sum.0 + at.u, sum.1 + at.v);
    }
    let pixel_mm2 = raster.pixel.get() * raster.pixel.get();
    let found = sums
        .iter()
        .zip(&parts.sizes)
        .map(|((u, v), pixels)| Region {
            area_mm2: *pixels as f64 * pixel_mm2,
            centre: CutPoint::new(u / *pixels as f64, v / *pixels as f64),
            beside: [None; 2],
        })
        .collect();
    (parts, found)
}

/// Joins the regions of two neighbouring planes, each to the one it overlaps most
fn join(old: &Labels, new: &Labels, before: &mut [Region], after: &mut [Region]) {
    let mut overlap = std::collections::BTreeMap::new();
    for (a, b) in old.labels.iter().zip(&new.labels) {
        if *a != 0 && *b != 0 {
            *overlap.entry((*a as usize - 1, *b as usize - 1)).or_insert(0usize) += 1;
        }
    }
    for (i, region) in before.iter_mut().enumerate() {
        region.beside[1] =
            overlap.iter().filter(|((a, _), _)| *a == i).max_by_key(|(_, n)| **n).map(|((_, b), _)| *b);
    }
    for (j, region) in after.iter_mut().enumerate() {
        region.beside[0] =
            overlap.iter().filter(|((_, b), _)| *b == j).max_by_key(|(_, n)| **n).map(|((a, _), _)| *a);
    }
}
