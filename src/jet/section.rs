//! Cross-sections of one stream along a line: the connected region in each plane, followed from
//! plane to plane.

use std::ops::Range;

use nalgebra::{Point3, Vector3};

use crate::numeric::Image;
use crate::numeric::label::{Touch2, label};
use crate::sample::Raster;
use crate::space::{Cut, CutPoint, Grid, VolumePoint};
use crate::unit::Mm;

use super::{NeckProfile, Signal};

/// How cross-sections are taken, all in mm
#[derive(Clone, Copy, Debug)]
pub(super) struct SectionPlan {
    /// Half the side of a plane, mm
    pub half_side: f64,
    /// Side of a pixel, mm
    pub pixel: f64,
    /// Distance between planes, mm
    pub step: f64,
    /// Upstream reach from the start plane, mm
    pub upstream: f64,
    /// Downstream reach from the start plane, mm
    pub downstream: f64,
}

impl Default for SectionPlan {
    fn default() -> Self {
        Self { half_side: 14.0, pixel: 0.45, step: 0.5, upstream: 16.0, downstream: 20.0 }
    }
}

/// The region of the stream in one plane
#[derive(Clone, Debug)]
pub(super) struct Section {
    /// Position along the line, mm
    pub position_mm: f64,
    /// Area at the tracing level, mm2
    pub area_mm2: f64,
    /// Strength-weighted centre on the plane, mm
    pub centre: CutPoint,
    /// Mean haste of the region
    pub haste: f64,
    /// Whether the region touches the border of the plane or of the volume
    pub cut_off: CutOff,
    /// Its pixels
    mask: Image<bool>,
}

/// Whether a region is seen whole
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum CutOff {
    /// Whole
    No,
    /// It reaches a border
    Yes,
}

/// The strength in one plane
pub(super) fn plane(signal: &Signal, cut: &Cut, plan: &SectionPlan) -> (Raster, Image<f64>) {
    let raster = Raster::square(Mm::new(2.0 * plan.half_side), Mm::new(plan.pixel));
    let image = strength_image(signal, cut, &raster);
    (raster, image)
}

/// The strength on a raster of a cut
pub fn strength_image(signal: &Signal, cut: &Cut, raster: &Raster) -> Image<f64> {
    // Straight to voxel indices, in which a step of the raster is as straight: this is the innermost loop
    // of the search.
    let (grid, strength) = (signal.grid(), signal.strength_field());
    let origin = grid.voxel_from_volume(cut.at(raster.cut_from_pixel(0.0, 0.0))).0;
    let right = grid.voxel_from_vector(cut.u().into_inner() * raster.pixel.get());
    let up = grid.voxel_from_vector(cut.v().into_inner() * raster.pixel.get());
    Image::from_fn(raster.width, raster.height, |x, y| strength.at(origin + right * x as f64 + up * y as f64))
}

/// All regions of one plane above `level` but the smallest speckles, each as a section, the largest first
pub(super) fn regions(
    signal: &Signal,
    cut: &Cut,
    plan: &SectionPlan,
    level: f64,
    position_mm: f64,
) -> Vec<Section> {
    let (raster, image) = plane(signal, cut, plan);
    let parts = label(&image.map(|v| v >= level), Touch2::Side);
    // Half a speckle in pixels: what is smaller is none by its finer area either.
    let least = (0.5 * SPECKLE_MM2 / (plan.pixel * plan.pixel)) as usize;
    let mut found: Vec<Section> = (1..=parts.count() as u32)
        .filter(|part| parts.sizes[*part as usize - 1] >= least)
        .map(|part| {
            let mask = parts.mask(part, raster.width, raster.height);
            section(signal, cut, &raster, &image, level, position_mm, mask)
        })
        .collect();
    found.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
    found
}

/// Regions smaller than this are speckle, mm2
const SPECKLE_MM2: f64 = 3.0;
/// How far along the normal a plane's surroundings are followed, mm (our own choice: as far as the incoherence of a
/// found vena contracta is looked for)
const ABOUT_MM: f64 = 4.0;

/// The region of a plane that holds a point, or the nearest to the plane's centre
pub(super) fn start(
    signal: &Signal,
    cut: &Cut,
    plan: &SectionPlan,
    level: f64,
    point: VolumePoint,
) -> Option<Section> {
    let far = |r: &Section| {
        if r.holds(cut, plan, point) { 0.0 } else { r.centre.distance(CutPoint::default()) }
    };
    regions(signal, cut, plan, level, 0.0)
        .into_iter()
        .filter(|r| r.area_mm2 >= SPECKLE_MM2)
        .min_by(|a, b| far(a).total_cmp(&far(b)).then(b.area_mm2.total_cmp(&a.area_mm2)))
}

/// The region at the centre of a plane or nearest to it, and the level at which it is displayed
fn displayed(signal: &Signal, cut: &Cut, plan: &SectionPlan) -> Option<(Section, f64)> {
    let at = |level: f64| Some((start(signal, cut, plan, level, cut.centre())?, level));
    at(signal.tracing_level()).or_else(|| at(signal.seeing_level()))
}

/// Displayed area at the centre of a plane or nearest to it, mm2, coarsely; `None` where nothing is displayed
///
/// It depends on the plane's centre and normal, not on its in-plane axes.
pub fn displayed_mm2(signal: &Signal, plane: &Cut) -> Option<f64> {
    let cut = Cut::perpendicular_to(plane.centre(), plane.normal());
    displayed(signal, &cut, &SectionPlan::default()).map(|(section, _)| section.area_mm2)
}

/// Area and incoherence along a plane's normal, 4 mm to both sides, 0 at the plane; `None` where nothing is displayed
/// on it
///
/// It depends on the plane's centre and normal, not on its in-plane axes.
pub fn profile_about(signal: &Signal, plane: &Cut) -> Option<NeckProfile> {
    let cut = Cut::perpendicular_to(plane.centre(), plane.normal());
    let plan = SectionPlan { upstream: ABOUT_MM, downstream: ABOUT_MM, ..SectionPlan::default() };
    let (start, level) = displayed(signal, &cut, &plan)?;
    let sections = follow(signal, &cut, &plan, level, &start);
    Some(NeckProfile {
        positions_mm: sections.iter().map(|s| s.position_mm).collect(),
        areas_mm2: sections.iter().map(|s| s.area_mm2).collect(),
        haste: sections.iter().map(|s| s.haste).collect(),
    })
}

/// The region that continues `before` in the plane of `cut`: the one that overlaps it most
fn continued(
    signal: &Signal,
    cut: &Cut,
    plan: &SectionPlan,
    level: f64,
    position_mm: f64,
    before: &Section,
) -> Option<Section> {
    let (raster, image) = plane(signal, cut, plan);
    let parts = label(&image.map(|v| v >= level), Touch2::Side);
    let mut overlap = vec![0usize; parts.count() + 1];
    for (part, known) in parts.labels.iter().zip(before.mask.data()) {
        overlap[*part as usize] += usize::from(*known && *part != 0);
    }
    // The first of those that overlap most.
    let (part, most) = overlap.iter().enumerate().rev().max_by_key(|(_, pixels)| **pixels)?;
    if *most == 0 {
        return None;
    }
    let mask = parts.mask(part as u32, raster.width, raster.height);
    Some(section(signal, cut, &raster, &image, level, position_mm, mask))
}

/// Follows a stream from `start` along the cut's normal in both directions
///
/// The planes share the axes of `cut`; positions are along its normal from its centre. Following
/// ends where the region vanishes or leaves the volume.
pub(super) fn follow(
    signal: &Signal,
    cut: &Cut,
    plan: &SectionPlan,
    level: f64,
    start: &Section,
) -> Vec<Section> {
    let mut sections = vec![start.clone()];
    for (sign, reach) in [(-1.0, plan.upstream), (1.0, plan.downstream)] {
        let mut before = start.clone();
        let steps = (reach / plan.step) as usize;
        for step in 1..=steps {
            let position = start.position_mm + sign * step as f64 * plan.step;
            let Some(next) = continued(signal, &cut.at_level(position), plan, level, position, &before)
            else {
                break;
            };
            // A region many times the one at the start is the chamber, not the stream.
            let lost = next.area_mm2 > 12.0 * start.area_mm2.max(10.0);
            sections.push(next.clone());
            if lost {
                break;
            }
            before = next;
        }
    }
    sections.sort_by(|a, b| a.position_mm.total_cmp(&b.position_mm));
    sections
}

fn section(
    signal: &Signal,
    cut: &Cut,
    raster: &Raster,
    image: &Image<f64>,
    level: f64,
    position_mm: f64,
    mask: Image<bool>,
) -> Section {
    let (w, h) = (raster.width, raster.height);
    let (mut weight, mut u, mut v, mut haste, mut pixels) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut area = 0.0;
    let mut cut_off = CutOff::No;
    // The rows and columns of the region and one more to each side.
    let rows = around((0..h).filter(|y| (0..w).any(|x| mask.at(x, *y))), h);
    let columns = around((0..w).filter(|x| rows.clone().any(|y| mask.at(*x, y))), w);
    for y in rows {
        for x in columns.clone() {
            let near = mask.at(x, y);
            // Sub-pixel area: a pixel at the edge counts by how far the level lies from its value.
            let beside = near
                || (x > 0 && mask.at(x - 1, y))
                || (x + 1 < w && mask.at(x + 1, y))
                || (y > 0 && mask.at(x, y - 1))
                || (y + 1 < h && mask.at(x, y + 1));
            if !beside {
                continue;
            }
            let value = image.at(x, y);
            let gradient = {
                let dx = (image.at((x + 1).min(w - 1), y) - image.at(x.saturating_sub(1), y)) / 2.0;
                let dy = (image.at(x, (y + 1).min(h - 1)) - image.at(x, y.saturating_sub(1))) / 2.0;
                dx.abs().max(dy.abs()).max(1e-6)
            };
            area += ((value - level) / gradient + 0.5).clamp(0.0, 1.0);
            if !near {
                continue;
            }
            let at = raster.cut_from_pixel(x as f64, y as f64);
            let point = cut.at(at);
            weight += value;
            u += value * at.u;
            v += value * at.v;
            let index = signal.grid().voxel_from_volume(point).0;
            haste += signal.haste_field().at(index);
            pixels += 1.0;
            if cut_off == CutOff::Yes {
                continue;
            }
            let at_border = x == 0 || y == 0 || x + 1 == w || y + 1 == h;
            // A pixel and a half farther out still belongs to the volume, or the region is cut off.
            let reach = 1.5 * raster.pixel.get();
            let leaves = !deep_inside(signal.grid(), index, reach)
                && [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)].iter().any(|(du, dv)| {
                    !signal.grid().contains(cut.at(CutPoint::new(at.u + du * reach, at.v + dv * reach)))
                });
            if at_border || leaves {
                cut_off = CutOff::Yes;
            }
        }
    }
    Section {
        position_mm,
        area_mm2: area * raster.pixel.get() * raster.pixel.get(),
        centre: CutPoint::new(u / weight.max(1e-12), v / weight.max(1e-12)),
        haste: haste / f64::max(pixels, 1.0),
        cut_off,
        mask,
    }
}

/// From one before the first to one after the last, within `count`; empty for none
fn around(places: impl Iterator<Item = usize>, count: usize) -> Range<usize> {
    let ends =
        places.fold(None, |ends: Option<(usize, usize)>, at| Some((ends.map_or(at, |(first, _)| first), at)));
    ends.map_or(0..0, |(first, last)| first.saturating_sub(1)..(last + 2).min(count))
}

/// Whether a voxel index lies in a grid by more than a length, whatever the direction
fn deep_inside(grid: &Grid, index: Point3<f64>, mm: f64) -> bool {
    (0..3).all(|axis| {
        // A thousandth of a voxel more than needed: rounding must not decide.
        let margin = mm / grid.spacing_mm()[axis] + 1e-3;
        index[axis] >= margin && index[axis] <= grid.shape()[axis] as f64 - 1.0 - margin
    })
}

impl Section {
    /// Whether a point of volume space lies in the region (`cut` as given to [`follow`])
    pub(super) fn holds(&self, cut: &Cut, plan: &SectionPlan, point: VolumePoint) -> bool {
        let raster = Raster::square(Mm::new(2.0 * plan.half_side), Mm::new(plan.pixel));
        let (foot, _) = cut.project(point);
        let (x, y) = raster.pixel_from_cut(foot);
        let inside = x >= 0.0 && y >= 0.0 && x < raster.width as f64 && y < raster.height as f64;
        inside && self.mask.at((x as usize).min(raster.width - 1), (y as usize).min(raster.height - 1))
    }
}

/// The straight line through centres: the change of (u, v) per mm along the normal, the value at
/// `about_mm`, and the standard error of the slopes
pub(super) struct CentreLine {
    /// Centre at `about_mm`
    pub foot: CutPoint,
    /// Direction in cut coordinates: (du/ds, dv/ds, 1)
    pub slope: Vector3<f64>,
    /// Standard error of a slope, rad
    pub slope_error: f64,
}

/// Least squares through the centres of sections, each weighted alike
pub(super) fn centre_line(sections: &[&Section], about_mm: f64) -> Option<CentreLine> {
    let n = sections.len() as f64;
    if sections.len() < 4 {
        return None;
    }
    let mean_s = sections.iter().map(|s| s.position_mm).sum::<f64>() / n;
    let spread: f64 = sections.iter().map(|s| (s.position_mm - mean_s).powi(2)).sum();
    if spread < 1e-9 {
        return None;
    }
    let fit = |value: fn(&Section) -> f64| {
        let mean = sections.iter().map(|s| value(s)).sum::<f64>() / n;
        let slope =
            sections.iter().map(|s| (s.position_mm - mean_s) * (value(s) - mean)).sum::<f64>() / spread;
        let left: f64 =
            sections.iter().map(|s| (value(s) - mean - slope * (s.position_mm - mean_s)).powi(2)).sum();
        (mean + slope * (about_mm - mean_s), slope, left)
    };
    let (u, du, left_u) = fit(|s| s.centre.u);
    let (v, dv, left_v) = fit(|s| s.centre.v);
    // Neighbouring planes share voxels: about every third counts as its own reading.
    let readings = (n / 3.0).max(2.5);
    let slope_error = ((left_u + left_v) / (2.0 * (n - 2.0)) / spread * (n / readings)).sqrt();
    Some(CentreLine { foot: CutPoint::new(u, v), slope: Vector3::new(du, dv, 1.0), slope_error })
}
