//! From a volume to its result document.

use crate::beat::{self, ContinuousWave, Course, Envelope, SystoleBounds};
use crate::jet::{self, Jet, JetError, JetOptions, JetPose, Signal, SignalScale, StrengthSource};
use crate::job::{Cancelled, Watch};
use crate::numeric::Interval;
use crate::planimetry::{Assessment, Assumed, Implied, Tracer, classify, departures};
use crate::severity::{Criteria, Evidence, Own, WidthFit, weigh};
use crate::space::Direction;
use crate::trust;
use crate::unit::{Mm2, Seconds};
use crate::volume::{ChannelKind, Volume4};

use super::frame::{JetBeat, in_frames};
use super::leak;
use super::results::{
    Components, Convergence, FrameResult, Given, IntervalPart, JetResult, ObserverChange, ProfilePoint,
    Reading, Results, SCHEMA, Shape, SingleWidth, Source, Systole, Tool, Total, Trust, Widths,
};
use super::zone;

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

/// Measures every jet of a volume
///
/// # Errors
/// See [`MeasureError`]. No jet is not an error: the document then has an empty list.
pub fn measure(volume: &Volume4, options: &Options, watch: &Watch) -> Result<Results, MeasureError> {
    // The cheapest refusal first.
    let given = options.systole.map(|given| given_systole(volume, given)).transpose()?;
    let (scale, jets) = jet::find(volume, &options.jets, watch)?;
    // Looking for steps reads most of the file on one thread; the others measure the jets meanwhile.
    let acquired = || {
        let stitch = trust::stitch(volume, watch.token());
        (trust::acquisition_with(volume, stitch.as_ref()), stitch)
    };
    let ap = options.anterior_posterior;
    let ((mut findings, stitch), measured) =
        rayon::join(acquired, || in_frames(volume, scale, jets, ap, watch, "measuring the frames"));
    let measured = measured?;
    let jets: Vec<&Jet> = measured.iter().map(|beat| &beat.jet).collect();
    findings.extend(trust::jets(volume, &jets));
    findings.extend(resolutions(volume, scale, &measured));
    findings.extend(
        measured
            .iter()
            .enumerate()
            .filter_map(|(index, beat)| Some(trust::hidden_neck(&hidden_neck(index + 1, beat)?))),
    );

    let present: Vec<usize> =
        (0..volume.frames()).filter(|frame| measured.iter().any(|beat| beat.is_open(*frame))).collect();
    let systole = given.unwrap_or_else(|| beat::bounds(&volume.timeline, &present));
    let results: Vec<JetResult> = measured
        .iter()
        .enumerate()
        .filter_map(|(index, beat)| {
            let mut result = jet_result(volume, scale, index + 1, beat, &systole)?;
            let cw = options.continuous_wave.peak;
            result.convergence = zone::convergence(volume, &beat.zones(), result.peak_frame, cw);
            Some(result)
        })
        .collect();
    let envelope = Envelope::new(&options.continuous_wave, &systole, &leak::flow_frames(&results));
    let total = total(&results, volume, envelope.as_ref());
    let cautions = cautions(volume, &results, &total, &systole);
    let mut results = Results {
        schema: SCHEMA.to_owned(),
        tool: Tool { version: env!("CARGO_PKG_VERSION").to_owned(), engine: ENGINE.to_owned() },
        source: source(volume),
        given: Given::of(volume, options),
        trust: Trust { verdict: trust::worst(&findings), findings, stitch },
        jets: results,
        total,
        severity: None,
        cautions,
    };
    results.severity = Some(weigh(&options.criteria, &options.evidence, &own_evidence(&results)));
    Ok(results)
}

/// What the results bring to the weighing
pub fn own_evidence(results: &Results) -> Own {
    let largest = results.jets.first();
    let alone = largest.filter(|_| results.jets.len() == 1);
    let width_fit = match alone {
        Some(jet) if jet.single_width.misleads && jet.circle_area_mm2 < jet.vca_mm2.value => {
            WidthFit::TooSmall
        }
        Some(jet) if jet.single_width.misleads => WidthFit::TooLarge,
        _ => WidthFit::Fits,
    };
    Own {
        jets: results.jets.len(),
        vca_mm2: largest.map(|_| results.total.vca_mm2),
        whole: !results.trust.findings.iter().any(|finding| finding.code == "colour-box"),
        width_mm: alone.map(|jet| jet.width_mm.long_axis),
        width_fit,
        regurgitant_volume_ml: results.total.regurgitant_volume_ml,
        pattern: largest.map_or(beat::Pattern::Unknown, |jet| jet.systole.pattern),
        shape: largest.map(|jet| jet.shape.class),
        trust: results.trust.verdict,
    }
}

/// Systole as it was given, or why it cannot be
fn given_systole(volume: &Volume4, [start, end]: [Seconds; 2]) -> Result<SystoleBounds, MeasureError> {
    let times = volume.timeline.times();
    beat::given_bounds(&volume.timeline, start, end).ok_or_else(|| MeasureError::Systole {
        given: [start, end],
        acquired: [times[0], times[times.len() - 1]],
    })
}

/// What the edges of each jet at its peak show to be resolved; nothing where no power was stored, since
/// the point spread is then assumed and not seen
fn resolutions(volume: &Volume4, scale: SignalScale, measured: &[JetBeat]) -> Vec<trust::Finding> {
    if scale.source == StrengthSource::Colour {
        return Vec::new();
    }
    let at_peak = |beat: &JetBeat| {
        let at = beat.at_peak()?.1;
        let narrowest = at.long_axis.value.get().min(at.commissural.value.get());
        Some((at.blur.sigma.get(), at.blur.sigma_error.get(), narrowest))
    };
    let seen = measured.iter().enumerate().filter_map(|(index, beat)| Some((index + 1, at_peak(beat)?)));
    seen.map(|(id, (sigma_mm, sigma_error_mm, narrowest_mm))| {
        trust::resolution(volume, &trust::Sharpness { id, sigma_mm, sigma_error_mm, narrowest_mm })
    })
    .collect()
}

/// Where a jet's neck is not displayed; `None` where it is in every frame in which the jet is there
fn hidden_neck(id: usize, beat: &JetBeat) -> Option<trust::HiddenNeck> {
    let frames = beat.frames.iter().filter(|at| at.hides).count();
    let areas = (0..beat.frames.len()).filter_map(|frame| Some(beat.hidden(frame)?.1.high));
    let most_mm2 = areas.fold(0.0, f64::max);
    let measured = beat.frames.iter().filter(|at| at.assessed.is_some()).count();
    (frames > 0).then_some(trust::HiddenNeck { id, frames, measured, most_mm2 })
}

fn jet_result(
    volume: &Volume4,
    scale: SignalScale,
    id: usize,
    beat: &JetBeat,
    systole: &SystoleBounds,
) -> Option<JetResult> {
    let (peak, at) = beat.at_peak()?;
    let pose = beat.jet.poses[peak].as_ref()?;
    let frames = frame_results(volume, beat);
    let areas: Vec<Option<Mm2>> =
        frames.iter().map(|at| at.vca_mm2.map(|area| Mm2::new(area.value))).collect();
    let course = beat::course(volume.timeline.times(), &areas, systole);
    let vca = Interval::from(at.vca);
    let implied = Implied::of(vca, at.long_axis.value.get(), at.commissural.value.get());
    Some(JetResult {
        id,
        axis: pose.axis.into_inner().into(),
        axis_uncertainty_deg: 1.96 * pose.axis_error.to_degrees(),
        neck_mm: pose.neck.to_array(),
        traced_at_mm: pose.narrowest.to_array(),
        peak_frame: peak,
        beam_angle_deg: trust::beam_angle_deg(volume, pose),
        components: Components {
            convergence: pose.convergence,
            contraction: pose.contraction,
            expansion: pose.expansion,
        },
        neck_profile: profile(pose),
        vca_mm2: vca,
        traced_area_mm2: at.tracing.outline.area().get(),
        tracing_mm: at.tracing.outline.points().iter().map(|p| at.cut.at(*p).to_array()).collect(),
        width_mm: Widths {
            long_axis: at.long_axis.into(),
            commissural: at.commissural.into(),
            long_axis_direction: at.axes.long_axis.into_inner().into(),
            axes_assumed: at.axes.assumed == Assumed::Yes,
        },
        circle_area_mm2: implied.circle.get(),
        ellipse_area_mm2: implied.ellipse.get(),
        shape: shape(at),
        single_width: SingleWidth { error_percent: implied.error_percent, misleads: implied.misleads },
        frames,
        systole: systole_result(&course, vca.value, systole),
        interval_parts: at
            .parts
            .iter()
            .map(|p| IntervalPart { source: p.source.to_owned(), effect_mm2: p.effect.get() })
            .collect(),
        observer: observer(volume, scale, peak, at),
        reading: Reading::default(),
        convergence: Convergence::default(),
    })
}

fn observer(volume: &Volume4, scale: SignalScale, frame: usize, at: &Assessment) -> Vec<ObserverChange> {
    let Some(signal) = Signal::new(volume, frame, scale) else { return Vec::new() };
    departures(&Tracer { signal: &signal, anterior_posterior: None, threshold: None }, at)
        .into_iter()
        .map(|d| ObserverChange {
            what: d.what.to_owned(),
            mean_mm2: d.mean.get(),
            largest_mm2: d.largest.get(),
        })
        .collect()
}

fn profile(pose: &JetPose) -> Vec<ProfilePoint> {
    let points = pose.profile.positions_mm.iter().zip(&pose.profile.areas_mm2);
    points.map(|(p, a)| ProfilePoint { position_mm: *p, area_mm2: Some(*a) }).collect()
}

pub(super) fn shape(at: &Assessment) -> Shape {
    let outline = &at.tracing.outline;
    let feret = outline.feret();
    Shape {
        class: classify(&at.corrected),
        axis_ratio: feret.max / feret.min,
        circularity: outline.circularity(),
        solidity: outline.solidity(),
        feret_max_mm: feret.max.get(),
        feret_min_mm: feret.min.get(),
        perimeter_mm: outline.perimeter().get(),
    }
}

fn frame_results(volume: &Volume4, beat: &JetBeat) -> Vec<FrameResult> {
    (0..beat.frames.len())
        .map(|frame| {
            let measured = beat.frames[frame].assessed.as_ref();
            let pose = beat.jet.poses[frame].as_ref().filter(|_| measured.is_some());
            let hidden = beat.hidden(frame);
            let beside = hidden.as_ref().map(|(pose, _)| *pose);
            FrameResult {
                frame,
                time_s: volume.timeline.times()[frame].get(),
                vca_mm2: measured.map(|a| a.vca.into()).or(hidden.map(|(_, area)| area)),
                hidden: hidden.is_some(),
                neck_mm: pose.or(beside).map(|p| p.neck.to_array()),
                traced_at_mm: pose.map(|p| p.narrowest.to_array()),
                axis: pose.or(beside).map(|p| p.axis.into_inner().into()),
            }
        })
        .collect()
}

pub(super) fn systole_result(course: &Course, peak: f64, bounds: &SystoleBounds) -> Systole {
    let mean = course.mean.get();
    Systole {
        pattern: course.pattern,
        present_fraction: course.present_fraction,
        mean_vca_mm2: mean,
        integral_mm2_s: course.integral_mm2_s,
        bounds_s: [bounds.start.get(), bounds.end.get()],
        peak_overstates_percent: if mean > 0.0 { 100.0 * (peak / mean - 1.0) } else { 0.0 },
    }
}

/// The frame in which the areas of all jets together are largest
///
/// Half widths add: what the jets share (point spread, gain) is wrong for all of them alike.
pub(super) fn total(jets: &[JetResult], volume: &Volume4, envelope: Option<&Envelope>) -> Total {
    let frames = volume.frames();
    let sum = |frame: usize| {
        let areas = jets.iter().filter_map(|jet| jet.frames.get(frame)?.vca_mm2);
        areas.fold(Interval::exactly(0.0), Interval::together)
    };
    let envelope = envelope.filter(|_| !jets.is_empty());
    // As for one jet, what is sure decides; what may hide is added and decides nothing.
    let seen = |frame: usize| {
        let at = jets.iter().filter_map(|jet| jet.frames.get(frame).filter(|at| !at.hidden)?.vca_mm2);
        at.fold(Interval::exactly(0.0), Interval::together)
    };
    let best = (0..frames).max_by(|a, b| {
        let (one, other) = (seen(*a), seen(*b));
        one.low.total_cmp(&other.low).then(one.value.total_cmp(&other.value)).then(b.cmp(a))
    });
    let frame = best.filter(|f| seen(*f).value > 0.0);
    Total {
        vca_mm2: frame.map_or(Interval { value: 0.0, low: 0.0, high: 0.0 }, sum),
        frame,
        regurgitant_volume_ml: envelope.map(|e| leak::volume(jets, volume, e)),
        cw_envelope: envelope.map(leak::envelope),
    }
}

fn source(volume: &Volume4) -> Source {
    let (low, high) = volume.velocity_scale.limits();
    Source {
        file: volume.provenance.file.clone(),
        blake3: volume.provenance.blake3.clone(),
        format: volume.provenance.format.clone(),
        channels: volume.channels().iter().map(crate::volume::Channel::kind).collect(),
        grid: volume.grid.shape(),
        voxel_mm: volume.grid.spacing_mm(),
        frames: volume.frames(),
        frame_interval_s: volume.timeline.interval().map(crate::unit::Seconds::get),
        nyquist_m_s: volume.velocity_scale.nyquist().get(),
        velocity_limits_m_s: [low.get(), high.get()],
        assumed: volume.provenance.assumed.clone(),
    }
}

/// What the total is a sum of, in a sentence: which jets are open in its frame and which are not
fn sum_of(jets: &[JetResult], frame: usize) -> String {
    let open = |jet: &&JetResult| jet.frames.get(frame).is_some_and(|at| at.vca_mm2.is_some());
    let (now, then): (Vec<&JetResult>, Vec<&JetResult>) = jets.iter().partition(open);
    let listed = |some: &[&JetResult]| {
        let ids: Vec<String> = some.iter().map(|jet| jet.id.to_string()).collect();
        match &ids[..] {
            [one] => format!("jet {one}"),
            [first @ .., last] => format!("jets {} and {last}", first.join(", ")),
            [] => "no jet".to_owned(),
        }
    };
    let closed = match &then[..] {
        [] => String::new(),
        [_] => format!("; {} is not open then", listed(&then)),
        _ => format!("; {} are not open then", listed(&then)),
    };
    let hidden: Vec<&JetResult> =
        now.iter().copied().filter(|jet| jet.frames.get(frame).is_some_and(|at| at.hidden)).collect();
    let hides = match &hidden[..] {
        [] => String::new(),
        [_] => format!("; of {} it holds what may hide, since its neck is not displayed", listed(&hidden)),
        _ => format!("; of {} it holds what may hide, since their necks are not displayed", listed(&hidden)),
    };
    format!("The total is that of {} in frame {frame}, where it is largest{closed}{hides}.", listed(&now))
}

pub(super) fn cautions(
    volume: &Volume4,
    jets: &[JetResult],
    total: &Total,
    systole: &SystoleBounds,
) -> Vec<String> {
    let mut cautions = vec![
        "Not a medical device. The result defers to local protocols and to the licensed reader.".to_owned(),
        "The vena contracta area is the effective orifice, smaller than the anatomic one; do not compare \
         the two without saying so."
            .to_owned(),
        "No single number grades a regurgitation: weigh it with every other measurement.".to_owned(),
    ];
    if jets.is_empty() {
        cautions.push(
            "No jet was found. A small, brief or poorly aligned jet can be missed; look at the volume."
                .to_owned(),
        );
    }
    if jets.len() > 1 {
        cautions.push("Several jets: their areas add at the same moment, their widths do not.".to_owned());
        cautions.extend(total.frame.map(|frame| sum_of(jets, frame)));
        if jets.iter().any(|jet| jet.convergence.flow_ml_s.is_some()) {
            cautions.push(
                "Several jets: each draws on the same blood upstream. The flow of one through its convergence reads \
                 too much where the other is open too, in simulated pairs by a fifth in the median; the flows do \
                 not add."
                    .to_owned(),
            );
        }
    }
    if jets.iter().any(|jet| jet.width_mm.axes_assumed) {
        cautions.push(
            "The anterior-posterior direction was not given: the long-axis width is the tracing's \
             shortest caliper width, by assumption."
                .to_owned(),
        );
    }
    if jets.iter().any(|jet| jet.single_width.misleads) {
        cautions.push(
            "A circle on the long-axis width alone would mislead here: the orifice is not round.".to_owned(),
        );
    }
    let short = |jet: &JetResult| {
        use crate::beat::Pattern::{Holosystolic, Unknown};
        jet.systole.pattern != Unknown
            && (jet.systole.pattern != Holosystolic || jet.systole.peak_overstates_percent > 25.0)
    };
    if jets.iter().any(short) {
        cautions.push(
            "The leak is not the same through systole: one frame's area times the whole velocity-time \
             integral would overstate it."
                .to_owned(),
        );
    }
    if volume.channel(ChannelKind::Power).is_none() {
        cautions.push(
            "Without a power channel the blooming correction rests on assumed point spread and gain."
                .to_owned(),
        );
    }
    if !jets.is_empty() && volume.frames() > 1 {
        cautions.push(format!(
            "Systole was {}: {:.0} to {:.0} ms after the R wave.",
            systole.reason,
            1000.0 * systole.start.get(),
            1000.0 * systole.end.get()
        ));
    }
    cautions
}
