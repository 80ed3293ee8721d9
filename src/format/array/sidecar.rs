//! The sidecar: what an array file cannot carry, in a small JSON file beside it.
//!
//! `NAME.narrows.json` stands beside `NAME` (`heart.nii.gz.narrows.json` beside `heart.nii.gz`).
//! Codes in it are stored values, as any reader of the array sees them; positions are millimetres
//! with x to the left, y to the back and z to the head, whatever the array's own convention. An
//! unknown key is refused: a misspelt one would silently change a scale.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use nalgebra::{Unit, Vector3};
use serde::{Deserialize, Serialize};

use super::ArrayError;
use crate::format::ABSURD;
use crate::space::{Grid, GridError, VolumePoint};
use crate::volume::{ChannelKind, Cycle, Lossy, PowerScale, Volume4};

/// Name and version of the document
pub const SCHEMA: &str = "narrows/sidecar/1";

/// A sidecar longer than this is none: it holds a few numbers a frame
pub(super) const LONGEST: u64 = 4 << 20;

/// What an array file cannot carry
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Sidecar {
    /// Always `narrows/sidecar/1`
    pub schema: String,
    /// What the channels measure, in the order of the array's channel axis
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<ChannelKind>,
    /// What a stored velocity means
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub velocity: Option<VelocityWords>,
    /// What a stored power means
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power: Option<PowerWords>,
    /// Where the beams start: left, posterior, superior, mm
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub apex_mm: Option<[f64; 3]>,
    /// Times of the frames, seconds from the R wave
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub times_s: Vec<f64>,
    /// R-R interval, s
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rr_s: Option<f64>,
    /// R-R intervals of the single beats, s
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub beats_rr_s: Vec<f64>,
    /// Beats the volume was gathered from
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gated_beats: Option<u32>,
    /// The grid in full precision; the array's own header must agree
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grid: Option<GridWords>,
    /// How samples lost information in storage, now or at an earlier time
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lossy: Option<Lossy>,
    /// What was assumed on the way here, a sentence each
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub assumed: Vec<String>,
}

/// What a stored velocity means: `m_s_per_step * (stored - zero)`, positive toward the probe
///
/// The Nyquist velocity alone says that the range of stored values is one cycle with zero in its
/// middle. Limits or a baseline shift move the zero. What is said twice must agree.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct VelocityWords {
    /// Nyquist velocity, m/s
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nyquist_m_s: Option<f64>,
    /// Velocity of one step of the stored value, m/s; negative where higher is away from the probe
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub m_s_per_step: Option<f64>,
    /// The stored value of no motion, also that of "no colour here"
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zero: Option<f64>,
    /// Whether stored values wrap at the ends of their range
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cyclic: Option<bool>,
    /// Ends of the velocity bar, m/s, the lower first: the velocities of the lowest and the highest stored
    /// value, or, where they are a cycle apart, the two ends where values wrap
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limits_m_s: Option<[f64; 2]>,
    /// How far the middle of the range lies from zero, m/s
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub baseline_shift_m_s: Option<f64>,
}

/// What a stored power means
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(tag = "scale", rename_all = "lowercase", deny_unknown_fields)]
pub enum PowerWords {
    /// Proportional to the power of the flow signal
    Linear {
        /// The stored value of no power
        zero: f64,
    },
    /// In decibel: `db_per_step * stored + db_at_zero`; the lowest value that can be stored is none
    Decibel {
        /// Decibel of one step
        db_per_step: f64,
        /// Decibel of the stored value 0
        db_at_zero: f64,
    },
}

/// The grid in full precision: left, posterior, superior, mm
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GridWords {
    /// Millimetres between voxel centres along x, y, z
    pub spacing_mm: [f64; 3],
    /// Centre of the first voxel
    pub origin_mm: [f64; 3],
    /// Unit vectors along x, y, z
    pub axes: [[f64; 3]; 3],
}

impl GridWords {
    /// The grid of this shape
    ///
    /// # Errors
    /// See [`GridError`].
    pub(super) fn grid(&self, shape: [usize; 3]) -> Result<Grid, GridError> {
        let [x, y, z] = self.origin_mm;
        Grid::new(shape, self.spacing_mm, VolumePoint::new(x, y, z), self.axes.map(Vector3::from))
    }
}

impl Sidecar {
    /// How samples lost information, by a method that has a name
    pub(super) fn lossy(&self) -> Option<Lossy> {
        self.lossy.clone().map(|lossy| Lossy { method: Lossy::named(&lossy.method), ..lossy })
    }

    /// All that the array cannot carry of a volume written with unsigned codes
    pub fn of(volume: &Volume4) -> Self {
        let velocity = volume.velocity_scale().map(|scale| {
            let (low, high) = scale.limits();
            VelocityWords {
                nyquist_m_s: Some(scale.nyquist().get()),
                m_s_per_step: Some(scale.step().get()),
                zero: Some(f64::from(scale.zero_code())),
                cyclic: Some(scale.cycle() == Cycle::Full),
                limits_m_s: Some([low.get(), high.get()]),
                baseline_shift_m_s: Some(scale.baseline_shift().get()),
            }
        });
        let power = volume.power().map(|(_, scale)| match scale {
            PowerScale::Linear { zero_code } => PowerWords::Linear { zero: zero_code },
            PowerScale::Decibel { decibel_per_code, decibel_at_zero } => {
                PowerWords::Decibel { db_per_step: decibel_per_code, db_at_zero: decibel_at_zero }
            }
        });
        let timeline = &volume.timeline;
        Self {
            schema: SCHEMA.to_owned(),
            channels: volume.channels().iter().map(crate::volume::Channel::kind).collect(),
            velocity,
            power,
            apex_mm: volume.apex.map(VolumePoint::to_array),
            times_s: timeline.times().iter().map(|time| time.get()).collect(),
            rr_s: timeline.rr.map(crate::unit::Seconds::get),
            beats_rr_s: timeline.beats_rr.iter().map(|rr| rr.get()).collect(),
            gated_beats: timeline.gated_beats,
            grid: Some(GridWords {
                spacing_mm: volume.grid.spacing_mm(),
                origin_mm: volume.grid.origin().to_array(),
                axes: volume.grid.axes().map(Unit::into_inner).map(Into::into),
            }),
            lossy: volume.provenance.lossy.clone(),
            assumed: volume.provenance.assumed.clone(),
        }
    }

    /// The document as text, pretty, with a newline at its end
    pub fn to_json(&self) -> String {
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        text
    }

    /// Reads the document
    ///
    /// # Errors
    /// [`ArrayError::Sidecar`] where it cannot be used, saying which part.
    pub fn from_json(bytes: &[u8]) -> Result<Self, ArrayError> {
        let refuse = |message: String| ArrayError::Sidecar { message };
        let sidecar: Self = serde_json::from_slice(bytes).map_err(|error| refuse(error.to_string()))?;
        if sidecar.schema != SCHEMA {
            let found: String = sidecar.schema.chars().take(60).collect();
            return Err(refuse(format!("its schema is \"{found}\", expected \"{SCHEMA}\"")));
        }
        for (at, kind) in sidecar.channels.iter().enumerate() {
            if sidecar.channels[..at].contains(kind) {
                return Err(refuse(format!("the {kind} channel is listed twice")));
            }
        }
        let positive = |name: &str, value: f64| {
            if value > 0.0 && value <= ABSURD {
                Ok(())
            } else {
                Err(refuse(format!("{name} is not a positive number: {value}")))
            }
        };
        for rr in sidecar.rr_s.iter().chain(&sidecar.beats_rr_s) {
            positive("an R-R interval", *rr)?;
        }
        let words = sidecar.velocity.clone().unwrap_or_default();
        if let Some(nyquist) = words.nyquist_m_s {
            positive("nyquist_m_s", nyquist)?;
        }
        if let Some(step) = words.m_s_per_step
            && (step == 0.0 || step.abs() > ABSURD)
        {
            return Err(refuse(format!("m_s_per_step is not usable: {step}")));
        }
        if let Some([low, high]) = words.limits_m_s
            && !(low < high && low.abs() <= ABSURD && high.abs() <= ABSURD)
        {
            return Err(refuse(format!("limits_m_s do not rise: {low}, {high}")));
        }
        let others = [words.zero, words.baseline_shift_m_s];
        let power = match sidecar.power {
            Some(PowerWords::Linear { zero }) => [zero, 1.0],
            Some(PowerWords::Decibel { db_per_step, db_at_zero }) => [db_at_zero, db_per_step],
            None => [0.0, 1.0],
        };
        let grid = sidecar.grid.iter().flat_map(|grid| grid.spacing_mm.iter().chain(&grid.origin_mm));
        let axes = sidecar.grid.iter().flat_map(|grid| grid.axes.as_flattened());
        let numbers = others.iter().flatten().chain(&power).chain(&sidecar.times_s).chain(grid).chain(axes);
        if numbers.chain(sidecar.apex_mm.iter().flatten()).any(|number| number.abs() > ABSURD) {
            return Err(refuse("one of its numbers is beyond all measure".to_owned()));
        }
        if power[1] == 0.0 {
            return Err(refuse("db_per_step is zero".to_owned()));
        }
        Ok(sidecar)
    }

    /// `NAME.narrows.json`
    pub fn path_of(file: &Path) -> PathBuf {
        let mut name = OsString::from(file);
        name.push(".narrows.json");
        PathBuf::from(name)
    }
}
