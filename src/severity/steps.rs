//! The guideline's own steps, carried out to the letter.
//!
//! Values are held against cut points as they are: 40 is severe and 39.9 is not, whatever their errors. What
//! is borderline is said beside each step, so that it can be contested. What the volume measures takes no
//! part, since it has no row in the table. For the 2017 algorithm: data good enough? so many specific
//! criteria for mild and for severe; else the grade of EROA, volume and fraction; grade III is severe with
//! three criteria or an elliptical orifice in secondary regurgitation; discordant data are indeterminate.

use super::case::{Case, Reading, WithErrors};
use super::criteria::{Binding, Bound, Criteria, Measure, Role, Speaks};
use super::grade::{Class, Grade, Grades, class_words};
use super::grading::{Count, Criterion, Decided, Firm, Placement, Quantitation, Reach, State, Step, Verdict};
use super::item::{Item, Kind};
use super::pool::{has_row, pairs};
use super::rule::{Facts as _, Truth, items, truth};
use crate::trust::Verdict as Trust;

/// The certain cut to severe, and the lowest one that circumstances leave possible
pub(crate) fn severe_cuts(measure: &Measure, case: &Case<'_>) -> (Option<Bound>, Option<Bound>) {
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

/// The grades of a reading whose measured value lies between two ends
pub(crate) fn grades(measure: &Measure, reading: &Reading, case: &Case<'_>, ends: [f64; 2]) -> Grades {
    let (certain, possible) = severe_cuts(measure, case);
    let (low, high) = reading.opened(ends[0], ends[1]);
    Grades { low: measure.grades_of(low, certain).low, high: measure.grades_of(high, possible).high }
}

// ---------------------------------------------------------------- the count

/// The specific criteria, counted
pub(crate) fn count(criteria: &Criteria, case: &Case<'_>) -> Count {
    let states = |class: Speaks| -> Vec<Criterion> {
        let mine = criteria.specifics.iter().filter(|specific| specific.speaks_for == class);
        mine.map(|specific| {
            let here = truth(&specific.any, case);
            let firm = truth(&specific.any, &WithErrors(case)) == here;
            Criterion {
                label: specific.label.clone(),
                state: match here {
                    Truth::Yes => State::Met,
                    Truth::No => State::NotMet,
                    Truth::Open => State::Open,
                    Truth::Unknown => State::NotKnown,
                },
                found: choice_words(&items(&specific.any), case),
                firm: if firm { Firm::Firm } else { Firm::Borderline },
            }
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

/// The answers to the choices among some items, in words
pub(crate) fn choice_words(asked: &[Item], case: &Case<'_>) -> String {
    let words: Vec<String> = asked
        .iter()
        .filter_map(|item| match item.field().kind {
            Kind::Choice(_) => {
                let choice = item.choice(case.choice(*item)?)?;
                Some(format!("{}: {}", item.label(), choice.label))
            }
            Kind::Number { .. } => Some(format!("{}: {}", item.label(), case.best(*item)?.words())),
        })
        .collect();
    words.join("; ")
}

fn listed(list: &[Criterion], wanted: impl Fn(&Criterion) -> bool) -> Option<String> {
    let labels: Vec<&str> = list.iter().filter(|c| wanted(c)).map(|c| c.label.as_str()).collect();
    (!labels.is_empty()).then(|| labels.join("; "))
}

fn count_steps(criteria: &Criteria, count: &Count) -> Vec<Step> {
    let Some(rule) = &criteria.count else { return Vec::new() };
    let one = |class: &str, list: &[Criterion], met: usize| {
        let mut found = format!("{met} of {} met", list.len());
        for (name, state) in [
            ("Met", State::Met),
            ("Not met", State::NotMet),
            ("Held back by a caveat", State::Open),
            ("Not known", State::NotKnown),
        ] {
            if let Some(labels) = listed(list, |c| c.state == state) {
                found.extend([". ", name, ": ", &labels]);
            }
        }
        let follows = if met >= rule.definite {
            format!("{} or more: definitely {class}.", rule.definite)
        } else if met >= rule.undecided {
            format!("{} to {}: not decided, quantitate.", rule.undecided, rule.definite - 1)
        } else {
            format!("Fewer than {}: these criteria do not decide.", rule.undecided)
        };
        let borderline = listed(list, |c| c.firm == Firm::Borderline)
            .map_or_else(String::new, |labels| format!("Within its error this may be otherwise: {labels}. "));
        Step {
            asked: format!("How many specific criteria for {class} are met?"),
            found: format!("{found}."),
            follows,
            contest: format!("{borderline}The list and its count are {}.", rule.known.words()),
        }
    };
    vec![one("mild", &count.mild, count.mild_met), one("severe", &count.severe, count.severe_met)]
}

// ---------------------------------------------------------------- the quantities

/// Whether grade III counts as severe; `None` where that cannot be told
pub(crate) fn raised(criteria: &Criteria, count: Option<&Count>, case: &Case<'_>) -> Option<bool> {
    let (Some(rule), Some(count)) = (&criteria.count, count) else { return Some(false) };
    if count.severe_met >= rule.raises_grade_3 {
        return Some(true);
    }
    if truth(&rule.raises_also, case) == Truth::Yes {
        return Some(true);
    }
    if raises_with(criteria, case).is_some() {
        return None;
    }
    let open = count.severe.iter().filter(|criterion| criterion.state == State::Open).count();
    if count.severe_met + open >= rule.raises_grade_3 { None } else { Some(false) }
}

/// What is not known and decides whether grade III counts as severe: the mechanism of an elliptical orifice, or the
/// shape of the orifice in secondary regurgitation
pub(crate) fn raises_with(criteria: &Criteria, case: &Case<'_>) -> Option<Item> {
    let alternatives = criteria.count.iter().flat_map(|rule| &rule.raises_also);
    alternatives.filter(|all| truth(&vec![(*all).clone()], case) != Truth::No).find_map(|all| {
        let of = |wanted: fn(Truth) -> bool| all.iter().find(|one| wanted(one.truth(case)));
        of(|truth| truth == Truth::Yes)?;
        of(|truth| matches!(truth, Truth::Open | Truth::Unknown)).map(|one| one.item)
    })
}

/// The grades of all quantities that the table has a row for, by their values
fn rows(criteria: &Criteria, case: &Case<'_>) -> Vec<Grades> {
    pairs(criteria, case).filter_map(|(measure, reading)| letter(measure, reading, case)).collect()
}

/// The quantities together; `None` where there are none
pub(crate) fn quantitation(
    criteria: &Criteria,
    case: &Case<'_>,
    count: Option<&Count>,
) -> Option<Quantitation> {
    let all = rows(criteria, case);
    // Bounds narrow what exact values say; two exact values stand side by side.
    let lowest = all.iter().map(|grades| grades.low).max()?;
    let highest = all.iter().map(|grades| grades.high).min()?;
    let grades = Grades { low: lowest.min(highest), high: lowest.max(highest) };
    let grade_3_is_severe = raised(criteria, count, case);
    let class = |grade: Grade, raises: bool| match grade {
        Grade::III if raises => Class::Severe,
        other => other.class(),
    };
    let classes = [
        class(grades.low, grade_3_is_severe == Some(true)),
        class(grades.high, grade_3_is_severe != Some(false)),
    ];
    let concordant = lowest <= highest || classes[0] == classes[1];
    Some(Quantitation { grades, concordant, grade_3_is_severe, classes, rows: all.len() })
}

fn quantity_step(criteria: &Criteria, placements: &[Placement], quantities: Option<&Quantitation>) -> Step {
    let asked = "Which grade do the quantities give?".to_owned();
    let Some(quantities) = quantities else {
        return Step {
            asked,
            found: "No EROA, regurgitant volume or fraction is entered.".into(),
            follows: "Nothing is quantitated.".into(),
            contest: String::new(),
        };
    };
    let bound = |reach: Reach| match reach.words() {
        "" => String::new(),
        words => format!(" ({words})"),
    };
    let mine: Vec<&Placement> = placements.iter().filter(|p| p.letter.is_some()).collect();
    let parts: Vec<String> = mine
        .iter()
        .filter_map(|p| Some(format!("{}{}: grade {}", p.label, bound(p.reach), p.letter?.words())))
        .collect();
    let border: Vec<&str> = mine
        .iter()
        .filter(|p| p.reach == Reach::Exact && p.grades.low != p.grades.high)
        .map(|p| p.label.as_str())
        .collect();
    let border = if border.is_empty() {
        String::new()
    } else {
        format!("Within its error this may be of another grade: {}. ", border.join(", "))
    };
    let known = criteria.measures.iter().find(|m| m.role == Role::Quantitative);
    let known = known.map_or("", |measure| measure.known.words());
    Step {
        asked,
        found: format!("{}.", parts.join(". ")),
        follows: if quantities.concordant {
            format!("Grade {}.", quantities.grades.words())
        } else {
            format!("They are of different classes, grade {}.", quantities.grades.words())
        },
        contest: format!("{border}The cuts are {known}."),
    }
}

fn raise_step(
    criteria: &Criteria,
    quantities: Option<&Quantitation>,
    count: Option<&Count>,
    case: &Case<'_>,
) -> Option<Step> {
    let (rule, count, quantities) = (criteria.count.as_ref()?, count?, quantities?);
    if !(quantities.grades.low..=quantities.grades.high).contains(&Grade::III) {
        return None;
    }
    let orifice = choice_words(&[Item::Orifice, Item::Mechanism], case);
    let orifice = if orifice.is_empty() { "orifice and mechanism not known".to_owned() } else { orifice };
    Some(Step {
        asked: format!(
            "Does grade III count as severe? It does with {} or more specific criteria for severe, or with an \
             elliptical orifice in secondary regurgitation.",
            rule.raises_grade_3
        ),
        found: format!("{} met for severe; {orifice}.", count.severe_met),
        follows: match quantities.grade_3_is_severe {
            Some(true) => "Grade III counts as severe here.".into(),
            Some(false) => "Grade III stays moderate here.".into(),
            None => "It cannot be told yet whether grade III is severe here.".into(),
        },
        contest: format!("The rule is {}.", rule.known.words()),
    })
}

// ---------------------------------------------------------------- the verdict

/// What the steps lead to
pub(crate) fn verdict(
    criteria: &Criteria,
    case: &Case<'_>,
    count: Option<&Count>,
    quantities: Option<&Quantitation>,
) -> Verdict {
    let (decided, classes, why) = decide(criteria, case, count, quantities);
    let why = match bounds(criteria, case, count) {
        Some(bounds) if decided != Decided::Class => format!("{why}; {bounds}"),
        _ => why,
    };
    let told = |class: Class| match class {
        Class::Mild | Class::Moderate if !criteria.tells_mild() => "not severe",
        class => class_words(criteria.classes.as_ref(), class),
    };
    let title = &criteria.title;
    let sentence = match (decided, classes) {
        (Decided::Class, Some([class, _])) => format!("{title}, to the letter: {}; {why}.", told(class)),
        (Decided::Between, Some([low, high])) => {
            format!("{title}, to the letter: {} to {}; {why}.", told(low), told(high))
        }
        (Decided::Discordant, _) => format!("{title}, to the letter: indeterminate; {why}."),
        _ => format!("{title}, to the letter: not decided; {why}."),
    };
    Verdict { decided, classes, sentence }
}

/// What is a bound only, and why: the quantities and the criteria that a caveat holds back
fn bounds(criteria: &Criteria, case: &Case<'_>, count: Option<&Count>) -> Option<String> {
    let graded = pairs(criteria, case).filter(|(measure, reading)| letter(measure, reading, case).is_some());
    let mut told: Vec<String> = graded
        .filter_map(|(_, reading)| {
            let (label, by) = (reading.item.label(), case.limited_by(reading)?);
            Some(match reading.reach {
                Reach::Exact => return None,
                Reach::AtLeast => format!("{label} is a lower bound only ({by})"),
                Reach::AtMost => format!("{label} is an upper bound only ({by})"),
                Reach::Either => format!("{label} is biased either way ({by})"),
            })
        })
        .collect();
    let held = count.and_then(|count| listed(&count.severe, |c| c.state == State::Open));
    told.extend(held.map(|labels| format!("a caveat holds back {labels}")));
    (!told.is_empty()).then(|| told.join(" and "))
}

fn decide(
    criteria: &Criteria,
    case: &Case<'_>,
    count: Option<&Count>,
    quantities: Option<&Quantitation>,
) -> (Decided, Option<[Class; 2]>, String) {
    if case.evidence.choice(Item::DataQuality) == Some("poor") {
        return (Decided::Discordant, None, "the data entered are poor".into());
    }
    let rule = criteria.count.as_ref();
    let against = |class: Class| match (count, class) {
        (Some(count), Class::Mild) => (count.severe_met, "severe"),
        (Some(count), Class::Severe) => (count.mild_met, "mild"),
        _ => (0, ""),
    };
    // Two specific criteria of the opposite list are discordance: our own reading of the word.
    let opposed = |class: Class| rule.is_some_and(|rule| against(class).0 >= rule.undecided);
    let other = |class: Class| {
        let (number, name) = against(class);
        format!("{number} specific criteria for {name} are met")
    };
    let counted = count.and_then(|count| count.definite).map(|class| {
        let met =
            count.map_or(0, |count| if class == Class::Mild { count.mild_met } else { count.severe_met });
        (class, format!("{met} specific criteria for {} are met", class.name()))
    });
    let graded = quantities.map(|q| {
        let third =
            q.grade_3_is_severe == Some(true) && q.grades.low <= Grade::III && q.classes[1] == Class::Severe;
        let third = if third { ", and grade III counts as severe here" } else { "" };
        let apart = if q.concordant { "" } else { "different classes, " };
        (q, format!("the quantities are of {apart}grade {}{third}", q.grades.words()))
    });
    match (counted, graded) {
        (Some((class, why)), None) if opposed(class) => {
            (Decided::Discordant, None, format!("{why}, but {} too", other(class)))
        }
        (Some((class, why)), None) => (Decided::Class, Some([class; 2]), why),
        (Some((class, why)), Some((q, said))) => {
            if (q.classes[0]..=q.classes[1]).contains(&class) {
                (Decided::Class, Some([class; 2]), format!("{why}, and {said}"))
            } else {
                (Decided::Discordant, None, format!("{why}, but {said}"))
            }
        }
        (None, Some((q, said))) if q.classes[0] == q.classes[1] => {
            let class = q.classes[0];
            if opposed(class) {
                (Decided::Discordant, None, format!("{said}, but {}", other(class)))
            } else {
                (Decided::Class, Some(q.classes), said)
            }
        }
        (None, Some((q, _))) if !criteria.tells_mild() && q.classes[1] == Class::Moderate => {
            (Decided::Class, Some([Class::Moderate; 2]), "the quantities lie below the cuts to severe".into())
        }
        (None, Some((q, said))) => {
            let apart = !q.concordant && q.classes == [Class::Mild, Class::Severe];
            let decided = if apart { Decided::Discordant } else { Decided::Between };
            (decided, Some(q.classes), said)
        }
        (None, None) => {
            let both = count.zip(rule).is_some_and(|(count, rule)| {
                count.mild_met >= rule.undecided && count.severe_met >= rule.undecided
            });
            if both {
                let why = "specific criteria for mild and for severe are met, and nothing is quantitated";
                (Decided::Discordant, None, why.into())
            } else {
                let why = if criteria.count.is_some() && count.is_some() {
                    "the count of specific criteria does not decide, and nothing is quantitated"
                } else {
                    "nothing is quantitated"
                };
                (Decided::Nothing, None, why.into())
            }
        }
    }
}

// ---------------------------------------------------------------- all steps

/// All steps, in order
pub(crate) fn steps(
    criteria: &Criteria,
    case: &Case<'_>,
    placements: &[Placement],
    count: Option<&Count>,
    quantities: Option<&Quantitation>,
    verdict: &Verdict,
) -> Vec<Step> {
    let mut steps = vec![fit(case), limits(case)];
    if let Some(count) = count {
        steps.extend(count_steps(criteria, count));
    }
    steps.push(quantity_step(criteria, placements, quantities));
    steps.extend(raise_step(criteria, quantities, count, case));
    steps.push(Step {
        asked: "What follows, to the letter?".into(),
        found: match (count, quantities) {
            (Some(count), _) => format!("{} for mild, {} for severe.", count.mild_met, count.severe_met),
            (None, Some(q)) => format!("Grade {}.", q.grades.words()),
            (None, None) => "Nothing is quantitated.".into(),
        },
        follows: verdict.sentence.clone(),
        contest: String::new(),
    });
    steps
}

fn fit(case: &Case<'_>) -> Step {
    let trust = match case.own.trust {
        Trust::Adequate => "adequate",
        Trust::Limited => "limited",
        Trust::Unfit => "unfit",
    };
    let quality = case.evidence.choice(Item::DataQuality);
    let entered = quality.map_or_else(
        || "the quality of the other data is not stated".to_owned(),
        |quality| format!("the other data are {quality}"),
    );
    let setting = match case.evidence.choice(Item::Setting) {
        Some("acute") => "; the regurgitation is acute",
        Some("after_repair") => "; it is residual after edge-to-edge repair",
        _ => "",
    };
    let mut follows = Vec::new();
    if !case.volume_used {
        follows.push("The volume's own measurements are shown and excluded.");
    }
    if quality == Some("poor") {
        follows.push("Poor data do not grade: indeterminate.");
    }
    if !case.is_chronic() {
        follows.push("The count was made for chronic regurgitation of a native valve and is not applied.");
    }
    if follows.is_empty() {
        follows.push("Nothing has to be excluded.");
    }
    Step {
        asked: "Are the data good enough, and is the algorithm made for this case?".into(),
        found: format!("The trust check of the volume is {trust}; {entered}{setting}."),
        follows: follows.join(" "),
        contest: String::new(),
    }
}

fn limits(case: &Case<'_>) -> Step {
    let caveats = case.caveats();
    let none = caveats.is_empty();
    Step {
        asked: "Does anything limit the measurements?".into(),
        found: if none { "Nothing that is known here.".into() } else { caveats.join(" ") },
        follows: if none {
            "Each stands as it is.".into()
        } else {
            "A bound counts only on the side on which it holds.".into()
        },
        contest: String::new(),
    }
}

/// The grades of a row of the table by the value itself; `None` for what the steps do not ask
pub(crate) fn letter(measure: &Measure, reading: &Reading, case: &Case<'_>) -> Option<Grades> {
    let asked = measure.role == Role::Quantitative && has_row(measure, reading) && reading.used;
    asked.then(|| grades(measure, reading, case, [reading.value.value; 2]))
}
