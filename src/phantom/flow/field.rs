//! The velocity of a solved flow at a point: mean, covariance and wall share, linear between cells.

use super::FlowHeader;

/// Step of the stored mean velocity, m/s
pub(super) const MEAN_STEP: f32 = 0.01;
/// Step of the square root of a stored covariance, m/s: a third of the spread that turbulence in
/// calm parts has, and small enough that most of a file is not its noise (our own choice)
pub(super) const ROOT_STEP: f32 = 0.04;
/// The same in f64, for cells as they are stored
const MEAN_STEP_F64: f64 = 0.01;
const ROOT_STEP_F64: f64 = 0.04;

/// One cell as stored: mean in steps of [`MEAN_STEP`], signed roots of uu vv ww uv uw vw in steps
/// of [`ROOT_STEP`], and the share of wall in steps of 1/255
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Cell {
    pub(super) mean: [i16; 3],
    pub(super) root: [i8; 6],
    pub(super) wall: u8,
}

impl Cell {
    /// The cell nearest to (mean in m/s, covariance in m2/s2, wall share)
    pub(super) fn new(mean: [f32; 3], covariance: [f32; 6], wall: f32) -> Self {
        Self {
            mean: mean.map(|v| (v / MEAN_STEP).round() as i16),
            root: covariance
                .map(|c| (c.signum() * c.abs().sqrt() / ROOT_STEP).round().clamp(-127.0, 127.0) as i8),
            wall: (wall * 255.0).round() as u8,
        }
    }
}

/// The flow at one point
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FlowSample {
    /// Mean velocity along u, v, w, m/s
    pub mean_m_s: [f64; 3],
    /// Covariance of the velocity: uu vv ww uv uw vw, m2/s2
    pub covariance: [f64; 6],
    /// Share of wall, 0 to 1
    pub wall: f64,
}

/// A solved flow: mean velocity and covariance on a grid around the orifices
#[derive(Clone, PartialEq)]
pub struct SolvedFlow {
    /// Everything but the arrays
    pub header: FlowHeader,
    cells: Vec<Cell>,
    count: [usize; 3],
}

impl std::fmt::Debug for SolvedFlow {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "SolvedFlow({}, {:?} cells of {} mm)", self.header.name, self.count, self.header.cell_mm)
    }
}

impl SolvedFlow {
    /// A flow from its header and its cells, u fastest; none where their number is not the header's
    pub(super) fn new(header: FlowHeader, cells: Vec<Cell>) -> Option<Self> {
        let count = header.cells;
        let wanted = count[0].checked_mul(count[1])?.checked_mul(count[2])?;
        (cells.len() == wanted && count.iter().all(|n| *n >= 2)).then_some(Self { header, cells, count })
    }

    pub(super) fn cells(&self) -> &[Cell] {
        &self.cells
    }

    /// The flow in the stored cell of an index, u fastest, then v, then w; `None` beyond the last
    pub fn cell(&self, index: usize) -> Option<FlowSample> {
        let cell = self.cells.get(index)?;
        let square = |root: i8| f64::from(root) * f64::from(root).abs();
        Some(FlowSample {
            mean_m_s: cell.mean.map(|v| f64::from(v) * MEAN_STEP_F64),
            covariance: cell.root.map(|root| square(root) * ROOT_STEP_F64 * ROOT_STEP_F64),
            wall: f64::from(cell.wall) / 255.0,
        })
    }

    /// Whether a point (u, v, w), mm, lies between the centres of the outermost cells
    pub fn contains(&self, point_mm: [f64; 3]) -> bool {
        self.place(point_mm).is_some()
    }

    /// The flow at a point (u, v, w), mm; at rest and without wall beyond the grid
    pub fn at(&self, point_mm: [f64; 3]) -> FlowSample {
        let Some((first, share)) = self.place(point_mm) else { return FlowSample::default() };
        let mut mean = [0_f32; 3];
        let mut covariance = [0_f32; 6];
        let mut wall = 0_f32;
        for corner in 0..8 {
            let bit = |axis: usize| (corner >> axis) & 1;
            let weight: f32 = (0..3).map(|a| if bit(a) == 1 { share[a] } else { 1.0 - share[a] }).product();
            let index = first + bit(0) + self.count[0] * (bit(1) + self.count[1] * bit(2));
            let cell = &self.cells[index];
            for (sum, value) in mean.iter_mut().zip(cell.mean) {
                *sum += weight * f32::from(value);
            }
            for (sum, root) in covariance.iter_mut().zip(cell.root) {
                let root = f32::from(root);
                *sum += weight * root * root.abs();
            }
            wall += weight * f32::from(cell.wall);
        }
        FlowSample {
            mean_m_s: mean.map(|v| f64::from(v * MEAN_STEP)),
            covariance: covariance.map(|c| f64::from(c * (ROOT_STEP * ROOT_STEP))),
            wall: f64::from(wall / 255.0),
        }
    }

    /// The index of the lowest of the eight cells around a point, and the point's share of the way
    /// to the next cell along each axis
    fn place(&self, point_mm: [f64; 3]) -> Option<(usize, [f32; 3])> {
        let mut first = [0_usize; 3];
        let mut share = [0_f32; 3];
        for axis in 0..3 {
            let at = (point_mm[axis] - self.header.origin_mm[axis]) / self.header.cell_mm;
            let last = (self.count[axis] - 1) as f64;
            // Also refuses what is not a number.
            if !(0.0..=last).contains(&at) {
                return None;
            }
            first[axis] = (at as usize).min(self.count[axis] - 2);
            share[axis] = (at - first[axis] as f64) as f32;
        }
        Some((first[0] + self.count[0] * (first[1] + self.count[1] * first[2]), share))
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::{FlowPlane, FlowTruth, FlowUse, OrificeTruth};
    use super::*;

    /// A flow whose mean, covariance and wall are linear along the axes
    pub(in super::super) fn linear() -> SolvedFlow {
        let count = [5, 4, 3];
        let truth = FlowTruth {
            effective_mm2: 20.0,
            anatomic_mm2: 32.0,
            contraction: 0.625,
            vc_level_mm: 3.0,
            core_m_s: 5.0,
            flow_ml_s: 100.0,
            axis: [0.0, 0.0, 1.0],
            width_max_mm: 5.0,
            width_min_mm: 5.0,
            outlines_mm: vec![vec![[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]],
            orifices: vec![OrificeTruth {
                share: 1.0,
                effective_mm2: 20.0,
                anatomic_mm2: 32.0,
                centroid_mm: [0.0; 2],
                axis: [0.0, 0.0, 1.0],
                width_max_mm: 5.0,
                width_min_mm: 5.0,
            }],
        };
        let header = FlowHeader {
            name: "linear".into(),
            purpose: FlowUse::Tuning,
            recipe: String::new(),
            cell_mm: 0.5,
            cells: count,
            origin_mm: [-1.0, -0.75, 0.0],
            viscosity_mm2_s: 3.5,
            planes: vec![FlowPlane { w_mm: 3.0, flow_ml_s: 100.0, core_m_s: 5.0, area_above_half_mm2: 21.0 }],
            truth,
        };
        let mut cells = Vec::new();
        for w in 0..count[2] {
            for v in 0..count[1] {
                for u in 0..count[0] {
                    let (u, v, w) = (u as f32, v as f32, w as f32);
                    cells.push(Cell::new(
                        [0.5 * u - 1.0, -0.25 * v, 2.5 * w],
                        [1.0, 0.16, 0.04, -0.64, 0.0, 0.04],
                        0.2 * w,
                    ));
                }
            }
        }
        SolvedFlow::new(header, cells).unwrap()
    }

    #[test]
    fn a_linear_flow_is_met_between_cells_and_rests_beyond_the_grid() {
        let flow = linear();
        let sample = flow.at([-0.3, 0.1, 0.65]);
        for (got, wanted) in sample.mean_m_s.iter().zip([0.5 * 1.4 - 1.0, -0.25 * 1.7, 2.5 * 1.3]) {
            assert!((got - wanted).abs() < 1e-5, "{got} {wanted}");
        }
        for (got, wanted) in sample.covariance.iter().zip([1.0, 0.16, 0.04, -0.64, 0.0, 0.04]) {
            assert!((got - wanted).abs() < 1e-5, "{got} {wanted}");
        }
        assert!((sample.wall - 0.26).abs() < 1e-6);
        assert!(flow.contains([1.0, 0.75, 1.0]) && flow.contains([-1.0, -0.75, 0.0]));
        for beyond in [[1.01, 0.0, 0.5], [0.0, -0.76, 0.5], [0.0, 0.0, f64::NAN], [0.0, 0.0, f64::INFINITY]] {
            assert!(!flow.contains(beyond));
            assert_eq!(flow.at(beyond), FlowSample::default());
        }
    }
}
