//! What several verbs read: a volume, and the few things the user knows better than the file.

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;
use nalgebra::Vector3;

use super::Failure;
use crate::format::{self, OpenOptions, VelocityBar};
use crate::severity::{Criteria, Evidence};
use crate::space::{Direction, direction};
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::Volume4;

/// What the user knows better than the file
#[derive(Debug, Default, Args)]
pub(super) struct Known {
    /// Nyquist velocity in m/s, where the file does not state it or states it wrongly
    #[arg(long, value_name = "M/S", value_parser = nyquist)]
    nyquist: Option<MetresPerSecond>,
    /// Baseline shift in m/s, how far the middle of the displayed range lies from zero, where the file does not state
    /// it or states it wrongly
    #[arg(long, value_name = "M/S", value_parser = shift, allow_hyphen_values = true)]
    baseline: Option<MetresPerSecond>,
    /// The velocity bar of a colour-coded volume, a TOML file: velocities are read back from its colours
    #[arg(long, value_name = "FILE")]
    velocity_bar: Option<PathBuf>,
}

impl Known {
    /// The Nyquist velocity, where it was given
    pub(super) fn nyquist(&self) -> Option<MetresPerSecond> {
        self.nyquist
    }

    /// The baseline shift, where it was given
    pub(super) fn baseline(&self) -> Option<MetresPerSecond> {
        self.baseline
    }

    /// Whether there is anything
    pub(super) fn is_given(&self) -> bool {
        self.nyquist.is_some() || self.baseline.is_some() || self.velocity_bar.is_some()
    }

    /// The same for the reader
    pub(super) fn options(&self) -> Result<OpenOptions, Failure> {
        let bar = self.velocity_bar.as_deref().map(VelocityBar::open).transpose()?;
        Ok(OpenOptions {
            nyquist: self.nyquist,
            baseline_shift: self.baseline,
            velocity_bar: bar.map(Arc::new),
            ..OpenOptions::default()
        })
    }
}

/// Opens the volume that files or folders make
pub(super) fn open<P: AsRef<Path>>(paths: &[P], known: &Known) -> Result<Volume4, Failure> {
    Ok(format::open_all(paths, &known.options()?)?)
}

/// The longest file of evidence or criteria; a typed one is a few thousand bytes (our own choice)
const LONGEST_TEXT: u64 = 1 << 20;

/// A short text file, in UTF-8
fn text(path: &Path, what: &str) -> Result<String, Failure> {
    let cannot = |why: String| {
        Failure::usage(format!("cannot read the {what} {}: {why}", path.display()), "check the path")
    };
    let file = File::open(path).map_err(|error| cannot(error.to_string()))?;
    let mut bytes = Vec::new();
    file.take(LONGEST_TEXT + 1).read_to_end(&mut bytes).map_err(|error| cannot(error.to_string()))?;
    if bytes.len() as u64 > LONGEST_TEXT {
        return Err(cannot("it is longer than 1 MiB, and this file is a short text".into()));
    }
    String::from_utf8(bytes).map_err(|_| cannot("it is not text in UTF-8".into()))
}

/// A file of evidence
pub(super) fn evidence(path: &Path) -> Result<Evidence, Failure> {
    Evidence::from_text(&text(path, "evidence")?).map_err(|error| in_file(path, error.into()))
}

/// Criteria by the name of built-in ones, or else from a file
pub(super) fn criteria(given: &str) -> Result<Criteria, Failure> {
    let path = Path::new(given);
    // A path has a slash or an ending; a file that is there wins over a misspelt name.
    if path.extension().is_none() && path.components().count() == 1 && !path.is_file() {
        return Ok(Criteria::built_in(given)?);
    }
    Criteria::from_toml(&text(path, "criteria")?).map_err(|error| in_file(path, error.into()))
}

fn in_file(path: &Path, failure: Failure) -> Failure {
    Failure { error: format!("{}: {}", path.display(), failure.error), ..failure }
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

/// A baseline shift in m/s
fn shift(text: &str) -> Result<MetresPerSecond, String> {
    let value = number(text)?;
    let sound = value.abs() <= 10.0;
    sound
        .then(|| MetresPerSecond::new(value))
        .ok_or_else(|| "a baseline shift lies within 10 m/s (0.3 is 30 cm/s)".into())
}

/// Any number
pub(super) fn number(text: &str) -> Result<f64, String> {
    text.trim().parse::<f64>().ok().filter(|value| value.is_finite()).ok_or_else(|| "not a number".into())
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
        assert_eq!(shift("-0.3"), Ok(MetresPerSecond::new(-0.3)));
        assert!(shift("30").is_err() && shift("inf").is_err());
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
