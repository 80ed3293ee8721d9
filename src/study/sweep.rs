//! One parameter varied, everything else held: what it does to the area and the widths.
//!
//! Tilt, roll, level and frame move the cut through the volume as it is stored. Gain moves the
//! contour level. Nyquist and baseline change the codes: on a simulated acquisition it is made
//! again from its recipe and measured whole; on any other the stored codes are wrapped anew, where
//! that is exact, and said where it is not possible. With a truth the error is given, without it the
//! change against the pose that the measurement chose.

use nalgebra::Vector3;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::jet::{JetOptions, Signal, SignalScale};
use crate::job::{Cancelled, Watch};
use crate::measure::results::{Interval, Tool};
use crate::measure::{self, Beat, JetBeat, MeasureError, Options, Results};
use crate::phantom::{self, PhantomError, Truth};
use crate::planimetry::{Assessment, Section, Tracer};
use crate::space::{Cut, Direction, VolumePoint};
use crate::unit::MetresPerSecond;
use crate::volume::{ScaleError, VelocityScale, Volume4, VolumeError};

/// The name of this version of the document
pub const SCHEMA: &str = "narrows/sweep/1";
/// A jet of a measurement made again is the same jet when its neck lies this near, mm (our own choice)
const SAME_JET_MM: f64 = 8.0;

/// What is varied
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Over {
    /// Angle between the cut's normal and the jet axis, degrees
    Tilt,
    /// Turn of the cut about its own normal, degrees
    Roll,
    /// Position along the axis from the chosen cut, mm
    Level,
    /// Colour gain as a factor on the one stored
    Gain,
    /// Frame of the beat
    Frame,
    /// Nyquist velocity, m/s
    Nyquist,
    /// Baseline shift, m/s
    Baseline,
}

impl Over {
    /// All of them, in the order they are offered
    pub const ALL: [Self; 7] =
        [Self::Tilt, Self::Roll, Self::Level, Self::Gain, Self::Frame, Self::Nyquist, Self::Baseline];

    /// Its name in a file and on the command line
    pub const fn key(self) -> &'static str {
        match self {
            Self::Tilt => "tilt",
            Self::Roll => "roll",
            Self::Level => "level",
            Self::Gain => "gain",
            Self::Frame => "frame",
            Self::Nyquist => "nyquist",
            Self::Baseline => "baseline",
        }
    }

    /// Its name and unit
    pub fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Tilt => ("tilt of the cut", "degrees"),
            Self::Roll => ("roll of the cut about its normal", "degrees"),
            Self::Level => ("level along the jet, downstream positive", "mm"),
            Self::Gain => ("colour gain", "times the stored"),
            Self::Frame => ("frame", ""),
            Self::Nyquist => ("Nyquist velocity", "m/s"),
            Self::Baseline => ("baseline shift", "m/s"),
        }
    }
}

/// How a row was made
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum How {
    /// On the stored volume, the chosen pose but for the one thing varied
    Held,
    /// Simulated again from the recipe and measured whole
    Remade,
    /// The stored codes wrapped anew and measured whole
    Rewrapped,
}

/// What the user may settle
#[derive(Clone, Debug, Default)]
pub struct SweepOptions {
    /// Values to visit; empty for the usual ones
    pub values: Vec<f64>,
    /// Which jet, 1 for the largest; 0 means 1
    pub jet: usize,
    /// Whether a recipe may be simulated again
    pub remake: Remake,
    /// Anterior-posterior direction, for naming the widths
    pub anterior_posterior: Option<Direction>,
}

/// Whether a simulated acquisition may be made again
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Remake {
    /// Where its recipe is known and the parameter calls for it
    #[default]
    Allowed,
    /// Work on the stored volume only
    Never,
}

/// Why a sweep was not made
#[derive(Debug, thiserror::Error)]
pub enum SweepError {
    /// The volume cannot be measured
    #[error(transparent)]
    Measure(#[from] MeasureError),
    /// No such jet
    #[error("jet {wanted} was asked for, and {found} were found")]
    NoJet {
        /// Its number
        wanted: usize,
        /// How many there are
        found: usize,
    },
    /// A simulated acquisition could not be made again
    #[error("simulating again at {value}: {source}")]
    Phantom {
        /// The value of the parameter
        value: f64,
        /// Why
        source: PhantomError,
    },
    /// The codes could not be wrapped anew
    #[error("wrapping the codes anew at {value}: {source}")]
    Scale {
        /// The value of the parameter
        value: f64,
        /// Why
        source: ScaleError,
    },
    /// The changed channels do not fit, which they always do
    #[error("putting changed channels together: {0}")]
    Volume(#[from] VolumeError),
}

impl From<Cancelled> for SweepError {
    fn from(cancelled: Cancelled) -> Self {
        Self::Measure(cancelled.into())
    }
}

/// One sweep
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sweep {
    /// Always `narrows/sweep/1`
    pub schema: String,
    /// What made the document
    pub tool: Tool,
    /// File name of the volume
    pub file: String,
    /// BLAKE3 of the volume
    pub blake3: String,
    /// What is varied
    pub over: Over,
    /// How the rows were made
    pub how: How,
    /// Jet, 1 for the largest
    pub jet: usize,
    /// Frame, from 0; where frames are varied, the peak frame
    pub frame: usize,
    /// Value of the parameter at the chosen pose; frames as values are counted from 1
    pub chosen: f64,
    /// Area at the chosen pose
    pub chosen_vca_mm2: Interval,
    /// True effective area there; `null` without a truth
    pub truth_mm2: Option<f64>,
    /// The values visited, in their order
    pub rows: Vec<SweepRow>,
    /// What a reader must bear in mind
    pub notes: Vec<String>,
}

/// One value of the parameter
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SweepRow {
    /// The value; of a frame its number, counted from 1
    pub value: f64,
    /// Area, corrected for blooming; `null` where nothing could be traced
    pub vca_mm2: Option<Interval>,
    /// Smallest and largest area over the directions of a tilt; `null` for other parameters
    pub over_directions_mm2: Option<[f64; 2]>,
    /// Area inside the tracing as displayed; `null` where measured whole in another frame than its peak
    pub traced_mm2: Option<f64>,
    /// Width on the long-axis cut
    pub long_axis_mm: Option<f64>,
    /// Width on the commissural cut
    pub commissural_mm: Option<f64>,
    /// What the 1/cos law of a tube makes of the chosen area; `null` for other parameters
    pub law_mm2: Option<f64>,
    /// Change against the area at the chosen pose, percent
    pub change_percent: Option<f64>,
    /// True effective area in that frame; `null` without a truth
    pub truth_mm2: Option<f64>,
    /// Error against it, percent
    pub error_percent: Option<f64>,
}

/// Varies one parameter
///
/// # Errors
/// See [`SweepError`]. A value at which nothing can be traced is a row without an area, and no error.
pub fn sweep(
    volume: &Volume4,
    truth: Option<&Truth>,
    over: Over,
    options: &SweepOptions,
    watch: &Watch,
) -> Result<Sweep, SweepError> {
    let beat = Beat::of(volume, &JetOptions::default(), options.anterior_posterior, watch)?;
    sweep_beat(volume, &beat, truth, over, options, watch)
}

/// Varies one parameter where a beat has a jet, with what a reader replaced in it
///
/// # Errors
/// As [`sweep`].
pub fn sweep_beat(
    volume: &Volume4,
    beat: &Beat,
    truth: Option<&Truth>,
    over: Over,
    options: &SweepOptions,
    watch: &Watch,
) -> Result<Sweep, SweepError> {
    let chosen_jet = Chosen::new(volume, beat, options)?;
    let scale = beat.scale.velocity;
    let remade = truth.is_some() && options.remake == Remake::Allowed;
    let how = match over {
        Over::Gain if remade => How::Remade,
        Over::Tilt | Over::Roll | Over::Level | Over::Frame | Over::Gain => How::Held,
        Over::Nyquist | Over::Baseline => {
            if remade {
                How::Remade
            } else {
                How::Rewrapped
            }
        }
    };
    let mut notes = Vec::new();
    if chosen_jet.own.value.to_bits() != chosen_jet.base.vca.value.get().to_bits() {
        notes.push(format!(
            "The reader's area in frame {} is {:.1} mm². What is varied is the program's outline on the reader's plane.",
            chosen_jet.frame + 1,
            chosen_jet.own.value
        ));
    }
    let values = values(volume, scale, truth, over, how, options, &mut notes);
    let chosen = match (over, how) {
        (Over::Gain, _) => 1.0,
        (Over::Frame, _) => (chosen_jet.frame + 1) as f64,
        (Over::Nyquist, _) => scale.nyquist().get(),
        (Over::Baseline, How::Remade) => truth.map_or(0.0, |t| t.recipe.doppler.baseline_shift_m_s),
        (Over::Baseline, _) => scale.baseline_shift().get(),
        _ => 0.0,
    };
    let base = chosen_jet.base.vca.value.get();
    let truth_at = |frame: usize| truth.and_then(|truth| true_area(truth, chosen_jet.neck, frame));
    let mut rows = Vec::with_capacity(values.len());
    for (at, value) in values.iter().copied().enumerate() {
        watch.step("sweeping", at, values.len())?;
        let mut row = match how {
            How::Held => chosen_jet.held(over, value),
            How::Remade => {
                // Its truth is there, or it would not be made again.
                let Some(truth) = truth else { continue };
                let made = remake(truth, over, value, watch)?;
                chosen_jet.whole(value, &made, options, watch)?
            }
            How::Rewrapped => {
                let made = rewrap(volume, scale, over, value)?;
                chosen_jet.whole(value, &made, options, watch)?
            }
        };
        let frame = if over == Over::Frame { index(value) } else { chosen_jet.frame };
        row.truth_mm2 = truth_at(frame);
        if over == Over::Tilt {
            row.law_mm2 = Some(base / libm::cos(value.to_radians()));
        }
        let area = row.vca_mm2.map(|vca| vca.value);
        row.change_percent = area.map(|area| 100.0 * (area / base - 1.0)).filter(|c| c.is_finite());
        row.error_percent = area
            .zip(row.truth_mm2)
            .map(|(area, truth)| 100.0 * (area / truth - 1.0))
            .filter(|e| e.is_finite());
        rows.push(row);
    }
    watch.step("sweeping", values.len(), values.len())?;
    let lost = rows.iter().filter(|row| row.vca_mm2.is_none()).count();
    if lost > 0 {
        notes.push(format!("At {lost} of {} values nothing could be traced.", rows.len()));
    }
    note(over, how, &mut notes);
    Ok(Sweep {
        schema: SCHEMA.to_owned(),
        tool: Tool { version: env!("CARGO_PKG_VERSION").to_owned(), engine: measure::ENGINE.to_owned() },
        file: volume.provenance.file.clone(),
        blake3: volume.provenance.blake3.clone(),
        over,
        how,
        jet: chosen_jet.jet,
        frame: chosen_jet.frame,
        chosen,
        chosen_vca_mm2: chosen_jet.own,
        truth_mm2: truth_at(chosen_jet.frame),
        rows,
        notes,
    })
}

/// The frame that a number counted from 1 stands for
fn index(value: f64) -> usize {
    (value as usize).saturating_sub(1)
}

/// The usual values of a parameter
fn values(
    volume: &Volume4,
    scale: VelocityScale,
    truth: Option<&Truth>,
    over: Over,
    how: How,
    options: &SweepOptions,
    notes: &mut Vec<String>,
) -> Vec<f64> {
    let steps = |from: i32, to: i32, by: f64| (from..=to).map(|i| f64::from(i) * by).collect::<Vec<f64>>();
    let nyquist = scale.nyquist().get();
    let own = |usual: Vec<f64>| if options.values.is_empty() { usual } else { options.values.clone() };
    match over {
        Over::Tilt => own(steps(0, 9, 5.0)).into_iter().filter(|t| t.abs() < 89.0).collect(),
        Over::Roll => own(steps(0, 12, 15.0)),
        Over::Level => own(steps(-6, 6, 1.0)),
        Over::Gain => own(steps(7, 13, 0.1)).into_iter().filter(|g| *g > 0.0).collect(),
        Over::Frame => {
            let frames = volume.frames();
            let usual = (1..=frames).map(|frame| frame as f64).collect();
            own(usual).into_iter().filter(|f| *f >= 1.0 && index(*f) < frames).map(f64::floor).collect()
        }
        Over::Nyquist if how == How::Remade => own(steps(3, 9, 0.1)),
        Over::Nyquist => {
            let whole = |value: &f64| {
                let ratio = nyquist / value;
                *value > 0.0 && ratio > 0.5 && (ratio - ratio.round()).abs() < 1e-6
            };
            let asked = own((1..=4).map(|k| nyquist / f64::from(k)).collect());
            let refused = asked.iter().filter(|value| !whole(value)).count();
            if refused > 0 {
                notes.push(format!(
                    "{refused} Nyquist velocities were left out: a stored velocity is known but for whole cycles, \
                     so it can be wrapped anew only at the stored Nyquist velocity divided by 2, 3, 4 and so on. \
                     It cannot be raised: what was aliased stays so."
                ));
            }
            asked.into_iter().filter(whole).collect()
        }
        Over::Baseline => {
            let nyquist = match truth {
                Some(truth) if how == How::Remade => truth.recipe.doppler.nyquist_m_s,
                _ => nyquist,
            };
            own([-0.5, -0.25, 0.0, 0.25, 0.5].map(|share| share * nyquist).to_vec())
        }
    }
}

fn note(over: Over, how: How, notes: &mut Vec<String>) {
    let text = match (over, how) {
        (Over::Tilt, _) => {
            "Mean over four directions of tilt; the band is their range. The 1/cos law holds for a tube: a jet \
             that widens away from its neck departs from it."
        }
        (Over::Roll, _) => {
            "Turning the cut about its own normal shows the same plane: the area should stay, and what it does \
             not is the grain of the method."
        }
        (Over::Level, _) => "The cut is moved along the axis; its direction is held.",
        (Over::Gain, How::Held | How::Rewrapped) => {
            "The contour level is divided by the gain. What the scanner did not store cannot be shown by more gain."
        }
        (Over::Frame, _) => {
            "The cut is held where it was chosen at the peak frame; the jet may move through it."
        }
        (Over::Gain | Over::Nyquist | Over::Baseline, How::Remade) => {
            "Each value is a new simulation of the same recipe, measured whole."
        }
        (Over::Nyquist, _) => {
            "The stored velocities are wrapped anew, exactly; what a scanner would change besides (wall filter, \
             averaging, frame rate) is not in it."
        }
        (Over::Baseline, _) => {
            "The stored velocities are shown about another baseline: the same phases under other codes. The area \
             should stay."
        }
    };
    notes.push(text.to_owned());
}

/// The true effective area of the jet whose neck is nearest
fn true_area(truth: &Truth, neck: VolumePoint, frame: usize) -> Option<f64> {
    let neck = Vector3::from(neck.to_array());
    let near = |jet: &&phantom::JetTruth| {
        let at = jet.peak_frame.and_then(|peak| jet.frames.get(peak));
        at.map_or(f64::MAX, |at| (Vector3::from(at.neck_mm) - neck).norm())
    };
    let jet = truth.jets.iter().min_by(|a, b| near(a).total_cmp(&near(b)))?;
    jet.frames.get(frame).filter(|at| at.present).map(|at| at.effective_area_mm2)
}

/// A jet at its peak, as the measurement has it
struct Chosen<'a> {
    volume: &'a Volume4,
    scale: SignalScale,
    signal: Signal,
    jet: usize,
    frame: usize,
    neck: VolumePoint,
    section: Section,
    /// Its area in the beat, mm2
    own: Interval,
    /// What the program reads on its plane
    base: Assessment,
    anterior_posterior: Option<Direction>,
}

impl<'a> Chosen<'a> {
    fn new(volume: &'a Volume4, beat: &Beat, options: &SweepOptions) -> Result<Self, SweepError> {
        let ap = options.anterior_posterior;
        let Beat { scale, jets } = beat;
        let wanted = options.jet.max(1);
        let missing = || SweepError::NoJet { wanted, found: jets.len() };
        let (frame, at) = jets.get(wanted - 1).and_then(JetBeat::peak).ok_or_else(missing)?;
        let pose = at.pose.as_ref().ok_or_else(missing)?;
        let signal = Signal::new(volume, frame, *scale).ok_or_else(missing)?;
        let own = at.largest().ok_or_else(missing)?;
        let tracer = Tracer { signal: &signal, anterior_posterior: ap, threshold: Some(own.tracing.level) };
        let base = at.is_read().then(|| tracer.propose(&pose.section().on(own.cut)).ok()).flatten();
        Ok(Self {
            volume,
            scale: *scale,
            own: at.vca(),
            base: base.unwrap_or_else(|| own.clone()),
            signal,
            jet: wanted,
            frame,
            neck: pose.neck,
            section: pose.section(),
            anterior_posterior: ap,
        })
    }

    /// The stored volume with one thing varied
    fn held(&self, over: Over, value: f64) -> SweepRow {
        let (cut, level) = (self.base.cut, self.base.tracing.level);
        let on = |cut: &Cut, level: f64| self.trace(&self.signal, cut, level);
        match over {
            Over::Tilt => {
                // Four directions of no tilt are one plane.
                let directions = if value == 0.0 { 1 } else { 4 };
                let found: Vec<Assessment> = (0..directions)
                    .filter_map(|k| {
                        let toward = std::f64::consts::FRAC_PI_2 * f64::from(k);
                        on(&cut.tilted(value.to_radians(), toward), level)
                    })
                    .collect();
                mean_row(value, &found)
            }
            Over::Roll => row(value, on(&cut.rolled(value.to_radians()), level).as_ref()),
            Over::Level => row(value, on(&cut.at_level(value), level).as_ref()),
            Over::Gain => {
                let lower = level / value;
                let shown = self.scale.gate.is_none_or(|gate| lower >= gate);
                row(value, shown.then(|| on(&cut, lower)).flatten().as_ref())
            }
            Over::Frame => {
                let signal = Signal::new(self.volume, index(value), self.scale);
                row(value, signal.and_then(|signal| self.trace(&signal, &cut, level)).as_ref())
            }
            Over::Nyquist | Over::Baseline => row(value, None),
        }
    }

    fn trace(&self, signal: &Signal, cut: &Cut, level: f64) -> Option<Assessment> {
        let tracer = Tracer { signal, anterior_posterior: self.anterior_posterior, threshold: Some(level) };
        tracer.propose(&self.section.on(*cut)).ok()
    }

    /// Another volume, measured whole: the row of the same jet in the same frame
    fn whole(
        &self,
        value: f64,
        volume: &Volume4,
        options: &SweepOptions,
        watch: &Watch,
    ) -> Result<SweepRow, SweepError> {
        let measuring = Options { anterior_posterior: options.anterior_posterior, ..Options::default() };
        let quiet = Watch::new(watch.token().clone(), |_, _, _| {});
        let results: Results = measure::measure(volume, &measuring, &quiet)?;
        let neck = Vector3::from(self.neck.to_array());
        let away = |jet: &&measure::results::JetResult| (Vector3::from(jet.neck_mm) - neck).norm();
        let nearest = results.jets.iter().min_by(|a, b| away(a).total_cmp(&away(b)));
        let Some(jet) = nearest.filter(|jet| away(jet) < SAME_JET_MM) else { return Ok(row(value, None)) };
        let peak = jet.peak_frame == self.frame;
        Ok(SweepRow {
            vca_mm2: jet.frames.get(self.frame).and_then(|at| at.vca_mm2),
            traced_mm2: peak.then_some(jet.traced_area_mm2),
            long_axis_mm: peak.then_some(jet.width_mm.long_axis.value),
            commissural_mm: peak.then_some(jet.width_mm.commissural.value),
            ..row(value, None)
        })
    }
}

fn row(value: f64, found: Option<&Assessment>) -> SweepRow {
    SweepRow {
        value,
        vca_mm2: found.map(|f| f.vca.into()),
        over_directions_mm2: None,
        traced_mm2: found.map(|f| f.tracing.outline.area().get()),
        long_axis_mm: found.map(|f| f.long_axis.value.get()),
        commissural_mm: found.map(|f| f.commissural.value.get()),
        law_mm2: None,
        change_percent: None,
        truth_mm2: None,
        error_percent: None,
    }
}

/// The mean over directions, and their range
fn mean_row(value: f64, found: &[Assessment]) -> SweepRow {
    let mean = |take: &dyn Fn(&Assessment) -> f64| {
        (!found.is_empty()).then(|| found.iter().map(take).sum::<f64>() / found.len() as f64)
    };
    let areas = found.iter().map(|f| f.vca.value.get());
    let vca = mean(&|f| f.vca.value.get()).zip(mean(&|f| f.vca.low.get())).zip(mean(&|f| f.vca.high.get()));
    SweepRow {
        vca_mm2: vca.map(|((value, low), high)| Interval { value, low, high }),
        over_directions_mm2: (!found.is_empty())
            .then(|| [areas.clone().fold(f64::MAX, f64::min), areas.fold(f64::MIN, f64::max)]),
        traced_mm2: mean(&|f| f.tracing.outline.area().get()),
        long_axis_mm: mean(&|f| f.long_axis.value.get()),
        commissural_mm: mean(&|f| f.commissural.value.get()),
        ..row(value, None)
    }
}

/// The acquisition of a truth's recipe with one setting of the scanner changed
fn remake(truth: &Truth, over: Over, value: f64, watch: &Watch) -> Result<Volume4, SweepError> {
    let mut recipe = truth.recipe.clone();
    match over {
        // The recipe's gain is the smallest displayed power as a share of the plateau.
        Over::Gain => recipe.doppler.gain /= value,
        Over::Nyquist => {
            let share = recipe.doppler.baseline_shift_m_s / recipe.doppler.nyquist_m_s;
            recipe.doppler.nyquist_m_s = value;
            recipe.doppler.baseline_shift_m_s = share * value;
        }
        Over::Baseline => recipe.doppler.baseline_shift_m_s = value,
        Over::Tilt | Over::Roll | Over::Level | Over::Frame => {}
    }
    let quiet = Watch::new(watch.token().clone(), |_, _, _| {});
    match phantom::simulate(&recipe, &quiet) {
        Ok((volume, _)) => Ok(volume),
        Err(PhantomError::Cancelled(cancelled)) => Err(cancelled.into()),
        Err(source) => Err(SweepError::Phantom { value, source }),
    }
}

/// The volume with its stored velocities wrapped anew
fn rewrap(volume: &Volume4, old: VelocityScale, over: Over, value: f64) -> Result<Volume4, SweepError> {
    let scale = match over {
        Over::Baseline => VelocityScale::full_cycle(old.bits(), old.zero_code(), old.nyquist())
            .and_then(|scale| scale.with_baseline_shift(MetresPerSecond::new(value))),
        _ => VelocityScale::full_cycle(old.bits(), old.zero_code(), MetresPerSecond::new(value)),
    };
    let scale = scale.map_err(|source| SweepError::Scale { value, source })?;
    Ok(volume.clone().recoded(scale, |code| scale.code(old.velocity(code)))?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::Recipe;

    fn small() -> (Volume4, Truth) {
        let recipe = "name = \"small\"\n[grid]\nshape = [40, 40, 40]\n[beat]\nframes = 3\n\
                      [doppler]\nnyquist_m_s = 0.6\n[flow]\nsolved = \"round-33-thick\"\n";
        phantom::simulate(&Recipe::from_toml(recipe).unwrap(), &Watch::silent()).unwrap()
    }

    #[test]
    fn a_round_jet_behaves() {
        let (volume, truth) = small();
        let run = |over, values: &[f64], truth| {
            let options = SweepOptions { values: values.to_vec(), ..SweepOptions::default() };
            sweep(&volume, truth, over, &options, &Watch::silent()).unwrap()
        };
        // Turning the cut in its own plane changes nothing but the grain.
        let roll = run(Over::Roll, &[0.0, 30.0, 45.0, 90.0], Some(&truth));
        assert!(roll.rows.iter().all(|row| row.change_percent.unwrap().abs() < 2.0), "{roll:?}");
        assert!(roll.rows[0].change_percent.unwrap().abs() < 0.5);
        assert!(roll.rows.iter().all(|row| row.error_percent.is_some()));
        // Tilting enlarges what is displayed, and the law is drawn beside it; the effective area is read as of a plane
        // across the flow, however the plane lies.
        let tilt = run(Over::Tilt, &[0.0, 30.0], None);
        let [shown, effective] = [0, 1].map(|k| {
            let of =
                |row: usize| [tilt.rows[row].traced_mm2.unwrap(), tilt.rows[row].vca_mm2.unwrap().value][k];
            of(1) / of(0)
        });
        assert!(shown > 1.1 && (effective - 1.0).abs() < 0.1, "{shown} {effective}");
        assert!((tilt.rows[1].law_mm2.unwrap() / tilt.chosen_vca_mm2.value - 1.1547).abs() < 1e-4);
        assert_eq!((tilt.truth_mm2, tilt.rows[0].error_percent), (None, None));
        // Another baseline shows the same phases.
        let base = run(Over::Baseline, &[-0.2, 0.0, 0.3], None);
        assert_eq!(base.how, How::Rewrapped);
        assert!(base.rows.iter().all(|row| row.change_percent.unwrap().abs() < 1.0), "{base:?}");
        // Nyquist can be divided, not raised.
        let nyquist = run(Over::Nyquist, &[0.9, 0.6, 0.3, 0.25], None);
        let visited: Vec<f64> = nyquist.rows.iter().map(|row| row.value).collect();
        assert_eq!(visited, [0.6, 0.3]);
        assert!(nyquist.notes[0].starts_with("2 Nyquist velocities were left out"));
        let frames = run(Over::Frame, &[], Some(&truth));
        // Frames as values are counted from 1, and each is held against the truth of its own.
        assert_eq!(frames.rows.iter().map(|row| row.value).collect::<Vec<_>>(), [1.0, 2.0, 3.0]);
        assert_eq!(frames.chosen, (frames.frame + 1) as f64);
        assert_eq!(frames.rows[frames.frame].truth_mm2, frames.truth_mm2);
        assert_eq!(run(Over::Frame, &[0.0, 3.0, 4.0], None).rows.len(), 1);
        let none = SweepOptions { jet: 7, ..SweepOptions::default() };
        assert!(matches!(
            sweep(&volume, None, Over::Level, &none, &Watch::silent()),
            Err(SweepError::NoJet { wanted: 7, .. })
        ));
    }
}
