//! What several verbs read: a volume, and the few things the user knows better than the file.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;
use nalgebra::Vector3;

use super::Failure;
use crate::format::{self, OpenOptions, VelocityBar};
use crate::space::{Direction, direction};
use crate::unit::MetresPerSecond;
use crate::volume::Volume4;

/// What the user knows better than the file
#[derive(Debug, Default, Args)]
pub(super) struct Known {
    /// Nyquist velocity in m/s, where the file does not state it or states it wrongly
    #[arg(long, value_name = "M/S", value_parser = nyquist)]
    nyquist: Option<MetresPerSecond>,
    /// The velocity bar of a colour-coded volume, a TOML file: velocities are read back from its colours
    #[arg(long, value_name = "FILE")]
    velocity_bar: Option<PathBuf>,
}

impl Known {
    /// The same for the reader
    pub(super) fn options(&self) -> Result<OpenOptions, Failure> {
        let bar = self.velocity_bar.as_deref().map(VelocityBar::open).transpose()?;
        Ok(OpenOptions { nyquist: self.nyquist, velocity_bar: bar.map(Arc::new), ..OpenOptions::default() })
    }
}

/// Opens a volume
pub(super) fn open(path: &Path, known: &Known) -> Result<Volume4, Failure> {
    Ok(format::open(path, &known.options()?)?)
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
    }
}
