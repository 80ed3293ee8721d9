//! What page, paper and table say of a comparison.

use super::super::AreaUnit;
use super::super::words::{self, fixed, signed};
use crate::measure::results::{Interval, JetResult, Results};
use crate::measure::{ChangeDirection, Comparison, Difference, difference};

/// One line of the comparison
#[derive(Clone, Debug, PartialEq)]
pub(in crate::report) struct Row {
    /// What is compared
    pub(in crate::report) name: String,
    /// Before, after, change: in words
    pub(in crate::report) cells: [String; 3],
    /// The same in numbers, where it is a number
    pub(in crate::report) numbers: Option<Numbers>,
}

/// A comparison in numbers
#[derive(Clone, Debug, PartialEq)]
pub(in crate::report) struct Numbers {
    /// Unit in plain letters
    pub(in crate::report) unit: &'static str,
    /// Before
    pub(in crate::report) before: Interval,
    /// After
    pub(in crate::report) after: Interval,
    /// The change
    pub(in crate::report) change: Difference,
}

/// The change of the area in a headline and a sentence
pub fn comparison_answer(of: &Comparison, unit: AreaUnit) -> (String, String) {
    let change = &of.change.vca_mm2;
    let d = change.difference.scaled(unit.per_mm2());
    let decimals = if unit == AreaUnit::Mm2 { 1 } else { 2 };
    let headline = format!("{} {}", signed(d.value, decimals), unit.sign());
    let span =
        format!("95 % interval {} to {} {}", signed(d.low, decimals), signed(d.high, decimals), unit.sign());
    let percent = change.percent.map_or(String::new(), |percent| format!(", {} %", signed(percent, 0)));
    let sentence = match change.direction {
        ChangeDirection::Smaller => {
            format!("The area became smaller{percent} ({span}): more than the uncertainty of the two.")
        }
        ChangeDirection::Larger => {
            format!("The area became larger{percent} ({span}): more than the uncertainty of the two.")
        }
        ChangeDirection::NotTold => {
            format!("No change can be claimed{percent} ({span}): the interval holds zero.")
        }
    };
    (headline, sentence)
}

/// The lines of a comparison in words, under their heads: quantity, before, after, change
pub fn comparison_lines(of: &Comparison) -> Vec<[String; 4]> {
    let heads = ["", "before", "after", "change"].map(str::to_owned);
    let lines = rows(of, AreaUnit::Mm2).into_iter().map(|row| {
        let [before, after, change] = row.cells;
        [row.name, before, after, change]
    });
    std::iter::once(heads).chain(lines).collect()
}

/// The lines of the comparison
pub(in crate::report) fn rows(of: &Comparison, unit: AreaUnit) -> Vec<Row> {
    let (before, after) = (&of.before, &of.after);
    let area = |results: &Results| results.total.vca_mm2.scaled(unit.per_mm2());
    let decimals = if unit == AreaUnit::Mm2 { 1 } else { 2 };
    let mut rows = vec![number(
        "Vena contracta area, all jets",
        (unit.sign(), unit.plain()),
        decimals,
        area(before),
        area(after),
    )];
    if let Some((one, two)) = before.total.regurgitant_volume_ml.zip(after.total.regurgitant_volume_ml) {
        rows.push(number("Regurgitant volume", ("ml", "ml"), 0, one, two));
    }
    if let Some((one, two)) = before.jets.first().zip(after.jets.first()) {
        let mm = ("mm", "mm");
        rows.push(number(
            "Long-axis width, largest jet",
            mm,
            1,
            one.width_mm.long_axis,
            two.width_mm.long_axis,
        ));
        rows.push(number(
            "Commissural width, largest jet",
            mm,
            1,
            one.width_mm.commissural,
            two.width_mm.commissural,
        ));
    }
    rows.push(word("Jets", before, after, |results| results.jets.len().to_string()));
    let largest = |results: &Results, say: fn(&JetResult) -> String| {
        results.jets.first().map_or("no jet".to_owned(), say)
    };
    rows.push(word("Shape, largest jet", before, after, |results| {
        largest(results, |jet| words::shape(jet.shape.class).into())
    }));
    rows.push(word("Through systole, largest jet", before, after, |results| {
        largest(results, |jet| words::pattern(jet.systole.pattern).into())
    }));
    rows.push(word("Trust check", before, after, |results| words::verdict(results.trust.verdict).into()));
    if let Some([one, two]) = &of.change.severity {
        let change = if one == two { "the same".to_owned() } else { format!("{one} to {two}") };
        rows.push(Row { name: "Weighed".into(), cells: [one.clone(), two.clone(), change], numbers: None });
    }
    rows
}

fn number(
    name: &str,
    (sign, plain): (&str, &'static str),
    decimals: usize,
    before: Interval,
    after: Interval,
) -> Row {
    let change = difference(&before, &after);
    let told = |value: &Interval| {
        format!("{} {sign} ({})", fixed(value.value, decimals), words::span(value, decimals))
    };
    let d = &change.difference;
    let percent = change.percent.map_or(String::new(), |percent| format!(", {} %", signed(percent, 0)));
    let changed = format!(
        "{} {sign} ({} to {}){percent}",
        signed(d.value, decimals),
        signed(d.low, decimals),
        signed(d.high, decimals)
    );
    Row {
        name: name.to_owned(),
        cells: [told(&before), told(&after), changed],
        numbers: Some(Numbers { unit: plain, before, after, change }),
    }
}

fn word(name: &str, before: &Results, after: &Results, say: impl Fn(&Results) -> String) -> Row {
    let (before, after) = (say(before), say(after));
    let change = if before == after { "the same".to_owned() } else { "another".to_owned() };
    Row { name: name.to_owned(), cells: [before, after, change], numbers: None }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::compare;
    use crate::report::fixture;

    #[test]
    fn a_change_is_told_with_its_sign_and_its_interval() {
        let (before, mut after) = (fixture::results(), fixture::results());
        after.total.vca_mm2 = Interval { value: 11.25, low: 9.25, high: 14.0 };
        let of = compare(before.clone(), after);
        let (headline, sentence) = comparison_answer(&of, AreaUnit::Mm2);
        assert_eq!(headline, "−30.0 mm²");
        assert!(
            sentence.starts_with("The area became smaller, −73 % (95 % interval −36.8 to −23.6 mm²)"),
            "{sentence}"
        );
        let rows = rows(&of, AreaUnit::Cm2);
        assert_eq!(rows[0].cells[2], "−0.30 cm² (−0.37 to −0.24), −73 %");
        let same = compare(before.clone(), before);
        assert!(comparison_answer(&same, AreaUnit::Mm2).1.starts_with("No change can be claimed"));
    }
}
