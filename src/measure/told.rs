//! What a user tells about a measurement, in the units that are typed: the one place where it is checked.
//!
//! The command line and the Python package both fill a [`Told`]; what it means to the measurement and how the
//! report repeats it follow from it.

use super::Options;
use crate::beat::ContinuousWave;
use crate::severity::{Criteria, Evidence, Item, Kind};
use crate::space::Direction;
use crate::unit::{MetresPerSecond, Seconds};

/// What was told beside the volume; `None` where the measurement finds out for itself
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Told {
    /// Nyquist velocity
    pub nyquist: Option<MetresPerSecond>,
    /// Shift of the baseline
    pub baseline_shift: Option<MetresPerSecond>,
    /// Anterior-posterior direction in volume space
    pub anterior_posterior: Option<Direction>,
    /// Peak velocity of the continuous-wave Doppler, m/s
    pub cw_peak_m_s: Option<f64>,
    /// Its velocity-time integral, cm
    pub cw_vti_cm: Option<f64>,
    /// Length of its envelope, ms
    pub cw_duration_ms: Option<f64>,
    /// First and last moment of systole
    pub systole: Option<[Seconds; 2]>,
}

impl Told {
    /// The options of a measurement that was told this; what is not told here may stand in the evidence
    pub fn options(&self, criteria: Criteria, evidence: Evidence) -> Options {
        let entered = |item: Item| evidence.number(item).map(|number| number.value);
        Options {
            systole: self.systole,
            anterior_posterior: self.anterior_posterior,
            continuous_wave: ContinuousWave {
                peak: self.cw_peak_m_s.or(entered(Item::CwPeakMS)).map(MetresPerSecond::new),
                vti_m: self.cw_vti_cm.or(entered(Item::CwVtiCm)).map(|cm| cm / 100.0),
                duration: self.cw_duration_ms.map(|ms| Seconds::new(ms / 1000.0)),
            },
            criteria,
            evidence,
            ..Options::default()
        }
    }

    /// What was told, name and value, as the report repeats it
    pub fn settings(&self) -> Vec<[String; 2]> {
        let number = |value: Option<f64>, unit: &str| value.map(|value| format!("{value} {unit}"));
        let direction = self.anterior_posterior.map(|d| format!("{:.3}, {:.3}, {:.3}", d.x, d.y, d.z));
        let told = [
            ("Nyquist limit, given", number(self.nyquist.map(MetresPerSecond::get), "m/s")),
            ("Baseline shift, given", number(self.baseline_shift.map(MetresPerSecond::get), "m/s")),
            ("Anterior-posterior direction, given", direction),
            ("CW peak velocity, given", number(self.cw_peak_m_s, "m/s")),
            ("CW velocity-time integral, given", number(self.cw_vti_cm, "cm")),
            ("CW duration, given", number(self.cw_duration_ms, "ms")),
            (
                "Systole, given",
                self.systole.map(|[from, to]| format!("{} to {} ms", 1e3 * from.get(), 1e3 * to.get())),
            ),
        ];
        let given: Vec<[String; 2]> =
            told.into_iter().filter_map(|(name, value)| Some([name.to_owned(), value?])).collect();
        if given.is_empty() { vec![["Settings".into(), "all as they are by default".into()]] } else { given }
    }
}

/// A Nyquist velocity in m/s
///
/// # Errors
/// Why it cannot be meant, in words.
pub fn nyquist(value: f64) -> Result<MetresPerSecond, String> {
    // Beyond 10 m/s no Doppler display goes: cm/s was meant. Common practice, no source.
    if value > 0.0 && value <= 10.0 {
        Ok(MetresPerSecond::new(value))
    } else {
        Err("a Nyquist velocity lies between 0 and 10 m/s (0.6 is 60 cm/s)".into())
    }
}

/// A baseline shift, m/s
///
/// # Errors
/// A sentence, where it cannot be meant.
pub fn baseline_shift(value: f64) -> Result<MetresPerSecond, String> {
    let sound = value.abs() <= 10.0;
    sound
        .then(|| MetresPerSecond::new(value))
        .ok_or_else(|| "a baseline shift lies within 10 m/s (0.3 is 30 cm/s)".into())
}

/// A number above zero
///
/// # Errors
/// Why it is none, in words.
pub fn positive(value: f64) -> Result<f64, String> {
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err("must be above zero".into()) }
}

/// A number for an item of the evidence, in its unit and range
///
/// # Errors
/// Why it cannot be meant, in words.
pub fn of_item(item: Item, value: f64) -> Result<f64, String> {
    match item.field().kind {
        Kind::Number { unit, low, high, .. } if !(low..=high).contains(&value) => {
            Err(format!("must lie between {low} and {high} {unit}"))
        }
        _ => Ok(value),
    }
}

/// First and last moment of systole, ms after the R wave
///
/// # Errors
/// Why they cannot be meant, in words.
pub fn systole([start, end]: [f64; 2]) -> Result<[Seconds; 2], String> {
    // A beat of three seconds is a rate of 20 a minute: seconds were not meant, nor microseconds.
    if start < end && start >= -500.0 && end <= 3000.0 && end - start >= 20.0 {
        Ok([start, end].map(|ms| Seconds::new(ms / 1000.0)))
    } else {
        Err("in ms after the R wave, the start before the end and at least 20 ms apart (50,370)".into())
    }
}
