//! Integrals: of a function by Gauss and Legendre, of tabled values by trapezia.

/// Nodes and weights of Gauss-Legendre quadrature on -1 to 1
///
/// Exact for polynomials up to degree `2 n - 1`. Roots of the Legendre polynomial by Newton's method
/// from the cosine guess (Abramowitz & Stegun 25.4.29-30).
#[derive(Clone, Debug, PartialEq)]
pub struct GaussLegendre {
    nodes: Vec<(f64, f64)>,
}

impl GaussLegendre {
    /// The rule with `n` nodes, at least one
    pub fn new(n: usize) -> Self {
        let n = n.max(1);
        let count = n as f64;
        let nodes = (0..n)
            .map(|i| {
                let mut x = -libm::cos(std::f64::consts::PI * (i as f64 + 0.75) / (count + 0.5));
                let mut slope = 1.0;
                for _ in 0..50 {
                    let (value, below) = legendre(n, x);
                    slope = count * (x * value - below) / (x * x - 1.0);
                    let step = value / slope;
                    x -= step;
                    if step.abs() < 1e-16 {
                        break;
                    }
                }
                (x, 2.0 / ((1.0 - x * x) * slope * slope))
            })
            .collect();
        Self { nodes }
    }

    /// Nodes and weights on -1 to 1
    pub fn nodes(&self) -> &[(f64, f64)] {
        &self.nodes
    }

    /// The integral of a function from `a` to `b`
    pub fn integrate(&self, a: f64, b: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
        let (middle, half) = (f64::midpoint(a, b), (b - a) / 2.0);
        half * self.nodes.iter().map(|(x, w)| w * f(middle + half * x)).sum::<f64>()
    }
}

/// The Legendre polynomials of degree `n` and `n - 1` at `x`
fn legendre(n: usize, x: f64) -> (f64, f64) {
    let (mut below, mut value) = (1.0, x);
    for k in 2..=n {
        let k = k as f64;
        (below, value) = (value, ((2.0 * k - 1.0) * x * value - (k - 1.0) * below) / k);
    }
    (value, below)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polynomials_are_exact_and_smooth_functions_converge() {
        for n in 1..12 {
            let rule = GaussLegendre::new(n);
            let weights: f64 = rule.nodes().iter().map(|(_, w)| w).sum();
            assert!((weights - 2.0).abs() < 1e-13);
            let degree = 2 * n as i32 - 1;
            let integral = rule.integrate(0.0, 2.0, |x| x.powi(degree));
            let exact = 2f64.powi(degree + 1) / f64::from(degree + 1);
            assert!((integral / exact - 1.0).abs() < 1e-12, "{n} {integral} {exact}");
        }
        // The three-point rule: nodes 0 and +-sqrt(3/5), weights 8/9 and 5/9.
        let three = GaussLegendre::new(3);
        assert!((three.nodes()[2].0 - 0.6f64.sqrt()).abs() < 1e-15);
        assert!((three.nodes()[1].1 - 8.0 / 9.0).abs() < 1e-15);
        let wave = GaussLegendre::new(20).integrate(0.0, std::f64::consts::PI, libm::sin);
        assert!((wave - 2.0).abs() < 1e-14);
    }
}
