//! What the reader knows beside the volume, and what it is weighed against.
//!
//! The form is the weighing's own ([`Evidence`]): one list of items for the file on the command line
//! and for the screen. What the measurement itself needs of it (the continuous-wave Doppler, the
//! moments of systole) is taken out here.

use crate::beat::ContinuousWave;
use crate::severity::{Criteria, Evidence, Item};
use crate::unit::{MetresPerSecond, Seconds};

use super::settings::within;
use super::{ReviewError, Work};

/// The continuous-wave Doppler among what was entered
pub(super) fn continuous_wave(evidence: &Evidence) -> ContinuousWave {
    let number = |item| evidence.number(item).map(|interval| interval.value);
    ContinuousWave {
        peak: number(Item::CwPeakMS).map(MetresPerSecond::new),
        // Typed in centimetres, as it is read off the machine.
        vti_m: number(Item::CwVtiCm).map(|cm| cm / 100.0),
        duration: None,
    }
}

/// The moments of systole that the reader settled
pub(super) fn systole(work: &Work) -> Option<[Seconds; 2]> {
    work.systole_ms.map(|ends| ends.map(|ms| Seconds::new(1e-3 * ms)))
}

/// The table that a review is weighed against
///
/// # Errors
/// [`ReviewError::Severity`] where no built-in table has that name.
pub(super) fn criteria(work: &Work) -> Result<Criteria, ReviewError> {
    if work.criteria.is_empty() { Ok(Criteria::default()) } else { Ok(Criteria::built_in(&work.criteria)?) }
}

/// Refuses moments of systole that cannot be meant
pub(super) fn check_systole(ends: [f64; 2]) -> Result<(), ReviewError> {
    for end in ends {
        within("a moment of systole in ms", end, -2000.0, 2000.0)?;
    }
    if ends[0] < ends[1] {
        return Ok(());
    }
    Err(ReviewError::Systole { from: ends[0], to: ends[1] })
}
