//! From a volume to its result document.

use crate::beat::{self, ContinuousWave};
use crate::jet::{Jet, JetError, JetOptions, StrengthSource};
use crate::job::{CancelToken, Cancelled, Watch};
use crate::planimetry::{Agreement, Arms, SURE};
use crate::severity::{Criteria, Evidence, Own};
use crate::space::Direction;
use crate::trust;
use crate::unit::Seconds;
use crate::volume::Volume4;

use super::beat::{Beat, JetBeat, JetFrame};
use super::results::{Results, Trust};

/// Version of the numerical method: raised when the same input may give other numbers than a release gave (nothing is
/// released yet)
pub const ENGINE: &str = "1";

/// What the user may settle about a measurement
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Anterior-posterior direction in volume space, for naming the widths
    pub anterior_posterior: Option<Direction>,
    /// How jets are looked for
    pub jets: JetOptions,
    /// What is known of the continuous-wave Doppler, for the regurgitant volume
    pub continuous_wave: ContinuousWave,
    /// First and last moment of systole, seconds from the R wave, where a reader has settled them
    pub systole: Option<[Seconds; 2]>,
    /// The table that everything is weighed against
    pub criteria: Criteria,
    /// What the reader knows beside the volume
    pub evidence: Evidence,
}

/// Why a volume could not be measured
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum MeasureError {
    /// There is no velocity channel
    #[error("the volume has no velocity channel, so no jet can be measured")]
    NoVelocity,
    /// The given systole holds no frame
    #[error(
        "no frame lies in the given systole, {start} to {end} ms after the R wave; frames were acquired from {first} \
         to {last} ms",
        start = ms(.given[0]), end = ms(.given[1]), first = ms(.acquired[0]), last = ms(.acquired[1])
    )]
    Systole {
        /// What was given
        given: [Seconds; 2],
        /// Times of the first and the last frame
        acquired: [Seconds; 2],
    },
    /// The work was asked to stop
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// Whole milliseconds, for a message
fn ms(time: Seconds) -> String {
    format!("{:.0}", 1000.0 * time.get())
}

impl From<JetError> for MeasureError {
    fn from(error: JetError) -> Self {
        match error {
            JetError::NoVelocity => Self::NoVelocity,
            JetError::Cancelled(cancelled) => Self::Cancelled(cancelled),
        }
    }
}

impl Trust {
    /// What can be said of an acquisition before a jet is looked for
    pub fn of_acquisition(volume: &Volume4, token: &CancelToken) -> Self {
        let stitch = trust::stitch(volume, token);
        let findings = trust::acquisition_with(volume, stitch.as_ref());
        Self { verdict: trust::worst(&findings), findings, stitch }
    }
}

/// A beat and what speaks against the acquisition
#[derive(Clone, Debug)]
pub struct Measurement {
    /// The jets
    pub beat: Beat,
    /// Whether the acquisition can carry it
    pub trust: Trust,
}

impl Measurement {
    /// Looks at a volume and measures its jets
    ///
    /// # Errors
    /// See [`MeasureError`]. No jet is not an error.
    pub fn of(volume: &Volume4, options: &Options, watch: &Watch) -> Result<Self, MeasureError> {
        // The cheapest refusals first.
        check_systole(volume, options)?;
        volume.velocity().ok_or(MeasureError::NoVelocity)?;
        // Looking for steps reads most of the file on one thread; the others measure the jets meanwhile.
        let acquired = || {
            let stitch = trust::stitch(volume, watch.token());
            (trust::acquisition_with(volume, stitch.as_ref()), stitch)
        };
        let ((mut findings, stitch), beat) =
            volume.both(acquired, || Beat::of(volume, &options.jets, options.anterior_posterior, watch));
        let beat = beat?;
        let jets: Vec<Jet> = beat.jets.iter().map(JetBeat::found).collect();
        findings.extend(trust::jets(volume, &jets.iter().collect::<Vec<_>>()));
        findings.extend(resolutions(volume, &beat));
        findings.extend(agreements(&beat, options.continuous_wave.peak));
        let dropouts = beat.jets.iter().enumerate().filter_map(|(index, jet)| dropouts(index + 1, jet));
        findings.extend(dropouts.map(|dropouts| trust::hidden_neck(&dropouts)));
        Ok(Self { beat, trust: Trust { verdict: trust::worst(&findings), findings, stitch } })
    }
}

/// Measures every jet of a volume
///
/// # Errors
/// See [`MeasureError`]. No jet is not an error: the document then has an empty list.
pub fn measure(volume: &Volume4, options: &Options, watch: &Watch) -> Result<Results, MeasureError> {
    let Measurement { beat, trust } = Measurement::of(volume, options, watch)?;
    Ok(beat.results(volume, trust, options, Vec::new()))
}

/// What the results bring to the grading
pub fn own_evidence(results: &Results) -> Own {
    let largest = results.jets.first();
    let alone = largest.filter(|_| results.jets.len() == 1);
    Own {
        jets: results.jets.len(),
        vca_mm2: largest.map(|_| results.total.vca_mm2),
        displayed_mm2: results.total.displayed_area_mm2,
        whole: !results.trust.findings.iter().any(|finding| finding.code == "colour-box"),
        width_mm: alone.map(|jet| jet.width_mm.shown()),
        regurgitant_volume_ml: results.total.regurgitant_volume_ml,
        pattern: largest.map_or(beat::Pattern::Unknown, |jet| jet.systole.pattern),
        shape: largest.map(|jet| jet.shape.class),
        trust: results.trust.verdict,
    }
}

/// Refuses a given systole that holds no frame
///
/// # Errors
/// [`MeasureError::Systole`].
pub fn check_systole(volume: &Volume4, options: &Options) -> Result<(), MeasureError> {
    let Some(given @ [start, end]) = options.systole else { return Ok(()) };
    let times = volume.timeline.times();
    let found = beat::given_bounds(&volume.timeline, start, end).map(|_| ());
    found.ok_or(MeasureError::Systole { given, acquired: [times[0], times[times.len() - 1]] })
}

/// What the edges of each jet at its peak show to be resolved; nothing where no power was stored, since
/// the point spread is then assumed and not seen
fn resolutions(volume: &Volume4, beat: &Beat) -> Vec<trust::Finding> {
    if beat.scale.source == StrengthSource::Colour {
        return Vec::new();
    }
    let at_peak = |(index, jet): (usize, &JetBeat)| {
        let at = jet.peak()?.1.largest()?;
        Some(trust::Sharpness {
            id: index + 1,
            sigma_mm: at.blur.sigma.get(),
            sigma_error_mm: at.blur.sigma_error.get(),
            narrowest_mm: at.long_axis.value.get().min(at.commissural.value.get()),
        })
    };
    let seen = beat.jets.iter().enumerate().filter_map(at_peak);
    seen.map(|sharpness| trust::resolution(volume, &sharpness)).collect()
}

/// Whether the arms of each jet's area agree, and its flow with its area; that no jet was found
fn agreements(beat: &Beat, typed: Option<crate::unit::MetresPerSecond>) -> Vec<trust::Finding> {
    let mut found = Vec::new();
    for (index, jet) in beat.jets.iter().enumerate() {
        let Some((_, peak)) = jet.peak() else { continue };
        if let Some(arms) = peak.largest().map(|at| &at.arms).filter(|arms| arms.network_mm2.is_some())
            && arms.orifice < SURE
        {
            found.push(trust::unsure(index + 1, arms.orifice, SURE));
        }
        if let Some(Arms { agreement: Agreement::Apart, outline_mm2, network_mm2: Some(network), .. }) =
            peak.largest().map(|at| &at.arms)
        {
            found.push(trust::arms_apart(index + 1, *outline_mm2, *network));
        }
        let flows = jet.frames.iter().filter_map(|at| {
            let flow = at.measured()?.flow.as_ref()?;
            Some((flow.zone.as_ref().ok()?.flow_ml_s[0], flow.over.value))
        });
        let largest = flows.max_by(|a, b| a.0.total_cmp(&b.0));
        let typed = typed.map(crate::unit::MetresPerSecond::get);
        found.extend(largest.and_then(|(flow, area)| trust::discordance(index + 1, flow, area, typed)));
    }
    if beat.jets.is_empty() {
        found.push(trust::no_jet());
    }
    found
}

/// The frames in which a jet's vena contracta is not displayed; `None` where there is none
fn dropouts(id: usize, jet: &JetBeat) -> Option<trust::HiddenNeck> {
    let areas = jet.frames.iter().filter_map(|at| match at {
        JetFrame::Dropout(dropout) => Some(dropout.vca.high),
        JetFrame::Absent | JetFrame::Measured(_) => None,
    });
    let frames = areas.clone().count();
    let measured = jet.frames.iter().filter(|at| at.measured().is_some()).count();
    (frames > 0).then_some(trust::HiddenNeck { id, frames, measured, most_mm2: areas.fold(0.0, f64::max) })
}
