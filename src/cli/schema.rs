//! `narrows schema`: the published form of the documents.

use clap::{Args, ValueEnum};

use super::{Exit, Failure, output};
use crate::report;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Which document
    #[arg(value_enum, default_value_t)]
    document: Document,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum Document {
    /// results.json
    #[default]
    Results,
    /// NAME.review.json
    Review,
    /// The file for `measure --evidence`
    Evidence,
    /// The file for `measure --criteria`
    Criteria,
    /// NAME.narrows.json, what an open format cannot carry
    Sidecar,
    /// comparison.json
    Comparison,
    /// What recheck writes
    Recheck,
    /// agreement.json
    Agreement,
    /// sweep.json
    Sweep,
    /// shapes.json
    Shapes,
    /// practice.json, the list that learners get
    Practice,
    /// The key of a practice set
    PracticeKey,
    /// The document that `practice score` writes
    PracticeScores,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    output::print(&match arguments.document {
        Document::Results => report::schema::results(),
        Document::Review => report::schema::review(),
        Document::Evidence => report::schema::evidence(),
        Document::Criteria => report::schema::criteria(),
        Document::Sidecar => report::schema::sidecar(),
        Document::Comparison => report::schema::comparison(),
        Document::Recheck => report::schema::recheck(),
        Document::Agreement => report::schema::agreement(),
        Document::Sweep => report::schema::sweep(),
        Document::Shapes => report::schema::shapes(),
        Document::Practice => report::schema::practice(),
        Document::PracticeKey => report::schema::practice_key(),
        Document::PracticeScores => report::schema::practice_scores(),
    })?;
    Ok(Exit::Done)
}
