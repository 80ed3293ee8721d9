//! How probable each class is: every measurement a distribution against its own cut points, then all of
//! them together.
//!
//! **One measurement.** Its error is normal, or log-normal where it grows with the value (see [`Spread`]): the
//! error that the reader states (that of the method where none is stated) together with the scatter between
//! methods. How probably the quantity lies beyond a cut is then the normal distribution function of their
//! distance, taken by its logistic approximation `1 / (1 + exp(-1.702 z))`: it differs by less than 0.01 and has
//! heavier tails, so that no single measurement outvotes all others. A bound (see [`Reach`]) speaks on its own
//! side only.
//!
//! [`Spread`]: super::spread::Spread
//!
//! **All together.** Bayes' rule on the four grades, none preferred beforehand. Likelihoods of measurements
//! with different origins multiply. Those of one origin share their error (EROA and volume by PISA the
//! radius, volume and fraction the stroke volumes, area in 3D and width the colour), so their logarithms are
//! averaged: they count as one. A supportive number or a sign multiplies the odds of the class that it
//! speaks for by [`SPECIFIC`] where it is on the guideline's lists of specific criteria, else by
//! [`SUPPORTIVE`]; one fact counts once, and a supportive number adds nothing to a quantity of its origin.
//!
//! **What the volume measures has no row in a guideline's table.** It can raise a class and never lower one:
//! of the probabilities with its areas, without them, and without anything of the volume the largest stands, for
//! "moderate or severe" and for "severe".
//!
//! Every likelihood ratio of a worse to a milder grade rises with the value, so that a worse value never
//! makes a milder class more probable.

use super::case::{Case, Reading};
use super::criteria::{Criteria, Measure, Role, Speaks, Specific};
use super::grade::{Class, Probability};
use super::grading::{By, Reach};
use super::item::{Item, Kind, Origin};
use super::rule::{Truth, items, truth};
use super::steps::severe_cuts;

/// Odds that a met specific criterion gives its class: with nothing else known four make 90 % and three
/// 80 %, as the guideline calls four definite and three not decided (our own choice, after that count; a
/// specificity of 90 %, which defines such a sign in Zoghbi 2003, would allow more)
pub(crate) const SPECIFIC: f64 = 2.3;
/// Odds that another row of the table gives its class (our own choice: weak)
pub(crate) const SUPPORTIVE: f64 = 1.5;
/// Standard deviations of a normal to the argument of the logistic function
const LOGISTIC: f64 = 1.702;

/// The share of an error distribution beyond a cut `z` standard deviations below the value
pub(crate) fn beyond(z: f64) -> f64 {
    1.0 / (1.0 + libm::exp(-LOGISTIC * z))
}

/// How many standard deviations the value lies above a cut point
#[derive(Clone, Copy)]
struct Edge(f64);

impl Edge {
    /// How probably the quantity lies between two cuts
    fn between(lower: Option<Self>, upper: Option<Self>) -> f64 {
        match (lower, upper) {
            (None, None) => 1.0,
            (Some(Self(z)), None) => beyond(z),
            (None, Some(Self(z))) => beyond(-z),
            // On the side on which both are small, so that nothing is lost in the difference.
            (Some(Self(a)), Some(Self(b))) if b > 0.0 => (beyond(-b) - beyond(-a)).max(0.0),
            (Some(Self(a)), Some(Self(b))) => (beyond(a) - beyond(b)).max(0.0),
        }
    }
}

/// Which cuts to severe hold where a circumstance is not known, or the guideline says "may be severe"
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Cuts {
    /// Those that certainly hold
    Certain,
    /// The lowest that possibly hold
    Possible,
}

impl Cuts {
    /// Both count half: a probability is the mean of those under either
    const BOTH: [Self; 2] = [Self::Certain, Self::Possible];

    fn severe(self, measure: &Measure, case: &Case<'_>) -> Option<f64> {
        let (certain, possible) = severe_cuts(measure, case);
        let cut = if self == Self::Certain { certain } else { possible };
        cut.map(|cut| cut.at())
    }
}

/// The mean of two probabilities
fn mean([a, b]: [Probability; 2]) -> Probability {
    let both = |a: Option<f64>, b: Option<f64>| Some(f64::midpoint(a?, b?));
    Probability {
        mild: both(a.mild, b.mild),
        moderate: both(a.moderate, b.moderate),
        severe: f64::midpoint(a.severe, b.severe),
    }
}

/// Where a reading lies against the cuts of a measure, with one cut to severe
fn edges(measure: &Measure, reading: &Reading, severe: Option<f64>) -> Option<[Option<Edge>; 3]> {
    let spread = reading.item.spread()?;
    let Reading { value, .. } = reading;
    let half = (value.high - value.low) / 2.0;
    let stated = (half > 0.0).then_some(half / 1.96);
    let edge = |cut: f64| {
        let cut = severe.map_or(cut, |severe| cut.min(severe));
        Edge(spread.z(value.value, cut, stated))
    };
    Some([
        measure.mild.map(|cut| edge(cut.at())),
        measure.grade_3.map(|cut| edge(cut.at())),
        severe.map(edge),
    ])
}

/// How probable a reading is in each grade; `None` where its error is not known
fn likelihood(measure: &Measure, reading: &Reading, case: &Case<'_>, cuts: Cuts) -> Option<[f64; 4]> {
    let edges = edges(measure, reading, cuts.severe(measure, case))?;
    Some([0, 1, 2, 3].map(|grade: usize| {
        let lower = edges[..grade].iter().rev().find_map(|edge| *edge);
        let upper = edges[grade..].iter().find_map(|edge| *edge);
        match reading.reach {
            Reach::Exact => Edge::between(lower, upper),
            Reach::AtLeast => Edge::between(None, upper),
            Reach::AtMost => Edge::between(lower, None),
            Reach::Either => 1.0,
        }
    }))
}

/// How probable each class is by one reading alone; `None` for a bound and where its error is not known
///
/// `raised` is how far grade III counts as severe, 0 to 1.
pub(crate) fn alone(
    measure: &Measure,
    reading: &Reading,
    case: &Case<'_>,
    raised: f64,
) -> Option<Probability> {
    let by = |cuts: Cuts| {
        let [first, third, fourth] = edges(measure, reading, cuts.severe(measure, case))?;
        let severe = fourth.map_or(0.0, |Edge(z)| beyond(z));
        let third = third.map_or(severe, |Edge(z)| beyond(z));
        let severe = severe + raised * (third - severe).max(0.0);
        let mild = first.map(|Edge(z)| beyond(-z));
        Some(Probability { mild, moderate: mild.map(|mild| (1.0 - mild - severe).max(0.0)), severe })
    };
    let [Some(certain), Some(possible)] = Cuts::BOTH.map(by) else { return None };
    (reading.reach == Reach::Exact).then(|| mean([certain, possible]))
}

/// How far a reading is compatible with a class, 0 to 1: its likelihood there over that of the grade it fits best
pub(crate) fn fits(measure: &Measure, reading: &Reading, case: &Case<'_>, class: Class) -> Option<f64> {
    let each = likelihood(measure, reading, case, Cuts::Possible)?;
    let best = each.iter().copied().fold(0.0, f64::max);
    let within = match class {
        Class::Mild => each[0],
        Class::Moderate => each[1].max(each[2]),
        Class::Severe => each[3],
    };
    (best > 0.0).then(|| within / best)
}

/// Logarithms of likelihoods of the four grades
type Logs = [f64; 4];

/// Whether a reading is one that a guideline's table has a row for
///
/// The volume's are not, unless the table grades its area itself.
pub(crate) fn has_row(measure: &Measure, reading: &Reading) -> bool {
    let area = matches!(reading.item, Item::VcaMm2 | Item::DisplayedAreaMm2);
    measure.role != Role::Literature && (reading.by != By::Volume || area)
}

/// Which measurements take part
#[derive(Clone, Copy, PartialEq, Eq)]
enum Taking {
    /// Those that the table has a row for
    Rows,
    /// The volume's too
    All,
}

/// All evidence together, no milder than `without` anything of the volume; `None` where there is none
pub(crate) fn together(
    criteria: &Criteria,
    case: &Case<'_>,
    raised: f64,
    without: Option<Probability>,
) -> Option<Probability> {
    let by = |taking: Taking| {
        let one = |cuts| Some(classes(criteria, &logs(criteria, case, taking, cuts)?, raised));
        let [Some(certain), Some(possible)] = Cuts::BOTH.map(one) else { return None };
        Some(mean([certain, possible]))
    };
    let found: Vec<Probability> =
        [without, by(Taking::Rows), by(Taking::All)].into_iter().flatten().collect();
    let first = found.first()?;
    let worst = |class: Class| found.iter().map(|p| p.at_least(class)).fold(0.0, f64::max);
    let (severe, worse) = (worst(Class::Severe), worst(Class::Moderate));
    let worst = found.iter().find(|p| p.severe == severe && p.at_least(Class::Moderate) == worse);
    Some(worst.copied().unwrap_or(Probability {
        severe,
        moderate: first.moderate.map(|_| (worse - severe).max(0.0)),
        mild: first.mild.map(|_| 1.0 - worse.max(severe)),
    }))
}

/// The classes from logarithms of likelihoods; a table that defines severe only knows two
fn classes(criteria: &Criteria, logs: &Logs, raised: f64) -> Probability {
    let tells_mild = criteria.tells_mild();
    let prior = if tells_mild { [0.25; 4] } else { [1.0 / 6.0, 1.0 / 6.0, 1.0 / 6.0, 0.5] };
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mass: Vec<f64> =
        logs.iter().zip(prior).map(|(log, prior)| prior * libm::exp((log - top).min(0.0))).collect();
    let all: f64 = mass.iter().sum();
    let severe = (mass[3] + raised * mass[2]) / all;
    let mild = mass[0] / all;
    Probability {
        mild: tells_mild.then_some(mild),
        moderate: tells_mild.then_some((1.0 - mild - severe).max(0.0)),
        severe,
    }
}

/// A logarithm that stays finite, so that impossible and impossible can be compared
fn log(likelihood: f64) -> f64 {
    libm::log(likelihood).max(-600.0)
}

fn logs(criteria: &Criteria, case: &Case<'_>, taking: Taking, cuts: Cuts) -> Option<Logs> {
    let mut by_origin: Vec<(Origin, usize, Logs)> = Vec::new();
    for (measure, reading) in pairs(criteria, case) {
        let takes = has_row(measure, reading) || taking == Taking::All;
        if measure.role == Role::Supportive || !takes {
            continue;
        }
        let Some(each) = likelihood(measure, reading, case, cuts) else { continue };
        let each = each.map(log);
        let origin = reading.origin();
        match by_origin.iter_mut().find(|(known, ..)| *known == origin) {
            Some((_, number, sum)) => {
                *number += 1;
                sum.iter_mut().zip(each).for_each(|(sum, log)| *sum += log);
            }
            None => by_origin.push((origin, 1, each)),
        }
    }
    let quantified: Vec<Origin> = by_origin.iter().map(|(origin, ..)| *origin).collect();
    let signs = signs(criteria, case, &quantified);
    if by_origin.is_empty() && signs.is_none() {
        return None;
    }
    let mut all = signs.unwrap_or([0.0; 4]);
    for (_, number, sum) in by_origin {
        all.iter_mut().zip(sum).for_each(|(all, log)| *all += log / number as f64);
    }
    Some(all)
}

/// Measures with the readings that are held against their cuts
pub(crate) fn pairs<'a>(
    criteria: &'a Criteria,
    case: &'a Case<'_>,
) -> impl Iterator<Item = (&'a Measure, &'a Reading)> {
    criteria.measures.iter().flat_map(move |measure| {
        let mine = move |reading: &&Reading| reading.used && measure.items.contains(&reading.item);
        case.readings.iter().filter(mine).map(move |reading| (measure, reading))
    })
}

/// What supportive numbers, specific criteria and other signs add; `None` where none is known
fn signs(criteria: &Criteria, case: &Case<'_>, quantified: &[Origin]) -> Option<Logs> {
    let (mut mild, mut severe, mut known) = (0.0, 0.0, false);
    let (specific, supportive) = (libm::log(SPECIFIC), libm::log(SUPPORTIVE));
    let mut counted: Vec<Item> = Vec::new();
    let is_number = |item: &Item| matches!(item.field().kind, Kind::Number { .. });
    let asks = |specific: &Specific, item: Item| items(&specific.any).contains(&item);
    for (measure, reading) in pairs(criteria, case) {
        let needs = measure.needs.is_empty() || truth(&vec![measure.needs.clone()], case) == Truth::Yes;
        let takes = measure.role == Role::Supportive && has_row(measure, reading) && needs;
        if !takes || quantified.contains(&reading.origin()) {
            continue;
        }
        let listed = criteria.specifics.iter().any(|criterion| asks(criterion, reading.item));
        let weight = if listed { specific } else { supportive };
        let Some([low, _, high]) = edges(measure, reading, measure.severe.map(|cut| cut.at())) else {
            continue;
        };
        known = true;
        counted.extend(measure.needs.iter().map(|need| need.item));
        // Even odds at the cut; a bound counts on its own side only.
        let (up, down) = (reading.reach != Reach::AtMost, reading.reach != Reach::AtLeast);
        let speaks = |share: f64, toward: bool, away: bool| {
            let part = 2.0 * share - 1.0;
            weight * part.clamp(if away { -1.0 } else { 0.0 }, if toward { 1.0 } else { 0.0 })
        };
        let (up, down) = if reading.reach == Reach::Either { (false, false) } else { (up, down) };
        severe += high.map_or(0.0, |Edge(z)| speaks(beyond(z), up, down));
        mild += low.map_or(0.0, |Edge(z)| speaks(beyond(-z), down, up));
    }
    // A criterion that rests on words alone; those with a number stand among the measures.
    for criterion in &criteria.specifics {
        let met = criterion.any.iter().find(|all| {
            !all.iter().any(|one| is_number(&one.item)) && truth(&vec![(*all).clone()], case) == Truth::Yes
        });
        let Some(met) = met else { continue };
        known = true;
        counted.extend(met.iter().map(|one| one.item));
        match criterion.speaks_for {
            Speaks::Mild => mild += specific,
            Speaks::Severe => severe += specific,
        }
    }
    for sign in &criteria.signs {
        let asked = sign.items();
        let met = |rule| truth(rule, case) == Truth::Yes;
        known |= met(&sign.mild) || met(&sign.moderate) || met(&sign.severe);
        if asked.iter().any(|item| counted.contains(item)) {
            continue;
        }
        if met(&sign.severe) {
            severe += supportive;
        } else if met(&sign.mild) {
            mild += supportive;
        }
    }
    known.then_some([mild, 0.0, 0.0, severe])
}

/// Which quantity of the table, measured next, would name a class most surely; `None` where all independent
/// ones are known
///
/// For each quantity of an origin that has none yet, and each grade weighted by its probability now: how
/// probable the leading class would be if the quantity came out in the middle of that grade, with the
/// error of its method.
pub(crate) fn settles<'a>(criteria: &'a Criteria, case: &Case<'_>, raised: f64) -> Option<&'a Measure> {
    let quantitative = |measure: &&Measure| measure.role == Role::Quantitative;
    let known: Vec<Origin> = pairs(criteria, case)
        .filter(|(measure, reading)| quantitative(measure) && has_row(measure, reading))
        .map(|(_, reading)| reading.origin())
        .collect();
    let now = logs(criteria, case, Taking::Rows, Cuts::Certain).unwrap_or([0.0; 4]);
    let shares = shares(&now);
    let mut best: Option<(f64, &Measure)> = None;
    for measure in criteria.measures.iter().filter(quantitative) {
        let Some(item) = measure
            .items
            .iter()
            .copied()
            .find(|item| item.is_entered() && !known.contains(&item.origin()) && item.spread().is_some())
        else {
            continue;
        };
        let sure: f64 = middles(measure)
            .iter()
            .zip(shares)
            .map(|(value, share)| {
                let reading = Reading::next(item, *value);
                let then = likelihood(measure, &reading, case, Cuts::Certain).unwrap_or([1.0; 4]).map(log);
                let both = [0, 1, 2, 3].map(|grade| now[grade] + then[grade]);
                let class = classes(criteria, &both, raised);
                share * class.of(class.top())
            })
            .sum();
        if best.is_none_or(|(most, _)| sure > most + 1e-12) {
            best = Some((sure, measure));
        }
    }
    best.map(|(_, measure)| measure)
}

fn shares(logs: &Logs) -> [f64; 4] {
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mass = logs.map(|log| libm::exp((log - top).min(0.0)));
    let all: f64 = mass.iter().sum();
    mass.map(|mass| mass / all)
}

/// A value in the middle of each grade
fn middles(measure: &Measure) -> [f64; 4] {
    let severe = measure.severe.map_or(f64::INFINITY, |cut| cut.at());
    let mild = measure.mild.map_or(0.5 * severe, |cut| cut.at());
    let third = measure.grade_3.map_or(f64::midpoint(mild, severe), |cut| cut.at());
    [0.5 * mild, f64::midpoint(mild, third), f64::midpoint(third, severe), 1.25 * severe]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::special::normal_cdf;

    #[test]
    fn the_logistic_stands_in_for_the_normal() {
        let worst = (-600..=600)
            .map(|step| f64::from(step) / 100.0)
            .map(|z| (beyond(z) - normal_cdf(z)).abs())
            .fold(0.0, f64::max);
        assert!(worst < 0.01, "{worst}");
        assert!(beyond(-5.0) > 100.0 * normal_cdf(-5.0), "its tails are heavier");
    }

    #[test]
    fn criteria_alone_make_what_the_count_says() {
        // The guideline calls four definite and three not decided; severe is one grade of four beforehand.
        let after = |number: i32| {
            let odds = SPECIFIC.powi(number);
            odds / (odds + 3.0)
        };
        assert!(after(4) >= 0.9 && after(3) < 0.81 && after(2) < 0.65, "{} {}", after(4), after(3));
    }
}
