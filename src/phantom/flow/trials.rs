//! Flows whose answer is known from outside, on the processor's lattice: what tests and `--example flow_checks` measure.
//!
//! Each function builds a small lattice by hand, steps it, and returns what is to be compared; the known answer stands
//! beside the comparison, or here where it is a formula. Lengths are in cells, velocities in lattice units or in shares
//! of the velocity that drives.

use std::f64::consts::PI;

use super::lattice::Lattice;
use super::processor::Processor;

/// First zero of the Bessel function J0 (Abramowitz and Stegun, table 9.5)
const FIRST_ZERO: f64 = 2.404_825_557_695_773;

/// A lattice of walls given by their distance in cells, positive in blood
pub(super) fn lattice(
    cells: [usize; 3],
    inflow: f32,
    relaxation: f64,
    distance: impl Fn([f64; 3]) -> f64,
) -> Lattice {
    let [nx, ny, nz] = cells;
    let distance = (0..nx * ny * nz)
        .map(|i| distance([i % nx, i / nx % ny, i / (nx * ny)].map(|n| n as f64)).clamp(-8.0, 8.0) as f32)
        .collect();
    Lattice {
        cells,
        distance,
        first: [1; 3],
        ratio: 1,
        stored: [0; 3],
        inflow,
        relaxation: relaxation as f32,
        sponge: 0.0,
        speed_m_s: 1.0,
        step_s: 1.0,
        cell_mm: 1.0,
        origin_mm: [0.0; 3],
    }
}

/// Kinematic viscosity of a relaxation time, lattice units (Qian, d'Humieres and Lallemand 1992)
fn viscosity(relaxation: f64) -> f64 {
    (relaxation - 0.5) / 3.0
}

/// Viscosity over what it should be, from the decay of a Taylor-Green vortex
///
/// The vortex of Taylor and Green (Proc R Soc A 1937;158:499) in the plane across `axis`, periodic over `side` cells,
/// is u = sin kx cos ky, v = -cos kx sin ky times exp(-2 nu k^2 t), an exact solution.
pub fn vortex_viscosity(side: usize, relaxation: f64, axis: usize) -> f64 {
    let (a, b) = ((axis + 1) % 3, (axis + 2) % 3);
    let mut cells = [3; 3];
    cells[a] = side + 2;
    cells[b] = side + 2;
    // The outermost layer is not stepped: it holds the images of the other side.
    let inside = |p: [f64; 3]| (0..3).all(|axis| p[axis] > 0.0 && p[axis] < cells[axis] as f64 - 1.0);
    let lattice = lattice(cells, 0.0, relaxation, |p| if inside(p) { 8.0 } else { -8.0 });
    let k = 2.0 * PI / side as f64;
    let speed = 1e-3;
    let vortex = |at: [usize; 3]| {
        let ((sin_a, cos_a), (sin_b, cos_b)) =
            (libm::sincos(k * at[a] as f64), libm::sincos(k * at[b] as f64));
        let mut u = [0.0; 3];
        u[a] = sin_a * cos_b;
        u[b] = -cos_a * sin_b;
        u
    };
    let mut processor = Processor::new(&lattice);
    processor.set(|at| (0.0, vortex(at).map(|u| (speed * u) as f32)));
    // Until a third is left.
    let rate = 2.0 * viscosity(relaxation) * k * k;
    let steps = (1.1 / rate) as usize;
    -libm::log(decay(&mut processor, &lattice, &[0, 1, 2], steps, vortex)) / (rate * steps as f64)
}

/// How far a wall stands outside of where it belongs, cells, from the decay of the flow along a pipe
///
/// In a pipe of radius R the slowest flow along it is J0(j r/R) exp(-nu j^2 t/R^2), j being J0's first zero; in a square
/// pipe of side H it is cos(pi s/H) cos(pi t/H) exp(-2 nu pi^2 t/H^2). Both are exact. The rate at which it dies says how
/// wide the pipe is for the flow.
pub fn wall_shift(pipe: Pipe, relaxation: f64) -> f64 {
    let reach = match pipe {
        Pipe::Round { radius } => radius,
        Pipe::Square { side, .. } => side * std::f64::consts::FRAC_1_SQRT_2,
    };
    let count = 2 * (reach.ceil() as usize + 2);
    // Off the lattice's symmetry, so that cells lie at all distances from the wall.
    let middle = [count as f64 / 2.0 - 0.37, count as f64 / 2.0 - 0.61];
    let turned = |x: f64, y: f64, turn_deg: f64| {
        let (sin, cos) = libm::sincos(turn_deg.to_radians());
        let (x, y) = (x - middle[0], y - middle[1]);
        [cos * x + sin * y, cos * y - sin * x]
    };
    let distance = |[x, y, _]: [f64; 3]| match pipe {
        Pipe::Round { radius } => radius - libm::hypot(x - middle[0], y - middle[1]),
        Pipe::Square { side, turn_deg } => {
            let [s, t] = turned(x, y, turn_deg);
            side / 2.0 - s.abs().max(t.abs())
        }
    };
    let lattice = lattice([count, count, 3], 0.0, relaxation, distance);
    let mode = |[x, y, _]: [usize; 3]| {
        let (x, y) = (x as f64, y as f64);
        let along = match pipe {
            Pipe::Round { radius } => {
                libm::j0(FIRST_ZERO * (libm::hypot(x - middle[0], y - middle[1]) / radius).min(1.0))
            }
            Pipe::Square { side, turn_deg } => {
                let [s, t] = turned(x, y, turn_deg).map(|s| (s / side).clamp(-0.5, 0.5));
                libm::cos(PI * s) * libm::cos(PI * t)
            }
        };
        [0.0, 0.0, along]
    };
    // Slow, so that the eddy viscosity is nothing beside the fluid's.
    let speed = 1e-3 * viscosity(relaxation);
    let mut processor = Processor::new(&lattice);
    processor.set(|at| (0.0, mode(at).map(|u| (speed * u) as f32)));
    // Rate times the square of the radius or side.
    let (size, scaled) = match pipe {
        Pipe::Round { radius } => (radius, viscosity(relaxation) * FIRST_ZERO * FIRST_ZERO),
        Pipe::Square { side, .. } => (side, 2.0 * viscosity(relaxation) * PI * PI),
    };
    // What the start has that the lattice's own mode has not dies first.
    let steps = (0.3 * size * size / scaled) as usize;
    let _ = decay(&mut processor, &lattice, &[2], steps, mode);
    let found =
        (scaled * steps as f64 / -libm::log(decay(&mut processor, &lattice, &[2], steps, mode))).sqrt();
    match pipe {
        Pipe::Round { radius } => found - radius,
        Pipe::Square { side, .. } => (found - side) / 2.0,
    }
}

/// A pipe along z
#[derive(Clone, Copy, Debug)]
pub enum Pipe {
    /// A round one
    Round {
        /// Its radius, cells
        radius: f64,
    },
    /// A square one
    Square {
        /// Its side, cells
        side: f64,
        /// How it is turned about its axis, degrees
        turn_deg: f64,
    },
}

/// How much of a mode is left after so many steps; the lattice is periodic along `axes`
fn decay(
    processor: &mut Processor,
    lattice: &Lattice,
    axes: &[usize],
    steps: usize,
    mode: impl Fn([usize; 3]) -> [f64; 3],
) -> f64 {
    let [nx, ny, _] = lattice.cells;
    let share = |processor: &Processor| -> f64 {
        (0..lattice.count())
            .filter(|cell| lattice.distance[*cell] > 0.0)
            .map(|cell| {
                let (_, u) = processor.velocity(cell);
                let mode = mode([cell % nx, cell / nx % ny, cell / (nx * ny)]);
                (0..3).map(|axis| f64::from(u[axis]) * mode[axis]).sum::<f64>()
            })
            .sum()
    };
    let before = share(processor);
    for _ in 0..steps {
        processor.wrap(axes);
        processor.advance();
    }
    processor.wrap(axes);
    share(processor) / before
}

/// The flow through a square duct of `side` cells, developed, with the lattice's own inflow and outflow: of each cell its
/// place across, -1/2 to 1/2, and its axial velocity over the mean
pub fn duct(side: usize) -> Vec<([f64; 2], f64)> {
    let cells = [side + 2, side + 2, 4 * side];
    let half = side as f64 / 2.0;
    let middle = f64::midpoint(side as f64, 1.0);
    let relaxation = 1.0;
    let lattice =
        lattice(cells, 0.01, relaxation, |[x, y, _]| half - (x - middle).abs().max((y - middle).abs()));
    let mut processor = Processor::new(&lattice);
    // The slowest part of what is not yet developed dies by exp(-2 pi^2 nu t / side^2).
    let steps = 14.0 * (side * side) as f64 / (2.0 * PI * PI * viscosity(relaxation));
    for _ in 0..steps as usize {
        processor.advance();
    }
    let z = cells[2] * 7 / 10;
    let velocity = |x: usize, y: usize| {
        let (_, u) = processor.velocity(x + cells[0] * (y + cells[1] * z));
        f64::from(u[2])
    };
    let across: Vec<[usize; 2]> = (1..=side).flat_map(|y| (1..=side).map(move |x| [x, y])).collect();
    let mean = across.iter().map(|[x, y]| velocity(*x, *y)).sum::<f64>() / across.len() as f64;
    let place = |n: usize| (n as f64 - middle) / side as f64;
    across.iter().map(|[x, y]| ([place(*x), place(*y)], velocity(*x, *y) / mean)).collect()
}

/// Axial velocity over the mean at a place across a square duct, -1/2 to 1/2: Poiseuille flow, the Fourier series of its
/// Poisson equation (White, Viscous Fluid Flow, section 3-3; from memory)
pub fn duct_series([x, y]: [f64; 2]) -> f64 {
    let odd = || (0..40).map(|n| f64::from(2 * n + 1));
    let sign = |n: f64| if (n as usize / 2).is_multiple_of(2) { 1.0 } else { -1.0 };
    let shape = |n: f64| 1.0 - libm::cosh(n * PI * y) / libm::cosh(n * PI / 2.0);
    let at: f64 = odd().map(|n| sign(n) * libm::cos(n * PI * x) * shape(n) / n.powi(3)).sum();
    // The mean of the same series over the duct.
    let part = |n: f64| (1.0 - 2.0 / (n * PI) * libm::tanh(n * PI / 2.0)) / n.powi(4);
    let mean: f64 = odd().map(part).sum::<f64>() * 2.0 / PI;
    at / mean
}

/// A cavity driven by its lid, settled: velocities over the lid's along its two middle lines
#[derive(Clone, Debug)]
pub struct Cavity {
    /// Height over the floor, 0 to 1, and the velocity along the lid, on the upright middle line
    pub upright: Vec<[f64; 2]>,
    /// Distance from the wall that the lid comes from, 0 to 1, and the upward velocity, on the level middle line
    pub level: Vec<[f64; 2]>,
}

/// The cavity of this many cells a side at a Reynolds number, with walls as the flow's and a lid that is imposed as its
/// inflow is
pub fn cavity(side: usize, reynolds: f64) -> Cavity {
    // Floor half a cell before its first cell, lid on a row of its own, sides three quarters of a cell away: a square.
    let size = side as f64 + 0.5;
    let speed = 0.1;
    let relaxation = 0.5 + 3.0 * speed * size / reynolds;
    let lid = side + 1;
    let cells = [side + 2, side + 3, 3];
    let left = 0.25;
    let lattice = lattice(cells, 0.0, relaxation, |[x, y, _]| {
        let above = lid as f64 + 0.5 - y;
        let beside = (x - left).min(left + size - x).min(y - 0.5);
        if above > 0.0 { beside } else { above.min(beside) }
    });
    let mut processor = Processor::new(&lattice);
    let steps = (30.0 * size / speed) as usize;
    for _ in 0..steps {
        for x in 1..=side {
            let cell = |y: usize| x + cells[0] * (y + cells[1]);
            processor.impose(cell(lid), cell(lid - 1), [speed as f32, 0.0, 0.0]);
        }
        processor.wrap(&[2]);
        processor.advance();
    }
    // Between the two cells beside a middle line.
    let middle = |low: f64, of: &dyn Fn(usize) -> f64| {
        let at = low + size / 2.0;
        let share = at - at.floor();
        ((1.0 - share) * of(at as usize) + share * of(at as usize + 1)) / speed
    };
    let velocity = |x: usize, y: usize, axis: usize| {
        f64::from(processor.velocity(x + cells[0] * (y + cells[1])).1[axis])
    };
    Cavity {
        upright: (1..=side)
            .map(|y| [(y as f64 - 0.5) / size, middle(left, &|x| velocity(x, y, 0))])
            .collect(),
        level: (1..=side).map(|x| [(x as f64 - left) / size, middle(0.5, &|y| velocity(x, y, 1))]).collect(),
    }
}

/// Velocity along the lid by height on the upright middle line at Reynolds number 100: Ghia, Ghia and Shin, J Comput Phys
/// 1982;48:387, table I; from memory
pub const GHIA_UPRIGHT: [[f64; 2]; 15] = [
    [0.0547, -0.037_17],
    [0.0625, -0.041_92],
    [0.0703, -0.047_75],
    [0.1016, -0.064_34],
    [0.1719, -0.101_50],
    [0.2813, -0.156_62],
    [0.4531, -0.210_90],
    [0.5000, -0.205_81],
    [0.6172, -0.136_41],
    [0.7344, 0.003_32],
    [0.8516, 0.231_51],
    [0.9531, 0.687_17],
    [0.9609, 0.737_22],
    [0.9688, 0.788_71],
    [0.9766, 0.841_23],
];

/// Upward velocity by place on the level middle line at Reynolds number 100: the same, table II; from memory
pub const GHIA_LEVEL: [[f64; 2]; 15] = [
    [0.0625, 0.092_33],
    [0.0703, 0.100_91],
    [0.0781, 0.108_90],
    [0.0938, 0.123_17],
    [0.1563, 0.160_77],
    [0.2266, 0.175_07],
    [0.2344, 0.175_27],
    [0.5000, 0.054_54],
    [0.8047, -0.245_33],
    [0.8594, -0.224_45],
    [0.9063, -0.169_14],
    [0.9453, -0.103_13],
    [0.9531, -0.088_64],
    [0.9609, -0.073_91],
    [0.9688, -0.059_06],
];

/// The largest difference between a profile and a table of it, the profile taken linearly between its points and, beyond
/// them, to an end value at 0 and at 1
pub fn farthest(profile: &[[f64; 2]], ends: [f64; 2], table: &[[f64; 2]]) -> f64 {
    let mut all = vec![[0.0, ends[0]]];
    all.extend_from_slice(profile);
    all.push([1.0, ends[1]]);
    let at = |x: f64| {
        let k = all.partition_point(|p| p[0] <= x).clamp(1, all.len() - 1);
        let ([x0, y0], [x1, y1]) = (all[k - 1], all[k]);
        y0 + (x - x0) / (x1 - x0) * (y1 - y0)
    };
    table.iter().map(|[x, y]| (at(*x) - y).abs()).fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_vortex_decays_at_the_rate_of_taylor_and_green() {
        for axis in 0..3 {
            let error = vortex_viscosity(24, 0.8, axis) - 1.0;
            assert!(error.abs() < 0.008, "{axis}: {error}");
        }
        // Halving the cell takes three quarters of the error away: second order.
        let [coarse, fine] = [12, 24].map(|side| vortex_viscosity(side, 0.8, 2) - 1.0);
        assert!((3.6..4.4).contains(&(coarse / fine)), "{coarse} {fine}");
        // Close to the relaxation time of a real flow.
        let error = vortex_viscosity(16, 0.51, 2) - 1.0;
        assert!(error.abs() < 0.03, "{error}");
    }

    #[test]
    fn walls_stand_where_they_are_put() {
        let square = |turn_deg| Pipe::Square { side: 11.0, turn_deg };
        for relaxation in [0.55, 0.8] {
            for pipe in [Pipe::Round { radius: 6.3 }, square(0.0), square(27.0), square(45.0)] {
                let shift = wall_shift(pipe, relaxation);
                assert!(shift.abs() < 0.05, "{relaxation} {pipe:?}: {shift} cells");
            }
        }
    }

    #[test]
    fn a_square_duct_has_the_profile_of_its_series() {
        // The largest over the mean: 2.0963 (Shah and London 1978; from memory).
        assert!((duct_series([0.0, 0.0]) - 2.0963).abs() < 1e-4);
        let worst =
            |side| duct(side).into_iter().map(|(at, u)| (u - duct_series(at)).abs()).fold(0.0, f64::max);
        let [coarse, fine] = [7, 10].map(worst);
        assert!(fine < 0.04 && fine < 0.6 * coarse, "{coarse} {fine}");
    }
}
