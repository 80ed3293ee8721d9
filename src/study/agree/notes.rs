//! What a reader of an analysis must know about its table and its numbers.

use super::{AgreeOptions, Agreement, Missing, Readings, Repeats};

/// Sentences for what the document has and lacks
pub(super) fn sentences(document: &Agreement, readings: &Readings, options: &AgreeOptions) -> Vec<String> {
    let mut notes = Vec::new();
    if readings.values() > 0 {
        notes.extend(missing(&document.design.missing));
    }
    if readings.repeats().len() > 1 && readings.readers().len() > 1 {
        notes.push(standing(readings, options));
    }
    notes.extend(correlations(document, readings));
    for pair in document.pairs.iter().chain(&document.repeats) {
        if pair.slope.is_some_and(|[_, low, high]| low > 0.0 || high < 0.0) {
            notes.push(format!(
                "{} and {}: the difference changes with the size of the measurement; one bias and two limits \
                 do not describe them at every size.",
                pair.first, pair.second
            ));
        }
    }
    notes.extend(grades(document, readings));
    notes.extend(patients(document));
    for one in &document.references {
        if one.roc.is_some_and(|roc| roc.area.value <= 0.0 || roc.area.value >= 1.0) {
            notes.push(format!(
                "{}: all volumes are told apart, so the ROC area has no interval; it is not known without error.",
                one.reader
            ));
        }
    }
    notes
}

fn missing(missing: &[Missing]) -> Option<String> {
    let each = |one: &Missing| format!("{} by {} (repeat {})", one.volume, one.reader, one.repeat);
    let listed: Vec<String> = missing.iter().take(12).map(each).collect();
    let more = missing.len().saturating_sub(listed.len());
    let tail = if more > 0 { format!(", and {more} more") } else { String::new() };
    let what = if missing.len() == 1 { "One reading is" } else { "Readings are" };
    (!missing.is_empty()).then(|| {
        format!(
            "{what} missing: {}{tail}. Nothing was filled in; each statistic uses the volumes that it can.",
            listed.join(", ")
        )
    })
}

/// What stands for a reader with repeats
fn standing(readings: &Readings, options: &AgreeOptions) -> String {
    match options.repeats {
        Repeats::First => format!(
            "Between readers the repeat `{}` stands for each reader; the others enter only the scatter \
             within readers.",
            readings.repeats()[0]
        ),
        Repeats::Mean => "Between readers the mean of each reader's repeats stands for the reader. The \
                          intraclass correlations then speak of such means, not of single readings; the \
                          limits of agreement are widened to those of single readings."
            .to_owned(),
    }
}

fn correlations(document: &Agreement, readings: &Readings) -> Vec<String> {
    let mut notes = Vec::new();
    match &document.reliability {
        Some(found) if !found.left_out.is_empty() => notes.push(format!(
            "Intraclass correlations need every reader on every volume; left out: {}.",
            found.left_out.join(", ")
        )),
        None if readings.readers().len() > 1 && readings.values() > 0 => notes.push(
            "No intraclass correlation: fewer than two volumes have a reading of every reader.".to_owned(),
        ),
        _ => {}
    }
    if document.reliability.as_ref().is_some_and(|found| found.volumes < 30) {
        notes.push(
            "Fewer than 30 volumes: read the intervals, not the coefficients (common practice, no source)."
                .to_owned(),
        );
    }
    notes
}

fn grades(document: &Agreement, readings: &Readings) -> Vec<String> {
    let mut notes = Vec::new();
    let Some(found) = &document.grades else { return notes };
    if !found.ordered {
        notes.push(
            "The order of the grades is not known, so no weighted kappa is given; name them with --grades."
                .to_owned(),
        );
    }
    if !found.left_out.is_empty() && readings.readers().len() > 2 {
        notes.push(format!(
            "The kappa of all readers needs a grade of every reader; left out: {}.",
            found.left_out.join(", ")
        ));
    }
    if readings.repeats().len() > 1 {
        notes.push(format!("Grades are those of the repeat `{}`.", readings.repeats()[0]));
    }
    notes
}

/// What does not count the volumes of a patient as such
fn patients(document: &Agreement) -> Option<String> {
    let references = &document.references;
    let others = [
        (document.reliability.is_some(), "intraclass correlations"),
        (document.pairs.iter().any(|pair| pair.ratio.is_some()), "ratios"),
        (document.grades.is_some(), "kappa"),
        (references.iter().any(|one| one.slope.is_some()), "Deming's line"),
        (references.iter().any(|one| one.roc.is_some()), "the ROC curve"),
        (document.plan.is_some(), "the plan"),
    ];
    let others: Vec<&str> = others.iter().filter(|(is, _)| *is).map(|(_, name)| *name).collect();
    (!document.clusters.is_empty() && !others.is_empty()).then(|| {
        format!(
            "Several volumes of a patient are counted as such by bias and limits over patients only. What takes \
             every volume as that of another patient, so that its intervals are too narrow: {}.",
            others.join(", ")
        )
    })
}
