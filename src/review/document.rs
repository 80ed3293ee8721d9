//! The document itself.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::str::FromStr;
use std::sync::Arc;

use nalgebra::Vector3;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measure::Results;
use crate::measure::results::JetResult;
use crate::severity::Evidence;
use crate::space::{Cut, Direction, VolumePoint, direction};
use crate::unit::MetresPerSecond;
use crate::volume::Volume4;

use super::pose::{Base, Pose, Turn};
use super::tracing::{Closed, Fault, MOST_VERTICES};
use super::{OtherVolume, ReviewError, Settings, Tracing, TracingId, beside};

/// The name of this version of the document
pub const SCHEMA: &str = "narrows/review/1";

/// One reading of one volume
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Review {
    /// Always `narrows/review/1`
    pub schema: String,
    /// Version of the program that wrote it
    pub version: String,
    /// Which volume was read
    pub source: Source,
    /// Where the reader was looking
    #[serde(default)]
    pub place: Place,
    /// What the reader did
    #[serde(default)]
    pub work: Work,
    /// Whether the reader saw what the program finds; no part of undo
    #[serde(default)]
    pub sight: Sight,
    /// What the measurement found; `null` until it was done
    #[serde(default)]
    pub results: Option<Arc<Results>>,
    /// Which version of the reading this is, from 1
    #[serde(default = "first")]
    pub edition: u32,
    /// Who answers for it; the work is locked then
    #[serde(default)]
    pub signed: Option<SignOff>,
}

fn first() -> u32 {
    1
}

/// Who answers for a reading
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SignOff {
    /// The reader
    pub reader: String,
    /// The study, or the label that stands for it; may be empty
    pub study: String,
    /// When it was signed, in words
    pub date: String,
}

/// Whether a reader saw what the program finds: its jets, planes, outlines, numbers and tilt map
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Sight {
    /// From the start
    #[default]
    Open,
    /// Not so far
    Blind,
    /// After the reader had read it without
    Revealed {
        /// The tracings that counted then, as they were
        blind: Vec<Arc<Tracing>>,
    },
}

/// Which volume was read
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Source {
    /// File name without its folder
    pub file: String,
    /// Where it was when the review was saved: relative to the review's folder where possible
    #[serde(default)]
    pub path: String,
    /// BLAKE3 of the file, hexadecimal; empty for a volume that never was a file
    pub blake3: String,
    /// Voxels along x, y, z
    pub grid: [usize; 3],
    /// Frames in the beat
    pub frames: usize,
    /// The cut shown before any jet is known: through the middle, across the beam
    pub start: Pose,
    /// Nyquist velocity that was given, m/s; `null` where the file's own holds
    #[serde(default)]
    pub nyquist_given_m_s: Option<f64>,
    /// Baseline shift that was given, m/s; `null` where the file's own holds
    #[serde(default)]
    pub baseline_given_m_s: Option<f64>,
}

impl Source {
    /// The description of a volume; `blake3` is the hash of its file
    pub fn of(volume: &Volume4, blake3: &str) -> Self {
        let middle = volume.grid.middle();
        // A regurgitant jet of the left heart seen from the esophagus comes toward the probe.
        let axis = volume.beam_at(middle).map_or_else(|| -volume.grid.axes()[2], |beam| -beam);
        let x = volume.grid.axes()[0].into_inner();
        Self {
            file: volume.provenance.file.clone(),
            path: String::new(),
            blake3: blake3.to_owned(),
            grid: volume.grid.shape(),
            frames: volume.frames(),
            start: Pose::from(&Cut::new(middle, axis, x)),
            nyquist_given_m_s: volume.provenance.nyquist_given.map(MetresPerSecond::get),
            baseline_given_m_s: volume.provenance.baseline_given.map(MetresPerSecond::get),
        }
    }
}

/// Where the reader was looking
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Place {
    /// Frame, from 0
    pub frame: usize,
    /// Jet whose cuts are shown
    pub jet: JetId,
    /// Side of the en-face picture, mm; 0 fits the jet
    pub field_mm: f64,
}

/// Which jet
///
/// Written `free`, `1`, `2`, ... for jets that the measurement found, `A`, `B`, ... for jets that
/// the reader placed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum JetId {
    /// No jet: the cut that starts in the middle of the volume
    #[default]
    Free,
    /// Found by the measurement, numbered from 1
    Found(u32),
    /// Placed by the reader, numbered from 0
    Added(u8),
}

impl fmt::Display for JetId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Free => f.write_str("free"),
            Self::Found(number) => write!(f, "{number}"),
            Self::Added(letter) => write!(f, "{}", char::from(b'A' + (*letter).min(25))),
        }
    }
}

impl From<JetId> for String {
    fn from(id: JetId) -> Self {
        id.to_string()
    }
}

impl FromStr for JetId {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        if text == "free" {
            return Ok(Self::Free);
        }
        if let Ok(number) = text.parse::<u32>()
            && number > 0
        {
            return Ok(Self::Found(number));
        }
        match text.as_bytes() {
            [letter @ b'A'..=b'Z'] => Ok(Self::Added(letter - b'A')),
            _ => Err(format!("a jet is `free`, a number from 1 or a letter A to Z, not {text:?}")),
        }
    }
}

impl TryFrom<String> for JetId {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl JsonSchema for JetId {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "JetId".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string",
            "pattern": "^(free|[1-9][0-9]*|[A-Z])$",
            "description": "`free`, a number for a jet that was found, a letter for one that was placed"
        })
    }
}

/// A jet that the reader placed
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AddedJet {
    /// Its letter
    pub id: JetId,
    /// Its en-face cut, in all frames
    pub cut: Pose,
}

/// Points of the valve that give its directions their names, mm in volume space
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Landmarks {
    /// Anterior annulus
    pub anterior: Option<[f64; 3]>,
    /// Posterior annulus
    pub posterior: Option<[f64; 3]>,
    /// Anterolateral commissure
    pub lateral_commissure: Option<[f64; 3]>,
    /// Posteromedial commissure
    pub medial_commissure: Option<[f64; 3]>,
}

impl Landmarks {
    /// The direction from anterior to posterior, where it can be known: from its own two points,
    /// or across the line of the commissures seen along `axis`
    pub fn anterior_posterior(&self, axis: Vector3<f64>) -> Option<Vector3<f64>> {
        let between = |a: Option<[f64; 3]>, b: Option<[f64; 3]>| {
            direction(Vector3::from(b?) - Vector3::from(a?)).map(nalgebra::Unit::into_inner)
        };
        between(self.anterior, self.posterior).or_else(|| {
            let line = between(self.lateral_commissure, self.medial_commissure)?;
            direction(line.cross(&axis)).map(nalgebra::Unit::into_inner)
        })
    }
}

/// What the reader did: the part of a review that undo runs over
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Work {
    /// How each jet's cut differs from the proposed one
    pub turns: BTreeMap<JetId, Turn>,
    /// Jets that the reader placed
    pub added: Vec<AddedJet>,
    /// Jets that were found and the reader set aside
    pub dismissed: BTreeSet<JetId>,
    /// Tracings, the oldest first
    pub tracings: Vec<Arc<Tracing>>,
    /// The number of the next tracing
    pub next_tracing: u32,
    /// Named points
    pub landmarks: Landmarks,
    /// Display and contour
    pub settings: Settings,
    /// What else is known, as the reader entered it
    pub evidence: Evidence,
    /// Name of the built-in table that it is graded by; empty for the default
    pub criteria: String,
    /// First and last moment of systole, ms after the R wave, where the reader settled them
    pub systole_ms: Option<[f64; 2]>,
    /// The other volume that this one is compared with
    pub other: Option<OtherVolume>,
    /// Free text
    pub notes: String,
}

impl Work {
    /// The tracing of a number
    pub fn tracing(&self, id: TracingId) -> Option<&Arc<Tracing>> {
        self.tracings.iter().find(|tracing| tracing.id == id)
    }

    /// Why a tracing is not counted; `None` where it is
    ///
    /// Several tracings in one frame are several orifices, and their areas add; but two that lie over each other are
    /// one orifice, and the newer one counts, whichever jets they belong to.
    pub fn fault(&self, tracing: &Tracing) -> Option<Fault> {
        let counts = |other: &Tracing| {
            other.jet == tracing.jet || (other.jet != JetId::Free && !self.dismissed.contains(&other.jet))
        };
        let newer = |other: &&Arc<Tracing>| {
            other.id > tracing.id
                && other.frame == tracing.frame
                && counts(other)
                && other.fault_alone().is_none()
        };
        let over = || self.tracings.iter().filter(newer).any(|other| other.is_over(tracing));
        tracing.fault_alone().or_else(|| over().then_some(Fault::Replaced))
    }

    /// Whether nothing was done that a reported number could follow from
    pub fn is_untouched(&self) -> bool {
        let settings = Settings { threshold: self.settings.threshold, ..Settings::default() };
        Self { settings, ..self.clone() } == Self::default()
    }

    /// The tracings of one jet in one frame
    pub fn tracings_of(&self, jet: JetId, frame: usize) -> impl Iterator<Item = &Arc<Tracing>> {
        self.tracings.iter().filter(move |tracing| tracing.jet == jet && tracing.frame == frame)
    }
}

impl Review {
    /// An empty review of a volume
    pub fn new(source: Source) -> Self {
        Self {
            schema: SCHEMA.to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            source,
            place: Place::default(),
            work: Work::default(),
            sight: Sight::Open,
            results: None,
            edition: first(),
            signed: None,
        }
    }

    /// Whether what the program finds is hidden from the reader
    pub fn is_blind(&self) -> bool {
        self.sight == Sight::Blind
    }

    /// Whether a tracing was made, as it is, before the reader saw what the program finds
    pub fn is_made_blind(&self, tracing: &Tracing) -> bool {
        match &self.sight {
            Sight::Open => false,
            Sight::Blind => true,
            Sight::Revealed { blind } => blind.iter().any(|made| **made == *tracing),
        }
    }

    /// Whether all that it holds of the reader's was made blind
    pub fn is_read_blind(&self) -> bool {
        self.sight != Sight::Open && self.work.tracings.iter().all(|tracing| self.is_made_blind(tracing))
    }

    /// The jets, found ones first, without those set aside
    pub fn jets(&self) -> Vec<JetId> {
        let found = self.results.iter().flat_map(|results| &results.jets);
        found
            .map(|jet| JetId::Found(jet.id as u32))
            .chain(self.work.added.iter().map(|jet| jet.id))
            .filter(|id| !self.work.dismissed.contains(id))
            .collect()
    }

    /// Whether there is such a jet, set aside or not
    pub fn has(&self, jet: JetId) -> bool {
        match jet {
            JetId::Free => true,
            JetId::Found(number) => {
                self.results.iter().flat_map(|results| &results.jets).any(|jet| jet.id as u32 == number)
            }
            JetId::Added(_) => self.work.added.iter().any(|added| added.id == jet),
        }
    }

    /// The turn of a jet
    pub fn turn(&self, jet: JetId) -> Turn {
        self.work.turns.get(&jet).copied().unwrap_or_default()
    }

    /// The base of a jet in a frame
    ///
    /// A jet that was found takes that frame's neck and axis; where it is absent in that frame, the
    /// nearest frame's that has them. Without the jet, the cut that the volume starts with.
    pub fn base(&self, jet: JetId, frame: usize) -> Base {
        let pose = self.found(jet).and_then(|found| {
            let nearest = found
                .frames
                .iter()
                .filter(|at| at.traced_at_mm.is_some() && at.axis.is_some())
                .min_by_key(|at| (at.frame.abs_diff(frame), at.frame));
            let (traced, axis) = nearest.map_or((found.traced_at_mm, found.axis), |at| {
                (at.traced_at_mm.unwrap_or(found.traced_at_mm), at.axis.unwrap_or(found.axis))
            });
            let long_axis = Vector3::from(found.width_mm.long_axis_direction);
            let axis = direction(axis.into())?;
            let [x, y, z] = traced;
            Some((VolumePoint::new(x, y, z), axis, Some(long_axis)))
        });
        let placed = || {
            let added = self.work.added.iter().find(|added| added.id == jet);
            let pose = added.map_or(self.source.start, |added| added.cut);
            let origin = VolumePoint::new(0.0, 0.0, 0.0);
            let cut = pose.cut().unwrap_or_else(|| Cut::perpendicular_to(origin, Vector3::z_axis()));
            (cut.centre(), cut.normal(), Some(cut.u().into_inner()))
        };
        let (neck, axis, own) = pose.unwrap_or_else(placed);
        let named = self.work.landmarks.anterior_posterior(axis.into_inner());
        // A direction along the axis says nothing about what lies across it.
        let toward = named.or(own).filter(|toward| toward.cross(&axis).norm() > 1e-6);
        Base::new(neck, axis, toward)
    }

    /// How far the neck lies downstream of the proposed cut of a jet, mm: 0 for a jet placed by hand
    pub fn neck_beyond_mm(&self, jet: JetId) -> f64 {
        self.found(jet).map_or(0.0, |found| {
            let beyond = Vector3::from(found.neck_mm) - Vector3::from(found.traced_at_mm);
            beyond.dot(&Vector3::from(found.axis))
        })
    }

    /// Whether the reader says where a jet's plane lies or at which level it is traced
    pub fn is_chosen(&self, jet: JetId) -> bool {
        !matches!(jet, JetId::Found(_)) || !self.turn(jet).is_none() || self.work.settings.threshold.is_some()
    }

    /// The anterior-posterior direction, where the landmarks tell it
    pub fn anterior_posterior(&self) -> Option<Direction> {
        let first = self.results.iter().flat_map(|results| &results.jets).next();
        let axis = first.map_or_else(Vector3::z, |jet| Vector3::from(jet.axis));
        self.work.landmarks.anterior_posterior(axis).and_then(direction)
    }

    /// What the measurement found of a jet
    pub fn found(&self, jet: JetId) -> Option<&JetResult> {
        let JetId::Found(number) = jet else { return None };
        self.results.as_ref()?.jets.iter().find(|found| found.id as u32 == number)
    }

    /// Refuses a document that contradicts itself
    ///
    /// # Errors
    /// [`ReviewError::Inconsistent`], or [`ReviewError::Range`] for a number out of range.
    pub fn check(&self) -> Result<(), ReviewError> {
        let wrong = |message: String| Err(ReviewError::Inconsistent(message));
        let frames = self.source.frames;
        if self.place.frame >= frames.max(1) {
            return wrong(format!("it was on frame {} of {frames}", self.place.frame.saturating_add(1)));
        }
        if self.source.start.cut().is_none() {
            return wrong("the starting cut is not a plane".into());
        }
        super::settings::within("the field", self.place.field_mm, 0.0, 500.0)?;
        if let Some(nyquist) = self.source.nyquist_given_m_s {
            super::settings::within("the given Nyquist velocity", nyquist, 0.0, 10.0)?;
        }
        if let Some(shift) = self.source.baseline_given_m_s {
            super::settings::within("the given baseline shift", shift, -10.0, 10.0)?;
        }
        self.work.settings.check()?;
        beside::criteria(&self.work)?;
        self.work.systole_ms.map_or(Ok(()), beside::check_systole)?;
        for turn in self.work.turns.values() {
            turn.check()?;
        }
        for added in &self.work.added {
            if added.cut.cut().is_none() || !matches!(added.id, JetId::Added(_)) {
                return wrong(format!("jet {} has no cut or no letter", added.id));
            }
        }
        let mut seen = BTreeSet::new();
        for tracing in &self.work.tracings {
            let id = tracing.id.0;
            if !seen.insert(tracing.id) {
                return wrong(format!("tracing {id} is there twice"));
            }
            if id >= self.work.next_tracing {
                return wrong(format!("tracing {id} has a number that was not given out"));
            }
            if tracing.frame >= frames.max(1) {
                return wrong(format!(
                    "tracing {id} lies on frame {} of {frames}",
                    tracing.frame.saturating_add(1)
                ));
            }
            if tracing.cut.cut().is_none() {
                return wrong(format!("tracing {id} lies on no plane"));
            }
            if tracing.points_mm.len() > MOST_VERTICES {
                return Err(ReviewError::TooManyVertices(tracing.points_mm.len()));
            }
            if tracing.closed == Closed::Closed && tracing.points_mm.is_empty() {
                return wrong(format!("tracing {id} is closed and has no vertex"));
            }
        }
        Ok(())
    }
}
