//! How full the velocity envelope is, told by the volume itself.
//!
//! Flow through the convergence over the area of the neck is the speed through the neck. What is wrong with
//! both in all frames alike drops out of its course, so that the course is better known than the speed. It
//! is fitted by a power of a half-sine: 1 a half-sine, 1/2 what a half-sine of pressure gives by
//! Bernoulli's equation, `v = sqrt(2 p / rho)`, towards 0 a box.

use std::f64::consts::PI;

use crate::unit::Seconds;

/// What was measured of one jet in one frame
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlowFrame {
    /// Which jet, to tell them apart
    pub jet: usize,
    /// When
    pub time: Seconds,
    /// Flow through the convergence
    pub flow_ml_s: f64,
    /// Area of the vena contracta
    pub area_mm2: f64,
    /// Standard deviation of flow over area, as a share of it, that is not common to the frames
    pub error: f64,
}

/// How full an envelope is: the power to which a half-sine is taken
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fullness {
    /// The power
    pub power: f64,
    /// Its standard deviation
    pub error: f64,
    /// Frames that told it; 0 where a half-sine was taken for want of any
    pub frames: usize,
}

/// What is known beforehand: a half-sine, give or take what spans a triangle and the fullest spectra
/// (means of 0.54 to 0.80 of the peak at 95 %; our own choice)
const BEFORE: Fullness = Fullness { power: 1.0, error: 0.3, frames: 0 };
/// Share by which areas and flows may lean with the speed, standard deviation (simulated acquisitions, whole beats
/// of seeds 60000 to 60024)
const LEAN: f64 = 0.08;
/// Share of the envelope's length by which its ends may be off, standard deviation (our own choice)
const ENDS: f64 = 0.01;
/// Powers outside are none that a spectrum shows
const POWERS: [f64; 2] = [0.1, 2.5];

impl Fullness {
    /// Shares by which the mean over the peak may be off, down and up, at 95 %
    pub fn mean_error(&self) -> [f64; 2] {
        let here = mean_over_peak(self.power);
        let [pointed, full] = self.ends().map(mean_over_peak);
        [1.0 - pointed / here, full / here - 1.0]
    }

    /// The largest and the smallest power that may be, at 95 %
    pub(super) fn ends(&self) -> [f64; 2] {
        let reach = 1.96 * self.error;
        [self.power + reach, self.power - reach].map(|power| power.clamp(POWERS[0], POWERS[1]))
    }
}

/// Mean of `sin(pi x)^power` over 0 to 1: `G((p + 1) / 2) / (sqrt(pi) G(p / 2 + 1))` with the gamma function
/// (the beta integral; closed form)
pub(super) fn mean_over_peak(power: f64) -> f64 {
    libm::tgamma(f64::midpoint(power, 1.0)) / (PI.sqrt() * libm::tgamma(power / 2.0 + 1.0))
}

/// The fullness of an envelope from `start` over `duration`
///
/// The logarithm of each jet's speed is fitted by a line in the logarithm of the half-sine, with a height
/// of its own for every jet, each frame weighted by its error and by how little the ends of the envelope
/// move it; a scatter beyond those errors widens the result. It is then weighed against what is known
/// beforehand.
pub(super) fn fullness(seen: &[FlowFrame], start: Seconds, duration: Seconds) -> Fullness {
    let points: Vec<Point> = seen.iter().filter_map(|frame| Point::of(frame, start, duration)).collect();
    let jets = points.iter().map(|point| point.jet).max().map_or(0, |jet| jet + 1);
    let (mut spread, mut common, mut rise) = (0.0, 0.0, 0.0);
    let mut used = 0;
    let mut free = -1.0;
    for jet in 0..jets {
        let its = || points.iter().filter(move |point| point.jet == jet);
        // A line through two points has no scatter to be judged by.
        if its().count() < 3 {
            continue;
        }
        used += its().count();
        free += its().count() as f64 - 1.0;
        let weight: f64 = its().map(|point| point.weight).sum();
        let mean = |of: fn(&Point) -> f64| its().map(|p| p.weight * of(p)).sum::<f64>() / weight;
        let (x, y) = (mean(|p| p.arch), mean(|p| p.speed));
        for point in its() {
            let (dx, dy) = (point.arch - x, point.speed - y);
            spread += point.weight * dx * dx;
            common += point.weight * dx * dy;
            rise += point.weight * dy * dy;
        }
    }
    if spread <= 0.0 {
        return BEFORE;
    }
    let slope = common / spread;
    let scatter = if free > 0.0 { ((rise - slope * common) / free).max(1.0) } else { 1.0 };
    let (told, known) = (spread / scatter, BEFORE.error.powi(-2));
    let power = ((told * slope + known * BEFORE.power) / (told + known)).clamp(POWERS[0], POWERS[1]);
    Fullness { power, error: libm::hypot((1.0 / (told + known)).sqrt(), LEAN * power), frames: used }
}

/// One frame on the line
struct Point {
    jet: usize,
    /// Logarithm of the half-sine
    arch: f64,
    /// Logarithm of flow over area
    speed: f64,
    weight: f64,
}

impl Point {
    /// `None` outside the envelope, at its very ends and where there is no flow
    fn of(frame: &FlowFrame, start: Seconds, duration: Seconds) -> Option<Self> {
        let x = (frame.time - start) / duration;
        let (sine, cosine) = libm::sincos(PI * x);
        let (arch, speed) = (libm::log(sine), libm::log(frame.flow_ml_s / frame.area_mm2));
        // A shift of the ends by dx moves the logarithm of the half-sine by pi cot(pi x) dx.
        let weight = 1.0 / (frame.error.powi(2) + (PI * cosine / sine * ENDS).powi(2));
        let inside = x > 0.02 && x < 0.98;
        (inside && arch.is_finite() && speed.is_finite() && weight.is_finite()).then_some(Self {
            jet: frame.jet,
            arch,
            speed,
            weight,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::stats::mean;
    use rand_core::Rng;

    #[test]
    fn means_match_the_closed_forms() {
        // A box, half-sine 2 / pi, its square 1/2; the root 0.76276 (gamma function, checked with SciPy).
        for (power, expected) in [(0.0, 1.0), (1.0, 2.0 / PI), (2.0, 0.5), (0.5, 0.762_759_8)] {
            assert!((mean_over_peak(power) - expected).abs() < 1e-6, "{power}");
        }
    }

    fn frames(
        speed: impl Fn(f64) -> f64,
        from: f64,
        noise: f64,
        draw: &mut impl FnMut() -> f64,
    ) -> Vec<FlowFrame> {
        (0..9)
            .map(|i| (f64::from(i) + 0.5) / 9.0)
            .filter(|x| *x >= from)
            .map(|x| FlowFrame {
                jet: 0,
                time: Seconds::new(0.05 + 0.32 * x),
                flow_ml_s: 7.0 * speed(x) * libm::exp(noise * draw()),
                area_mm2: 30.0,
                error: 0.05,
            })
            .collect()
    }

    fn told(frames: &[FlowFrame]) -> Fullness {
        fullness(frames, Seconds::new(0.05), Seconds::new(0.32))
    }

    /// Roughly normal numbers
    fn normal(seed: u128) -> impl FnMut() -> f64 {
        let mut source = rand_pcg::Pcg64::new(seed, 3);
        move || (0..12).map(|_| source.next_u64() as f64 / u64::MAX as f64).sum::<f64>() - 6.0
    }

    #[test]
    fn powers_are_found_through_noise_and_their_error_is_honest() {
        let mut draw = normal(1);
        for power in [0.35, 0.5, 0.75, 1.0, 1.3] {
            let mut misses = Vec::new();
            let mut held = 0;
            for _ in 0..200 {
                let seen = frames(|x| libm::pow(libm::sin(PI * x), power), 0.0, 0.05, &mut draw);
                let found = told(&seen);
                misses.push(found.power - power);
                held += usize::from((found.power - power).abs() <= 1.96 * found.error);
            }
            assert!(mean(&misses).abs() < 0.05, "{power}: off by {}", mean(&misses));
            assert!(held >= 180, "{power}: held {held} of 200");
        }
    }

    #[test]
    fn other_courses_than_powers_come_nearer_than_a_half_sine() {
        // A triangle, a parabola, a box with short flanks, one that leans early (by quadrature, SciPy).
        type Course = fn(f64) -> f64;
        let courses: [(&str, Course, f64); 4] = [
            ("triangle", |x| 1.0 - (2.0 * x - 1.0).abs(), 0.5),
            ("parabola", |x| 4.0 * x * (1.0 - x), 2.0 / 3.0),
            ("flanks", |x| (x.min(1.0 - x) / 0.2).min(1.0), 0.8),
            ("early", |x| libm::sin(PI * libm::pow(x, 0.75)), 0.655_969),
        ];
        let mut draw = normal(2);
        for (name, course, integral) in courses {
            let found = told(&frames(course, 0.0, 0.0, &mut draw));
            let off = mean_over_peak(found.power) / integral - 1.0;
            let arch = (2.0 / PI) / integral - 1.0;
            let [down, up] = found.mean_error();
            assert!(off.abs() < 0.75 * arch.abs(), "{name}: {off:+.3} of {arch:+.3}");
            // A pointed top is none of a power's: it reads a triangle too full, and more than is told.
            if name != "triangle" {
                assert!(off <= down && -off <= up, "{name}: {off:+.3} of {down:.3} {up:.3}");
            }
        }
    }

    #[test]
    fn nothing_seen_is_a_half_sine_and_a_leak_of_late_systole_tells_less() {
        assert_eq!(told(&[]), BEFORE);
        let one = frames(|x| libm::sin(PI * x), 0.9, 0.0, &mut || 0.0);
        assert_eq!((one.len(), told(&one)), (1, BEFORE));
        let course = |x: f64| libm::sin(PI * x).sqrt();
        let (whole, late) =
            (told(&frames(course, 0.0, 0.0, &mut || 0.0)), told(&frames(course, 0.6, 0.0, &mut || 0.0)));
        assert!(late.error > whole.error && late.error < BEFORE.error, "{late:?} {whole:?}");
        assert!((late.power - 0.5).abs() < 1.96 * late.error, "{late:?}");
    }

    #[test]
    fn each_jet_has_a_height_of_its_own_and_what_is_no_flow_is_left_out() {
        let course = |x: f64| libm::sin(PI * x).sqrt();
        let mut both = frames(course, 0.0, 0.0, &mut || 0.0);
        let second = both.iter().map(|f| FlowFrame { jet: 1, flow_ml_s: 3.0 * f.flow_ml_s, ..*f });
        let second: Vec<FlowFrame> = second.collect();
        both.extend(second);
        let broken = [(0.0, 30.0), (-1.0, 30.0), (5.0, 0.0), (f64::NAN, 30.0)];
        let time = Seconds::new(0.2);
        both.extend(broken.map(|(flow_ml_s, area_mm2)| FlowFrame {
            jet: 0,
            time,
            flow_ml_s,
            area_mm2,
            error: 0.05,
        }));
        let found = told(&both);
        assert!((found.power - 0.5).abs() < 0.02 && found.frames == 18, "{found:?}");
    }
}
