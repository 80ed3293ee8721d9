//! The autocorrelation of the echo of blood at one point: power and first lag, after the wall filter.
//!
//! A small volume of blood holds velocities spread about a mean. The scanner sees phases, so the
//! spectrum is a Gaussian wrapped around the circle: mean `theta = pi v / v_N`, deviation
//! `d = pi s / v_N`, and `E e^(i k phi) = e^(i k theta) e^(-k^2 d^2 / 2)`. The wall filter's power
//! and lag are finite Fourier series in the phase step (see `filter`), so the filtered R(0) and
//! R(1) of blood are exact finite sums; they are tabulated over phase and deviation.
//!
//! A fast core whose phase happens to wrap onto zero loses power, as it does on a scanner.

use std::f64::consts::PI;

use super::filter::PacketFilter;

const PHASES: usize = 256;
const DEVIATION_STEP: f64 = 0.06;
const DEVIATIONS: usize = 68;

/// Filtered power and first lag of blood, by mean velocity and spread
#[derive(Debug)]
pub(crate) struct Signal {
    per_velocity: f32,
    per_deviation: f32,
    table: Vec<[f32; 4]>,
    /// First lag of blood, or noise, whose phase is spread over the whole circle
    pub(crate) noise_lag: f32,
}

impl Signal {
    /// The signal at a Nyquist velocity in m/s behind a wall filter
    ///
    /// Powers are relative to the full-signal power: that of blood spread over the whole circle.
    pub(crate) fn new(nyquist: f64, filter: &PacketFilter) -> Self {
        let (power, lag) = (filter.power(), filter.lag());
        let full = power.constant();
        let terms: Vec<[f64; 3]> =
            power.terms().zip(lag.terms()).map(|((k, b), (_, c))| [k, b / full, c / full]).collect();
        let turns: Vec<[f64; 2]> = (0..PHASES)
            .map(|p| {
                let (sin, cos) = libm::sincos(2.0 * PI * p as f64 / PHASES as f64);
                [cos, sin]
            })
            .collect();
        let mut table = Vec::with_capacity((PHASES + 1) * DEVIATIONS);
        for d in 0..DEVIATIONS {
            let deviation = d as f64 * DEVIATION_STEP;
            let damped: Vec<[f64; 3]> = terms
                .iter()
                .map(|[k, b, c]| {
                    let damp = libm::exp(-k * k * deviation * deviation / 2.0);
                    [*k, b * damp, c * damp]
                })
                .collect();
            for p in 0..=PHASES {
                let mut sum = [0.0; 3];
                for [k, b, c] in &damped {
                    let [cos, sin] = turns[(*k as i64 * p as i64).rem_euclid(PHASES as i64) as usize];
                    sum[0] += b * cos;
                    sum[1] += c * cos;
                    sum[2] += c * sin;
                }
                table.push([sum[0].max(0.0) as f32, sum[1] as f32, sum[2] as f32, 0.0]);
            }
        }
        Self {
            per_velocity: (1.0 / (2.0 * nyquist)) as f32,
            per_deviation: (PI / nyquist / DEVIATION_STEP) as f32,
            table,
            noise_lag: (lag.constant() / full) as f32,
        }
    }

    /// Power and the two parts of the first lag for a velocity and its deviation, m/s; the fourth is 0
    pub(crate) fn at(&self, velocity: f32, deviation: f32) -> [f32; 4] {
        let turns = velocity * self.per_velocity;
        let phase = (turns - turns.floor()) * PHASES as f32;
        let p = (phase as usize).min(PHASES - 1);
        let fp = phase - p as f32;
        let at = (deviation * self.per_deviation).min(DEVIATIONS as f32 - 1.001);
        let d = at as usize;
        let fd = at - d as f32;
        let low = &self.table[d * (PHASES + 1) + p..][..2];
        let high = &self.table[(d + 1) * (PHASES + 1) + p..][..2];
        std::array::from_fn(|part| {
            let a = low[0][part] + fp * (low[1][part] - low[0][part]);
            let b = high[0][part] + fp * (high[1][part] - high[0][part]);
            a + fd * (b - a)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::scanner::WallFilter;
    use super::*;

    fn signal(kind: WallFilter) -> Signal {
        Signal::new(0.6, &PacketFilter::new(kind, 10, 0.6))
    }

    #[test]
    fn without_a_filter_it_is_the_wrapped_gaussian() {
        let signal = signal(WallFilter::None);
        // 5.0 m/s at Nyquist 0.60 shows as +0.20 (closed form); length exp(-(pi s / v_N)^2 / 2).
        let [power, re, im, _] = signal.at(5.0, 0.1).map(f64::from);
        assert!((power - 1.0).abs() < 1e-6);
        assert!((libm::atan2(im, re) / PI * 0.6 - 0.20).abs() < 1e-3);
        let length = libm::exp(-(PI * 0.1 / 0.6) * (PI * 0.1 / 0.6) / 2.0);
        assert!((libm::hypot(re, im) / length - 1.0).abs() < 2e-3);
        assert!(signal.noise_lag.abs() < 1e-9);
    }

    #[test]
    fn the_filter_takes_out_slow_blood_and_blind_speeds() {
        let signal = signal(WallFilter::Polynomial { order: 1 });
        let power = |v: f32, s: f32| signal.at(v, s)[0];
        assert!(power(0.0, 0.0) < 1e-3);
        assert!(power(0.35, 0.01) > 1.0);
        assert!(power(2.4, 0.0) < 1e-3);
        assert!((power(2.4, 1.5) - 1.0).abs() < 0.01);
    }

    #[test]
    fn the_series_agrees_with_summing_the_spectrum() {
        // The spectrum sampled at 2000 phases, filtered and summed directly.
        let (v, s) = (0.31, 0.12);
        let filter = PacketFilter::new(WallFilter::Polynomial { order: 1 }, 8, 0.5);
        let (power, lag) = (filter.power(), filter.lag());
        let mut direct = [0.0; 3];
        let n = 2000;
        let mut total = 0.0;
        for i in 0..n {
            let phi = 2.0 * PI * f64::from(i) / f64::from(n);
            let density: f64 = (-4..=4)
                .map(|k| {
                    let x = (phi - PI * v / 0.5 + 2.0 * PI * f64::from(k)) / (PI * s / 0.5);
                    libm::exp(-x * x / 2.0)
                })
                .sum();
            total += density;
            direct[0] += density * power.at(phi).0;
            direct[1] += density * lag.at(phi).0;
            direct[2] += density * lag.at(phi).1;
        }
        let found = Signal::new(0.5, &filter).at(v as f32, s as f32);
        for part in 0..3 {
            let expected = direct[part] / total / power.constant();
            assert!((expected - f64::from(found[part])).abs() < 2e-3, "{part}");
        }
    }
}
