//! What several verbs read: a volume, and the few things the user knows better than the file.

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;
use nalgebra::Vector3;

use super::Failure;
use crate::format::{self, OpenOptions, VelocityBar};
use crate::measure::told;
use crate::severity::{Criteria, Evidence, Item, LONGEST_TEXT, is_criteria_file};
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
    if !is_criteria_file(given) {
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
    told::nyquist(value)
}

/// A baseline shift in m/s
fn shift(text: &str) -> Result<MetresPerSecond, String> {
    told::baseline_shift(number(text)?)
}

/// Any number
pub(super) fn number(text: &str) -> Result<f64, String> {
    text.trim().parse::<f64>().ok().filter(|value| value.is_finite()).ok_or_else(|| "not a number".into())
}

/// A number above zero
pub(super) fn positive(text: &str) -> Result<f64, String> {
    let value: f64 = text.trim().parse().map_err(|_| "not a number".to_owned())?;
    told::positive(value)
}

/// A peak velocity of continuous-wave Doppler, m/s
pub(super) fn cw_peak(text: &str) -> Result<f64, String> {
    told::of_item(Item::CwPeakMS, text.trim().parse().map_err(|_| "not a number".to_owned())?)
}

/// A velocity-time integral of continuous-wave Doppler, cm
pub(super) fn cw_vti(text: &str) -> Result<f64, String> {
    told::of_item(Item::CwVtiCm, text.trim().parse().map_err(|_| "not a number".to_owned())?)
}

/// First and last moment of systole, `START,END` in ms after the R wave
pub(super) fn systole(text: &str) -> Result<[Seconds; 2], String> {
    let values: Vec<f64> = text
        .split(',')
        .map(|part| part.trim().parse::<f64>().ok().filter(|value| value.is_finite()))
        .collect::<Option<_>>()
        .ok_or("not two numbers START,END")?;
    match values[..] {
        [start, end] => told::systole([start, end]),
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
        assert_eq!((cw_peak("5.1"), cw_vti("140")), (Ok(5.1), Ok(140.0)));
        // cm/s, m, and what is no number.
        for wrong in ["510", "0.2", "nan", "fast"] {
            assert!(cw_peak(wrong).is_err(), "{wrong}");
        }
        assert!(cw_vti("1.4").is_err());
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
