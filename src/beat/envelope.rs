//! The velocity envelope of continuous-wave Doppler, which the volume does not hold.
//!
//! Its peak and duration, or its velocity-time integral, are typed in. Its course is taken as a power of a
//! half-sine over the jet's systole, so that a leak late in systole is not multiplied by the whole
//! integral; the power is that of [`super::fullness`].

use std::f64::consts::PI;

use crate::numeric::distribution::incomplete_beta;
use crate::unit::{MetresPerSecond, Seconds};

use super::SystoleBounds;
use super::fullness::{FlowFrame, Fullness, fullness, mean_over_peak};

/// A velocity envelope over a part of the beat: `V sin(pi t / T)^p`
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Envelope {
    peak: MetresPerSecond,
    start: Seconds,
    duration: Seconds,
    fullness: Fullness,
    /// Whether the integral was typed in, not the peak
    traced: bool,
}

/// What the reader knows of the continuous-wave Doppler
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ContinuousWave {
    /// Peak velocity
    pub peak: Option<MetresPerSecond>,
    /// Velocity-time integral, m
    pub vti_m: Option<f64>,
    /// Length of the envelope; the length of systole where not given
    pub duration: Option<Seconds>,
}

impl Envelope {
    /// Share by which a typed velocity-time integral or peak may be off, at 95 % (common practice, no source)
    pub const TYPED_ERROR: f64 = 0.08;

    /// The envelope of a continuous-wave Doppler over systole; `None` where neither a positive peak
    /// nor a positive integral is known
    ///
    /// `seen` are the jets' flows and areas in those frames in which both were measured: their ratio is the
    /// speed through the vena contracta, which tells how full the envelope is. Without any it is a half-sine, of
    /// which peak `V` and length `T` have the integral `2 V T / pi`.
    pub fn new(known: &ContinuousWave, systole: &SystoleBounds, seen: &[FlowFrame]) -> Option<Self> {
        let whole = systole.end - systole.start;
        let duration = known.duration.unwrap_or(whole);
        if !(duration.is_finite() && duration > Seconds::ZERO) {
            return None;
        }
        // Centred on systole where it is shorter or longer.
        let start = systole.start + (whole - duration) / 2.0;
        let fullness = fullness(seen, start, duration);
        let mean = mean_over_peak(fullness.power);
        let from_vti = known.vti_m.map(|vti| MetresPerSecond::new(vti / (mean * duration.get())));
        let peak = from_vti.or(known.peak).filter(|v| v.is_finite() && *v > MetresPerSecond::ZERO)?;
        let traced = from_vti.is_some();
        Some(Self { peak, start, duration, fullness, traced })
    }

    /// Shares by which the integral may be off, down and up, at 95 %
    pub fn error(&self) -> [f64; 2] {
        if self.traced {
            return [Self::TYPED_ERROR; 2];
        }
        self.fullness.mean_error().map(|share| libm::hypot(share, Self::TYPED_ERROR))
    }

    /// The same envelope as pointed and as full as it may be, at 95 %; what was typed in stays
    pub fn ends(&self) -> [Self; 2] {
        self.fullness.ends().map(|power| {
            let scale =
                if self.traced { mean_over_peak(self.fullness.power) / mean_over_peak(power) } else { 1.0 };
            let fullness = Fullness { power, ..self.fullness };
            Self { peak: self.peak * scale, fullness, ..*self }
        })
    }

    /// Velocity-time integral, m
    pub fn vti_m(&self) -> f64 {
        self.peak.get() * self.duration.get() * mean_over_peak(self.fullness.power)
    }

    /// When it begins
    pub fn start(&self) -> Seconds {
        self.start
    }

    /// How long it lasts
    pub fn duration(&self) -> Seconds {
        self.duration
    }

    /// How full it is
    pub fn fullness(&self) -> Fullness {
        self.fullness
    }

    /// Integral of the velocity between two moments, m
    pub(super) fn between(&self, from: f64, to: f64) -> f64 {
        let passed = |time: f64| {
            let at = ((time - self.start.get()) / self.duration.get()).clamp(0.0, 1.0);
            passed(self.fullness.power, at)
        };
        self.vti_m() * (passed(to) - passed(from))
    }
}

/// The integral of `sin(pi x)^power` from 0 to `x` over that to 1: the incomplete beta function of the square of
/// the sine, with `(power + 1) / 2` and 1/2 (closed form)
fn passed(power: f64, x: f64) -> f64 {
    let square = libm::sin(PI * x.min(1.0 - x)).powi(2).min(1.0);
    let half = 0.5 * incomplete_beta(f64::midpoint(power, 1.0), 0.5, square);
    if x <= 0.5 { half } else { 1.0 - half }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn systole() -> SystoleBounds {
        SystoleBounds { start: Seconds::new(0.1), end: Seconds::new(0.4), reason: String::new() }
    }

    #[test]
    fn nothing_known_gives_no_envelope_and_an_integral_overrules_the_peak() {
        assert!(Envelope::new(&ContinuousWave::default(), &systole(), &[]).is_none());
        let both = ContinuousWave { peak: Some(MetresPerSecond::new(9.0)), vti_m: Some(1.5), duration: None };
        let envelope = Envelope::new(&both, &systole(), &[]).unwrap();
        assert!((envelope.vti_m() - 1.5).abs() < 1e-12);
        assert!((envelope.between(-1.0, 1.0) - 1.5).abs() < 1e-12);
        let broken = ContinuousWave { vti_m: Some(f64::NAN), ..Default::default() };
        assert!(Envelope::new(&broken, &systole(), &[]).is_none());
    }

    #[test]
    fn without_flows_it_is_a_half_sine_with_a_wide_error() {
        let known = ContinuousWave { peak: Some(MetresPerSecond::new(5.0)), ..Default::default() };
        let envelope = Envelope::new(&known, &systole(), &[]).unwrap();
        // 5 m/s over 300 ms: 95.49 cm (closed form 2 V T / pi); half of it by mid-systole, and
        // (1 - cos 60 deg) / 2 = a quarter by a third of the time.
        assert!((envelope.vti_m() - 0.9549).abs() < 1e-4);
        assert!((envelope.between(0.0, 0.25) / envelope.vti_m() - 0.5).abs() < 1e-9);
        assert!((envelope.between(0.0, 0.2) / envelope.vti_m() - 0.25).abs() < 1e-9);
        let [down, up] = envelope.error();
        assert!((0.14..0.2).contains(&down) && (0.22..0.3).contains(&up), "{down} {up}");
    }

    #[test]
    fn flows_over_areas_make_it_as_full_as_they_are() {
        let known = ContinuousWave { peak: Some(MetresPerSecond::new(5.0)), ..Default::default() };
        let frames: Vec<FlowFrame> = (1..8)
            .map(|i| {
                let x = f64::from(i) / 8.0;
                let (speed, area) = (5.0 * libm::sin(PI * x).sqrt(), 30.0 + 10.0 * x);
                FlowFrame {
                    jet: 0,
                    time: Seconds::new(0.1 + 0.3 * x),
                    flow_ml_s: speed * area,
                    area_mm2: area,
                    error: 0.05,
                }
            })
            .collect();
        let envelope = Envelope::new(&known, &systole(), &frames).unwrap();
        // The mean of the root of a half-sine is 0.7628 (closed form by the gamma function).
        assert!((envelope.vti_m() / (5.0 * 0.3 * 0.7628) - 1.0).abs() < 0.02, "{}", envelope.vti_m());
        let [down, up] = envelope.error();
        assert!(down < 0.12 && up < 0.12, "{down} {up}");
    }
}
