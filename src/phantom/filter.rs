//! The wall filter of a packet of pulses, as a matrix, and what it leaves of blood in closed form.
//!
//! The echo of one place over a packet is a vector x of N complex samples; every linear filter of a
//! packet is a real matrix A, `y = A x`. Power and first lag are
//!
//! ```text
//!   R(0) = 1/N     sum_n |y_n|^2            = sum_k b_k e^(i k phi)
//!   R(1) = 1/(N-1) sum_n y_(n+1) conj(y_n)  = sum_k c_k e^(i k phi)
//! ```
//!
//! for one phase step phi from pulse to pulse, where `b_k` and `c_k` are sums over the diagonals of
//! `A^T A / N` and of `A_next^T A / (N - 1)`: finite Fourier series, so that their means over any
//! spectrum are exact sums of its Fourier coefficients. Filters: regression on polynomials
//! (Hoeks et al., Ultrason Imaging 1991;13:271-285) and a recursive filter whose start is projected
//! out (Bjaerum, Torp and Kristoffersen, IEEE Trans UFFC 2002;49:204-217); both from memory.

use std::f64::consts::PI;

use super::scanner::WallFilter;

/// A filter of packets as a matrix, one row a sample that leaves it
#[derive(Clone, Debug)]
pub(crate) struct PacketFilter {
    rows: Vec<Vec<f64>>,
}

/// Coefficients of a Fourier series in the phase step, from `-(n - 1)` to `n - 1`
#[derive(Clone, Debug)]
pub(crate) struct Series(Vec<f64>);

impl PacketFilter {
    /// The filter of a packet of `pulses` at a Nyquist velocity in m/s
    pub(crate) fn new(kind: WallFilter, pulses: usize, nyquist: f64) -> Self {
        let rows = match kind {
            WallFilter::None => identity(pulses),
            WallFilter::Polynomial { order } => without(identity(pulses), polynomials(pulses, order)),
            WallFilter::Recursive { cutoff_m_s } => recursive(pulses, PI * cutoff_m_s / nyquist),
        };
        Self { rows }
    }

    /// Power against phase step
    pub(crate) fn power(&self) -> Series {
        let pairs = self.rows.iter().map(|row| (row, row)).collect::<Vec<_>>();
        Series::of(&pairs, self.rows.len(), self.rows.len())
    }

    /// First lag against phase step
    pub(crate) fn lag(&self) -> Series {
        let pairs = self.rows.windows(2).map(|two| (&two[1], &two[0])).collect::<Vec<_>>();
        Series::of(&pairs, self.rows.len(), self.rows.len() - 1)
    }

    /// Speed at which half of the full-signal power is left, m/s
    pub(crate) fn half_power(&self, nyquist: f64) -> f64 {
        let power = self.power();
        let half = power.constant() / 2.0;
        let steps = 4000;
        let passes = |step: &i32| power.at(PI * f64::from(*step) / f64::from(steps)).0 >= half;
        f64::from((0..steps).find(passes).unwrap_or(steps)) / f64::from(steps) * nyquist
    }

    /// What leaves the filter of one packet, re and im
    #[cfg(test)]
    pub(crate) fn apply(&self, packet: &[[f64; 2]]) -> Vec<[f64; 2]> {
        let sum = |row: &Vec<f64>, part: usize| row.iter().zip(packet).map(|(a, x)| a * x[part]).sum();
        self.rows.iter().map(|row| [sum(row, 0), sum(row, 1)]).collect()
    }
}

impl Series {
    fn of(pairs: &[(&Vec<f64>, &Vec<f64>)], pulses: usize, over: usize) -> Self {
        let mut sums = vec![0.0; 2 * pulses - 1];
        for (a, b) in pairs {
            for (m, x) in a.iter().enumerate() {
                for (l, y) in b.iter().enumerate() {
                    sums[pulses - 1 + m - l] += x * y / over as f64;
                }
            }
        }
        Self(sums)
    }

    /// The mean over the circle, re: the value for blood whose phase is spread over all of it
    pub(crate) fn constant(&self) -> f64 {
        self.0[self.0.len() / 2]
    }

    /// Pairs (harmonic, coefficient)
    pub(crate) fn terms(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let middle = (self.0.len() / 2) as f64;
        self.0.iter().enumerate().map(move |(i, value)| (i as f64 - middle, *value))
    }

    /// The value at one phase step: re and im
    pub(crate) fn at(&self, phase: f64) -> (f64, f64) {
        self.terms().fold((0.0, 0.0), |(re, im), (k, value)| {
            let (sin, cos) = libm::sincos(k * phase);
            (re + value * cos, im + value * sin)
        })
    }
}

fn identity(n: usize) -> Vec<Vec<f64>> {
    (0..n).map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect()).collect()
}

/// The columns 1, n, n^2 and so on of a packet
fn polynomials(n: usize, order: usize) -> Vec<Vec<f64>> {
    let at = |i: usize| 2.0 * i as f64 / (n - 1) as f64 - 1.0;
    (0..=order).map(|p| (0..n).map(|i| at(i).powi(p as i32)).collect()).collect()
}

/// `(I - B (B^T B)^-1 B^T) A` for columns B, by Gram and Schmidt
fn without(mut rows: Vec<Vec<f64>>, columns: Vec<Vec<f64>>) -> Vec<Vec<f64>> {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let mut basis: Vec<Vec<f64>> = Vec::new();
    for mut column in columns {
        for unit in &basis {
            let share = dot(unit, &column);
            column.iter_mut().zip(unit).for_each(|(c, u)| *c -= share * u);
        }
        let size = dot(&column, &column).sqrt();
        if size > 1e-9 {
            basis.push(column.iter().map(|c| c / size).collect());
        }
    }
    let n = rows.len();
    for unit in &basis {
        for j in 0..n {
            let share: f64 = rows.iter().zip(unit).map(|(row, part)| part * row[j]).sum();
            for (row, part) in rows.iter_mut().zip(unit) {
                row[j] -= share * part;
            }
        }
    }
    rows
}

/// A second-order Butterworth high pass (bilinear transform) with its transient projected out
fn recursive(n: usize, cutoff: f64) -> Vec<Vec<f64>> {
    let k = libm::tan(cutoff / 2.0);
    let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
    let (b0, b1, b2) = (norm, -2.0 * norm, norm);
    let (a1, a2) = (2.0 * (k * k - 1.0) * norm, (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm);
    // Direct form II transposed, from two states and an input.
    let run = |state: [f64; 2], input: &dyn Fn(usize) -> f64| -> Vec<f64> {
        let [mut z1, mut z2] = state;
        (0..n)
            .map(|i| {
                let x = input(i);
                let y = b0 * x + z1;
                z1 = b1 * x - a1 * y + z2;
                z2 = b2 * x - a2 * y;
                y
            })
            .collect()
    };
    let impulse = run([0.0; 2], &|i| f64::from(u8::from(i == 0)));
    let rows = (0..n).map(|i| (0..n).map(|j| if j <= i { impulse[i - j] } else { 0.0 }).collect()).collect();
    without(rows, vec![run([1.0, 0.0], &|_| 0.0), run([0.0, 1.0], &|_| 0.0)])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gain(kind: WallFilter, pulses: usize, phase: f64) -> f64 {
        PacketFilter::new(kind, pulses, 0.6).power().at(phase).0
    }

    #[test]
    fn regression_takes_out_what_it_fits_and_nothing_else_on_the_mean() {
        // The mean of the power over all phases is the share of dimensions left: (N - p - 1) / N.
        for (pulses, order) in [(6, 0), (8, 1), (12, 2), (16, 3)] {
            let kind = WallFilter::Polynomial { order };
            let filter = PacketFilter::new(kind, pulses, 0.6);
            let left = (pulses - order - 1) as f64 / pulses as f64;
            assert!((filter.power().constant() - left).abs() < 1e-12);
            assert!(gain(kind, pulses, 0.0).abs() < 1e-12);
            let ramp: Vec<[f64; 2]> = (0..pulses).map(|i| [3.0, i as f64]).collect();
            let rest = filter.apply(&ramp).iter().map(|y| y[0].abs() + y[1].abs()).fold(0.0, f64::max);
            assert!((rest < 1e-9) == (order >= 1), "{rest}");
        }
    }

    #[test]
    fn the_mean_filter_has_its_response_in_closed_form() {
        // Taking out the mean of N samples leaves 1 - |D(phi)|^2 with Dirichlet's kernel
        // D = sin(N phi / 2) / (N sin(phi / 2)): closed form.
        for phase in [0.1, 0.5, 1.0, 2.0, 3.0] {
            let dirichlet = libm::sin(5.0 * phase) / (10.0 * libm::sin(phase / 2.0));
            let found = gain(WallFilter::Polynomial { order: 0 }, 10, phase);
            assert!((found - (1.0 - dirichlet * dirichlet)).abs() < 1e-12);
        }
    }

    #[test]
    fn series_and_matrix_agree_on_single_phases() {
        for kind in [WallFilter::Polynomial { order: 2 }, WallFilter::Recursive { cutoff_m_s: 0.15 }] {
            let filter = PacketFilter::new(kind, 9, 0.6);
            for phase in [0.05, 0.4, 1.3, 2.9, -0.8] {
                let packet: Vec<[f64; 2]> = (0..9)
                    .map(|i| {
                        let (sin, cos) = libm::sincos(phase * f64::from(i));
                        [cos, sin]
                    })
                    .collect();
                let out = filter.apply(&packet);
                let power = out.iter().map(|y| y[0] * y[0] + y[1] * y[1]).sum::<f64>() / 9.0;
                let re = out.windows(2).map(|w| w[1][0] * w[0][0] + w[1][1] * w[0][1]).sum::<f64>() / 8.0;
                let im = out.windows(2).map(|w| w[1][1] * w[0][0] - w[1][0] * w[0][1]).sum::<f64>() / 8.0;
                assert!((filter.power().at(phase).0 - power).abs() < 1e-12);
                let lag = filter.lag().at(phase);
                assert!((lag.0 - re).abs() < 1e-12 && (lag.1 - im).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn a_long_recursive_filter_is_the_butterworth_response() {
        // |H|^2 = 1 / (1 + (tan(wc/2) / tan(w/2))^4): closed form of the bilinear Butterworth; one half
        // at the cutoff.
        let kind = WallFilter::Recursive { cutoff_m_s: 0.15 };
        let cut = PI * 0.15 / 0.6;
        for phase in [cut, 1.2, 2.0] {
            let expected = 1.0 / (1.0 + (libm::tan(cut / 2.0) / libm::tan(phase / 2.0)).powi(4));
            assert!((gain(kind, 400, phase) - expected).abs() < 0.02);
        }
        // Half of the full-signal power, which is the mean c of |H|^2: the same form solved for w.
        let filter = PacketFilter::new(kind, 400, 0.6);
        let ratio = libm::pow(2.0 / filter.power().constant() - 1.0, 0.25);
        let expected = 2.0 * libm::atan(libm::tan(cut / 2.0) / ratio) / PI * 0.6;
        assert!((filter.half_power(0.6) - expected).abs() < 0.005);
        for (order, pulses) in [(1, 10), (2, 12)] {
            let half = PacketFilter::new(WallFilter::Polynomial { order }, pulses, 0.6).half_power(0.6);
            assert!((0.06..0.2).contains(&half), "{half}");
        }
    }
}
