//! The weighing itself, step by step.
//!
//! Order: what is known, is it fit, what bends it, the count of specific criteria, the quantities, do
//! count and quantities agree, is it enough. Each step writes down what it asked, what it found and what
//! follows, and the conclusion is made of nothing else.

use super::case::{Case, Reading};
use super::criteria::{Binding, Bound, Criteria, Measure, Role, Sign, Speaks};
use super::evidence::Evidence;
use super::grade::{Class, Grade, Grades};
use super::item::{Item, Kind, Origin, number_words};
use super::own::Own;
use super::rule::{Facts as _, Rule, Truth, items, truth};
use super::scale::{END, Scale};
use super::weighing::{
    Agreement, By, Conclusion, Count, CriteriaUsed, Criterion, Outcome, Placement, Quantitation, Reach,
    State, Step, Weighing,
};
use crate::trust::Verdict;

/// Weighs everything that is known against one table
///
/// A pure function: the same evidence gives the same weighing. It never fails; what cannot be
/// concluded is said.
pub fn weigh(criteria: &Criteria, evidence: &Evidence, own: &Own) -> Weighing {
    let case = Case::new(evidence, own);
    let (mut placements, unplaced) = placements(criteria, &case);
    let count = criteria.count.as_ref().filter(|_| !case.is_acute()).map(|_| count(criteria, &case));
    let quantitation = quantitation(criteria, &case, count.as_ref());
    let mut steps = vec![known(&case), fit(&case), bent(&case)];
    if let Some(count) = &count {
        steps.extend(count_steps(criteria, count));
    }
    steps.push(quantity_step(&placements, quantitation.as_ref()));
    steps.extend(raise_step(criteria, quantitation.as_ref(), count.as_ref(), &case));
    let conclusion =
        conclude(criteria, &case, count.as_ref(), quantitation.as_ref(), &mut placements, &mut steps);
    let cautions = [case.caveats(), unplaced, own_cautions(&case)].concat();
    Weighing {
        criteria: CriteriaUsed {
            name: criteria.name.clone(),
            title: criteria.title.clone(),
            source: criteria.source.clone(),
        },
        conclusion,
        placements,
        count,
        quantitation,
        steps,
        cautions,
        evidence: evidence.clone(),
    }
}

// ---------------------------------------------------------------- placements

/// The certain cut to severe, and the lowest one that circumstances leave possible
fn severe_cuts(measure: &Measure, case: &Case<'_>) -> (Option<Bound>, Option<Bound>) {
    let (mut certain, mut possible) = (measure.severe, measure.severe);
    let lower = |cut: Option<Bound>, other: Bound| match cut {
        Some(cut) if cut.at() <= other.at() => Some(cut),
        _ => Some(other),
    };
    for variant in &measure.variants {
        match (truth(&vec![variant.when.clone()], case), variant.binding) {
            (Truth::No, _) => {}
            (Truth::Yes, Binding::Is) => {
                certain = lower(certain, variant.severe);
                possible = lower(possible, variant.severe);
            }
            (Truth::Yes | Truth::Open | Truth::Unknown, _) => possible = lower(possible, variant.severe),
        }
    }
    (certain, possible)
}

/// The grades that a reading leaves open
fn grades(measure: &Measure, reading: &Reading, case: &Case<'_>) -> Grades {
    let (certain, possible) = severe_cuts(measure, case);
    let (low, high) = reading.range();
    Grades { low: measure.grades_of(low, certain).low, high: measure.grades_of(high, possible).high }
}

/// The stretch of the scale that grades cover
fn stretch(grades: Grades) -> (f64, f64) {
    let low = match grades.low {
        Grade::I => 0.0,
        Grade::II => 1.0,
        Grade::III => 1.5,
        Grade::IV => 2.0,
    };
    let high = match grades.high {
        Grade::I => 1.0,
        Grade::II => 1.5,
        Grade::III => 2.0,
        Grade::IV => END,
    };
    (low, high)
}

fn placements(criteria: &Criteria, case: &Case<'_>) -> (Vec<Placement>, Vec<String>) {
    let (mut placed, mut cautions) = (Vec::new(), Vec::new());
    for measure in &criteria.measures {
        for reading in case.readings.iter().filter(|reading| measure.items.contains(&reading.item)) {
            let needs =
                if measure.needs.is_empty() { Truth::Yes } else { truth(&vec![measure.needs.clone()], case) };
            let label = reading.item.label();
            match needs {
                Truth::Yes => {}
                Truth::No | Truth::Open => {
                    let asked: Vec<&str> = measure.needs.iter().map(|need| need.item.label()).collect();
                    let asked = asked.join(", ").to_lowercase();
                    cautions.push(format!("{label} is not placed: its cuts do not hold for this {asked}."));
                    continue;
                }
                Truth::Unknown => {
                    let asked: Vec<&str> = measure.needs.iter().map(|need| need.item.label()).collect();
                    let asked = asked.join(", ").to_lowercase();
                    cautions.push(format!(
                        "{label} is placed, but its cuts depend on what was not entered: {asked}."
                    ));
                }
            }
            placed.push(place(criteria, measure, reading, case));
        }
    }
    for sign in &criteria.signs {
        placed.extend(place_sign(criteria, sign, case));
    }
    (placed, cautions)
}

fn place(criteria: &Criteria, measure: &Measure, reading: &Reading, case: &Case<'_>) -> Placement {
    let grades = grades(measure, reading, case);
    let (certain, _) = severe_cuts(measure, case);
    let scale = Scale::of(measure, certain.map(|cut| cut.at()));
    let value = reading.value;
    let position = scale.at(value.value);
    let stated = Grades {
        low: measure.grades_of(value.low, certain).low,
        high: measure.grades_of(value.high, certain).high,
    };
    let (low, high) = match (scale.at(value.low), scale.at(value.high)) {
        (Some(low), Some(high)) => (low, high),
        _ => stretch(stated),
    };
    let item = reading.item;
    let label = reading_label(reading, case);
    let cuts = match certain {
        Some(cut) if Some(cut) != measure.severe => {
            format!("{}; here severe {}", measure.words(), cut.words(item))
        }
        _ => measure.words(),
    };
    let mut note = measure.note.clone().unwrap_or_default();
    if let Some(entered) = case.evidence.get(item).filter(|_| reading.by == By::Reader)
        && !entered.note.is_empty()
    {
        let with = format!("Noted with it: \"{}\". {note}", entered.note);
        with.trim_end().clone_into(&mut note);
    }
    Placement {
        items: vec![item],
        label,
        by: reading.by,
        role: Some(measure.role),
        value: Some(value),
        unit: item.unit().to_owned(),
        words: reading_words(reading),
        position,
        low,
        high,
        grades,
        reach: reading.reach,
        agreement: if reading.used { Agreement::NotJudged } else { Agreement::NotUsed },
        cuts,
        source: measure.source.clone().unwrap_or_else(|| criteria.source.clone()),
        known: measure.known,
        note,
    }
}

/// What a reading is called, by where it comes from
fn reading_label(reading: &Reading, case: &Case<'_>) -> String {
    match (reading.item, reading.by) {
        (Item::VcWidthMm, By::Volume) => "VC width, long axis, in 3D".to_owned(),
        (Item::RegurgitantVolumeMl, By::Volume) => "Regurgitant volume from the VC area".to_owned(),
        (Item::PisaEroaMm2, By::Computed) => "EROA by PISA, from the radius".to_owned(),
        (Item::VcaMm2, _) if case.own.jets > 1 => format!("VC area in 3D, sum of {} jets", case.own.jets),
        _ => reading.item.label().to_owned(),
    }
}

/// `41.2 mm² (35.5 to 47.8)`
fn reading_words(reading: &Reading) -> String {
    let item = reading.item;
    let value = reading.value;
    if value.low >= value.high {
        return item.words(value.value);
    }
    let decimals = if matches!(item.unit(), "m/s") { 2 } else { usize::from(item.unit().starts_with("mm")) };
    let (low, high) = (number_words(value.low, decimals), number_words(value.high, decimals));
    format!("{} ({low} to {high})", item.words(value.value))
}

/// The answers to the choices among some items, in words
fn choice_words(asked: &[Item], case: &Case<'_>) -> String {
    let words: Vec<String> = asked
        .iter()
        .filter_map(|item| match item.field().kind {
            Kind::Choice(_) => {
                let choice = item.choice(case.choice(*item)?)?;
                Some(format!("{}: {}", item.label(), choice.label))
            }
            Kind::Number { .. } => Some(format!("{}: {}", item.label(), reading_words(case.best(*item)?))),
        })
        .collect();
    words.join("; ")
}

fn place_sign(criteria: &Criteria, sign: &Sign, case: &Case<'_>) -> Option<Placement> {
    let rules = [(Class::Mild, &sign.mild), (Class::Moderate, &sign.moderate), (Class::Severe, &sign.severe)];
    let truths = rules.map(|(class, rule)| (class, truth(rule, case)));
    let (seen, _) = truths.iter().rev().find(|(_, truth)| *truth == Truth::Yes)?;
    // What is not entered may still raise it.
    let most = truths
        .iter()
        .rev()
        .find(|(class, truth)| class >= seen && *truth != Truth::No)
        .map_or(*seen, |(class, _)| *class);
    let of = |class: Class| match class {
        Class::Mild => Grades { low: Grade::I, high: Grade::I },
        Class::Moderate => Grades { low: Grade::II, high: Grade::III },
        Class::Severe => Grades { low: Grade::IV, high: Grade::IV },
    };
    let grades = Grades { low: of(*seen).low, high: of(most).high };
    let (low, high) = stretch(grades);
    let asked = sign.items();
    let note = sign.note.clone().unwrap_or_default();
    let words = match asked.as_slice() {
        [only] => {
            case.choice(*only).and_then(|key| only.choice(key)).map_or("", |choice| choice.label).to_owned()
        }
        several => choice_words(several, case),
    };
    Some(Placement {
        label: sign.label.clone(),
        by: By::Reader,
        role: None,
        value: None,
        unit: String::new(),
        words,
        position: None,
        low,
        high,
        grades,
        reach: Reach::Exact,
        agreement: Agreement::NotJudged,
        cuts: String::new(),
        source: criteria.source.clone(),
        known: sign.known,
        note,
        items: asked,
    })
}

// ---------------------------------------------------------------- the count

fn count(criteria: &Criteria, case: &Case<'_>) -> Count {
    let states = |class: Speaks| -> Vec<Criterion> {
        criteria
            .specifics
            .iter()
            .filter(|specific| specific.speaks_for == class)
            .map(|specific| Criterion {
                label: specific.label.clone(),
                state: match truth(&specific.any, case) {
                    Truth::Yes => State::Met,
                    Truth::No => State::NotMet,
                    Truth::Open => State::Open,
                    Truth::Unknown => State::NotKnown,
                },
                found: choice_words(&items(&specific.any), case),
            })
            .collect()
    };
    let (mild, severe) = (states(Speaks::Mild), states(Speaks::Severe));
    let met = |list: &[Criterion]| list.iter().filter(|criterion| criterion.state == State::Met).count();
    let (mild_met, severe_met) = (met(&mild), met(&severe));
    let least = criteria.count.as_ref().map_or(usize::MAX, |rule| rule.definite);
    let definite = match (mild_met >= least, severe_met >= least) {
        (true, false) => Some(Class::Mild),
        (false, true) => Some(Class::Severe),
        _ => None,
    };
    Count { mild, severe, mild_met, severe_met, definite }
}

fn listed(list: &[Criterion], state: State) -> Option<String> {
    let labels: Vec<&str> = list.iter().filter(|c| c.state == state).map(|c| c.label.as_str()).collect();
    (!labels.is_empty()).then(|| labels.join("; "))
}

fn count_steps(criteria: &Criteria, count: &Count) -> Vec<Step> {
    let Some(rule) = &criteria.count else { return Vec::new() };
    let known = rule.known.words();
    let one = |class: &str, list: &[Criterion], met: usize| {
        let mut found = format!("{met} of {} met", list.len());
        for (name, state) in [
            ("met", State::Met),
            ("not met", State::NotMet),
            ("open", State::Open),
            ("not known", State::NotKnown),
        ] {
            if let Some(labels) = listed(list, state) {
                found.extend([". ", &capital(name), ": ", &labels]);
            }
        }
        found.push('.');
        let follows = if met >= rule.definite {
            format!("{} or more: the count alone makes it {class} ({known}).", rule.definite)
        } else if met >= rule.undecided {
            format!("{} to {}: not decided, quantitate ({known}).", rule.undecided, rule.definite - 1)
        } else {
            format!("Fewer than {}: this list does not speak for {class}.", rule.undecided)
        };
        Step { asked: format!("How many specific criteria for {class} are met?"), found, follows }
    };
    let mut steps =
        vec![one("mild", &count.mild, count.mild_met), one("severe", &count.severe, count.severe_met)];
    let follows = match count.definite {
        None if count.mild_met >= rule.definite => {
            "Both lists are full: the data contradict themselves.".to_owned()
        }
        None => "The count does not decide: the quantities must.".to_owned(),
        Some(class) => {
            let against = if class == Class::Mild { count.severe_met } else { count.mild_met };
            if against == 0 {
                format!("The count makes it {}; nothing on the other list speaks against it.", class.name())
            } else {
                format!(
                    "The count points to {}, but {against} on the other list {} against it: the quantities must \
                     confirm it.",
                    class.name(),
                    if against == 1 { "speaks" } else { "speak" }
                )
            }
        }
    };
    steps.push(Step {
        asked: "What does the count decide?".into(),
        found: format!("{} for mild, {} for severe.", count.mild_met, count.severe_met),
        follows,
    });
    steps
}

// ---------------------------------------------------------------- the quantities

/// Whether grade III counts as severe
fn raised(criteria: &Criteria, count: Option<&Count>, case: &Case<'_>) -> Option<bool> {
    let (Some(rule), Some(count)) = (&criteria.count, count) else { return Some(false) };
    if count.severe_met >= rule.raises_grade_3 {
        return Some(true);
    }
    let also: &Rule = &rule.raises_also;
    match truth(also, case) {
        Truth::Yes => return Some(true),
        Truth::Open | Truth::Unknown => {
            // The mechanism of a known elliptical orifice: without it grade III cannot be read.
            if also.iter().flatten().any(|condition| condition.truth(case) == Truth::Yes) {
                return None;
            }
        }
        Truth::No => {}
    }
    let open = count.severe.iter().filter(|criterion| criterion.state == State::Open).count();
    if count.severe_met + open >= rule.raises_grade_3 { None } else { Some(false) }
}

fn takes_part(role: Option<Role>) -> bool {
    matches!(role, Some(Role::Quantitative | Role::Literature))
}

/// The quantities with the grades they leave open; what PISA sees too little of is opened upward
fn quantities(criteria: &Criteria, case: &Case<'_>) -> Vec<(Item, By, Role, Grades)> {
    let mut all: Vec<(Item, By, Role, Grades)> = Vec::new();
    for measure in criteria.measures.iter().filter(|measure| takes_part(Some(measure.role))) {
        for reading in case.readings.iter().filter(|r| r.used && measure.items.contains(&r.item)) {
            all.push((reading.item, reading.by, measure.role, grades(measure, reading, case)));
        }
    }
    if let Some(area) = pisa_understates(&all, case) {
        for (item, _, _, grades) in &mut all {
            if is_pisa(*item) && grades.high < area.low {
                grades.high = Grade::IV;
            }
        }
    }
    all
}

fn is_pisa(item: Item) -> bool {
    matches!(item, Item::PisaEroaMm2 | Item::PisaRegurgitantVolumeMl)
}

/// The grades of the area, where it lies above what PISA says of an orifice that is not round
///
/// There the hemisphere understates, by 27 % (Zeng and others 2011) to 29 % (Berdejo and others, in
/// functional regurgitation), so that PISA is a lower bound and no contradiction.
fn pisa_understates(all: &[(Item, By, Role, Grades)], case: &Case<'_>) -> Option<Grades> {
    if case.choice(Item::Orifice) != Some("elliptical") {
        return None;
    }
    let area = all.iter().find(|(item, ..)| *item == Item::VcaMm2)?.3;
    all.iter().any(|(item, _, _, grades)| is_pisa(*item) && grades.high < area.low).then_some(area)
}

fn quantitation(criteria: &Criteria, case: &Case<'_>, count: Option<&Count>) -> Option<Quantitation> {
    let all = quantities(criteria, case);
    let lowest = all.iter().map(|(.., grades)| grades.low).max()?;
    let highest = all.iter().map(|(.., grades)| grades.high).min()?;
    let grades = Grades::between(lowest, highest);
    let grade_3_is_severe = raised(criteria, count, case);
    let class = |grade: Grade, raises: bool| match grade {
        Grade::III if raises => Class::Severe,
        other => other.class(),
    };
    let classes = [
        class(grades.low, grade_3_is_severe == Some(true)),
        class(grades.high, grade_3_is_severe != Some(false)),
    ];
    let rows = all.iter().filter(|(_, _, role, _)| *role == Role::Quantitative).count();
    Some(Quantitation { grades, concordant: lowest <= highest, grade_3_is_severe, classes, rows })
}

fn quantity_step(placements: &[Placement], quantitation: Option<&Quantitation>) -> Step {
    let asked = "What do the quantities say?".to_owned();
    let Some(quantitation) = quantitation else {
        return Step {
            asked,
            found: "No area, regurgitant volume or fraction is known.".into(),
            follows: "Nothing is quantitated.".into(),
        };
    };
    let taking = placements.iter().filter(|p| takes_part(p.role) && p.agreement != Agreement::NotUsed);
    let parts: Vec<String> = taking
        .map(|p| {
            let bound = match p.reach {
                Reach::Exact => "",
                Reach::AtLeast => ", a lower bound",
                Reach::AtMost => ", an upper bound",
                Reach::Either => ", bent both ways",
            };
            format!("{} {}{bound}: grade {}", p.label, p.words, p.grades.words())
        })
        .collect();
    let follows = if quantitation.concordant {
        format!("They have grade {} in common.", quantitation.grades.words())
    } else {
        format!("They have no grade in common; between them lies grade {}.", quantitation.grades.words())
    };
    Step { asked, found: format!("{}.", parts.join(". ")), follows }
}

fn raise_step(
    criteria: &Criteria,
    quantitation: Option<&Quantitation>,
    count: Option<&Count>,
    case: &Case<'_>,
) -> Option<Step> {
    let (rule, count, quantitation) = (criteria.count.as_ref()?, count?, quantitation?);
    let third = Grades { low: Grade::III, high: Grade::III };
    if !quantitation.grades.meets(third) {
        return None;
    }
    let orifice = choice_words(&[Item::Orifice, Item::Mechanism], case);
    let orifice = if orifice.is_empty() { "orifice and mechanism not known".to_owned() } else { orifice };
    Some(Step {
        asked: format!(
            "Does grade III count as severe? It does with {} or more specific criteria for severe, or with an \
             elliptical orifice in secondary regurgitation ({}).",
            rule.raises_grade_3,
            rule.known.words()
        ),
        found: format!("{} met for severe; {orifice}.", count.severe_met),
        follows: match quantitation.grade_3_is_severe {
            Some(true) => "Grade III counts as severe here.".into(),
            Some(false) => "Grade III stays moderate here.".into(),
            None => "It cannot be told yet whether grade III is severe here.".into(),
        },
    })
}

// ---------------------------------------------------------------- other steps

fn known(case: &Case<'_>) -> Step {
    let by = |wanted: &[By]| {
        let parts: Vec<String> = case
            .readings
            .iter()
            .filter(|reading| wanted.contains(&reading.by))
            .map(|reading| format!("{}: {}", reading_label(reading, case), reading_words(reading)))
            .collect();
        parts.join("; ")
    };
    let volume = by(&[By::Volume]);
    let volume = match (case.own.jets, volume.is_empty()) {
        (0, _) => "no jet was found in the volume".to_owned(),
        (_, true) => "the volume supplies no number".to_owned(),
        _ => format!("from the volume, {volume}"),
    };
    let numbers = by(&[By::Reader, By::Computed]);
    let choices: Vec<Item> = case
        .evidence
        .iter()
        .filter(|(item, _)| matches!(item.field().kind, Kind::Choice(_)))
        .map(|(item, _)| item)
        .collect();
    let signs = choice_words(&choices, case);
    let entered: Vec<&str> =
        [numbers.as_str(), signs.as_str()].into_iter().filter(|t| !t.is_empty()).collect();
    let follows = if entered.is_empty() {
        "One source alone never grades a regurgitation.".to_owned()
    } else {
        "All of it is weighed together.".to_owned()
    };
    let entered = if entered.is_empty() {
        "nothing was entered".to_owned()
    } else {
        format!("entered, {}", entered.join("; "))
    };
    Step { asked: "What is known?".into(), found: format!("{}; {entered}.", capital(&volume)), follows }
}

fn fit(case: &Case<'_>) -> Step {
    let trust = match case.own.trust {
        Verdict::Adequate => "adequate",
        Verdict::Limited => "limited",
        Verdict::Unfit => "unfit",
    };
    let quality = case.evidence.choice(Item::DataQuality);
    let entered = quality.map_or_else(
        || "the quality of the other data is not stated".to_owned(),
        |quality| format!("the other data are {quality}"),
    );
    let setting = if case.is_acute() { "; the regurgitation is acute" } else { "" };
    let mut follows = Vec::new();
    if !case.volume_used {
        follows.push("The volume's own measurements are shown and left out.");
    }
    if quality == Some("poor") {
        follows.push("Poor data do not grade: indeterminate.");
    }
    if case.is_acute() {
        follows.push("The count was made for chronic regurgitation and is not applied.");
    }
    if follows.is_empty() {
        follows.push("Nothing has to be left out.");
    }
    Step {
        asked: "Are the data good enough, and is the algorithm made for this case?".into(),
        found: format!("The trust check of the volume is {trust}; {entered}{setting}."),
        follows: follows.join(" "),
    }
}

fn bent(case: &Case<'_>) -> Step {
    let caveats = case.caveats();
    Step {
        asked: "Does anything bend the measurements?".into(),
        found: if caveats.is_empty() { "Nothing that is known here.".into() } else { caveats.join(" ") },
        follows: if caveats.is_empty() {
            "Each stands as it is.".into()
        } else {
            "A bound counts only on the side on which it holds.".into()
        },
    }
}

fn own_cautions(case: &Case<'_>) -> Vec<String> {
    let mut cautions = Vec::new();
    if case.evidence.choice(Item::Leaflet) == Some("flail") {
        cautions.push(
            "A flail leaflet alone does not make a regurgitation severe: 14 definite flails with no more than \
             2+ regurgitation were found among 143 read again (Kehl DW, Rader F, Siegel RJ)."
                .to_owned(),
        );
    }
    if case.own.trust == Verdict::Limited {
        cautions.push("The trust check of the volume is limited; see its findings.".to_owned());
    }
    if case.leak().is_none() && !case.readings.is_empty() {
        cautions.push(
            "Whether the leak is holosystolic is not known; if it is not, width, EROA and area overstate it."
                .to_owned(),
        );
    }
    for item in [Item::Orifice, Item::Jets, Item::Leak] {
        let entered = case.evidence.choice(item);
        let own = Case::new(&Evidence::default(), case.own).choice(item).map(str::to_owned);
        if let (Some(entered), Some(own)) = (entered, own)
            && entered != own
        {
            let label =
                |key: &str| item.choice(key).map_or_else(String::new, |choice| choice.label.to_owned());
            cautions.push(format!(
                "{}: {} was entered, the volume says {}; what was entered is used.",
                item.label(),
                label(entered),
                label(&own)
            ));
        }
    }
    let exact: Vec<&str> = case
        .readings
        .iter()
        .filter(|r| {
            r.by == By::Reader && r.value.low >= r.value.high && r.item.origin() != Origin::ContinuousWave
        })
        .map(|r| r.item.label())
        .collect();
    if !exact.is_empty() {
        cautions.push(format!("Entered without an interval and taken as exact: {}.", exact.join(", ")));
    }
    cautions
}

// ---------------------------------------------------------------- the conclusion

/// What the evidence says before it is asked whether it is enough
enum Says {
    /// One class, and in a few words why
    Class(Class, String),
    /// Several classes, or none: why, and whether measurements contradict each other
    Open(String),
}

fn conclude(
    criteria: &Criteria,
    case: &Case<'_>,
    count: Option<&Count>,
    quantitation: Option<&Quantitation>,
    placements: &mut [Placement],
    steps: &mut Vec<Step>,
) -> Conclusion {
    let rule = criteria.count.as_ref();
    let open = open_classes(count, quantitation);
    let says = says(criteria, count, quantitation);
    let raised = quantitation.is_some_and(|q| q.grade_3_is_severe == Some(true));
    let judged = match (&says, open) {
        (Says::Class(class, _), _) => Some(*class),
        (Says::Open(_), Some([low, high])) if low == high => Some(low),
        _ => None,
    };
    if let Some(class) = judged {
        judge(placements, class, raised, criteria.tells_mild());
    }
    steps.push(agreement_step(placements, judged));
    let missing = missing(criteria, case, count);
    let title = &criteria.title;
    let poor = case.evidence.choice(Item::DataQuality) == Some("poor");
    let by_count = count.and_then(|count| count.definite);
    let rows = quantitation.map_or(0, |q| q.rows);
    let lines = origins(placements, |p| p.agreement == Agreement::Agrees);
    let sources = origins(placements, |p| p.agreement != Agreement::NotUsed);
    let enough = |class: Class| {
        if by_count == Some(class) {
            return Ok(());
        }
        if rows == 0 {
            return Err(
                "no quantity that the table grades (EROA by PISA, regurgitant volume or fraction) is known",
            );
        }
        if sources < 2 {
            return Err("one source speaks alone");
        }
        // A count weighs what disagrees; without one, a second source must agree (our own choice).
        if count.is_none() && lines < 2 { Err("no second independent source agrees") } else { Ok(()) }
    };
    let mut next = Vec::new();
    let (outcome, sentence) = match says {
        _ if poor => {
            next.push("Repeat the acquisition.".to_owned());
            (Outcome::Indeterminate, format!("Indeterminate by {title}: the data entered are poor."))
        }
        Says::Class(class, why) => match enough(class) {
            Ok(()) => {
                let outcome = outcome_of(class, criteria.tells_mild());
                (outcome, format!("{} by {title}: {why}.", capital(outcome_words(outcome))))
            }
            Err(_) if !case.volume_used => {
                next.push("Repeat the acquisition of the volume: its trust check says why.".to_owned());
                let sentence = format!(
                    "Indeterminate by {title}: the volume is unfit, and what else is known does not suffice."
                );
                (Outcome::Indeterminate, sentence)
            }
            Err(lack) => {
                let class = outcome_words(outcome_of(class, criteria.tells_mild()));
                (Outcome::NotEnough, format!("Supports {class}, not enough to grade by {title}: {lack}."))
            }
        },
        Says::Open(why) => {
            let contradicted = quantitation.is_some_and(|q| !q.concordant)
                || by_count.is_some()
                || count.zip(rule).is_some_and(|(count, rule)| {
                    count.mild_met >= rule.undecided && count.severe_met >= rule.undecided
                });
            if !case.volume_used {
                next.push("Repeat the acquisition of the volume: its trust check says why.".to_owned());
                let sentence = format!("Indeterminate by {title}: the volume is unfit, and {why}.");
                (Outcome::Indeterminate, sentence)
            } else if contradicted || rows > 0 {
                (Outcome::Indeterminate, format!("Indeterminate by {title}: {why}."))
            } else {
                let points = match open {
                    Some([low, high]) if low == high => format!("Supports {}, not", low.name()),
                    Some([Class::Mild, Class::Moderate]) if !criteria.tells_mild() => {
                        "Supports not severe, not".into()
                    }
                    Some([low, high]) if (low, high) != (Class::Mild, Class::Severe) => {
                        format!("Supports {} to {}, not", low.name(), high.name())
                    }
                    _ => "Not".to_owned(),
                };
                // Of quantities, only those of the literature are known here.
                let lack = if quantitation.is_some() {
                    "no quantity that the table grades is known, and "
                } else {
                    ""
                };
                (Outcome::NotEnough, format!("{points} enough to grade by {title}: {lack}{why}."))
            }
        }
    };
    match outcome {
        Outcome::NotEnough | Outcome::Indeterminate => {
            if quantitation.is_some_and(|q| q.grade_3_is_severe.is_none() && q.classes[0] != q.classes[1])
                && case.choice(Item::Mechanism).is_none()
            {
                next.push("State whether the regurgitation is primary or secondary.".to_owned());
            }
            if !missing.is_empty() {
                let first: Vec<&str> = missing.iter().take(4).map(String::as_str).collect();
                next.push(format!("Enter what else is known: {}.", first.join(", ")));
            }
            if outcome == Outcome::Indeterminate {
                if placements.iter().any(|p| takes_part(p.role) && p.grades.low != p.grades.high) {
                    next.push("Measure again what has a wide interval.".to_owned());
                }
                next.push(
                    "If it stays indeterminate, consider transoesophageal echocardiography or cardiac magnetic \
                     resonance."
                        .to_owned(),
                );
            }
        }
        _ if placements.iter().any(|p| p.agreement == Agreement::Differs) => {
            next.push("Look again at what differs before this is used.".to_owned());
        }
        _ => {}
    }
    steps.push(Step {
        asked: "Is it enough for a grade?".into(),
        found: format!(
            "{} the table grades; {}{}.",
            plural(rows, "quantity that", "quantities that"),
            plural(sources, "independent source", "independent sources"),
            if judged.is_some() { format!(", {lines} in agreement") } else { String::new() }
        ),
        follows: sentence.clone(),
    });
    Conclusion { outcome, open, sentence, missing, next }
}

/// The class the evidence leads to, before it is asked whether it suffices
fn says(criteria: &Criteria, count: Option<&Count>, quantitation: Option<&Quantitation>) -> Says {
    let by_quantity = quantitation.and_then(|q| (q.classes[0] == q.classes[1]).then_some(q.classes[0]));
    let why_quantity = |quantitation: &Quantitation| {
        let grades = quantitation.grades.words();
        let raised = quantitation.grade_3_is_severe == Some(true)
            && quantitation.grades.low <= Grade::III
            && quantitation.classes[1] == Class::Severe;
        let raised = if raised { ", and grade III counts as severe here" } else { "" };
        format!("the quantities say grade {grades}{raised}")
    };
    if let Some((count, class)) = count.and_then(|count| Some((count, count.definite?))) {
        let (met, against) = match class {
            Class::Mild => (count.mild_met, count.severe_met),
            _ => (count.severe_met, count.mild_met),
        };
        let name = class.name();
        let counted = format!("{met} specific criteria for {name} are met");
        return match quantitation {
            Some(q) if by_quantity == Some(class) => {
                Says::Class(class, format!("{counted} and {}", why_quantity(q)))
            }
            Some(q) if !(q.classes[0]..=q.classes[1]).contains(&class) => {
                Says::Open(format!("{counted}, but {}", why_quantity(q)))
            }
            _ if against > 0 => Says::Open(format!(
                "{counted}, but so {} {against} of the other list, and no quantity settles it",
                if against == 1 { "is" } else { "are" }
            )),
            _ => Says::Class(class, counted),
        };
    }
    let Some(q) = quantitation else {
        let both_full = count.zip(criteria.count.as_ref()).is_some_and(|(count, rule)| {
            count.mild_met >= rule.undecided && count.severe_met >= rule.undecided
        });
        return Says::Open(if both_full {
            "specific criteria for mild and for severe are met, and nothing is quantitated".into()
        } else {
            "nothing is quantitated and the count does not decide".into()
        });
    };
    let contradicted = |class: Class| {
        let (count, rule) = (count?, criteria.count.as_ref()?);
        let (against, name) = match class {
            Class::Mild => (count.severe_met, "severe"),
            Class::Severe => (count.mild_met, "mild"),
            Class::Moderate => return None,
        };
        // Two classes apart, and each specific by itself: our own reading of "discordant".
        (against >= rule.undecided)
            .then(|| format!("{}, but {against} specific criteria for {name} are met", why_quantity(q)))
    };
    match by_quantity {
        Some(class) => contradicted(class).map_or_else(|| Says::Class(class, why_quantity(q)), Says::Open),
        None if !criteria.tells_mild() && q.classes == [Class::Mild, Class::Moderate] => {
            Says::Class(Class::Moderate, "the quantities lie below the cuts to severe".into())
        }
        None if !q.concordant => {
            Says::Open(format!("the quantities contradict each other over grade {}", q.grades.words()))
        }
        None if q.grade_3_is_severe.is_none() && q.grades.low >= Grade::III => {
            Says::Open("the quantities say grade III, and it is not known whether that is severe here".into())
        }
        None => Says::Open(format!(
            "the quantities leave grade {} open, that is {} to {}{}",
            q.grades.words(),
            q.classes[0].name(),
            q.classes[1].name(),
            if q.grade_3_is_severe == Some(true) { ", since grade III counts as severe here" } else { "" }
        )),
    }
}

fn open_classes(count: Option<&Count>, quantitation: Option<&Quantitation>) -> Option<[Class; 2]> {
    let counted = count.and_then(|count| match (count.mild_met, count.severe_met) {
        (0, 0) => None,
        (_, 0) => Some(Class::Mild),
        (0, _) => Some(Class::Severe),
        _ => None,
    });
    let definite = count.and_then(|count| count.definite);
    match (definite, quantitation, counted) {
        (Some(class), Some(q), _) => Some([q.classes[0].min(class), q.classes[1].max(class)]),
        (None, Some(q), _) => Some(q.classes),
        (Some(class), None, _) | (None, None, Some(class)) => Some([class, class]),
        (None, None, None) => None,
    }
}

/// The grades that a class covers
fn covered(class: Class, raised: bool, tells_mild: bool) -> Grades {
    match class {
        Class::Mild | Class::Moderate if !tells_mild => Grades { low: Grade::I, high: Grade::III },
        Class::Mild => Grades { low: Grade::I, high: Grade::I },
        Class::Moderate => Grades { low: Grade::II, high: Grade::III },
        Class::Severe => Grades { low: if raised { Grade::III } else { Grade::IV }, high: Grade::IV },
    }
}

fn judge(placements: &mut [Placement], class: Class, raised: bool, tells_mild: bool) {
    let covered = covered(class, raised, tells_mild);
    for placement in placements.iter_mut().filter(|p| p.agreement != Agreement::NotUsed) {
        placement.agreement = if placement.grades == Grades::ALL {
            Agreement::NotJudged
        } else if placement.grades.meets(covered) {
            Agreement::Agrees
        } else {
            Agreement::Differs
        };
    }
}

/// From how many sources that do not depend on each other some placements come
fn origins(placements: &[Placement], wanted: impl Fn(&Placement) -> bool) -> usize {
    let mut origins: Vec<Origin> = placements
        .iter()
        .filter(|p| wanted(p))
        .filter_map(|p| match p.by {
            By::Volume => Some(Origin::Volume),
            By::Reader | By::Computed => p.items.first().map(|item| item.origin()),
        })
        .collect();
    origins.sort();
    origins.dedup();
    origins.len()
}

fn agreement_step(placements: &[Placement], judged: Option<Class>) -> Step {
    let asked = "Do the measurements agree?".to_owned();
    let Some(class) = judged else {
        return Step {
            asked,
            found: "There is no one class to hold them against.".into(),
            follows: "None is called an outlier.".into(),
        };
    };
    let of = |wanted: Agreement| -> Vec<&str> {
        placements.iter().filter(|p| p.agreement == wanted).map(|p| p.label.as_str()).collect()
    };
    let (agree, differ) = (of(Agreement::Agrees), of(Agreement::Differs));
    let found = format!("{} of {} leave {} open.", agree.len(), agree.len() + differ.len(), class.name());
    let follows = if differ.is_empty() {
        "None stands apart.".into()
    } else {
        format!("These stand apart: {}.", differ.join(", "))
    };
    Step { asked, found, follows }
}

/// What is not known and would count: the quantities first, then the criteria
fn missing(criteria: &Criteria, case: &Case<'_>, count: Option<&Count>) -> Vec<String> {
    let mut missing: Vec<String> = Vec::new();
    for measure in criteria.measures.iter().filter(|measure| measure.role == Role::Quantitative) {
        // What the reader measured himself is independent of the volume.
        let entered = case.readings.iter().any(|r| r.by != By::Volume && measure.items.contains(&r.item));
        if !entered {
            missing.push(measure.label.clone());
        }
    }
    let unknown = count.into_iter().flat_map(|count| count.severe.iter().chain(&count.mild));
    let unknown: Vec<&str> =
        unknown.filter(|c| c.state == State::NotKnown).map(|criterion| criterion.label.as_str()).collect();
    for specific in criteria.specifics.iter().filter(|specific| unknown.contains(&specific.label.as_str())) {
        for item in items(&specific.any) {
            let label = item.label().to_owned();
            let known = case.choice(item).is_some() || case.best(item).is_some();
            if !known && !missing.contains(&label) {
                missing.push(label);
            }
        }
    }
    if count.is_none() {
        for item in criteria.signs.iter().flat_map(Sign::items) {
            let label = item.label().to_owned();
            if case.choice(item).is_none() && !missing.contains(&label) {
                missing.push(label);
            }
        }
    }
    missing
}

fn outcome_of(class: Class, tells_mild: bool) -> Outcome {
    match class {
        Class::Severe => Outcome::Severe,
        Class::Mild | Class::Moderate if !tells_mild => Outcome::NotSevere,
        Class::Mild => Outcome::Mild,
        Class::Moderate => Outcome::Moderate,
    }
}

fn outcome_words(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Mild => "mild",
        Outcome::Moderate => "moderate",
        Outcome::Severe => "severe",
        Outcome::NotSevere => "not severe",
        Outcome::NotEnough => "not enough to grade",
        Outcome::Indeterminate => "indeterminate",
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn plural(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}
