//! What several verbs read: a volume, and the few things the user knows better than the file.

use std::path::Path;

use nalgebra::Vector3;

use super::Failure;
use crate::format::{self, OpenOptions};
use crate::space::{Direction, direction};
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::Volume4;

/// Opens a volume
pub(super) fn open(path: &Path, nyquist: Option<MetresPerSecond>) -> Result<Volume4, Failure> {
    Ok(format::open(path, &OpenOptions { nyquist, ..OpenOptions::default() })?)
}

/// A Nyquist velocity in m/s
pub(super) fn nyquist(text: &str) -> Result<MetresPerSecond, String> {
    let value: f64 = text.trim().parse().map_err(|_| "not a number of m/s".to_owned())?;
    // Beyond 10 m/s no Doppler display goes: cm/s was meant. Common practice, no source.
    if value > 0.0 && value <= 10.0 {
        Ok(MetresPerSecond::new(value))
    } else {
        Err("a Nyquist velocity lies between 0 and 10 m/s (0.6 is 60 cm/s)".into())
    }
}

/// A number above zero
pub(super) fn positive(text: &str) -> Result<f64, String> {
    let value: f64 = text.trim().parse().map_err(|_| "not a number".to_owned())?;
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err("must be above zero".into()) }
}

/// First and last moment of systole, `START,END` in ms after the R wave
pub(super) fn systole(text: &str) -> Result<[Seconds; 2], String> {
    let values: Vec<f64> = text
        .split(',')
        .map(|part| part.trim().parse::<f64>().ok().filter(|value| value.is_finite()))
        .collect::<Option<_>>()
        .ok_or("not two numbers START,END")?;
    match values[..] {
        // A beat of three seconds is a rate of 20 a minute: seconds were not meant, nor microseconds.
        [start, end] if start < end && start >= -500.0 && end <= 3000.0 && end - start >= 20.0 => {
            Ok([start, end].map(|ms| Seconds::new(ms / 1000.0)))
        }
        [_, _] => {
            Err("in ms after the R wave, the start before the end and at least 20 ms apart (50,370)".into())
        }
        _ => Err("not two numbers START,END".into()),
    }
}

/// A position or vector `X,Y,Z`
pub(super) fn triple(text: &str) -> Result<Vector3<f64>, String> {
    let values: Vec<f64> = text
        .split(',')
        .map(|part| part.trim().parse::<f64>().ok().filter(|value| value.is_finite()))
        .collect::<Option<_>>()
        .ok_or("not three numbers X,Y,Z")?;
    match values[..] {
        [x, y, z] => Ok(Vector3::new(x, y, z)),
        _ => Err("not three numbers X,Y,Z".into()),
    }
}

/// A direction `X,Y,Z`, of any length
pub(super) fn along(text: &str) -> Result<Direction, String> {
    direction(triple(text)?).ok_or_else(|| "a direction needs a length".into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_checked() {
        assert_eq!(nyquist("0.6"), Ok(MetresPerSecond::new(0.6)));
        for wrong in ["60", "0", "-1", "nan", "inf", "fast"] {
            assert!(nyquist(wrong).is_err(), "{wrong}");
        }
        assert_eq!(triple(" 1, -2.5,3e0"), Ok(Vector3::new(1.0, -2.5, 3.0)));
        for wrong in ["", "1,2", "1,2,3,4", "1,2,nan", "a,b,c"] {
            assert!(triple(wrong).is_err(), "{wrong}");
        }
        assert_eq!(along("0,0,-2").map(|d| d.z), Ok(-1.0));
        assert!(along("0,0,0").is_err());
        assert_eq!(systole("50, 370"), Ok([Seconds::new(0.05), Seconds::new(0.37)]));
        for wrong in ["", "50", "370,50", "0.05,0.37", "50,370,1", "nan,1", "0,9000", "a,b"] {
            assert!(systole(wrong).is_err(), "{wrong}");
        }
    }
}
