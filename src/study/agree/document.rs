//! The document of the agreement of readers.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{AgainstReference, BlandAltman, Clustered, FleissKappa, Icc, Kappa, MeanSquares, Plan, Within};
use crate::measure::results::Tool;

/// The name of this version of the document
pub const SCHEMA: &str = "narrows/agreement/1";

/// Everything that was found about the agreement of readers
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Agreement {
    /// Always `narrows/agreement/1`
    pub schema: String,
    /// What made the document
    pub tool: Tool,
    /// Which table
    pub source: TableSource,
    /// What was read by whom
    pub design: Design,
    /// Correlations between readers; `null` where fewer than two readers share two volumes
    pub reliability: Option<Reliability>,
    /// Every pair of readers
    pub pairs: Vec<BlandAltman>,
    /// Every pair again, several volumes of a patient counted as such; empty without a column of patients
    #[serde(default)]
    pub clusters: Vec<Clustered>,
    /// Each reader against the reference; empty without one
    #[serde(default)]
    pub references: Vec<AgainstReference>,
    /// How many volumes limits of a wanted width need; `null` where it was not asked
    #[serde(default)]
    pub plan: Option<Plan>,
    /// Each reader against herself, first repeat against second
    pub repeats: Vec<BlandAltman>,
    /// Each reader's own scatter, then all readers pooled
    pub within: Vec<Within>,
    /// Agreement of grades; `null` without a column of grades
    pub grades: Option<Grades>,
    /// What was left out of which statistic, and what a reader must bear in mind; a sentence each
    pub notes: Vec<String>,
    /// How it was computed, with sources: paragraphs for a paper's methods section
    pub methods: Vec<String>,
}

/// The table that was read
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct TableSource {
    /// File name without its folder
    pub file: String,
    /// BLAKE3 of the file, hexadecimal
    pub blake3: String,
    /// Column of the values
    pub value: String,
    /// Unit of the values, as given
    pub unit: String,
}

/// What was read by whom
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Design {
    /// Volumes
    pub volumes: usize,
    /// Names of the readers
    pub readers: Vec<String>,
    /// Names of the repeats
    pub repeats: Vec<String>,
    /// What stood for repeats between readers: `first` or `mean`
    pub standing: String,
    /// Values in the table
    pub values: usize,
    /// Grades in the table
    pub grades: usize,
    /// Readings that a full table would have and this one lacks
    pub missing: Vec<Missing>,
}

/// A reading that is not there
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Missing {
    /// Volume
    pub volume: String,
    /// Reader
    pub reader: String,
    /// Repeat
    pub repeat: String,
}

/// Correlations and errors between readers
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reliability {
    /// Volumes used: those with a reading of every reader
    pub volumes: usize,
    /// Readers
    pub readers: usize,
    /// Volumes left out
    pub left_out: Vec<String>,
    /// The analysis of variance
    pub mean_squares: MeanSquares,
    /// The six coefficients
    pub coefficients: Vec<Icc>,
    /// Standard deviation of the readers' offsets (0 where its estimate is negative)
    pub reader_standard_deviation: f64,
    /// Standard error of one reading by any reader: offsets and rest together
    pub standard_error: f64,
    /// Standard error of one reading by a given reader: the rest alone
    pub residual_standard_error: f64,
    /// Two readings by any two readers differ by less in 95 % of cases: `1.96 sqrt(2)` standard errors
    pub reproducibility: f64,
}

/// Agreement of grades
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Grades {
    /// The grades, the mildest first where their order is known
    pub names: Vec<String>,
    /// Whether their order is known; without it no weighted kappa is given
    pub ordered: bool,
    /// Kappa of every pair of readers
    pub pairs: Vec<Kappa>,
    /// Kappa of all readers; `null` with fewer than two or without a volume graded by all
    pub all: Option<FleissKappa>,
    /// Volumes left out of the kappa of all readers
    pub left_out: Vec<String>,
}
