//! Integrated grading: places, the guideline's steps, probabilities, and what follows from both.
//!
//! A class is named where the guideline's steps give it and it is also the most probable one; or where they
//! stop between two classes and the worse of them has a probability of [`NAMED`] or more. The grading never
//! names a milder class than either of them says.

use super::case::Case;
use super::criteria::{Criteria, Measure, Role, Sign};
use super::evidence::Evidence;
use super::grade::{Class, Grade, Grades, Probability, class_words, percent};
use super::grading::{
    Agreement, By, Conclusion, Count, CriteriaUsed, CutPoints, Decided, Grading, Outcome, Placement,
    Quantitation, Reach, State, Verdict,
};
use super::item::{Item, Origin};
use super::own::Own;
use super::pool;
use super::rule::{Facts as _, Truth, items, truth};
use super::scale::{END, Scale};
use super::steps;
use crate::trust::Verdict as Trust;

/// From which probability on a class is named without "probably", or between two classes (our own choice)
const NAMED: f64 = 0.8;
/// Up to which probability a class is no longer said to be possible (our own choice)
const OPEN: f64 = 0.1;
/// Up to which probability of the class concluded a measurement differs from it (our own choice)
const DIFFERS: f64 = 0.2;
/// What the 2017 guideline advises where it stays indeterminate (from memory)
const FURTHER: &str = "transoesophageal echocardiography or cardiac magnetic resonance";

/// Grades everything that is known by one table
///
/// A pure function: the same evidence gives the same grading. It never fails; what cannot be concluded is
/// said. Nothing of the volume makes the conclusion milder than it is without.
pub fn grade(criteria: &Criteria, evidence: &Evidence, own: &Own) -> Grading {
    let residual = is_residual(evidence).then(|| criteria.after_repair());
    let criteria = residual.as_ref().unwrap_or(criteria);
    let nothing = Own::default();
    let without = graded(criteria, evidence, &nothing, None);
    if *own == nothing { without } else { graded(criteria, evidence, own, Some(&without.conclusion)) }
}

/// Grades, no milder than was concluded without the volume
fn graded(criteria: &Criteria, evidence: &Evidence, own: &Own, without: Option<&Conclusion>) -> Grading {
    let case = Case::new(evidence, own);
    let count = criteria.count.as_ref().filter(|_| case.is_chronic()).map(|_| steps::count(criteria, &case));
    let count = count.as_ref();
    let quantities = steps::quantitation(criteria, &case, count);
    let guideline = steps::verdict(criteria, &case, count, quantities.as_ref());
    let raised = match quantities
        .as_ref()
        .map_or_else(|| steps::raised(criteria, count, &case), |quantities| quantities.grade_3_is_severe)
    {
        Some(true) => 1.0,
        Some(false) => 0.0,
        None => 0.5,
    };
    let (mut placements, unplaced) = placements(criteria, &case, raised);
    let steps = steps::steps(criteria, &case, &placements, count, quantities.as_ref(), &guideline);
    let least = without.and_then(|without| without.probability);
    let probability = pool::together(criteria, &case, raised, least);
    let all = All {
        criteria,
        case: &case,
        count,
        quantities: quantities.as_ref(),
        guideline: &guideline,
        probability,
        raised,
        without,
    };
    let conclusion = all.conclude(&mut placements);
    let cautions = [residual(criteria, &case), case.caveats(), unplaced, cautions(&case)].concat();
    Grading {
        criteria: CriteriaUsed {
            name: criteria.name.clone(),
            title: criteria.title.clone(),
            source: criteria.source.clone(),
            classes: criteria.classes.clone(),
        },
        conclusion,
        placements,
        count: count.cloned(),
        quantitation: quantities,
        guideline,
        steps,
        cautions,
        evidence: evidence.clone(),
    }
}

// ---------------------------------------------------------------- placements

/// The stretch of the scale that grades cover
fn stretch(grades: Grades) -> (f64, f64) {
    let ends = |grade| match grade {
        Grade::I => (0.0, 1.0),
        Grade::II => (1.0, 1.5),
        Grade::III => (1.5, 2.0),
        Grade::IV => (2.0, END),
    };
    (ends(grades.low).0, ends(grades.high).1)
}

fn placements(criteria: &Criteria, case: &Case<'_>, raised: f64) -> (Vec<Placement>, Vec<String>) {
    let (mut placed, mut cautions) = (Vec::new(), Vec::new());
    for measure in &criteria.measures {
        for (index, reading) in case.readings.iter().enumerate() {
            if !measure.items.contains(&reading.item) {
                continue;
            }
            let needs =
                if measure.needs.is_empty() { Truth::Yes } else { truth(&vec![measure.needs.clone()], case) };
            let asked: Vec<&str> = measure.needs.iter().map(|need| need.item.label()).collect();
            let (label, asked) = (reading.item.label(), asked.join(", ").to_lowercase());
            match needs {
                Truth::Yes => {}
                Truth::No | Truth::Open => {
                    cautions.push(format!("{label} is not placed: its cuts do not hold for this {asked}."));
                    continue;
                }
                Truth::Unknown => cautions.push(format!(
                    "{label} is placed and not counted: its cuts depend on what was not entered: {asked}."
                )),
            }
            placed.push(place(criteria, measure, index, case, raised));
        }
    }
    for sign in &criteria.signs {
        placed.extend(place_sign(criteria, sign, case));
    }
    (placed, cautions)
}

fn place(criteria: &Criteria, measure: &Measure, reading: usize, case: &Case<'_>, raised: f64) -> Placement {
    let reading = &case.readings[reading];
    let (certain, _) = steps::severe_cuts(measure, case);
    let scale = Scale::of(measure, certain.map(|cut| cut.at()));
    let value = reading.value;
    let stated = Grades {
        low: measure.grades_of(value.low, certain).low,
        high: measure.grades_of(value.high, certain).high,
    };
    let (low, high) = match (scale.at(value.low), scale.at(value.high)) {
        (Some(low), Some(high)) => (low, high),
        _ => stretch(stated),
    };
    let item = reading.item;
    let cuts = match certain {
        Some(cut) if Some(cut) != measure.severe => {
            format!("{}; here severe {}", measure.words(), cut.words(item))
        }
        _ => measure.words(),
    };
    let noted = case.evidence.get(item).filter(|entry| reading.by == By::Reader && !entry.note.is_empty());
    let noted = noted.map(|entry| format!("Noted with it: \"{}\".", entry.note));
    let note = [noted, measure.note.clone()].into_iter().flatten().collect::<Vec<_>>().join(" ");
    Placement {
        items: vec![item],
        label: reading_label(measure, reading.item, reading.by, case),
        by: reading.by,
        role: Some(measure.role),
        value: Some(value),
        unit: item.unit().to_owned(),
        words: reading.words(),
        probability: pool::alone(measure, reading, case, raised),
        position: scale.at(value.value),
        low,
        high,
        grades: steps::grades(measure, reading, case, [value.low, value.high]),
        letter: steps::letter(measure, reading, case),
        reach: reading.reach,
        agreement: if reading.used { Agreement::NotJudged } else { Agreement::NotUsed },
        cuts,
        cut_points: CutPoints { mild: measure.mild, grade_3: measure.grade_3, severe: certain },
        source: measure.source.clone().unwrap_or_else(|| criteria.source.clone()),
        known: measure.known,
        note,
    }
}

/// What a reading is called, by where it comes from
fn reading_label(measure: &Measure, item: Item, by: By, case: &Case<'_>) -> String {
    let jets = case.own.jets;
    match (item, by) {
        (Item::VcWidthMm, By::Volume) => "VC width, long axis, in 3D".to_owned(),
        (Item::RegurgitantVolumeMl, By::Volume) => "Regurgitant volume from the VC area".to_owned(),
        (Item::PisaEroaMm2, By::Computed) => "EROA by PISA, from the radius".to_owned(),
        (Item::VcaMm2 | Item::DisplayedAreaMm2, _) if jets > 1 => {
            format!("{}, sum of {jets} jets", measure.label)
        }
        _ => item.label().to_owned(),
    }
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
    let grades = Grades { low: covered(*seen).low, high: covered(most).high };
    let (low, high) = stretch(grades);
    let asked = sign.items();
    let words = match asked.as_slice() {
        [only] => {
            case.choice(*only).and_then(|key| only.choice(key)).map_or("", |choice| choice.label).to_owned()
        }
        several => steps::choice_words(several, case),
    };
    Some(Placement {
        label: sign.label.clone(),
        by: By::Reader,
        role: None,
        value: None,
        unit: String::new(),
        words,
        probability: None,
        position: None,
        low,
        high,
        grades,
        letter: None,
        reach: Reach::Exact,
        agreement: Agreement::NotJudged,
        cuts: String::new(),
        cut_points: CutPoints::default(),
        source: criteria.source.clone(),
        known: sign.known,
        note: sign.note.clone().unwrap_or_default(),
        items: asked,
    })
}

/// The grades that a class covers
fn covered(class: Class) -> Grades {
    let (low, high) = match class {
        Class::Mild => (Grade::I, Grade::I),
        Class::Moderate => (Grade::II, Grade::III),
        Class::Severe => (Grade::IV, Grade::IV),
    };
    Grades { low, high }
}

// ---------------------------------------------------------------- the conclusion

/// What a conclusion is made of
struct All<'a> {
    criteria: &'a Criteria,
    case: &'a Case<'a>,
    count: Option<&'a Count>,
    quantities: Option<&'a Quantitation>,
    guideline: &'a Verdict,
    probability: Option<Probability>,
    raised: f64,
    /// What was concluded without anything of the volume
    without: Option<&'a Conclusion>,
}

impl All<'_> {
    fn conclude(&self, placements: &mut [Placement]) -> Conclusion {
        let (outcome, why) = self.outcome(placements);
        let named = outcome.class();
        if let Some(class) = named {
            self.judge(placements, class);
        }
        let missing = self.missing();
        let sure = named.zip(self.probability).map_or(0.0, |(class, all)| self.of(&all, class));
        let settles = if sure >= NAMED { None } else { self.settles(outcome) };
        let next = self.next(outcome, placements, settles.as_deref());
        Conclusion {
            outcome,
            probability: self.probability,
            open: self.probability.map(|all| all.open(OPEN)),
            sentence: self.sentence(outcome, named, &why),
            why,
            settles,
            missing,
            next,
        }
    }

    /// The probability of a class; "not severe" where the table tells no more
    fn of(&self, all: &Probability, class: Class) -> f64 {
        if self.criteria.tells_mild() || class == Class::Severe { all.of(class) } else { 1.0 - all.severe }
    }

    /// How it ends: never below a class that was named without the volume, or was still possible then
    fn outcome(&self, placements: &[Placement]) -> (Outcome, String) {
        let (outcome, why) = self.by_steps(placements);
        let Some(without) = self.without else { return (outcome, why) };
        let least = without.outcome.class().or(without.open.map(|[_, high]| high));
        let softer = outcome.class().zip(least).is_some_and(|(class, least)| class < least);
        let lost = without.outcome == Outcome::Severe && outcome != Outcome::Severe;
        if softer || lost { (without.outcome, without.why.clone()) } else { (outcome, why) }
    }

    fn by_steps(&self, placements: &[Placement]) -> (Outcome, String) {
        let guideline = self.guideline;
        let letter = || {
            let (_, why) = guideline.sentence.split_once("; ").unwrap_or(("", &guideline.sentence));
            why.trim_end_matches('.').to_owned()
        };
        let Some(all) = self.probability else {
            return (Outcome::NotEnough, letter());
        };
        let named = |class: Class, why: String| match self.enough(class, placements) {
            Ok(()) => (self.outcome_of(class), why),
            Err(lack) => (Outcome::NotEnough, lack.to_owned()),
        };
        match (guideline.decided, guideline.classes) {
            (Decided::Class, Some([class, _])) => {
                let top = if self.criteria.tells_mild() { all.top() } else { all.top().max(Class::Moderate) };
                if top == class {
                    named(class, letter())
                } else if let Err(lack) = self.enough(class, placements) {
                    (Outcome::NotEnough, lack.to_owned())
                } else {
                    let why = format!(
                        "by the guideline's steps {}, by all evidence rather {}",
                        self.name(class),
                        self.name(top)
                    );
                    (Outcome::Indeterminate, why)
                }
            }
            (Decided::Between, Some([_, worse])) if all.of(worse) >= NAMED => {
                let (outcome, why) = named(worse, letter());
                // The quantities of two classes are enough to say that they are.
                if outcome == Outcome::NotEnough { (Outcome::Indeterminate, why) } else { (outcome, why) }
            }
            (Decided::Nothing, _) => (Outcome::NotEnough, letter()),
            _ => (Outcome::Indeterminate, letter()),
        }
    }

    fn outcome_of(&self, class: Class) -> Outcome {
        match class {
            Class::Severe => Outcome::Severe,
            Class::Mild | Class::Moderate if !self.criteria.tells_mild() => Outcome::NotSevere,
            Class::Mild => Outcome::Mild,
            Class::Moderate => Outcome::Moderate,
        }
    }

    /// Whether the evidence suffices for a class: a definite count, or a quantity of the table and a second
    /// source that does not depend on it (our own choice, after the guidelines' "no single parameter"); a table
    /// whose quantities are all of one source asks for no other
    ///
    /// The volume is such a source where it is compatible with the class and a worse one is hardly possible: what
    /// it measures must never be the reason why a milder class is named.
    fn enough(&self, class: Class, placements: &[Placement]) -> Result<(), &'static str> {
        if self.count.is_some_and(|count| count.definite == Some(class)) {
            return Ok(());
        }
        if !placements.iter().any(|p| p.letter.is_some()) {
            return Err("no quantity that the table grades (EROA, regurgitant volume or fraction) is known");
        }
        if self.criteria.quantified().len() < 2 {
            return Ok(());
        }
        let mut origins: Vec<Origin> = placements
            .iter()
            .filter(|p| p.agreement != Agreement::NotUsed && (p.by != By::Volume || p.letter.is_some()))
            .filter_map(|p| p.items.first().map(|item| item.origin()))
            .collect();
        let worse = |all: Probability| match class {
            Class::Severe => 0.0,
            Class::Moderate => all.severe,
            Class::Mild => all.at_least(Class::Moderate),
        };
        if self.probability.is_some_and(|all| worse(all) < OPEN) && self.volume_fits(class) {
            origins.push(Origin::Colour);
        }
        origins.sort();
        origins.dedup();
        if origins.len() < 2 { Err("one source speaks alone") } else { Ok(()) }
    }

    fn volume_fits(&self, class: Class) -> bool {
        pool::pairs(self.criteria, self.case)
            .filter(|(_, reading)| reading.by == By::Volume && reading.item == Item::VcaMm2)
            .any(|(measure, reading)| {
                pool::fits(measure, reading, self.case, class).is_some_and(|fits| fits > DIFFERS)
            })
    }

    /// Says of each placement whether it is compatible with the class
    fn judge(&self, placements: &mut [Placement], class: Class) {
        let mut within = covered(class);
        if class == Class::Severe && self.raised > 0.0 {
            within.low = Grade::III;
        } else if class == Class::Moderate && !self.criteria.tells_mild() {
            within.low = Grade::I;
        }
        for placement in placements.iter_mut().filter(|p| p.agreement != Agreement::NotUsed) {
            let meets = placement.grades.low <= within.high && within.low <= placement.grades.high;
            let fits = match placement.probability {
                Some(alone) if alone.mild.is_some() || class == Class::Severe => alone.of(class) > DIFFERS,
                // What knows severe only speaks for or against that.
                Some(alone) => 1.0 - alone.severe > DIFFERS,
                None => meets,
            };
            let silent = placement.grades == Grades::ALL;
            placement.agreement = match (silent && placement.probability.is_none(), fits) {
                (true, _) => Agreement::NotJudged,
                (false, true) => Agreement::Agrees,
                (false, false) => Agreement::Differs,
            };
        }
    }

    fn sentence(&self, outcome: Outcome, named: Option<Class>, why: &str) -> String {
        let title = &self.criteria.title;
        let Some(all) = self.probability else {
            return format!("Grade not determined by {title}: {why}.");
        };
        if let Some(class) = named {
            let share = self.of(&all, class);
            let words = if outcome == Outcome::NotSevere { outcome.words() } else { self.name(class) };
            let words = if share < NAMED { format!("probably {words}") } else { words.to_owned() };
            return format!("{} by {title} (probability {}): {why}.", capital(&words), percent(share));
        }
        let told = all.words(self.criteria.classes.as_ref());
        let [low, high] = all.open(OPEN);
        let compatible = match (low, high) {
            _ if !self.criteria.tells_mild() => told,
            (low, high) if low == high => format!("{} ({})", self.name(low), percent(all.of(low))),
            (low, high) => format!("{} to {} ({told})", self.name(low), self.name(high)),
        };
        let lead = match outcome {
            Outcome::Indeterminate => "Grade not determined (indeterminate)",
            _ => "Grade not determined",
        };
        format!("{lead} by {title}: {why}. Compatible with {compatible}.")
    }

    /// A class as the table calls it
    fn name(&self, class: Class) -> &str {
        class_words(self.criteria.classes.as_ref(), class)
    }

    /// The single measurement that would tell most; where none is left and the data contradict each other, what the
    /// guideline advises then
    fn settles(&self, outcome: Outcome) -> Option<String> {
        let third = |q: &Quantitation| (q.grades.low..=q.grades.high).contains(&Grade::III);
        if self.raised == 0.5 && self.quantities.is_some_and(third) {
            match steps::raises_with(self.criteria, self.case) {
                Some(Item::Mechanism) => {
                    return Some("whether the regurgitation is primary or secondary".to_owned());
                }
                Some(item) => return Some(item.label().to_lowercase()),
                None => {}
            }
        }
        pool::settles(self.criteria, self.case, self.raised)
            .map(|measure| measure.label.clone())
            .or_else(|| (outcome == Outcome::Indeterminate).then(|| FURTHER.to_owned()))
    }

    fn next(&self, outcome: Outcome, placements: &[Placement], settles: Option<&str>) -> Vec<String> {
        let mut next = Vec::new();
        if self.case.evidence.choice(Item::DataQuality) == Some("poor") {
            next.push("Repeat the acquisition.".to_owned());
        } else if !self.case.volume_used {
            next.push("Repeat the acquisition of the volume: its trust check says why.".to_owned());
        }
        if let Some(settles) = settles {
            next.push(format!("Would settle it best: {settles}."));
        }
        if outcome == Outcome::Indeterminate && settles != Some(FURTHER) {
            next.push(format!("If it stays indeterminate, consider {FURTHER}."));
        }
        let differs: Vec<&str> = placements
            .iter()
            .filter(|p| p.agreement == Agreement::Differs)
            .map(|p| p.label.as_str())
            .collect();
        if !differs.is_empty() {
            next.push(format!("Look again at what differs: {}.", differs.join("; ")));
        }
        next
    }

    /// What is not known and would count: the quantities first, then the criteria
    fn missing(&self) -> Vec<String> {
        let (criteria, case) = (self.criteria, self.case);
        let mut missing: Vec<String> = Vec::new();
        for measure in criteria.measures.iter().filter(|measure| measure.role == Role::Quantitative) {
            let entered = case.readings.iter().any(|r| r.by != By::Volume && measure.items.contains(&r.item));
            if !entered && measure.items.iter().any(|item| item.is_entered()) {
                missing.push(measure.label.clone());
            }
        }
        let unknown = self.count.into_iter().flat_map(|count| count.severe.iter().chain(&count.mild));
        let unknown: Vec<&str> = unknown
            .filter(|c| c.state == State::NotKnown)
            .map(|criterion| criterion.label.as_str())
            .collect();
        let asked = criteria.specifics.iter().filter(|specific| unknown.contains(&specific.label.as_str()));
        let asked = asked.flat_map(|specific| items(&specific.any));
        let signs = criteria.signs.iter().filter(|_| self.count.is_none()).flat_map(Sign::items);
        for item in asked.chain(signs) {
            let label = item.label().to_owned();
            let known = case.choice(item).is_some() || case.best(item).is_some();
            if !known && !missing.contains(&label) {
                missing.push(label);
            }
        }
        missing
    }
}

fn is_residual(evidence: &Evidence) -> bool {
    evidence.choice(Item::Setting) == Some("after_repair")
}

/// What stands first after edge-to-edge repair, where a table was not made for that
fn residual(criteria: &Criteria, case: &Case<'_>) -> Vec<String> {
    let native = criteria.measures.iter().any(|measure| measure.role == Role::Literature);
    let said = "Residual regurgitation after edge-to-edge repair: the displayed area is held against the cuts that were \
                found there (0.10 and 0.30 cm², MITRA-PRO; the table `mitra-pro` grades by them alone); all other \
                cuts are those of native valves and were not found there.";
    (native && is_residual(case.evidence)).then(|| said.to_owned()).into_iter().collect()
}

fn cautions(case: &Case<'_>) -> Vec<String> {
    let mut cautions = Vec::new();
    if case.evidence.choice(Item::Leaflet) == Some("flail") {
        cautions.push(
            "A flail leaflet alone does not make a regurgitation severe: 14 definite flails with no more than \
             2+ regurgitation were found among 143 read again (Kehl DW, Rader F, Siegel RJ)."
                .to_owned(),
        );
    }
    if case.evidence.choice(Item::Mechanism) == Some("secondary_atrial") {
        cautions.push(
            "In 1,007 patients with atrial secondary regurgitation risk rose from an EROA of 0.30 cm², a volume of \
             60 ml and a fraction of 50 % on."
                .to_owned(),
        );
    }
    if case.own.trust == Trust::Limited {
        cautions.push("The trust check of the volume is limited; see its findings.".to_owned());
    }
    let label = |item: Item, key: &str| item.choice(key).map_or("", |choice| choice.label);
    if case.choice(Item::Leak).is_none() && !case.readings.is_empty() {
        let overstate = "width, radius, EROA and area overstate it";
        match case.volume_says(Item::Leak) {
            Some("holosystolic") => {}
            Some(key) => cautions.push(format!(
                "By the volume the regurgitation is not holosystolic ({}): if that is right, {overstate}. Enter \
                 `leak`, and they count as upper bounds.",
                label(Item::Leak, key)
            )),
            None => cautions.push(format!(
                "Whether the regurgitation is holosystolic is not known; if it is not, {overstate}."
            )),
        }
    }
    for item in [Item::Orifice, Item::Jets, Item::Leak] {
        if let (Some(entered), Some(own)) = (case.evidence.choice(item), case.volume_says(item))
            && entered != own
        {
            cautions.push(format!(
                "{}: {} was entered, the volume says {}; what was entered is used.",
                item.label(),
                label(item, entered),
                label(item, own)
            ));
        }
    }
    let assumed: Vec<String> = case
        .readings
        .iter()
        .filter(|r| r.by == By::Reader && r.value.low >= r.value.high)
        .filter_map(|r| Some(format!("{} {}", r.item.label(), r.item.spread()?.words(r.item.unit()))))
        .collect();
    if !assumed.is_empty() {
        cautions.push(format!("Entered without an error, and taken with: {}.", assumed.join(", ")));
    }
    cautions
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
