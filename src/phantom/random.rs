//! Random deviates: normal ones by table, and numbers between bounds.

use std::sync::OnceLock;

use rand_core::Rng;
use rand_pcg::Pcg64;

/// Normal deviates by table: five from the 64 bits of one draw
pub(crate) struct Quantiles(Vec<f32>);

impl Quantiles {
    const BITS: u32 = 12;

    /// The table, made once
    pub(crate) fn get() -> &'static Self {
        static TABLE: OnceLock<Quantiles> = OnceLock::new();
        TABLE.get_or_init(Self::new)
    }

    fn new() -> Self {
        let n = 1usize << Self::BITS;
        let mut quantiles = Vec::with_capacity(n);
        let mut x = -4.0;
        for i in 0..n {
            let target = (i as f64 + 0.5) / n as f64;
            for _ in 0..60 {
                let below = 0.5 * libm::erfc(-x / std::f64::consts::SQRT_2);
                let density = libm::exp(-x * x / 2.0) / (2.0 * std::f64::consts::PI).sqrt();
                let step = ((below - target) / density).clamp(-0.5, 0.5);
                x -= step;
                if step.abs() < 1e-12 {
                    break;
                }
            }
            quantiles.push(x);
        }
        // The table's variance is a little short of one, for want of tails.
        let scale = (n as f64 / quantiles.iter().map(|q| q * q).sum::<f64>()).sqrt();
        Self(quantiles.into_iter().map(|q| (q * scale) as f32).collect())
    }

    fn pick(&self, draw: u64, which: u32) -> f32 {
        self.0[(draw >> (Self::BITS * which)) as usize & ((1 << Self::BITS) - 1)]
    }

    pub(crate) fn four(&self, draw: u64) -> [f32; 4] {
        [0, 1, 2, 3].map(|which| self.pick(draw, which))
    }
}

/// Numbers between bounds
pub(crate) struct Draw(pub(crate) Pcg64);

impl Draw {
    /// Between 0 and 1
    pub(crate) fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Between two bounds
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Between two bounds, each factor as likely as any other
    pub(crate) fn factor(&mut self, low: f64, high: f64) -> f64 {
        low * libm::exp(self.unit() * libm::log(high / low))
    }

    /// One of a few
    pub(crate) fn one_of<T: Copy>(&mut self, some: &[T]) -> T {
        some[((self.unit() * some.len() as f64) as usize).min(some.len() - 1)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_deviates_are_normal() {
        let random = Quantiles::get();
        let mut rng = Pcg64::new(7, 7);
        let mut sums = [0.0f64; 4];
        let n = 40_000;
        for _ in 0..n {
            for value in random.four(rng.next_u64()).map(f64::from) {
                sums[0] += value;
                sums[1] += value * value;
                sums[2] += f64::from(u8::from(value < -1.959_964));
                sums[3] += f64::from(u8::from(value > 0.674_490));
            }
        }
        let mean = sums.map(|sum| sum / f64::from(4 * n));
        assert!(mean[0].abs() < 0.01 && (mean[1] - 1.0).abs() < 0.015);
        // 2.5 % lie below -1.96, 25 % above the upper quartile: tables of the normal distribution.
        assert!((mean[2] - 0.025).abs() < 0.002 && (mean[3] - 0.25).abs() < 0.005);
    }
}
