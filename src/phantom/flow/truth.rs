//! What is known of a solved flow: its grid, its planes, and the areas that no scanner sees.

use serde::{Deserialize, Serialize};

use crate::numeric::Image;
use crate::numeric::contour::{IsoRing, iso_rings};
use crate::outline::Outline;
use crate::space::CutPoint;

use super::geometry::Geometry;
use super::solve::{Average, Frame};

/// Whether constants may be set on a geometry, or results judged on it; fixed for good
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum FlowUse {
    /// Constants of the method may be set on it
    Tuning,
    /// The method is judged on it; no constant may be set on it
    Testing,
}

impl std::fmt::Display for FlowUse {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Tuning => "tuning",
            Self::Testing => "testing",
        })
    }
}

/// Everything of a flow but its arrays
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlowHeader {
    /// Name in the library
    pub name: String,
    /// Whether the geometry tunes or tests
    #[serde(rename = "use")]
    pub purpose: FlowUse,
    /// The recipe that it was solved from, TOML
    pub recipe: String,
    /// Side of a stored cell, mm
    pub cell_mm: f64,
    /// Cells along u, v, w
    pub cells: [usize; 3],
    /// Centre of the first cell (u, v, w), mm
    pub origin_mm: [f64; 3],
    /// Kinematic viscosity, mm2/s
    pub viscosity_mm2_s: f64,
    /// What passes each plane across w, upstream first
    pub planes: Vec<FlowPlane>,
    /// What is true of the jet
    pub truth: FlowTruth,
}

/// The mean flow through one plane across w
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlowPlane {
    /// Where, mm
    pub w_mm: f64,
    /// Flow through it within the stored cells, ml/s: less than the chamber's far upstream, more where blood returns
    /// beside them
    pub flow_ml_s: f64,
    /// Largest mean speed along the axis of the jet, m/s
    pub core_m_s: f64,
    /// Area where the mean axial speed passes half of the core's, mm2
    pub area_above_half_mm2: f64,
}

/// What is true of a solved jet
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlowTruth {
    /// Effective area: the least flow over core speed of the planes downstream of the lip, mm2
    pub effective_mm2: f64,
    /// Area of the orifices, mm2
    pub anatomic_mm2: f64,
    /// Effective over anatomic area
    pub contraction: f64,
    /// VC level: the first plane downstream of the lip whose flow over core speed is within 0.5 %
    /// of the least (our own choice: the minimum is flat along the potential core), mm
    pub vc_level_mm: f64,
    /// Core speed at the VC level, m/s
    pub core_m_s: f64,
    /// Flow through the VC level, ml/s
    pub flow_ml_s: f64,
    /// Direction of the momentum flux at the VC level, unit vector (u, v, w)
    pub axis: [f64; 3],
    /// Widest extent of all effective outlines (Feret), mm
    pub width_max_mm: f64,
    /// Narrowest extent of all effective outlines (Feret), mm
    pub width_min_mm: f64,
    /// Effective outlines in the plane w = VC level, (u, v) in mm: the contours of one mean axial
    /// speed that together enclose the effective area as the plane cuts it (the area over the
    /// axis's w component); one an orifice, each closed without repeating its first point
    pub outlines_mm: Vec<Vec<[f64; 2]>>,
    /// What is true of each, in the order of the outlines
    pub orifices: Vec<OrificeTruth>,
}

/// What is true of one orifice's part of the jet
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct OrificeTruth {
    /// Share of the flow, 0 to 1
    pub share: f64,
    /// Effective area: its share of the whole, mm2
    pub effective_mm2: f64,
    /// Area of the hole, mm2
    pub anatomic_mm2: f64,
    /// Centroid of its outline at the VC level (u, v), mm
    pub centroid_mm: [f64; 2],
    /// Direction of its momentum flux at the VC level, unit vector (u, v, w)
    pub axis: [f64; 3],
    /// Widest extent of its outline (Feret), mm
    pub width_max_mm: f64,
    /// Narrowest extent of its outline (Feret), mm
    pub width_min_mm: f64,
}

/// Planes so near behind the wall count from here on: between them and its face the blood is still in the hole, mm
const BEHIND_MM: f64 = 0.3;
/// Planes farther behind than this many equivalent diameters are the jet's, not the vena contracta's
const WITHIN_DIAMETERS: f64 = 1.5;
/// Flow over core speed within this share of the least is the vena contracta
const FLAT: f64 = 0.005;

/// Planes and truth of averaged cells, u fastest; `None` where no jet leaves the wall
pub(super) fn judged(
    frame: &Frame,
    averages: &[Average],
    geometry: &Geometry,
    thickness_mm: f64,
) -> Option<(Vec<FlowPlane>, FlowTruth)> {
    let [nu, nv, nw] = frame.cells;
    let cell_mm2 = frame.cell_mm * frame.cell_mm;
    let plane = |k: usize| &averages[k * nu * nv..(k + 1) * nu * nv];
    let w_of = |k: usize| frame.origin_mm[2] + k as f64 * frame.cell_mm;
    let planes: Vec<FlowPlane> = (0..nw)
        .map(|k| {
            let axial = || plane(k).iter().map(|cell| cell.mean[2]);
            let core = axial().fold(0.0, f64::max);
            let speed = plane(k).iter().map(|cell| norm(cell.mean)).fold(0.0, f64::max);
            let half = axial().filter(|w| *w > 0.5 * core).count();
            FlowPlane {
                w_mm: w_of(k),
                flow_ml_s: axial().sum::<f64>() * cell_mm2,
                core_m_s: speed,
                area_above_half_mm2: half as f64 * cell_mm2,
            }
        })
        .collect();
    let diameter = (4.0 * geometry.anatomic_mm2 / std::f64::consts::PI).sqrt();
    let near = |p: &FlowPlane| {
        p.w_mm > thickness_mm + BEHIND_MM && p.w_mm < thickness_mm + (WITHIN_DIAMETERS * diameter).max(6.0)
    };
    let area = |p: &FlowPlane| p.flow_ml_s / p.core_m_s.max(1e-9);
    let least = planes.iter().filter(|p| near(p)).map(area).reduce(f64::min).filter(|a| *a > 0.0)?;
    let k = planes.iter().position(|p| near(p) && area(p) <= (1.0 + FLAT) * least)?;
    let vc = planes[k];
    let at_vc = plane(k);
    let axis = momentum(at_vc.iter())?;
    let place = |i: usize| [(i % nu) as f64, (i / nu) as f64].map(|n| n * frame.cell_mm);
    let origin = [frame.origin_mm[0], frame.origin_mm[1]];
    let cut_mm2 = least / axis[2].max(0.3);
    let rings = contours(at_vc, [nu, nv], frame.cell_mm, origin, cut_mm2)?;
    let rings: Vec<Outline> = rings.into_iter().filter_map(|ring| Outline::new(ring).ok()).collect();
    // Each cell's flow belongs to the outline that holds it, or to the nearest.
    let home = |i: usize| {
        let [u, v] = place(i);
        let at = CutPoint::new(u + origin[0], v + origin[1]);
        let away = |ring: &Outline| ring.signed_distance(at).get();
        (0..rings.len()).min_by(|a, b| away(&rings[*a]).total_cmp(&away(&rings[*b]))).unwrap_or(0)
    };
    let mut groups: Vec<Vec<&Average>> = vec![Vec::new(); rings.len()];
    for (i, cell) in at_vc.iter().enumerate().filter(|(_, cell)| cell.mean[2].abs() > 1e-6) {
        groups[home(i)].push(cell);
    }
    let whole: f64 = at_vc.iter().map(|cell| cell.mean[2]).sum();
    let orifices: Vec<OrificeTruth> = rings
        .iter()
        .zip(&groups)
        .map(|(ring, cells)| {
            let centroid = ring.centroid();
            let share = cells.iter().map(|cell| cell.mean[2]).sum::<f64>() / whole;
            let hole = geometry.orifices.iter().min_by(|a, b| {
                let far = |at: [f64; 2]| libm::hypot(at[0] - centroid.u, at[1] - centroid.v);
                far(a.0).total_cmp(&far(b.0))
            });
            let feret = ring.feret();
            OrificeTruth {
                share,
                effective_mm2: least * share,
                anatomic_mm2: hole.map_or(0.0, |(_, area)| *area),
                centroid_mm: [centroid.u, centroid.v],
                axis: momentum(cells.iter().copied()).unwrap_or(axis),
                width_max_mm: feret.max.get(),
                width_min_mm: feret.min.get(),
            }
        })
        .collect();
    let all: Vec<CutPoint> = rings.iter().flat_map(|ring| ring.points().iter().copied()).collect();
    // Calipers about all outlines, in steps of a degree.
    let widths = (0..180).map(|degree| {
        let (sin, cos) = libm::sincos(f64::from(degree).to_radians());
        let along = all.iter().map(|p| p.u * cos + p.v * sin);
        let (low, high) =
            along.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), at| (low.min(at), high.max(at)));
        high - low
    });
    let (least_width, most_width) =
        widths.fold((f64::INFINITY, 0.0), |(low, high): (f64, f64), width| (low.min(width), high.max(width)));
    let truth = FlowTruth {
        effective_mm2: least,
        anatomic_mm2: geometry.anatomic_mm2,
        contraction: least / geometry.anatomic_mm2,
        vc_level_mm: vc.w_mm,
        core_m_s: vc.core_m_s,
        flow_ml_s: vc.flow_ml_s,
        axis,
        width_max_mm: most_width,
        width_min_mm: least_width,
        outlines_mm: rings.iter().map(|r| r.points().iter().map(|p| [p.u, p.v]).collect()).collect(),
        orifices,
    };
    Some((planes, truth))
}

fn norm([u, v, w]: [f64; 3]) -> f64 {
    (u * u + v * v + w * w).sqrt()
}

/// Direction of the flux of momentum through a plane
fn momentum<'a>(cells: impl Iterator<Item = &'a Average>) -> Option<[f64; 3]> {
    let sum = cells.filter(|cell| cell.mean[2] > 0.0).fold([0.0; 3], |sum: [f64; 3], cell| {
        [0, 1, 2].map(|axis| sum[axis] + cell.mean[axis] * cell.mean[2])
    });
    let length = norm(sum);
    (length > 0.0).then(|| sum.map(|part| part / length))
}

/// The rings of one axial speed that together enclose an area, mm2
fn contours(
    cells: &[Average],
    [nu, nv]: [usize; 2],
    cell_mm: f64,
    origin: [f64; 2],
    area_mm2: f64,
) -> Option<Vec<Vec<CutPoint>>> {
    let image = Image::from_fn(nu, nv, |x, y| cells[x + nu * y].mean[2]);
    let most = image.data().iter().copied().fold(0.0, f64::max);
    let rings = |level: f64| -> Vec<_> {
        let speck = 1.5 / (cell_mm * cell_mm);
        iso_rings(&image, level).into_iter().filter(|ring| ring.signed_area() > speck).collect()
    };
    let area = |level: f64| rings(level).iter().map(IsoRing::signed_area).sum::<f64>() * cell_mm * cell_mm;
    let (mut low, mut high) = (0.02 * most, 0.98 * most);
    for _ in 0..40 {
        let middle = f64::midpoint(low, high);
        if area(middle) > area_mm2 { low = middle } else { high = middle }
    }
    let place = |p: &[f64; 2]| CutPoint::new(origin[0] + p[0] * cell_mm, origin[1] + p[1] * cell_mm);
    let found: Vec<Vec<CutPoint>> =
        rings(f64::midpoint(low, high)).iter().map(|ring| ring.points.iter().map(place).collect()).collect();
    (!found.is_empty()).then_some(found)
}
