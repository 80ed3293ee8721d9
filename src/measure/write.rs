//! From a beat to its result document: the one way in which results are written.

use crate::beat::{self, ContinuousWave, Course, Envelope, SystoleBounds};
use crate::jet::{JetPose, Part, Signal, SignalScale};
use crate::numeric::Interval;
use crate::planimetry::{Agreement, Arms, Assessment, Assumed, Implied, Tracer, departures};
use crate::severity::{Criteria, grade};
use crate::space::VolumePoint;
use crate::trust::beam_angle_deg;
use crate::unit::{MetresPerSecond, Mm2};
use crate::volume::{ChannelKind, VelocityScale, Volume4};

use super::beat::{Beat, JetBeat, JetFrame, MeasuredFrame};
use super::leak;
use super::results::{
    ArmsResult, Components, FrameResult, Given, IntervalPart, JetResult, ObserverChange, PlaneKnown,
    ProfilePoint, Reading, Results, SCHEMA, STANDING_CAUTIONS, Shape, SingleWidth, Source, Systole, Tool,
    Total, Trust, Widths,
};
use super::run::{ENGINE, Options, own_evidence};
use super::zone;

impl Beat {
    /// The results of a volume with these jets: the largest first, their course, sum, regurgitant volume, weighing and
    /// cautions; `said` are further cautions
    pub fn results(&self, volume: &Volume4, trust: Trust, options: &Options, said: Vec<String>) -> Results {
        let given = options.systole.and_then(|[start, end]| beat::given_bounds(&volume.timeline, start, end));
        let open = |frame: &usize| self.jets.iter().any(|jet| jet.is_open(*frame));
        let present: Vec<usize> = (0..volume.frames()).filter(open).collect();
        let systole = given.unwrap_or_else(|| beat::bounds(&volume.timeline, &present));
        let written = self.jets.iter().filter_map(|jet| {
            let mut result = jet_result(volume, self.scale, jet, &systole)?;
            result.convergence = zone::convergence(volume, jet, options.continuous_wave.peak);
            Some(result)
        });
        let mut jets: Vec<JetResult> = written.collect();
        jets.sort_by(|a, b| b.vca_mm2.value.total_cmp(&a.vca_mm2.value));
        for (place, jet) in jets.iter_mut().enumerate() {
            jet.id = place + 1;
        }
        let flows = leak::flow_frames(volume, self);
        let envelope = Envelope::new(&options.continuous_wave, &systole, &flows);
        // The mean weighted by velocity needs the envelope's course and not its height.
        let shape =
            ContinuousWave { peak: Some(MetresPerSecond::new(1.0)), vti_m: None, ..options.continuous_wave };
        let course = Envelope::new(&shape, &systole, &flows);
        for jet in &mut jets {
            let mean =
                course.as_ref().map(|course| leak::weighted_mean(std::slice::from_ref(jet), volume, course));
            jet.systole.velocity_weighted_mean_mm2 = mean;
            let mean = jet.systole.mean_mm2();
            jet.systole.peak_overstates_percent =
                if mean > 0.0 { 100.0 * (jet.vca_mm2.value / mean - 1.0) } else { 0.0 };
        }
        let mut total = total(&jets, volume, envelope.as_ref());
        total.velocity_weighted_mean_mm2 =
            course.filter(|_| !jets.is_empty()).map(|course| leak::weighted_mean(&jets, volume, &course));
        let mut cautions = cautions(volume, &jets, &total, &systole);
        cautions.extend(said);
        let mut results = Results {
            schema: SCHEMA.to_owned(),
            tool: Tool { version: env!("CARGO_PKG_VERSION").to_owned(), engine: ENGINE.to_owned() },
            source: source(volume, self.scale.velocity),
            given: Given::of(volume, options),
            trust,
            jets,
            total,
            severity: None,
            cautions,
        };
        results.severity = Some(grade(&options.criteria, &options.evidence, &own_evidence(&results)));
        results
    }
}

/// One jet; its number is given when all are there
fn jet_result(
    volume: &Volume4,
    scale: SignalScale,
    jet: &JetBeat,
    systole: &SystoleBounds,
) -> Option<JetResult> {
    let (peak, measured) = jet.peak()?;
    let at = measured.largest()?;
    // In a frame of the reader's alone the nearest that the program has says what of the jet is seen.
    let pose = measured.pose.as_ref().or_else(|| jet.pose_about(peak));
    let frames = frame_results(volume, jet);
    let areas: Vec<Option<Mm2>> =
        frames.iter().map(|at| at.vca_mm2.map(|area| Mm2::new(area.value))).collect();
    let course = beat::course(volume.timeline.times(), &areas, systole);
    let vca = measured.vca();
    let implied = Implied::of(Mm2::new(vca.value), at.long_axis.value.get(), at.commissural.value.get());
    let shown = displayed(measured);
    // Widths belong to one outline; the area of several has none.
    let shown_width = (measured.tracings.len() == 1).then(|| at.displayed_widths().long_axis.get());
    let misleads =
        shown_width.is_some_and(|width| Criteria::default().misled_by(width, shown.value).is_some());
    let (neck, plane) = (pose.map_or(at.cut.centre(), |pose| pose.neck), &at.cut);
    let part = |of: fn(&JetPose) -> Part| pose.map_or(Part::Missing, of);
    Some(JetResult {
        id: 0,
        axis: plane.normal().into_inner().into(),
        axis_uncertainty_deg: 1.96 * at.axis_error.to_degrees(),
        neck_mm: neck.to_array(),
        traced_at_mm: plane.centre().to_array(),
        peak_frame: peak,
        beam_angle_deg: beam_angle_deg(volume, neck, plane.normal()),
        components: Components {
            convergence: part(|pose| pose.convergence),
            contraction: part(|pose| pose.contraction),
            expansion: part(|pose| pose.expansion),
        },
        neck_profile: pose.map(profile).unwrap_or_default(),
        vca_mm2: vca,
        displayed_area_mm2: Some(shown),
        traced_area_mm2: measured.tracings.iter().map(|at| at.tracing.outline.area().get()).sum(),
        tracing_mm: at.tracing.outline.points().iter().map(|p| at.cut.at(*p).to_array()).collect(),
        width_mm: Widths {
            long_axis: at.long_axis.into(),
            commissural: at.commissural.into(),
            displayed_long_axis: shown_width,
            long_axis_direction: at.axes.long_axis.into_inner().into(),
            axes_assumed: at.axes.assumed == Assumed::Yes,
        },
        circle_area_mm2: implied.circle.get(),
        ellipse_area_mm2: implied.ellipse.get(),
        shape: shape(at),
        single_width: SingleWidth { error_percent: implied.error_percent, misleads },
        frames,
        systole: systole_result(&course, systole),
        interval_parts: parts(measured),
        arms: Some(arms(&at.arms)),
        observer: observer(volume, scale, peak, measured),
        reading: reading(jet, measured),
        convergence: super::results::Convergence::default(),
    })
}

/// Whose outlines the numbers of a jet belong to
fn reading(jet: &JetBeat, peak: &MeasuredFrame) -> Reading {
    let read = |at: &JetFrame| at.measured().is_some_and(MeasuredFrame::is_read);
    Reading {
        origin: peak.origin,
        jet: jet.name.clone(),
        blind_frames: Vec::new(),
        traced_frames: (0..jet.frames.len()).filter(|frame| read(&jet.frames[*frame])).collect(),
        tracings: if peak.is_read() { peak.tracings.len() } else { 0 },
    }
}

/// Difference between two observers' displayed areas, one standard deviation as a share: Yosefy and others, Am J
/// Cardiol 2009, 978-83 (7.5 %)
const OBSERVER: f64 = 0.075;

/// The area inside the tracings as displayed
fn displayed(peak: &MeasuredFrame) -> Interval {
    let value: f64 = peak.tracings.iter().map(|at| at.tracing.outline.area().get()).sum();
    let half = 1.96 * OBSERVER * value;
    Interval::around(value, half, half)
}

fn arms(arms: &Arms) -> ArmsResult {
    ArmsResult {
        outline_mm2: arms.outline_mm2,
        network_mm2: arms.network_mm2,
        network_half: arms.network_half,
        orifice_logit: arms.orifice,
        agree: match arms.agreement {
            Agreement::Alone => None,
            Agreement::Within => Some(true),
            Agreement::Apart => Some(false),
        },
    }
}

/// The parts of the interval; those of several tracings add by name
fn parts(peak: &MeasuredFrame) -> Vec<IntervalPart> {
    let mut sums: Vec<IntervalPart> = Vec::new();
    for part in peak.tracings.iter().flat_map(|tracing| &tracing.parts) {
        match sums.iter_mut().find(|known| known.source == part.source) {
            Some(known) => known.effect_mm2 += part.effect.get(),
            None => {
                sums.push(IntervalPart { source: part.source.to_owned(), effect_mm2: part.effect.get() });
            }
        }
    }
    sums
}

/// What a reader's small departures do to an outline that the program drew
fn observer(volume: &Volume4, scale: SignalScale, frame: usize, peak: &MeasuredFrame) -> Vec<ObserverChange> {
    let Some(at) = peak.largest().filter(|_| !peak.is_read()) else { return Vec::new() };
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

fn shape(at: &Assessment) -> Shape {
    let outline = &at.tracing.outline;
    let feret = outline.feret();
    Shape {
        class: at.shape(),
        axis_ratio: feret.max / feret.min,
        circularity: outline.circularity(),
        solidity: outline.solidity(),
        feret_max_mm: feret.max.get(),
        feret_min_mm: feret.min.get(),
        perimeter_mm: outline.perimeter().get(),
    }
}

fn frame_results(volume: &Volume4, jet: &JetBeat) -> Vec<FrameResult> {
    let times = volume.timeline.times();
    let one = |(frame, state): (usize, &JetFrame)| {
        let plane = state.measured().and_then(MeasuredFrame::largest).map(|at| at.cut);
        let pose = state.pose();
        let axis = plane.map(|plane| plane.normal()).or(pose.map(|pose| pose.axis));
        FrameResult {
            frame,
            time_s: times[frame].get(),
            vca_mm2: state.vca(),
            hidden: matches!(state, JetFrame::Dropout(_)),
            neck_mm: pose
                .map(|pose| pose.neck)
                .or(plane.map(|plane| plane.centre()))
                .map(VolumePoint::to_array),
            traced_at_mm: plane.map(|plane| plane.centre().to_array()),
            axis: axis.map(|axis| axis.into_inner().into()),
            plane: state.proposed().map(|pose| PlaneKnown::of(&pose.section())),
        }
    };
    jet.frames.iter().enumerate().map(one).collect()
}

fn systole_result(course: &Course, bounds: &SystoleBounds) -> Systole {
    Systole {
        velocity_weighted_mean_mm2: None,
        pattern: course.pattern,
        present_fraction: course.present_fraction,
        mean_vca_mm2: course.mean.get(),
        integral_mm2_s: course.integral_mm2_s,
        bounds_s: [bounds.start.get(), bounds.end.get()],
        peak_overstates_percent: 0.0,
    }
}

/// The frame in which the areas of all jets together are largest
///
/// Half widths add: what the jets share (point spread, gain) is wrong for all of them alike.
fn total(jets: &[JetResult], volume: &Volume4, envelope: Option<&Envelope>) -> Total {
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
        displayed_area_mm2: jets.iter().filter_map(|jet| jet.displayed_area_mm2).reduce(Interval::together),
        velocity_weighted_mean_mm2: None,
        vca_mm2: frame.map_or(Interval { value: 0.0, low: 0.0, high: 0.0 }, sum),
        frame,
        regurgitant_volume_ml: envelope.map(|e| leak::volume(jets, volume, e)),
        cw_envelope: envelope.map(leak::envelope),
    }
}

fn source(volume: &Volume4, scale: VelocityScale) -> Source {
    let (low, high) = scale.limits();
    Source {
        file: volume.provenance.file.clone(),
        blake3: volume.provenance.blake3.clone(),
        format: volume.provenance.format.clone(),
        channels: volume.channels().iter().map(crate::volume::Channel::kind).collect(),
        grid: volume.grid.shape(),
        voxel_mm: volume.grid.spacing_mm(),
        frames: volume.frames(),
        frame_interval_s: volume.timeline.interval().map(crate::unit::Seconds::get),
        nyquist_m_s: scale.nyquist().get(),
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
        [_] => format!(
            "; of {} it holds what may hide, since its vena contracta is not displayed",
            listed(&hidden)
        ),
        _ => format!(
            "; of {} it holds what may hide, since their vena contractas are not displayed",
            listed(&hidden)
        ),
    };
    // People count frames from 1.
    let place = frame + 1;
    format!("The total is that of {} in frame {place}, where it is largest{closed}{hides}.", listed(&now))
}

fn cautions(volume: &Volume4, jets: &[JetResult], total: &Total, systole: &SystoleBounds) -> Vec<String> {
    let mut cautions: Vec<String> = STANDING_CAUTIONS.map(str::to_owned).into();
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
            "The long-axis width alone would mislead here: by its own cut points it is of another grade than the area."
                .to_owned(),
        );
    }
    if jets.iter().any(|jet| jet.systole.varies()) {
        cautions.push(
            "The regurgitation is not the same through systole: one frame's area times the whole velocity-time \
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
