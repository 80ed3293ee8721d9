//! Momentum diffusion downstream of the neck: an outline convolved with a growing Gaussian.
//!
//! Reichardt's hypothesis makes the diffusion of axial momentum linear: with `u^2 = U^2 G`, where G
//! is the outline's indicator convolved with an isotropic Gaussian of standard deviation sigma(s),
//! the momentum flux of the jet is the same at every distance. Far away the jet is Gaussian, and
//! its half-velocity radius is `2 sigma sqrt(ln 2)`, so a measured spreading rate S gives
//! `sigma = s S / (2 sqrt(ln 2))`.
//!
//! G is tabulated as the normal quantile z of its value, which runs nearly straight across an edge
//! where G itself bends through orders of magnitude: a scanner shows blood that moves at a hundredth
//! of the core's speed, so the far tail must be as right as the middle. The table is in units of the outline's radius, one square picture for each of a ladder of
//! sigmas, the square growing with sigma. Beyond the ladder the outline is replaced by its second
//! moments, which at 1.5 radii is right to 0.4 percent for a disc.

use std::f64::consts::{LN_2, PI};

use rayon::prelude::*;

use crate::numeric::special::{normal_cdf, normal_quantile};

use super::shape::{Outline, edges};

/// Nodes along the side of a picture
const SIDE: usize = 97;
/// The ladder of sigmas: after zero, from the first to the last with this ratio
const FIRST: f64 = 0.02;
const RATIO: f64 = 1.18;
const LAST: f64 = 1.5;
/// Strips a row is cut into to find how much of a cell lies inside
const STRIPS: usize = 8;

/// Standard deviation of the momentum's spread over the distance, for a half-velocity rate
pub(crate) fn sigma_rate(spread_rate: f64) -> f64 {
    spread_rate / (2.0 * LN_2.sqrt())
}

/// The spread outline, in units of its radius
#[derive(Debug)]
pub(crate) struct Spread {
    rungs: Vec<Rung>,
    area: f64,
    moments: [f64; 3],
}

#[derive(Debug)]
struct Rung {
    sigma: f64,
    half: f64,
    per_step: f64,
    quantile: Vec<f32>,
}

impl Spread {
    /// The spread of an outline of unit radius
    pub(crate) fn new(unit: &Outline) -> Self {
        let mut sigmas = vec![0.0];
        let mut sigma = FIRST;
        while sigma < LAST {
            sigmas.push(sigma);
            sigma *= RATIO;
        }
        sigmas.push(LAST);
        let rungs = sigmas.into_par_iter().map(|sigma| Rung::new(unit, sigma)).collect();
        Self { rungs, area: unit.area(), moments: unit.moments() }
    }

    /// The share of the momentum density that is left at a point, 0 to 1
    pub(crate) fn share(&self, x: f64, y: f64, sigma: f64) -> f64 {
        if sigma >= LAST {
            return self.gaussian(x, y, sigma);
        }
        if sigma <= 0.0 {
            return if self.contains(x, y) { 1.0 } else { 0.0 };
        }
        if sigma < FIRST {
            // Narrower than the first rung: the same distance to the edge in smaller sigmas.
            return normal_cdf(self.rungs[1].quantile(x, y) * FIRST / sigma);
        }
        let above = self.rungs.partition_point(|rung| rung.sigma <= sigma).clamp(2, self.rungs.len() - 1);
        let (low, high) = (&self.rungs[above - 1], &self.rungs[above]);
        // Between rungs the distance to the edge, z sigma, changes slowly.
        let (a, b) = (low.quantile(x, y) * low.sigma, high.quantile(x, y) * high.sigma);
        let part = ((sigma - low.sigma) / (high.sigma - low.sigma)).clamp(0.0, 1.0);
        normal_cdf((a + (b - a) * part) / sigma)
    }

    /// Whether the outline itself holds the point
    pub(crate) fn contains(&self, x: f64, y: f64) -> bool {
        self.rungs[0].quantile(x, y) >= 0.0
    }

    fn gaussian(&self, x: f64, y: f64, sigma: f64) -> f64 {
        let [xx, xy, yy] = self.moments;
        let (a, b, c) = (xx + sigma * sigma, xy, yy + sigma * sigma);
        let det = a * c - b * b;
        let form = (c * x * x - 2.0 * b * x * y + a * y * y) / det;
        if form > 24.0 { 0.0 } else { self.area / (2.0 * PI * det.sqrt()) * libm::exp(-form / 2.0) }
    }
}

impl Rung {
    fn new(unit: &Outline, sigma: f64) -> Self {
        let half = 1.05 + 4.5 * sigma;
        let step = 2.0 * half / (SIDE - 1) as f64;
        let mut share = coverage(unit.points(), half, step);
        // The cell's own width and the lookup between nodes already smooth: variances add.
        let wanted = sigma * sigma - step * step * (1.0 / 12.0 + 1.0 / 6.0);
        if wanted > 0.0 {
            blur(&mut share, wanted.sqrt() / step);
        }
        let quantile = share.into_iter().map(|v| bounded_quantile(v) as f32).collect();
        Self { sigma, half, per_step: 1.0 / step, quantile }
    }

    /// Normal quantile of the share, between -FAR and FAR
    fn quantile(&self, x: f64, y: f64) -> f64 {
        let at_x = (x + self.half) * self.per_step;
        let at_y = (y + self.half) * self.per_step;
        let last = (SIDE - 1) as f64;
        if !(at_x >= 0.0 && at_y >= 0.0 && at_x < last && at_y < last) {
            return -FAR;
        }
        let (i, j) = (at_x as usize, at_y as usize);
        let (fx, fy) = ((at_x - i as f64) as f32, (at_y - j as f64) as f32);
        let low = &self.quantile[j * SIDE + i..];
        let high = &self.quantile[(j + 1) * SIDE + i..];
        let a = low[0] + fx * (low[1] - low[0]);
        let b = high[0] + fx * (high[1] - high[0]);
        f64::from(a + fy * (b - a))
    }
}

/// Beyond this many sigmas the share is 0 or 1
const FAR: f64 = 6.0;

fn bounded_quantile(share: f64) -> f64 {
    if share <= 1e-9 {
        -FAR
    } else if share >= 1.0 - 1e-9 {
        FAR
    } else {
        normal_quantile(share).clamp(-FAR, FAR)
    }
}

/// How much of the cell about each node lies inside the polygon
fn coverage(points: &[[f64; 2]], half: f64, step: f64) -> Vec<f64> {
    let mut inside = vec![0.0; SIDE * SIDE];
    for (j, row) in inside.chunks_exact_mut(SIDE).enumerate() {
        for strip in 0..STRIPS {
            let y = (j as f64 - 0.5 + (strip as f64 + 0.5) / STRIPS as f64) * step - half;
            let mut crossings: Vec<f64> = edges(points)
                .filter(|(a, b)| (a[1] <= y) != (b[1] <= y))
                .map(|(a, b)| a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]))
                .collect();
            crossings.sort_by(f64::total_cmp);
            for pair in crossings.chunks_exact(2) {
                // In cells, whose borders lie half a step beside the nodes.
                let (from, to) = ((pair[0] + half) / step + 0.5, (pair[1] + half) / step + 0.5);
                let first = from.max(0.0) as usize;
                let last = (to as usize).min(SIDE - 1);
                for (i, cell) in row.iter_mut().enumerate().take(last + 1).skip(first) {
                    let overlap = to.min(i as f64 + 1.0) - from.max(i as f64);
                    *cell += overlap.max(0.0) / STRIPS as f64;
                }
            }
        }
    }
    inside
}

/// Gaussian blur with a standard deviation in nodes, zero outside
fn blur(picture: &mut [f64], sigma: f64) {
    let reach = (4.5 * sigma).ceil() as usize;
    let mut kernel: Vec<f64> = (0..=reach)
        .map(|i| {
            // The Gaussian's share of the node's cell, right for narrow ones too.
            let edge = |at: f64| libm::erf(at / (sigma * std::f64::consts::SQRT_2));
            0.5 * (edge(i as f64 + 0.5) - edge(i as f64 - 0.5))
        })
        .collect();
    let total = kernel[0] + 2.0 * kernel[1..].iter().sum::<f64>();
    for weight in &mut kernel {
        *weight /= total;
    }
    let mut line = vec![0.0; SIDE];
    for (start, stride) in (0..SIDE).map(|j| (j * SIDE, 1)).chain((0..SIDE).map(|i| (i, SIDE))) {
        for (i, value) in line.iter_mut().enumerate() {
            *value = picture[start + i * stride];
        }
        for i in 0..SIDE {
            let mut sum = kernel[0] * line[i];
            for (d, weight) in kernel.iter().enumerate().skip(1) {
                let left = if i >= d { line[i - d] } else { 0.0 };
                let right = if i + d < SIDE { line[i + d] } else { 0.0 };
                sum += weight * (left + right);
            }
            picture[start + i * stride] = sum;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::recipe::OrificeShape;
    use super::*;

    fn spread(shape: &OrificeShape) -> (Spread, Outline) {
        let outline = Outline::of(shape).unwrap();
        let unit = outline.scaled(1.0 / outline.radius());
        (Spread::new(&unit), unit)
    }

    #[test]
    fn momentum_is_the_same_at_every_distance() {
        let crescent = OrificeShape::Crescent { inner_mm: 4.0, outer_mm: 6.0, angle_deg: 120.0 };
        let (spread, unit) = spread(&crescent);
        for sigma in [0.0, 0.01, 0.03, 0.1, 0.33, 0.8, 1.3, 1.7, 3.0] {
            let half = 1.2 + 5.0 * sigma;
            let n = 400;
            let step = 2.0 * half / f64::from(n);
            let at = |i: i32| (f64::from(i) + 0.5) * step - half;
            let sum: f64 = (0..n * n).map(|i| spread.share(at(i % n), at(i / n), sigma)).sum();
            let ratio = sum * step * step / unit.area();
            assert!((ratio - 1.0).abs() < 0.01, "{ratio} at {sigma}");
        }
    }

    #[test]
    fn a_round_jet_decays_and_spreads_by_the_closed_forms() {
        // Momentum closure of a Gaussian round jet: U_c / U = B d / s with
        // B = sqrt(ln 2) / (sqrt 2 S) = 6.263 for S = 0.094; half-velocity radius S s.
        let (spread, _) = spread(&OrificeShape::Round { diameter_mm: 2.0 });
        let rate = sigma_rate(0.094);
        // The closure is the limit far away: at 30 diameters the jet is still 1.2 % short of it.
        let s = 400.0;
        let centre = spread.share(0.0, 0.0, rate * s).sqrt();
        assert!((centre * s / 2.0 / 6.263 - 1.0).abs() < 0.01, "{}", centre * s / 2.0);
        let half = spread.share(0.094 * s, 0.0, rate * s).sqrt();
        assert!((half / centre - 0.5).abs() < 0.01);
        // At the neck it is the outline itself; the core keeps its speed for the first diameters.
        assert!(spread.share(0.9, 0.0, 0.0) > 0.99 && spread.share(1.1, 0.0, 0.0) < 0.01);
        assert!(spread.share(0.0, 0.0, rate * 4.0) > 0.99);
    }

    #[test]
    fn a_disc_has_its_centre_value_in_closed_form() {
        // 1 - exp(-R^2 / (2 sigma^2)) at the centre of a blurred disc.
        let (spread, _) = spread(&OrificeShape::Round { diameter_mm: 2.0 });
        for sigma in [0.2, 0.35, 0.6, 0.9, 1.2, 1.49, 1.6, 2.5] {
            let expected = 1.0 - libm::exp(-0.5 / (sigma * sigma));
            let found = spread.share(0.0, 0.0, sigma);
            assert!((found / expected - 1.0).abs() < 0.012, "{found} {expected} at {sigma}");
        }
    }
}
