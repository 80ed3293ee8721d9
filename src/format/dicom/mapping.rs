//! Real World Value Mappings (PS3.3 section C.7.6.16.2.11): from codes to values with a unit.
//!
//! A frame may have several items: pieces of one mapping over parts of the range of codes, or the same
//! codes in several units. An item is a line (slope and intercept) or a look-up table. The program's scales
//! are lines. Items that say one line are taken as it, also a table whose entries lie on one; anything else is
//! refused by name, never bent into a line.

use dicom_dictionary_std::tags;

use super::tree::View;
use super::{DicomError, checks};
use crate::format::Notes;

/// Values may stray from a line by this share of a code's step: far less than rounding to codes does (our own
/// choice)
const STRAIGHT: f64 = 0.05;

/// More entries of a table are none: one for each code of 16 bits
const MOST_ENTRIES: usize = 1 << 16;

/// One item of a mapping
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Item {
    /// Codes it holds for, first and last; `None` for all
    codes: Option<[f64; 2]>,
    course: Course,
    /// Code value of the units, UCUM
    pub(super) units: String,
}

#[derive(Clone, Debug, PartialEq)]
enum Course {
    Line {
        slope: f64,
        intercept: f64,
    },
    Table(Vec<f64>),
    /// Neither, or nothing that is a number
    Unsaid,
}

/// A mapping that is one line: `value = slope * code + intercept`
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Mapping {
    /// Value of one code step
    pub(super) slope: f64,
    /// Value of code 0
    pub(super) intercept: f64,
    /// Code value of the units, UCUM
    pub(super) units: String,
}

/// The items of a frame, as they stand
///
/// # Errors
/// [`DicomError::Value`] where a number is unusable.
pub(super) fn items<'a>(groups: impl Iterator<Item = View<'a>>) -> Result<Vec<Item>, DicomError> {
    const NAME: &str = "Real World Value Mapping";
    let mut items = Vec::new();
    for group in groups {
        let units = group
            .first(tags::MEASUREMENT_UNITS_CODE_SEQUENCE)
            .and_then(|code| code.text(tags::CODE_VALUE))
            .unwrap_or_default();
        let end = |whole, real| group.number(whole).or_else(|| group.number(real));
        let codes = end(
            tags::REAL_WORLD_VALUE_FIRST_VALUE_MAPPED,
            tags::DOUBLE_FLOAT_REAL_WORLD_VALUE_FIRST_VALUE_MAPPED,
        )
        .zip(end(
            tags::REAL_WORLD_VALUE_LAST_VALUE_MAPPED,
            tags::DOUBLE_FLOAT_REAL_WORLD_VALUE_LAST_VALUE_MAPPED,
        ))
        .map(|(first, last)| [first, last]);
        let course = if group.has(tags::REAL_WORLD_VALUE_LUT_DATA) {
            let bytes = group.raw(tags::REAL_WORLD_VALUE_LUT_DATA).map_or(0, <[u8]>::len);
            if bytes / 8 > MOST_ENTRIES {
                return Err(DicomError::Value {
                    name: NAME,
                    found: format!("a table of {} entries", bytes / 8),
                });
            }
            let table = group.numbers(tags::REAL_WORLD_VALUE_LUT_DATA);
            table.iter().try_for_each(|value| checks::sane(NAME, [*value]))?;
            Course::Table(table)
        } else if let Some(slope) = group.number(tags::REAL_WORLD_VALUE_SLOPE) {
            let intercept = group.number(tags::REAL_WORLD_VALUE_INTERCEPT).unwrap_or(0.0);
            if slope == 0.0 {
                return Err(DicomError::Value { name: NAME, found: "a slope of zero".to_owned() });
            }
            checks::sane(NAME, [slope, intercept])?;
            Course::Line { slope, intercept }
        } else {
            Course::Unsaid
        };
        items.push(Item { codes, course, units: units.chars().take(40).collect() });
    }
    Ok(items)
}

/// The one line that items in one unit say; `None` without items
///
/// `channel` names it in messages; `scale` brings a value to a unit that the items have in common.
///
/// # Errors
/// [`DicomError::Mapping`] where they say no line, or several.
pub(super) fn line(
    channel: &'static str,
    items: &[&Item],
    scale: impl Fn(&Item) -> f64,
    bits: u32,
    notes: &mut Notes,
) -> Result<Option<Mapping>, DicomError> {
    let refuse = |what: String| Err(DicomError::Mapping { channel, what });
    let last_code = f64::from((1u32 << bits.min(16)) - 1);
    let mut found: Option<Mapping> = None;
    let mut ranges = Vec::new();
    for item in items {
        let [first, last] = item.codes.unwrap_or([0.0, last_code]);
        if !(first <= last && first.abs() <= 65535.0 && last.abs() <= 65535.0) {
            return refuse(format!("holds for the codes {first} to {last}, which are no range"));
        }
        let factor = scale(item);
        let (slope, intercept) = match &item.course {
            Course::Line { slope, intercept } => (slope * factor, intercept * factor),
            Course::Table(table) => {
                let steps = last - first;
                if table.len() as f64 != steps + 1.0 {
                    return refuse(format!(
                        "is a look-up table of {} entries for the codes {first} to {last}",
                        table.len()
                    ));
                }
                let slope = (table[table.len() - 1] - table[0]) / steps;
                let strays = |(at, value): (usize, &f64)| {
                    (value - table[0] - slope * at as f64).abs() > STRAIGHT * slope.abs()
                };
                if slope.is_nan() || slope == 0.0 || table.iter().enumerate().any(strays) {
                    return refuse("is a look-up table that is no straight line".to_owned());
                }
                (slope * factor, (table[0] - slope * first) * factor)
            }
            Course::Unsaid => return refuse("has neither a slope nor a look-up table".to_owned()),
        };
        match &found {
            None => found = Some(Mapping { slope, intercept, units: item.units.clone() }),
            Some(one) => {
                let apart = |code: f64| (slope - one.slope) * code + intercept - one.intercept;
                if apart(0.0).abs().max(apart(last_code).abs()) > STRAIGHT * one.slope.abs() {
                    return refuse("has several pieces that do not lie on one straight line".to_owned());
                }
            }
        }
        ranges.push([first, last]);
    }
    if found.is_some() && !covers(&mut ranges, last_code) {
        notes.assume(format!(
            "the real-world mapping of the {channel} does not hold for all codes; the others were read on the same line"
        ));
    }
    Ok(found)
}

/// Whether ranges cover all codes from 0
fn covers(ranges: &mut [[f64; 2]], last_code: f64) -> bool {
    ranges.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let mut next = 0.0;
    for [first, last] in ranges {
        if *first > next {
            return false;
        }
        next = f64::max(next, *last + 1.0);
    }
    next > last_code
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(codes: [f64; 2], course: Course, units: &str) -> Item {
        Item { codes: Some(codes), course, units: units.to_owned() }
    }

    fn straight(slope: f64, intercept: f64) -> Course {
        Course::Line { slope, intercept }
    }

    fn read(items: &[Item], notes: &mut Notes) -> Result<Option<Mapping>, String> {
        let items: Vec<&Item> = items.iter().collect();
        line("velocity", &items, |_| 1.0, 8, notes).map_err(|error| error.to_string())
    }

    #[test]
    fn what_lies_on_one_line_is_read_as_it_and_nothing_else() {
        let notes = &mut Notes::default();
        let table = |f: &dyn Fn(f64) -> f64, from: u32, to: u32| {
            Course::Table((from..=to).map(|code| f(f64::from(code))).collect())
        };
        let rule = |code: f64| 0.5 * code - 40.0;
        for items in [
            vec![item([0.0, 255.0], straight(0.5, -40.0), "cm/s")],
            vec![item([0.0, 255.0], table(&rule, 0, 255), "cm/s")],
            // Rounded to tenths of a step, as a writer of few digits does.
            vec![item([0.0, 255.0], table(&|code| (rule(code) * 40.0).round() / 40.0, 0, 255), "cm/s")],
            vec![
                item([100.0, 255.0], table(&rule, 100, 255), "cm/s"),
                item([0.0, 99.0], straight(0.5, -40.0), "cm/s"),
            ],
        ] {
            let found = read(&items, notes).unwrap().unwrap();
            assert!((found.slope - 0.5).abs() < 1e-3 && (found.intercept + 40.0).abs() < 0.03, "{found:?}");
            assert!(notes.assumed.is_empty());
        }
        for (items, word) in [
            (vec![item([0.0, 255.0], table(&|code| code * code, 0, 255), "cm/s")], "no straight line"),
            // Signed codes: the line jumps back by a cycle in its middle.
            (
                vec![item(
                    [0.0, 255.0],
                    table(&|code| if code < 128.0 { code } else { code - 256.0 }, 0, 255),
                    "m/s",
                )],
                "no straight line",
            ),
            (vec![item([0.0, 255.0], table(&rule, 0, 200), "cm/s")], "201 entries"),
            (vec![item([7.0, 7.0], table(&rule, 7, 7), "cm/s")], "no straight line"),
            (
                vec![
                    item([0.0, 99.0], straight(0.5, -40.0), "cm/s"),
                    item([100.0, 255.0], straight(0.7, -60.0), "cm/s"),
                ],
                "several pieces",
            ),
            (vec![item([0.0, 255.0], Course::Unsaid, "cm/s")], "neither a slope nor a look-up table"),
            (
                vec![
                    item([0.0, 255.0], straight(0.5, -40.0), "cm/s"),
                    item([0.0, 255.0], Course::Unsaid, "m/s"),
                ],
                "neither a slope nor a look-up table",
            ),
            (vec![item([9.0, 3.0], straight(0.5, -40.0), "cm/s")], "no range"),
            (vec![item([f64::NAN, 3.0], straight(0.5, -40.0), "cm/s")], "no range"),
        ] {
            let error = read(&items, notes).unwrap_err();
            assert!(error.contains(word) && error.contains("velocity"), "{error}");
        }
        assert_eq!(read(&[], notes).unwrap(), None);
        assert!(notes.assumed.is_empty());
        read(&[item([1.0, 255.0], straight(0.5, -40.0), "cm/s")], notes).unwrap();
        assert!(notes.assumed[0].contains("does not hold for all codes"));
    }
}
