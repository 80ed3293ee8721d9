//! The library's errors as exceptions of `narrows.errors`, with their hint.

use pyo3::exceptions::PyRuntimeError;
use pyo3::prelude::*;

use crate::cohort::CohortError;
use crate::format::array::ArrayError;
use crate::format::{BarError, FormatError};
use crate::job::Cancelled;
use crate::measure::MeasureError;
use crate::phantom::flow::FlowError;
use crate::phantom::{PhantomError, TruthError};
use crate::report::study::JournalError;
use crate::report::{FigureError, PaintError, ReportError};
use crate::severity::SeverityError;
use crate::study::StudyError;
use crate::study::sweep::SweepError;

/// What went wrong: the exception's name, the message, the hint
#[derive(Debug)]
pub(super) struct Fault {
    kind: &'static str,
    message: String,
    hint: String,
}

/// What the hints of the command line call by another name here
const NAMES: [(&str, &str); 9] = [
    ("--nyquist 0.6", "nyquist_m_s=0.6"),
    ("--velocity-bar bar.toml", "velocity_bar=\"bar.toml\""),
    (
        "give --systole in ms after the R wave, such as 50,370",
        "give systole=(50, 370), in ms after the R wave",
    ),
    (
        "`narrows measure` shows the jets; choose one with --jet",
        "results.jets lists them; choose one with jet=",
    ),
    ("with --out", "as out"),
    ("with --frame", "with frame="),
    ("give other --values", "give other values"),
    ("name all grades with --grades", "name all grades with grades="),
    ("docs/study.md shows", "docs/study.md of the repository shows"),
];

impl Fault {
    pub(super) fn new(kind: &'static str, message: impl Into<String>, hint: impl Into<String>) -> Self {
        let hint = NAMES.iter().fold(hint.into(), |hint, (from, to)| hint.replace(from, to));
        Self { kind, message: message.into().trim_end().to_owned(), hint }
    }

    /// A number or word that cannot be meant
    pub(super) fn option(message: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::new("OptionError", message, hint)
    }

    /// A fault of ours
    pub(super) fn internal(message: impl Into<String>) -> Self {
        Self::new("InternalError", message, "this is a fault of the program: please report it")
    }

    /// The exception
    pub(super) fn raise(self, py: Python<'_>) -> PyErr {
        let made = py
            .import("narrows.errors")
            .and_then(|errors| errors.getattr(self.kind))
            .and_then(|class| class.call1((self.message.as_str(), self.hint.as_str())));
        match made {
            Ok(error) => PyErr::from_value(error),
            Err(_) => PyRuntimeError::new_err(self.message),
        }
    }
}

impl From<Cancelled> for Fault {
    fn from(_: Cancelled) -> Self {
        Self::new("Error", "cancelled; nothing is left half written", "")
    }
}

impl From<FormatError> for Fault {
    fn from(error: FormatError) -> Self {
        Self::new("FormatError", error.to_string(), error.hint())
    }
}

impl From<BarError> for Fault {
    fn from(error: BarError) -> Self {
        Self::new("FormatError", error.to_string(), error.hint())
    }
}

impl From<TruthError> for Fault {
    fn from(error: TruthError) -> Self {
        Self::new(
            "FormatError",
            error.to_string(),
            "simulate the volume again, or move that file away to go without a truth",
        )
    }
}

impl From<ArrayError> for Fault {
    fn from(error: ArrayError) -> Self {
        let (message, hint) = match &error {
            ArrayError::Sidecar { message } => (message.clone(), "correct that argument".to_owned()),
            ArrayError::Missing { missing, .. } => (
                format!("nobody says {}", missing.join(", nor ")),
                "give nyquist_m_s, times_s, spacing_mm".to_owned(),
            ),
            ArrayError::Times { listed, found } => (
                format!("{listed} times were given for {found} frames"),
                "give one time a frame, in s".to_owned(),
            ),
            ArrayError::Axes { message } => {
                (message.clone(), "give every channel as [time, z, y, x] in one shape".to_owned())
            }
            ArrayError::NoChannels => ("there is no array".to_owned(), "give velocity at least".to_owned()),
            ArrayError::NoVoxels { sizes } => {
                (format!("an array is empty: its shape is {sizes:?}"), "every axis needs an entry".to_owned())
            }
            ArrayError::NotNumbers { .. } => {
                (error.to_string(), "fill them, or say nan_is_no_colour=True".to_owned())
            }
            ArrayError::Timeline(_) => {
                (error.to_string(), "give times_s in s from the R wave, rising".to_owned())
            }
            ArrayError::Grid(_) | ArrayError::Value { .. } => (
                error.to_string(),
                "spacing_mm and origin_mm are x, y, z in mm, directions three perpendicular axes".to_owned(),
            ),
            ArrayError::Scale(_) => {
                (error.to_string(), "check nyquist_m_s and baseline_m_s, both in m/s".to_owned())
            }
            ArrayError::Velocities { .. } => {
                (error.to_string(), "check nyquist_m_s, and that velocities are in m/s".to_owned())
            }
            _ => (error.to_string(), error.hint()),
        };
        Self::new("ArrayError", message, hint)
    }
}

impl From<MeasureError> for Fault {
    fn from(error: MeasureError) -> Self {
        let hint = match error {
            MeasureError::Cancelled(cancelled) => return cancelled.into(),
            MeasureError::NoVelocity => "give the acquisition with its colour Doppler velocity",
            MeasureError::Systole { .. } => "give systole=(50, 370), in ms after the R wave",
        };
        Self::new("MeasureError", error.to_string(), hint)
    }
}

impl From<SeverityError> for Fault {
    fn from(error: SeverityError) -> Self {
        Self::new("EvidenceError", error.to_string(), error.hint())
    }
}

impl From<FlowError> for Fault {
    fn from(error: FlowError) -> Self {
        Self::new("FlowError", error.to_string(), error.hint())
    }
}

impl From<PhantomError> for Fault {
    fn from(error: PhantomError) -> Self {
        let hint = match &error {
            PhantomError::Cancelled(_) => return Cancelled.into(),
            PhantomError::Flow(flow) => flow.hint(),
            PhantomError::Write(_) | PhantomError::Samples(_) | PhantomError::Volume(_) => {
                return Self::internal(error.to_string());
            }
            _ => "every key of a recipe has a default: leave out what is not meant",
        };
        Self::new("PhantomError", error.to_string(), hint)
    }
}

impl From<StudyError> for Fault {
    fn from(error: StudyError) -> Self {
        Self::new("StudyError", error.to_string(), error.hint())
    }
}

impl From<SweepError> for Fault {
    fn from(error: SweepError) -> Self {
        match error {
            SweepError::Measure(error) => error.into(),
            SweepError::Phantom { value, source } => {
                let fault = Self::from(source);
                Self { message: format!("simulating again at {value}: {}", fault.message), ..fault }
            }
            SweepError::NoJet { .. } => {
                Self::option(error.to_string(), "results.jets lists them; choose one with jet=")
            }
            SweepError::Scale { .. } => Self::option(error.to_string(), "give other values"),
            SweepError::Volume(_) => Self::internal(error.to_string()),
        }
    }
}

impl From<CohortError> for Fault {
    fn from(error: CohortError) -> Self {
        match error {
            CohortError::Stopped { .. } => Cancelled.into(),
            CohortError::Lost(what) => Self::internal(what),
            error => Self::new("StudyError", error.to_string(), error.hint()),
        }
    }
}

impl From<JournalError> for Fault {
    fn from(error: JournalError) -> Self {
        CohortError::from(error).into()
    }
}

impl From<ReportError> for Fault {
    fn from(error: ReportError) -> Self {
        match error {
            ReportError::Cancelled(cancelled) => cancelled.into(),
            ReportError::Figure(error) => error.into(),
            error => {
                let hint = error.hint().unwrap_or("this is a fault of the program: please report it");
                Self::new("ReportError", error.to_string(), hint)
            }
        }
    }
}

impl From<FigureError> for Fault {
    fn from(error: FigureError) -> Self {
        match error {
            FigureError::Frame { .. } => Self::option(error.to_string(), "choose a frame with frame="),
            error => Self::internal(error.to_string()),
        }
    }
}

impl From<PaintError> for Fault {
    fn from(error: PaintError) -> Self {
        Self::internal(error.to_string())
    }
}

impl From<serde_json::Error> for Fault {
    fn from(error: serde_json::Error) -> Self {
        Self::new(
            "OptionError",
            format!("the document cannot be read: {error}"),
            "give one that this package made",
        )
    }
}
