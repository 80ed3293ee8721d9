//! What a measurement was told: kept with its results, so that it can be done again as it was.

use nalgebra::Vector3;

use super::Options;
use super::results::Given;
use crate::beat::ContinuousWave;
use crate::severity::{Criteria, Evidence};
use crate::space::direction;
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::Volume4;

impl Given {
    /// What `options` tell about `volume`
    pub(super) fn of(volume: &Volume4, options: &Options) -> Self {
        let cw = &options.continuous_wave;
        Self {
            nyquist_m_s: volume.provenance.nyquist_given.map(MetresPerSecond::get),
            baseline_shift_m_s: volume.provenance.baseline_given.map(MetresPerSecond::get),
            anterior_posterior: options.anterior_posterior.map(|direction| direction.into_inner().into()),
            cw_peak_m_s: cw.peak.map(MetresPerSecond::get),
            cw_vti_m: cw.vti_m,
            cw_duration_s: cw.duration.map(Seconds::get),
            systole_s: options.systole.map(|ends| ends.map(Seconds::get)),
        }
    }
}

impl Options {
    /// The options of a measurement that was told this, graded with this evidence against the
    /// built-in table of this name
    ///
    /// A table of the user's own is not kept with the results, only its name: the default stands in
    /// for it, and nothing but the grading depends on it.
    pub fn of(given: &Given, criteria: &str, evidence: Evidence) -> Self {
        Self {
            anterior_posterior: given.anterior_posterior.map(Vector3::from).and_then(direction),
            continuous_wave: ContinuousWave {
                peak: given.cw_peak_m_s.map(MetresPerSecond::new),
                vti_m: given.cw_vti_m,
                duration: given.cw_duration_s.map(Seconds::new),
            },
            systole: given.systole_s.map(|ends| ends.map(Seconds::new)),
            criteria: Criteria::built_in(criteria).unwrap_or_default(),
            evidence,
            ..Self::default()
        }
    }
}
