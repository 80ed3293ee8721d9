//! How far readers agree, with each other and with themselves.
//!
//! From one long table of readings ([`Readings`]) to one document ([`Agreement`]): intraclass
//! correlations, limits of agreement of every pair of readers, each reader's own scatter, kappa of
//! grades, percent error, and a paragraph that says by which formulas. Each statistic uses the
//! readings that it can; those it cannot are named in the document.

mod bland;
mod clusters;
mod document;
mod icc;
mod kappa;
mod methods;
mod notes;
mod readings;
mod reference;
mod within;

pub use bland::{BlandAltman, Limit, PercentError, Point, Ratio};
pub use clusters::{Clustered, Plan};
pub use document::{Agreement, Design, Grades, Missing, Reliability, SCHEMA, TableSource};
pub use icc::{Icc, MeanSquares};
pub use kappa::{FleissKappa, Kappa, Weights};
pub use readings::{GradeOrder, GradeScale, Readings, Repeats};
pub use reference::{AgainstReference, Estimate, Roc};
pub use within::Within;

use super::StudyError;
use crate::measure::results::Tool;

/// What the user may settle
#[derive(Clone, Debug, PartialEq)]
pub struct AgreeOptions {
    /// Name of the column of values
    pub value: String,
    /// Unit of the values, for axes and sentences; may be empty
    pub unit: String,
    /// What stands for repeats between readers
    pub repeats: Repeats,
    /// Resamples of a bootstrap
    pub resamples: usize,
    /// Start of the random numbers
    pub seed: u64,
    /// The reader who is the reference, if one is
    pub reference: Option<String>,
    /// The reference is severe from this value on
    pub severe: Option<f64>,
    /// Half width of the interval of a limit that a study is planned for
    pub half_width: Option<f64>,
}

impl Default for AgreeOptions {
    fn default() -> Self {
        Self {
            value: "value".into(),
            unit: String::new(),
            repeats: Repeats::First,
            resamples: 2000,
            seed: 1,
            reference: None,
            severe: None,
            half_width: None,
        }
    }
}

/// Analyses a table of readings
///
/// # Errors
/// [`StudyError::TooLittle`] where neither two readers nor two repeats share a volume.
pub fn agree(
    readings: &Readings,
    source: TableSource,
    options: &AgreeOptions,
) -> Result<Agreement, StudyError> {
    let missing = missing(readings);
    let within = within_readers(readings);
    let averaged = options.repeats == Repeats::Mean && readings.repeats().len() > 1;
    let pairs = pairs(readings, options.repeats, averaged);
    let repeats = repeats(readings);
    let clusters = clusters(readings, options.repeats);
    let references = references(readings, options)?;
    let widest = pairs.iter().filter_map(|pair| pair.standard_deviation).fold(0.0, f64::max);
    let plan = options.half_width.and_then(|half| clusters::plan(widest, half));
    let reliability = reliability(readings, options.repeats);
    let grades = readings.grades().map(|scale| grades(readings, scale, options));
    let graded = grades.as_ref().is_some_and(|g| g.pairs.iter().any(|pair| pair.volumes > 0));
    if pairs.is_empty() && within.is_empty() && !graded {
        return Err(StudyError::TooLittle("no two readings belong together".into()));
    }
    let mut document = Agreement {
        schema: SCHEMA.to_owned(),
        tool: Tool {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            engine: crate::measure::ENGINE.to_owned(),
        },
        source,
        design: Design {
            volumes: readings.volumes().len(),
            readers: readings.readers().to_vec(),
            repeats: readings.repeats().to_vec(),
            standing: if averaged { "mean" } else { "first" }.to_owned(),
            values: readings.values(),
            grades: readings.graded(),
            missing,
        },
        reliability,
        pairs,
        clusters,
        references,
        plan,
        repeats,
        within,
        grades,
        notes: Vec::new(),
        methods: Vec::new(),
    };
    document.notes = notes::sentences(&document, readings, options);
    document.methods = methods::paragraphs(&document, options);
    Ok(document)
}

/// What a full table would have and this one lacks; a repeat counts as planned for a reader who made it
/// at least once
fn missing(readings: &Readings) -> Vec<Missing> {
    let volumes = readings.volumes().len();
    let mut missing = Vec::new();
    for (r, reader) in readings.readers().iter().enumerate() {
        for (k, repeat) in readings.repeats().iter().enumerate() {
            let has = |v: &usize| readings.value(*v, r, k).is_some();
            if k > 0 && !(0..volumes).any(|v| has(&v)) {
                continue;
            }
            for (v, volume) in readings.volumes().iter().enumerate() {
                // Only some volumes are read again by design: a repeat is missed where another reader made it.
                let planned = k == 0
                    || (0..readings.readers().len()).any(|other| readings.value(v, other, k).is_some());
                if planned && !has(&v) {
                    missing.push(Missing {
                        volume: volume.clone(),
                        reader: reader.clone(),
                        repeat: repeat.clone(),
                    });
                }
            }
        }
    }
    missing
}

fn groups(readings: &Readings, reader: usize) -> Vec<Vec<f64>> {
    (0..readings.volumes().len()).map(|volume| readings.all(volume, reader)).collect()
}

fn within_readers(readings: &Readings) -> Vec<Within> {
    use within::Correlate::{Pooled, Repeats};
    let mut found: Vec<Within> = readings
        .readers()
        .iter()
        .enumerate()
        .filter_map(|(r, reader)| within::within(reader, &groups(readings, r), Repeats))
        .collect();
    if found.len() > 1 {
        let all: Vec<Vec<f64>> = (0..readings.readers().len()).flat_map(|r| groups(readings, r)).collect();
        found.extend(within::within("all readers", &all, Pooled));
    }
    found
}

fn pairs(readings: &Readings, rule: Repeats, averaged: bool) -> Vec<BlandAltman> {
    let readers = readings.readers();
    let mut found = Vec::new();
    for a in 0..readers.len() {
        for b in a + 1..readers.len() {
            let both = |v: usize| (readings.standing(v, a, rule), readings.standing(v, b, rule));
            let used: Vec<usize> =
                (0..readings.volumes().len()).filter(|&v| matches!(both(v), (Some(_), Some(_)))).collect();
            let scatter = |reader: usize| repeated(readings, reader, &used);
            found.extend(bland::compare(&bland::Series {
                first: &readers[a],
                second: &readers[b],
                pairs: readings
                    .volumes()
                    .iter()
                    .enumerate()
                    .map(|(v, volume)| (volume.as_str(), both(v).0, both(v).1))
                    .collect(),
                averaged: averaged.then(|| [scatter(a), scatter(b)]),
            }));
        }
    }
    found
}

/// Every pair of readers over the patients; nothing without patients, or where each has one volume
fn clusters(readings: &Readings, rule: Repeats) -> Vec<Clustered> {
    let (readers, Some(patients)) = (readings.readers(), readings.patients()) else { return Vec::new() };
    let mut found = Vec::new();
    for a in 0..readers.len() {
        for b in a + 1..readers.len() {
            let mut groups: std::collections::BTreeMap<&str, Vec<f64>> = std::collections::BTreeMap::new();
            for (v, patient) in patients.iter().enumerate() {
                if let (Some(x), Some(y)) = (readings.standing(v, a, rule), readings.standing(v, b, rule)) {
                    groups.entry(patient.as_str()).or_default().push(x - y);
                }
            }
            let groups: Vec<Vec<f64>> = groups.into_values().collect();
            found.extend(clusters::clustered([&readers[a], &readers[b]], &groups));
        }
    }
    found
}

/// Each reader against the reference that was named
fn references(readings: &Readings, options: &AgreeOptions) -> Result<Vec<AgainstReference>, StudyError> {
    let Some(name) = &options.reference else { return Ok(Vec::new()) };
    let readers = readings.readers();
    let Some(reference) = readers.iter().position(|reader| reader == name) else {
        let known = readers.join(", ");
        return Err(StudyError::TooLittle(format!(
            "there is no reader {name:?} to be the reference; there are {known}"
        )));
    };
    let others = (0..readers.len()).filter(|reader| *reader != reference);
    let found = others.filter_map(|reader| {
        let value = |v: usize, r: usize| readings.standing(v, r, options.repeats);
        let pairs: Vec<(f64, f64)> = (0..readings.volumes().len())
            .filter_map(|v| Some((value(v, reference)?, value(v, reader)?)))
            .collect();
        reference::against([&readers[reader], name], &pairs, options.severe)
    });
    Ok(found.collect())
}

/// What a reader's repeats say about single readings, over the volumes used
fn repeated(readings: &Readings, reader: usize, used: &[usize]) -> bland::Repeated {
    let groups = groups(readings, reader);
    let share = used.iter().map(|&v| 1.0 / groups[v].len().max(1) as f64).sum::<f64>();
    let found = within::within("", &groups, within::Correlate::Pooled);
    bland::Repeated {
        variance: found.as_ref().map_or(0.0, |found| found.standard_deviation.value.powi(2)),
        share: share / used.len().max(1) as f64,
        df: found.map_or(0.0, |found| found.degrees_of_freedom as f64),
    }
}

fn repeats(readings: &Readings) -> Vec<BlandAltman> {
    let names = readings.repeats();
    if names.len() < 2 {
        return Vec::new();
    }
    readings
        .readers()
        .iter()
        .enumerate()
        .filter_map(|(r, reader)| {
            let [first, second] = [0, 1].map(|k| format!("{reader}, repeat {}", names[k]));
            bland::compare(&bland::Series {
                first: &first,
                second: &second,
                // A volume that was to be read once is no gap: only what was begun twice counts here.
                pairs: readings
                    .volumes()
                    .iter()
                    .enumerate()
                    .map(|(v, volume)| (volume.as_str(), readings.value(v, r, 0), readings.value(v, r, 1)))
                    .filter(|(_, _, again)| again.is_some())
                    .collect(),
                averaged: None,
            })
        })
        .collect()
}

fn reliability(readings: &Readings, rule: Repeats) -> Option<Reliability> {
    let readers = readings.readers().len();
    let mut rows = Vec::new();
    let mut left_out = Vec::new();
    for (v, volume) in readings.volumes().iter().enumerate() {
        let row: Option<Vec<f64>> = (0..readers).map(|r| readings.standing(v, r, rule)).collect();
        match row {
            Some(row) => rows.push(row),
            None => left_out.push(volume.clone()),
        }
    }
    let ms = icc::mean_squares(&rows)?;
    let offsets = ((ms.between_readers - ms.residual) / ms.volumes as f64).max(0.0);
    let error = (offsets + ms.residual).sqrt();
    Some(Reliability {
        volumes: ms.volumes,
        readers,
        left_out,
        mean_squares: ms,
        coefficients: icc::all(&ms),
        reader_standard_deviation: offsets.sqrt(),
        standard_error: error,
        residual_standard_error: ms.residual.sqrt(),
        reproducibility: within::REPEATABILITY * error,
    })
}

fn grades(readings: &Readings, scale: &GradeScale, options: &AgreeOptions) -> Grades {
    let readers = readings.readers();
    let ordered = scale.order == GradeOrder::Rising;
    let weights: &[Weights] = if ordered && scale.names.len() > 2 {
        &[Weights::None, Weights::Linear, Weights::Quadratic]
    } else {
        &[Weights::None]
    };
    let volumes = 0..readings.volumes().len();
    let mut pairs = Vec::new();
    for a in 0..readers.len() {
        for b in a + 1..readers.len() {
            let both: Vec<(usize, usize)> = volumes
                .clone()
                .filter_map(|v| Some((readings.grade(v, a)?, readings.grade(v, b)?)))
                .collect();
            let names = [readers[a].as_str(), readers[b].as_str()];
            pairs.extend(weights.iter().map(|&w| kappa::cohen(names, &both, scale.names.len(), w)));
        }
    }
    let mut rows = Vec::new();
    let mut left_out = Vec::new();
    for v in volumes {
        let row: Option<Vec<usize>> = (0..readers.len()).map(|r| readings.grade(v, r)).collect();
        match row {
            Some(row) => rows.push(row),
            None => left_out.push(readings.volumes()[v].clone()),
        }
    }
    let all = kappa::fleiss(&rows, scale.names.len(), options.resamples, options.seed);
    Grades { names: scale.names.clone(), ordered, pairs, all, left_out }
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use super::*;
    use crate::study::Table;

    fn flow() -> String {
        let mut text = String::from("volume,reader,repeat,value,grade\n");
        for (i, row) in bland::tests::FLOW.iter().enumerate() {
            for (j, value) in row.iter().enumerate() {
                let grade = if *value > 450.0 {
                    "severe"
                } else if *value > 300.0 {
                    "moderate"
                } else {
                    "mild"
                };
                let reader = ["A", "B"][j / 2];
                let _ = writeln!(text, "{},{reader},{},{value},{grade}", i + 1, j % 2 + 1);
            }
        }
        text
    }

    fn run(text: &str, options: &AgreeOptions) -> Result<Agreement, StudyError> {
        let readings = Readings::from_table(&Table::from_csv(text)?, "value", &[])?;
        agree(&readings, TableSource::default(), options)
    }

    #[test]
    fn a_full_table_says_everything() {
        let found = run(&flow(), &AgreeOptions::default()).unwrap();
        assert_eq!((found.pairs.len(), found.repeats.len(), found.within.len()), (1, 2, 3));
        assert!((found.pairs[0].bias + 2.1176).abs() < 1e-4);
        assert!(found.design.missing.is_empty());
        assert_eq!(found.reliability.as_ref().unwrap().coefficients.len(), 6);
        let grades = found.grades.as_ref().unwrap();
        assert_eq!(grades.pairs.len(), 3);
        assert!(found.methods.iter().any(|p| p.contains("Shrout")));
        assert!(found.notes.iter().any(|n| n.contains("repeat `1`")));
        // The document survives its own text.
        let text = serde_json::to_string(&found).unwrap();
        assert_eq!(serde_json::from_str::<Agreement>(&text).unwrap(), found);
    }

    /// Bland & Altman 1986: means of two readings, bias -6.03, SD 33.20; for single readings 37.7
    #[test]
    fn means_of_repeats_are_widened_to_single_readings() {
        let options = AgreeOptions { repeats: Repeats::Mean, ..AgreeOptions::default() };
        let found = run(&flow(), &options).unwrap();
        let pair = &found.pairs[0];
        assert!((pair.bias + 6.03).abs() < 0.005, "{}", pair.bias);
        assert!((pair.plotted_standard_deviation.unwrap() - 33.20).abs() < 0.005);
        let single = pair.standard_deviation.unwrap();
        assert!((37.6..37.9).contains(&single), "{single}");
        assert!(pair.upper.unwrap().exact.is_none());
    }

    #[test]
    fn patients_references_and_plans() {
        let text = flow().replace("volume,reader", "patient,volume,reader");
        let text: Vec<String> = text
            .lines()
            .enumerate()
            .map(|(at, line)| {
                let volume = line.split(',').next().unwrap().parse::<usize>().unwrap_or(0);
                if at == 0 { line.to_owned() } else { format!("p{},{line}", volume / 2) }
            })
            .collect();
        let options = AgreeOptions {
            reference: Some("A".into()),
            severe: Some(440.0),
            half_width: Some(10.0),
            ..AgreeOptions::default()
        };
        let found = run(&text.join("\n"), &options).unwrap();
        let clustered = &found.clusters[0];
        assert_eq!((clustered.patients, clustered.volumes), (9, 17));
        assert!((clustered.bias - found.pairs[0].bias).abs() < 1e-9);
        let against = &found.references[0];
        assert_eq!((against.reader.as_str(), against.roc.unwrap().severe), ("B", 8));
        assert!((against.roc.unwrap().area.value - 0.930_556).abs() < 1e-6);
        assert!(found.plan.unwrap().volumes > 100 && found.pairs[0].ratio.is_some());
        // What ignores the patients is named, and the paragraphs cover what there is.
        let ignores = found.notes.iter().find(|note| note.contains("over patients only")).unwrap();
        for name in ["intraclass", "ratios", "kappa", "Deming", "ROC", "plan"] {
            assert!(ignores.contains(name), "{name} is not in {ignores}");
        }
        let covers = |found: &Agreement, words: &str| found.methods.iter().any(|p| p.contains(words));
        assert!(covers(&found, "6 (sample size)") && covers(&found, "STARD"));
        let plain = run(&flow(), &AgreeOptions::default()).unwrap();
        assert!(!covers(&plain, "6 (sample size)") && !covers(&plain, "STARD") && covers(&plain, "3 to 9"));
        assert!(!plain.notes.iter().any(|note| note.contains("patient")));
        for source in ["Deming", "DeLong", "2007", "Gwet", "GRRAS"] {
            assert!(found.methods.iter().any(|p| p.contains(source)), "{source}");
        }
        let unknown = AgreeOptions { reference: Some("C".into()), ..AgreeOptions::default() };
        assert!(run(&flow(), &unknown).is_err());
        let torn = "patient,volume,reader,value\np,1,a,1\nq,1,b,2\n";
        assert!(run(torn, &AgreeOptions::default()).is_err());
    }

    #[test]
    fn what_is_missing_is_named() {
        let text = "volume,reader,value\n1,a,1\n1,b,2\n2,a,3\n2,b,\n3,a,4\n3,b,5\n4,b,2\n";
        let found = run(text, &AgreeOptions::default()).unwrap();
        let named: Vec<(&str, &str)> =
            found.design.missing.iter().map(|m| (m.volume.as_str(), m.reader.as_str())).collect();
        assert_eq!(named, [("4", "a"), ("2", "b")]);
        assert_eq!(found.pairs[0].left_out, ["2", "4"]);
        let reliability = found.reliability.unwrap();
        assert_eq!((reliability.volumes, reliability.left_out), (2, vec!["2".to_owned(), "4".to_owned()]));
        assert!(found.notes[0].contains("4 by a") && found.notes[1].contains("left out: 2, 4"));
    }

    #[test]
    fn nothing_to_compare_is_an_error() {
        let lonely = run("volume,reader,value\n1,a,1\n2,b,2\n", &AgreeOptions::default());
        assert!(matches!(lonely, Err(StudyError::TooLittle(_))));
        // One reader, twice: no pair, but a scatter.
        let twice = "volume,reader,repeat,value\n1,a,1,1\n1,a,2,2\n2,a,1,5\n2,a,2,5\n";
        let found = run(twice, &AgreeOptions::default()).unwrap();
        assert_eq!((found.pairs.len(), found.repeats.len(), found.within.len()), (0, 1, 1));
        assert!(found.reliability.is_none());
    }

    proptest::proptest! {
        #![proptest_config(proptest::test_runner::Config::with_cases(48))]

        #[test]
        fn no_table_brings_it_down(
            rows in proptest::collection::vec((0u8..4, 0u8..3, 0u8..2, 0u8..6, 0u8..4), 1..24),
            mean in proptest::bool::ANY,
        ) {
            let mut text = String::from("volume,reader,repeat,value,grade\n");
            let mut seen = std::collections::BTreeSet::new();
            for (volume, reader, repeat, value, grade) in rows {
                if !seen.insert((volume, reader, repeat)) {
                    continue;
                }
                let value = ["", "0", "3.5", "3.5", "-7", "1e50"][usize::from(value)];
                let grade = ["", "mild", "severe", "severe"][usize::from(grade)];
                let _ = writeln!(text, "{volume},{reader},{repeat},{value},{grade}");
            }
            let repeats = if mean { Repeats::Mean } else { Repeats::First };
            let options = AgreeOptions { repeats, resamples: 50, ..AgreeOptions::default() };
            if let Ok(found) = run(&text, &options) {
                // Whatever could be said can be written and read again: no hidden NaN.
                let json = serde_json::to_string(&found).unwrap();
                proptest::prop_assert_eq!(serde_json::from_str::<Agreement>(&json).unwrap(), found);
            }
        }
    }
}
