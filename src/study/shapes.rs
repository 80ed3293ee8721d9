//! The shape of orifices in groups: what groups are like, how far they lie apart, and how sure that is.
//!
//! From the table of jets of a cohort, one jet a volume (the largest, so that no volume counts
//! twice), and a column that names groups. Effects come with intervals; there is no test and no
//! star. Medians and their differences by percentile bootstrap (Efron B, Tibshirani RJ. An
//! Introduction to the Bootstrap, 1993, from memory); standardised difference after Hedges LV. J Educ
//! Stat 1981;6:107-28 (from memory) with the exact interval from the noncentral t; shares with the
//! interval of Wilson EB. J Am Stat Assoc 1927;22:209-12 (from memory).

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::resample::{generator, pick};
use super::{StudyError, Table};
use crate::measure::results::{Interval, Tool};
use crate::numeric::distribution::noncentral_t_cdf;
use crate::numeric::optimise;
use crate::numeric::stats::{mean, median, quantile, standard_deviation};

/// The name of this version of the document
pub const SCHEMA: &str = "narrows/shapes/1";
/// The 97.5 % point of the normal distribution
const Z: f64 = 1.959_963_984_540_054;

/// What is described: column, words, unit
pub const VARIABLES: [(&str, &str, &str); 7] = [
    ("vca_mm2", "vena contracta area", "mm²"),
    ("axis_ratio", "axis ratio", ""),
    ("solidity", "solidity", ""),
    ("crescent_index", "crescent index", ""),
    ("circularity", "circularity", ""),
    ("single_width_error_percent", "error of a single width", "%"),
    ("single_width_missed_mm2", "area that a single width misses", "mm²"),
];

/// What the user may settle
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ShapeOptions {
    /// Resamples of a bootstrap
    pub resamples: usize,
    /// Start of the random numbers
    pub seed: u64,
}

impl Default for ShapeOptions {
    fn default() -> Self {
        Self { resamples: 4000, seed: 1 }
    }
}

/// The shapes of a cohort
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Shapes {
    /// Always `narrows/shapes/1`
    pub schema: String,
    /// What made the document
    pub tool: Tool,
    /// The column that names the groups; `all` where there is none
    pub grouped_by: String,
    /// The groups in order of name
    pub groups: Vec<Group>,
    /// Each variable
    pub variables: Vec<Variable>,
    /// What was left out, and what a reader must bear in mind
    pub notes: Vec<String>,
    /// How it was computed, with sources
    pub methods: Vec<String>,
}

/// One group
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Group {
    /// Its name
    pub name: String,
    /// Volumes in it
    pub volumes: usize,
    /// Volumes by shape class
    pub classes: BTreeMap<String, usize>,
    /// Share in which a single width misleads, with its 95 % interval
    pub misleads: Option<Interval>,
}

/// One variable over the groups
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Variable {
    /// Column
    pub column: String,
    /// In words
    pub words: String,
    /// Unit
    pub unit: String,
    /// Each group, in the order of the groups
    pub groups: Vec<Described>,
    /// Each pair of groups
    pub effects: Vec<Effect>,
}

/// One variable in one group
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Described {
    /// Group
    pub group: String,
    /// Values there are
    pub count: usize,
    /// Mean; `null` without a value
    pub mean: Option<f64>,
    /// Standard deviation; `null` below two values
    pub standard_deviation: Option<f64>,
    /// Median; `null` without a value
    pub median: Option<f64>,
    /// Its 95 % interval; `null` below three values
    pub median_interval: Option<[f64; 2]>,
    /// First and third quartile
    pub quartiles: Option<[f64; 2]>,
    /// The values, in the order of the table
    pub values: Vec<f64>,
}

/// How far two groups lie apart
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Effect {
    /// First group
    pub first: String,
    /// Second group
    pub second: String,
    /// Median of the first less that of the second, with its 95 % interval
    pub median_difference: Option<Interval>,
    /// Mean of the first less that of the second in pooled standard deviations, corrected for small groups
    pub hedges_g: Option<Interval>,
}

/// Describes the shapes of a table of jets
///
/// `groups` gives the group of a file; without it all volumes are one group.
///
/// # Errors
/// [`StudyError`] where a column is missing or a cell is no number.
pub fn shapes(
    jets: &Table,
    groups: Option<(&str, &BTreeMap<String, String>)>,
    options: &ShapeOptions,
) -> Result<Shapes, StudyError> {
    let (file, jet) = (jets.column("file")?, jets.column("jet")?);
    let class = jets.column("shape")?;
    let misleads = jets.column("single_width_misleads")?;
    let columns: Vec<usize> =
        VARIABLES.iter().map(|(name, _, _)| jets.column(name)).collect::<Result<_, _>>()?;
    let mut notes = Vec::new();
    let mut members: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    let (mut more, mut unnamed) = (0, Vec::new());
    let mut seen = BTreeSet::new();
    for row in 0..jets.len() {
        let name = jets.filled(row, file)?;
        if jets.number(row, jet)? != Some(1.0) {
            more += 1;
            continue;
        }
        if !seen.insert(name) {
            return Err(StudyError::JetTwice { row: row + 1, file: name.to_owned() });
        }
        let group = match groups {
            None => "all",
            Some((_, of)) => match of.get(name) {
                Some(group) if !group.is_empty() => group.as_str(),
                _ => {
                    unnamed.push(name);
                    continue;
                }
            },
        };
        members.entry(group.to_owned()).or_default().push(row);
    }
    if members.is_empty() {
        return Err(StudyError::TooLittle("no volume of the table belongs to a group".into()));
    }
    if more > 0 {
        notes.push(format!(
            "{more} further jets of volumes with several are left out: the largest stands for its volume."
        ));
    }
    if !unnamed.is_empty() {
        notes.push(format!("Without a group, and left out: {}.", unnamed.join(", ")));
    }
    let described_groups = members
        .iter()
        .map(|(name, rows)| {
            let mut classes = BTreeMap::new();
            for row in rows {
                *classes.entry(jets.cell(*row, class).to_owned()).or_insert(0) += 1;
            }
            let wrong = rows.iter().filter(|row| jets.cell(**row, misleads) == "true").count();
            Group { name: name.clone(), volumes: rows.len(), classes, misleads: wilson(wrong, rows.len()) }
        })
        .collect();
    let mut variables = Vec::new();
    for ((column, words, unit), at) in VARIABLES.iter().zip(&columns) {
        let mut described = Vec::new();
        for (name, rows) in &members {
            let values: Vec<f64> = rows
                .iter()
                .map(|row| jets.number(*row, *at))
                .collect::<Result<Vec<_>, _>>()?
                .into_iter()
                .flatten()
                .collect();
            described.push(describe(name, values, options));
        }
        let effects = effects(&described, options);
        variables.push(Variable {
            column: (*column).to_owned(),
            words: (*words).to_owned(),
            unit: (*unit).to_owned(),
            groups: described,
            effects,
        });
    }
    if members.values().any(|rows| rows.len() < 10) {
        notes.push(
            "A group has fewer than ten volumes: its bootstrap intervals are too narrow, if anything."
                .to_owned(),
        );
    }
    Ok(Shapes {
        schema: SCHEMA.to_owned(),
        tool: Tool {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            engine: crate::measure::ENGINE.to_owned(),
        },
        grouped_by: groups.map_or("all", |(name, _)| name).to_owned(),
        groups: described_groups,
        variables,
        notes,
        methods: methods(options),
    })
}

fn methods(options: &ShapeOptions) -> Vec<String> {
    vec![
        "The largest jet stands for its volume. Axis ratio is the largest over the smallest caliper width of \
         the tracing, solidity its area over that of its convex hull, circularity 4 pi times area over \
         perimeter squared. The crescent index is the area of the ellipse through both caliper widths over \
         the traced area: 1 for every ellipse, above 1.3 for a crescent (our own measure). The error of a \
         single width is that of the circle on the long-axis width against the area."
            .to_owned(),
        format!(
            "Groups are compared by effect and 95 % interval, without tests. Medians and their differences \
             have percentile bootstrap intervals ({} resamples, seed {}). Hedges's g (J Educ Stat \
             1981;6:107-28) is the difference of means in pooled standard deviations with the exact \
             small-sample factor; its interval inverts the noncentral t distribution and takes equal \
             variances and normal values for granted. Shares have Wilson's interval (J Am Stat Assoc \
             1927;22:209-12).",
            options.resamples, options.seed
        ),
    ]
}

fn describe(group: &str, values: Vec<f64>, options: &ShapeOptions) -> Described {
    let some = |value: f64| value.is_finite().then_some(value);
    let interval = (values.len() > 2).then(|| {
        let drawn = medians(&values, options, 0);
        [quantile(&drawn, 0.025), quantile(&drawn, 0.975)]
    });
    Described {
        group: group.to_owned(),
        count: values.len(),
        mean: some(mean(&values)),
        standard_deviation: some(standard_deviation(&values)),
        median: some(median(&values)),
        median_interval: interval,
        quartiles: (!values.is_empty()).then(|| [quantile(&values, 0.25), quantile(&values, 0.75)]),
        values,
    }
}

/// Medians of resamples; `stream` keeps two groups' draws apart
fn medians(values: &[f64], options: &ShapeOptions, stream: u64) -> Vec<f64> {
    let mut random = generator(options.seed.wrapping_mul(2).wrapping_add(stream));
    let mut drawn = vec![0.0; values.len()];
    (0..options.resamples)
        .map(|_| {
            for slot in &mut drawn {
                *slot = values[pick(&mut random, values.len())];
            }
            median(&drawn)
        })
        .collect()
}

fn effects(groups: &[Described], options: &ShapeOptions) -> Vec<Effect> {
    let mut found = Vec::new();
    for (at, a) in groups.iter().enumerate() {
        for b in &groups[at + 1..] {
            let both = a.count > 2 && b.count > 2;
            let median_difference = both.then(|| {
                let of = |group: &Described, stream| medians(&group.values, options, stream);
                let drawn: Vec<f64> = of(a, 0).iter().zip(of(b, 1)).map(|(x, y)| x - y).collect();
                Interval {
                    value: median(&a.values) - median(&b.values),
                    low: quantile(&drawn, 0.025),
                    high: quantile(&drawn, 0.975),
                }
            });
            found.push(Effect {
                first: a.group.clone(),
                second: b.group.clone(),
                median_difference,
                hedges_g: hedges_g(&a.values, &b.values),
            });
        }
    }
    found
}

/// Hedges's g with its exact 95 % interval; `None` below two values a group or without any spread
pub fn hedges_g(a: &[f64], b: &[f64]) -> Option<Interval> {
    if a.len() < 2 || b.len() < 2 {
        return None;
    }
    let (m, n) = (a.len() as f64, b.len() as f64);
    let df = m + n - 2.0;
    let square = |values: &[f64]| standard_deviation(values).powi(2) * (values.len() as f64 - 1.0);
    let pooled = ((square(a) + square(b)) / df).sqrt();
    if !(pooled > 0.0 && pooled.is_finite()) {
        return None;
    }
    let d = (mean(a) - mean(b)) / pooled;
    let root = (m * n / (m + n)).sqrt();
    let t = d * root;
    // The exact factor of Hedges: gamma(df/2) / (sqrt(df/2) gamma((df-1)/2)); for df = 1 it is zero.
    let factor = if df > 1.0 {
        libm::exp(libm::lgamma(df / 2.0) - libm::lgamma((df - 1.0) / 2.0)) / (df / 2.0).sqrt()
    } else {
        return None;
    };
    // The shift at which the observed t is that quantile.
    let reach = 10.0 + 2.0 * t.abs();
    let shift = |p: f64| optimise::root(t - reach, t + reach, 1e-10, |at| noncentral_t_cdf(t, df, at) - p);
    let (low, high) = (shift(0.975)?, shift(0.025)?);
    let scaled = |value: f64| value / root * factor;
    Some(Interval { value: d * factor, low: scaled(low), high: scaled(high) })
}

/// A share with Wilson's 95 % interval; `None` of nothing
pub fn wilson(some: usize, of: usize) -> Option<Interval> {
    if of == 0 {
        return None;
    }
    let (n, p) = (of as f64, some as f64 / of as f64);
    let below = 1.0 + Z * Z / n;
    let middle = (p + Z * Z / (2.0 * n)) / below;
    let half = Z * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt() / below;
    Some(Interval { value: p, low: (middle - half).max(0.0), high: (middle + half).min(1.0) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_effects() {
        // Means 3 and 5, variances 2.5: d = -2 / sqrt(2.5) = -1.26491; df 8, factor 0.90272 (closed
        // form gamma(4) / (2 gamma(3.5)) = 6 / (2 x 3.32335)).
        let found = hedges_g(&[1.0, 2.0, 3.0, 4.0, 5.0], &[3.0, 4.0, 5.0, 6.0, 7.0]).unwrap();
        assert!((found.value + 1.264_911 * 0.902_703).abs() < 1e-5, "{found:?}");
        assert!(found.low < found.value && found.value < found.high);
        let back = hedges_g(&[3.0, 4.0, 5.0, 6.0, 7.0], &[1.0, 2.0, 3.0, 4.0, 5.0]).unwrap();
        assert!((back.low + found.high).abs() < 1e-9 && (back.high + found.low).abs() < 1e-9);
        assert_eq!(hedges_g(&[1.0, 1.0], &[1.0, 1.0]), None);
        assert_eq!(hedges_g(&[1.0], &[1.0, 2.0]), None);
        // Half of ten: 0.2366 to 0.7634, by the formula.
        let half = wilson(5, 10).unwrap();
        assert!((half.low - 0.2366).abs() < 1e-4 && (half.high - 0.7634).abs() < 1e-4);
        assert_eq!(wilson(0, 0), None);
        assert_eq!(wilson(0, 4).unwrap().low, 0.0);
    }

    fn table(rows: &[(&str, u8, f64)]) -> Table {
        let mut text = String::from("file,jet,shape,single_width_misleads");
        for (name, _, _) in VARIABLES {
            text.extend([",", name]);
        }
        for (file, jet, value) in rows {
            let same = format!(",{value}").repeat(VARIABLES.len());
            text.extend(["\n", *file, ",", &jet.to_string(), ",crescent,true", &same]);
        }
        Table::from_csv(&text).unwrap()
    }

    #[test]
    fn groups_are_joined_by_file() {
        let rows = [("a", 1, 1.0), ("a", 2, 9.0), ("b", 1, 2.0), ("c", 1, 4.0), ("d", 1, 6.0), ("e", 1, 7.0)];
        let groups: BTreeMap<String, String> = [("a", "x"), ("b", "x"), ("c", "y"), ("d", "y"), ("f", "y")]
            .iter()
            .map(|(file, group)| ((*file).to_owned(), (*group).to_owned()))
            .collect();
        let found = shapes(&table(&rows), Some(("kind", &groups)), &ShapeOptions::default()).unwrap();
        let counts: Vec<(&str, usize)> = found.groups.iter().map(|g| (g.name.as_str(), g.volumes)).collect();
        assert_eq!(counts, [("x", 2), ("y", 2)]);
        assert!(found.notes[0].starts_with("1 further jets") && found.notes[1].ends_with("left out: e."));
        let ratio = &found.variables[1];
        assert_eq!((ratio.groups[1].median, ratio.effects.len()), (Some(5.0), 1));
        let alone = shapes(&table(&rows), None, &ShapeOptions::default()).unwrap();
        assert_eq!((alone.groups.len(), alone.variables[0].groups[0].count), (1, 5));
        let interval = alone.variables[0].groups[0].median_interval.unwrap();
        assert!(interval[0] < 4.0 && interval[1] > 4.0);
        let again = shapes(&table(&rows), None, &ShapeOptions::default()).unwrap();
        assert_eq!(alone, again);
    }
}
