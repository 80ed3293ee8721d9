//! What can be typed.

use clap::{Parser, Subcommand};

use super::{
    Exit, Failure, agree, cohort, convert, draw, flow, home, inspect, measure, phantom, practice, readings,
    recheck, report, schema, shapes, sweep, view,
};

const AFTER: &str = "\
Without a command the viewer opens on the sample volumes; where there is no display, the default sample \
is measured and a report is written to ./narrows-report.

Exit status: 0 done; 1 done, but the acquisition is unfit for this measurement, or a recheck found a difference; 2 bad usage, unreadable \
input or unwritable output; 3 a fault of the program; 130 stopped by Ctrl-C.

Not a medical device: results defer to local protocols and to the licensed reader.";

/// Measures the vena contracta of a regurgitant jet in a gated 3D colour Doppler volume
#[derive(Debug, Parser)]
#[command(name = "narrows", version, after_help = AFTER, max_term_width = 96)]
pub(super) struct Arguments {
    #[command(subcommand)]
    verb: Option<Verb>,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Open the viewer on a volume or a review
    View(view::Arguments),
    /// Measure every jet of a volume and write a report
    Measure(measure::Arguments),
    /// Write the report of a review, with the reader's own tracings
    Report(report::Arguments),
    /// Measure the volume of a review anew and report every number that differs
    ///
    /// Exit status 1 where a number differs.
    Recheck(recheck::Arguments),
    /// Show what a file holds, and the trust check of the acquisition
    Inspect(inspect::Arguments),
    /// Draw a cut of a volume, or one figure of its measurement
    Draw(draw::Arguments),
    /// Simulate an acquisition from a recipe; its truth goes beside it
    Phantom(phantom::Arguments),
    /// Solve the flow of a jet through an orifice
    Flow(flow::Arguments),
    /// Write a volume again, pixels stored otherwise
    Convert(convert::Arguments),
    /// Vary one parameter and show what it does to the area, against the truth or the chosen pose
    Sweep(sweep::Arguments),
    /// Measure many volumes into two tables, one row a jet and one row a volume
    Cohort(cohort::Arguments),
    /// Read and measure volumes for a cohort that asks on stdin
    #[command(name = super::cohort::WORKER, hide = true)]
    CohortWorker,
    /// Orifice shapes of a cohort in groups: effects with intervals
    Shapes(shapes::Arguments),
    /// A sealed reading list, and the table of what was read
    Readings(readings::Arguments),
    /// Simulated cases measured blind, and the error split into its causes: training, no certificate
    Practice(practice::Arguments),
    /// How far readers agree: from a table of their readings to statistics, figures and a page
    Agree(agree::Arguments),
    /// Print the JSON Schema of a document
    Schema(schema::Arguments),
}

impl Arguments {
    pub(super) fn run(self) -> Result<Exit, Failure> {
        match self.verb {
            None => home::run(),
            Some(Verb::View(arguments)) => view::run(&arguments),
            Some(Verb::Measure(arguments)) => measure::run(&arguments),
            Some(Verb::Report(arguments)) => report::run(&arguments),
            Some(Verb::Recheck(arguments)) => recheck::run(&arguments),
            Some(Verb::Inspect(arguments)) => inspect::run(&arguments),
            Some(Verb::Draw(arguments)) => draw::run(&arguments),
            Some(Verb::Phantom(arguments)) => phantom::run(&arguments),
            Some(Verb::Flow(arguments)) => flow::run(&arguments),
            Some(Verb::Convert(arguments)) => convert::run(&arguments),
            Some(Verb::Sweep(arguments)) => sweep::run(&arguments),
            Some(Verb::Cohort(arguments)) => cohort::run(&arguments),
            Some(Verb::CohortWorker) => cohort::serve(),
            Some(Verb::Shapes(arguments)) => shapes::run(&arguments),
            Some(Verb::Readings(arguments)) => readings::run(&arguments),
            Some(Verb::Practice(arguments)) => practice::run(&arguments),
            Some(Verb::Agree(arguments)) => agree::run(&arguments),
            Some(Verb::Schema(arguments)) => schema::run(&arguments),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory as _;

    #[test]
    fn the_definitions_are_sound() {
        Arguments::command().debug_assert();
    }
}
