//! How a run ends: the status, and what is told when something went wrong.

use std::io::Write as _;

use super::output::shown;
use crate::format::{BarError, FormatError};
use crate::job::Cancelled;
use crate::measure::MeasureError;
use crate::phantom::PhantomError;
use crate::phantom::flow::{FlowError, FlowRecipeError, FlowSolveError};
use crate::report::{FigureError, PaintError, ReportError};
use crate::review::{OtherError, ReviewError};
use crate::severity::SeverityError;
use crate::study::StudyError;

/// The exit status of the program
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Done
    Done = 0,
    /// Done, with findings that make the measurement unfit for use, or with differences found
    Unfit = 1,
    /// Bad usage, unreadable input, or an output that cannot be written
    Usage = 2,
    /// A failure of the program itself
    Internal = 3,
    /// Stopped by Ctrl-C: 128 and the number of the signal, as shells say it
    Cancelled = 130,
}

/// Why a run did not get done
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// The status to end with
    pub exit: Exit,
    /// What went wrong
    pub error: String,
    /// What can be done about it
    pub hint: Option<String>,
}

impl Failure {
    /// Something the user can put right
    pub fn usage(error: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { exit: Exit::Usage, error: error.into(), hint: Some(hint.into()) }
    }

    /// Something that is our fault
    pub fn internal(error: impl Into<String>) -> Self {
        let hint = "this is a fault of the program: please report it with the command you gave";
        Self { exit: Exit::Internal, error: error.into(), hint: Some(hint.into()) }
    }

    /// Tells it on stderr
    pub fn tell(&self) {
        // Where nobody listens, nobody is told.
        let mut message = format!("error: {}\n", self.error);
        if let Some(hint) = &self.hint {
            message.extend(["hint: ", hint, "\n"]);
        }
        let _ = std::io::stderr().write_all(shown(&message).as_bytes());
    }
}

impl From<Cancelled> for Failure {
    fn from(_: Cancelled) -> Self {
        Self { exit: Exit::Cancelled, error: "cancelled; nothing is left half written".into(), hint: None }
    }
}

impl From<FormatError> for Failure {
    fn from(error: FormatError) -> Self {
        Self::usage(error.to_string(), error.hint())
    }
}

impl From<BarError> for Failure {
    fn from(error: BarError) -> Self {
        Self::usage(error.to_string(), error.hint())
    }
}

impl From<MeasureError> for Failure {
    fn from(error: MeasureError) -> Self {
        match error {
            MeasureError::Cancelled(cancelled) => cancelled.into(),
            MeasureError::NoVelocity => Self::usage(
                error.to_string(),
                "export the acquisition with its colour Doppler velocity; `narrows inspect` shows what it holds",
            ),
            MeasureError::Systole { .. } => Self::usage(
                error.to_string(),
                "give --systole in ms after the R wave, such as 50,370; `narrows inspect` shows the frames",
            ),
        }
    }
}

impl From<PhantomError> for Failure {
    fn from(error: PhantomError) -> Self {
        match error {
            PhantomError::Cancelled(cancelled) => cancelled.into(),
            PhantomError::Write(_) | PhantomError::Samples(_) | PhantomError::Volume(_) => {
                Self::internal(error.to_string())
            }
            PhantomError::Parse(_) | PhantomError::Recipe { .. } => Self::usage(
                error.to_string().trim_end(),
                "every key of a recipe has a default: leave out what is not meant",
            ),
            PhantomError::Flow(ref flow) => Self::usage(error.to_string(), flow.hint()),
            PhantomError::Grid(_) | PhantomError::Timeline(_) | PhantomError::Scale(_) => {
                Self::usage(error.to_string(), "correct that part of the recipe")
            }
        }
    }
}

impl From<FlowRecipeError> for Failure {
    fn from(error: FlowRecipeError) -> Self {
        Self::usage(error.to_string().trim_end(), error.hint())
    }
}

impl From<FlowError> for Failure {
    fn from(error: FlowError) -> Self {
        Self::usage(error.to_string(), error.hint())
    }
}

impl From<FlowSolveError> for Failure {
    fn from(error: FlowSolveError) -> Self {
        match error {
            FlowSolveError::Cancelled(cancelled) => cancelled.into(),
            FlowSolveError::Recipe(error) => error.into(),
            FlowSolveError::Graphics { .. } => {
                Self::usage(error.to_string(), "solve it with --processor, or with larger cells")
            }
            FlowSolveError::Unstable(_) | FlowSolveError::NoJet => {
                Self::usage(error.to_string(), "use smaller cells, a lower speed or a larger chamber")
            }
        }
    }
}

impl From<SeverityError> for Failure {
    fn from(error: SeverityError) -> Self {
        Self::usage(error.to_string(), error.hint())
    }
}

impl From<ReportError> for Failure {
    fn from(error: ReportError) -> Self {
        match error {
            ReportError::Cancelled(cancelled) => cancelled.into(),
            ReportError::Figure(error) => error.into(),
            ReportError::Paint(error) => error.into(),
            ReportError::Json(_) | ReportError::Pdf(_) | ReportError::Dicom(_) => {
                Self::internal(error.to_string())
            }
            ReportError::Io { .. } | ReportError::Foreign(_) | ReportError::Shared(_) => {
                let hint = error.hint().map(str::to_owned);
                Self { exit: Exit::Usage, error: error.to_string(), hint }
            }
        }
    }
}

impl From<FigureError> for Failure {
    fn from(error: FigureError) -> Self {
        match error {
            FigureError::Frame { .. } => Self::usage(error.to_string(), "choose a frame with --frame"),
            FigureError::Direction { .. } | FigureError::Png(_) => Self::internal(error.to_string()),
        }
    }
}

impl From<StudyError> for Failure {
    fn from(error: StudyError) -> Self {
        Self::usage(error.to_string(), error.hint())
    }
}

impl From<ReviewError> for Failure {
    fn from(error: ReviewError) -> Self {
        Self::usage(error.to_string(), error.hint())
    }
}

impl From<OtherError> for Failure {
    fn from(error: OtherError) -> Self {
        Self::usage(error.to_string(), error.hint())
    }
}

impl From<PaintError> for Failure {
    fn from(error: PaintError) -> Self {
        Self::internal(error.to_string())
    }
}

impl From<serde_json::Error> for Failure {
    fn from(error: serde_json::Error) -> Self {
        Self::internal(error.to_string())
    }
}
