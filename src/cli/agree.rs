//! `narrows agree`: how far readers agree, from a table of their readings.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::{Exit, Failure, output};
use crate::format;
use crate::report::study::{agreement_csv, agreement_files, kappa_name, write_bundle};
use crate::report::words;
use crate::study::Table;
use crate::study::agree::{self, AgreeOptions, Agreement, Readings, Repeats, TableSource};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The readings: CSV, one row a reading, with the columns volume, reader, value and, where there
    /// are any, repeat, grade and patient
    table: PathBuf,
    /// Folder for page, figures, agreement.json and agreement.csv
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// The column that holds the values
    #[arg(long, value_name = "COLUMN", default_value = "value")]
    value: String,
    /// Unit of the values, for axes and tables
    #[arg(long, value_name = "UNIT", default_value = "")]
    unit: String,
    /// What stands for a reader's repeats where readers are compared
    #[arg(long, value_enum, default_value_t)]
    repeats: RepeatRule,
    /// All grades, the mildest first, separated by commas [default: well-known scales are recognised]
    #[arg(long, value_name = "LIST", value_delimiter = ',')]
    grades: Vec<String>,
    /// The reader who is the reference: Deming's line and, with --severe, a ROC curve for each other reader
    #[arg(long, value_name = "READER")]
    reference: Option<String>,
    /// The reference is severe from this value on
    #[arg(long, value_name = "NUMBER", requires = "reference")]
    severe: Option<f64>,
    /// How many volumes give the limits of agreement a 95 % interval of plus or minus this
    #[arg(long, value_name = "HALF_WIDTH")]
    plan: Option<f64>,
    /// Start of the random numbers of the bootstrap
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum RepeatRule {
    /// The first repeat
    #[default]
    First,
    /// The mean of the repeats
    Mean,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let path = &arguments.table;
    let text = std::fs::read_to_string(path).map_err(|error| {
        Failure::usage(
            format!("cannot read the table: {error}: {}", path.display()),
            "give a table of readings as CSV text; docs/study.md shows one",
        )
    })?;
    let table = Table::from_csv(&text)?;
    let grades: Vec<String> = arguments.grades.iter().map(|g| g.trim().to_owned()).collect();
    let readings = Readings::from_table(&table, &arguments.value, &grades)?;
    let source = TableSource {
        file: path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default(),
        blake3: format::hash(path)?,
        value: arguments.value.clone(),
        unit: arguments.unit.clone(),
    };
    let options = AgreeOptions {
        value: arguments.value.clone(),
        unit: arguments.unit.clone(),
        repeats: match arguments.repeats {
            RepeatRule::First => Repeats::First,
            RepeatRule::Mean => Repeats::Mean,
        },
        seed: arguments.seed,
        reference: arguments.reference.clone(),
        severe: arguments.severe,
        half_width: arguments.plan,
        ..AgreeOptions::default()
    };
    let found = agree::agree(&readings, source, &options)?;
    for note in &found.notes {
        output::say(&format!("note: {note}"));
    }
    match &arguments.out {
        Some(folder) => {
            write_bundle(agreement_files(&found, 1.6)?, folder)?;
            output::print(&summary(&found))?;
            output::say(&format!("wrote {}", folder.join("index.html").display()));
        }
        None => output::print(&agreement_csv(&found))?,
    }
    Ok(Exit::Done)
}

fn summary(found: &Agreement) -> String {
    let mut out = String::new();
    let unit = &found.source.unit;
    let mut line = |text: String| {
        out.push_str(text.trim_end());
        out.push('\n');
    };
    if let Some(reliability) = &found.reliability {
        for icc in &reliability.coefficients {
            let value = icc.value.map_or("not estimable".into(), |v| words::fixed(v, 3));
            let ends = icc.interval.map_or_else(String::new, |[low, high]| {
                format!(" ({} to {})", words::fixed(low, 3), words::fixed(high, 3))
            });
            line(format!("{}: {value}{ends}", icc.name));
        }
    }
    for pair in found.pairs.iter().chain(&found.repeats) {
        // Where a patient has several volumes, the limits are those that count them as such.
        let over = found.clusters.iter().find(|one| one.first == pair.first && one.second == pair.second);
        let (bias, limits, patients) = match over {
            Some(one) => (one.bias, Some(one.limits), format!(", over {} patients", one.patients)),
            None => (pair.bias, pair.lower.zip(pair.upper).map(|(a, b)| [a.value, b.value]), String::new()),
        };
        let limits = limits.map_or_else(String::new, |[low, high]| {
            format!(", limits {} to {}", words::signed(low, 2), words::signed(high, 2))
        });
        let bias = words::signed(bias, 2);
        let text = format!("{} − {}: bias {bias}{limits} {unit}", pair.first, pair.second);
        line(format!("{}{patients}", text.trim_end()));
    }
    for one in &found.within {
        line(format!(
            "{}: within-reader SD {}, repeatability coefficient {} {unit}",
            one.reader,
            words::fixed(one.standard_deviation.value, 2),
            words::fixed(one.repeatability.value, 2)
        ));
    }
    for pair in found.grades.iter().flat_map(|grades| &grades.pairs) {
        let value = pair.value.map_or("not estimable".into(), |v| words::fixed(v, 3));
        line(format!("{}, {}: {} {value}", pair.first, pair.second, kappa_name(pair.weights)));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn with_patients_the_limits_over_patients_are_shown() {
        let rows = [(1, "x", 30.0, 28.0), (2, "x", 44.0, 40.0), (3, "y", 25.0, 29.0), (4, "z", 51.0, 50.0)];
        let table = |patient: bool| {
            let head = if patient { "patient,volume,reader,value\n" } else { "volume,reader,value\n" };
            rows.iter().fold(head.to_owned(), |all, (volume, of, a, b)| {
                let of = if patient { format!("{of},") } else { String::new() };
                format!("{all}{of}{volume},A,{a}\n{of}{volume},B,{b}\n")
            })
        };
        let told = |patient: bool| {
            let table = Table::from_csv(&table(patient)).unwrap();
            let readings = Readings::from_table(&table, "value", &[]).unwrap();
            let found = agree::agree(&readings, TableSource::default(), &AgreeOptions::default()).unwrap();
            let line = summary(&found).lines().find(|line| line.contains("bias")).unwrap().to_owned();
            (found, line)
        };
        let ((found, over), (_, plain)) = (told(true), told(false));
        let [low, high] = found.clusters[0].limits.map(|limit| words::signed(limit, 2));
        assert!(over.ends_with(&format!("limits {low} to {high}, over 3 patients")), "{over}");
        assert!(plain.contains("limits") && !plain.contains(&format!("{low} to {high}")), "{plain}");
    }
}
