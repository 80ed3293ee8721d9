//! The autocorrelation of the echo of blood at one point: power and first lag, after the wall filter.
//!
//! A small volume of blood holds velocities spread about a mean. The scanner sees phases, so the
//! spectrum is a Gaussian wrapped around the circle: mean `theta = pi v / v_N`, deviation
//! `pi s / v_N`. Its first lag alone would be `exp(-dev^2 / 2) exp(i theta)`. The wall filter takes
//! out a Gaussian notch about zero phase, and because both are periodic the filtered power R(0) and
//! first lag R(1) are short Fourier series in theta:
//!
//! ```text
//!   H(phi) = h0 + sum_m h_m cos(m phi)
//!   R(0)   = h0 + sum_m h_m E cos(m phi)
//!   R(1)   = h0 E e^(i phi) + sum_m h_m / 2 (E e^(i (m+1) phi) + E e^(i (1-m) phi))
//!   E e^(i k phi) = e^(i k theta) e^(-k^2 dev^2 / 2)
//! ```
//!
//! So a fast core whose phase happens to wrap onto zero loses power, as it does on a scanner. The
//! series is tabulated over phase and deviation.

use std::f64::consts::{LN_2, PI};

const PHASES: usize = 256;
const DEVIATION_STEP: f64 = 0.06;
const DEVIATIONS: usize = 68;

/// Filtered power and first lag of blood, by mean velocity and spread
#[derive(Debug)]
pub(crate) struct Signal {
    nyquist: f64,
    /// Power of blood whose phase is spread over the whole circle
    pub(crate) plateau: f64,
    table: Vec<[f32; 4]>,
}

impl Signal {
    /// The signal at a Nyquist velocity, with a wall filter of this half-power velocity, m/s
    pub(crate) fn new(nyquist: f64, wall: f64) -> Self {
        let series = Series::new(nyquist, wall);
        let mut table = Vec::with_capacity((PHASES + 1) * DEVIATIONS);
        for d in 0..DEVIATIONS {
            for p in 0..=PHASES {
                let theta = 2.0 * PI * p as f64 / PHASES as f64;
                let [power, re, im] = series.at(theta, d as f64 * DEVIATION_STEP);
                table.push([power.max(0.0) as f32, re as f32, im as f32, 0.0]);
            }
        }
        Self { nyquist, plateau: series.constant, table }
    }

    /// Power and the two parts of the first lag for a velocity and its deviation, m/s
    pub(crate) fn at(&self, velocity: f64, deviation: f64) -> [f32; 3] {
        let turns = velocity / (2.0 * self.nyquist);
        let phase = (turns - turns.floor()) * PHASES as f64;
        let p = (phase as usize).min(PHASES - 1);
        let fp = (phase - p as f64) as f32;
        let at = (PI * deviation / self.nyquist / DEVIATION_STEP).min(DEVIATIONS as f64 - 1.001);
        let d = at as usize;
        let fd = (at - d as f64) as f32;
        let low = &self.table[d * (PHASES + 1) + p..];
        let high = &self.table[(d + 1) * (PHASES + 1) + p..];
        std::array::from_fn(|part| {
            let a = low[0][part] + fp * (low[1][part] - low[0][part]);
            let b = high[0][part] + fp * (high[1][part] - high[0][part]);
            a + fd * (b - a)
        })
    }
}

/// The wall filter as a Fourier series on the phase circle
struct Series {
    constant: f64,
    harmonics: Vec<f64>,
}

impl Series {
    fn new(nyquist: f64, wall: f64) -> Self {
        // The power gain is 1 - exp(-ln 2 (v / wall)^2), wrapped: one half at the wall velocity.
        let deviation = PI * wall / nyquist / (2.0 * LN_2).sqrt();
        let share = deviation / (2.0 * PI).sqrt();
        let harmonics = (1..=96)
            .map(|m| f64::from(m) * deviation)
            .take_while(|x| wall > 0.0 && *x < 5.0)
            .map(|x| -2.0 * share * libm::exp(-x * x / 2.0))
            .collect();
        Self { constant: 1.0 - share, harmonics }
    }

    fn at(&self, theta: f64, deviation: f64) -> [f64; 3] {
        let damp = |k: f64| libm::exp(-k * k * deviation * deviation / 2.0);
        let mean = |k: f64| {
            let (sin, cos) = libm::sincos(k * theta);
            (cos * damp(k), sin * damp(k))
        };
        let (cos, sin) = mean(1.0);
        let mut sum = [self.constant, self.constant * cos, self.constant * sin];
        for (index, h) in self.harmonics.iter().enumerate() {
            let m = index as f64 + 1.0;
            let (up, down) = (mean(m + 1.0), mean(1.0 - m));
            sum[0] += h * mean(m).0;
            sum[1] += h / 2.0 * (up.0 + down.0);
            sum[2] += h / 2.0 * (up.1 + down.1);
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_a_filter_it_is_the_wrapped_gaussian() {
        let signal = Signal::new(0.6, 0.0);
        // 5.0 m/s at Nyquist 0.60 shows as +0.20 (closed form); length exp(-(pi s / v_N)^2 / 2).
        let [power, re, im] = signal.at(5.0, 0.1).map(f64::from);
        assert!((power - 1.0).abs() < 1e-6);
        assert!((libm::atan2(im, re) / PI * 0.6 - 0.20).abs() < 1e-3);
        let length = libm::exp(-(PI * 0.1 / 0.6) * (PI * 0.1 / 0.6) / 2.0);
        assert!((libm::hypot(re, im) / length - 1.0).abs() < 2e-3);
    }

    #[test]
    fn the_filter_takes_out_slow_blood_and_blind_speeds() {
        let signal = Signal::new(0.6, 0.08);
        let power = |v: f64, s: f64| f64::from(signal.at(v, s)[0]);
        assert!(power(0.0, 0.0) < 1e-3);
        assert!((power(0.08, 0.0) - 0.5).abs() < 0.01);
        assert!(power(0.3, 0.01) > 0.99);
        assert!(power(2.4, 0.0) < 1e-3);
        assert!((power(2.4, 1.5) / signal.plateau - 1.0).abs() < 0.01);
    }

    #[test]
    fn the_series_agrees_with_summing_the_spectrum() {
        // The spectrum sampled at 2000 phases, filtered and summed directly.
        let (nyquist, wall, v, s) = (0.5, 0.1, 0.31, 0.12);
        let series = Series::new(nyquist, wall);
        let mut direct = [0.0; 3];
        let n = 2000;
        let mut total = 0.0;
        for i in 0..n {
            let phi = 2.0 * PI * f64::from(i) / f64::from(n);
            let wrapped = |centre: f64, dev: f64| -> f64 {
                (-4..=4)
                    .map(|k| {
                        let x = (phi - centre + 2.0 * PI * f64::from(k)) / dev;
                        libm::exp(-x * x / 2.0)
                    })
                    .sum()
            };
            let density = wrapped(PI * v / nyquist, PI * s / nyquist);
            let gain = 1.0 - wrapped(0.0, PI * wall / nyquist / (2.0 * LN_2).sqrt());
            total += density;
            direct[0] += density * gain;
            direct[1] += density * gain * libm::cos(phi);
            direct[2] += density * gain * libm::sin(phi);
        }
        let found = series.at(PI * v / nyquist, PI * s / nyquist);
        for part in 0..3 {
            assert!((direct[part] / total - found[part]).abs() < 1e-5);
        }
    }
}
