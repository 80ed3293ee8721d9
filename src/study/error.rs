//! What can be wrong with a study's tables.

/// Why a study's table could not be used
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum StudyError {
    /// The text is not CSV
    #[error("reading the table: {0}")]
    Csv(String),
    /// There is no such column
    #[error("the table has no column `{wanted}`; it has: {found}")]
    NoColumn {
        /// The column asked for
        wanted: String,
        /// The columns that are there
        found: String,
    },
    /// A column stands twice in the head
    #[error("the table has two columns `{0}`")]
    TwoColumns(String),
    /// There is no row
    #[error("the table has no rows")]
    Empty,
    /// A cell that should be a number is none
    #[error("row {row} of the table: `{cell}` in column `{column}` is not a number")]
    NotANumber {
        /// Row, counted from 1 after the head
        row: usize,
        /// Column
        column: String,
        /// What stands there
        cell: String,
    },
    /// A cell that must be filled is empty
    #[error("row {row} of the table: column `{column}` is empty")]
    EmptyCell {
        /// Row, counted from 1 after the head
        row: usize,
        /// Column
        column: String,
    },
    /// The same reading stands twice
    #[error(
        "row {row} of the table: volume `{volume}`, reader `{reader}`, repeat `{repeat}` stands there twice"
    )]
    Twice {
        /// Row of the second, counted from 1 after the head
        row: usize,
        /// Volume
        volume: String,
        /// Reader
        reader: String,
        /// Repeat
        repeat: String,
    },
    /// The same jet of the same file stands twice
    #[error("row {row} of the table: jet 1 of `{file}` stands there twice")]
    JetTwice {
        /// Row of the second, counted from 1 after the head
        row: usize,
        /// File
        file: String,
    },
    /// A grade is not among those named
    #[error("row {row} of the table: the grade `{grade}` is not among those named")]
    UnknownGrade {
        /// Row, counted from 1 after the head
        row: usize,
        /// Grade
        grade: String,
    },
    /// Nothing can be computed from the table
    #[error("nothing can be said about agreement: {0}")]
    TooLittle(String),
}

impl StudyError {
    /// What the user can do about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Csv(_) => {
                "give comma-separated text with one head line, as the spreadsheet's CSV export makes"
            }
            Self::NoColumn { .. } => "name the columns in the head line; docs/study.md shows each table",
            Self::TwoColumns(_) => "give each column a name of its own",
            Self::Empty => "one row a reading is needed below the head line",
            Self::NotANumber { .. } => {
                "write numbers with a point; leave a cell empty, or write NA, where nothing was measured"
            }
            Self::EmptyCell { .. } => "every row names its volume and its reader",
            Self::Twice { .. } => "number the repeats of a reading in the column `repeat`",
            Self::JetTwice { .. } => "give the table of jets of one cohort",
            Self::UnknownGrade { .. } => "name all grades with --grades, the mildest first",
            Self::TooLittle(_) => "two readers, or one reader twice, on two volumes at least",
        }
    }
}
