//! Numbers as people type them: with an error, with a unit, and queried where they cannot be meant.
//!
//! One grammar for the evidence file and for the form: `44`, `44 ± 6`, `0.44 cm2`, `0.44 ± 0.06 cm2`. A
//! number without a unit is taken in the unit that the field or the key names, and refused where it then
//! lies outside what is usual: 0.35 typed for cm2 into a field of mm2 would grade a severe regurgitation
//! as mild. With its unit it is taken as it stands, unless it is off by another [`FAR`]; an error must be of the
//! size of errors.

use super::error::SeverityError;
use super::item::{Item, Kind};
use crate::numeric::Interval;

/// How far beyond the usual range a number with its unit may lie; that range is wide, so this is a factor of
/// about ten from anything physiological (our own choice)
const FAR: f64 = 3.0;
/// The smallest and largest error that is usual, as a part of the value (our own choice)
const ERRORS: [f64; 2] = [0.01, 1.0];

/// Units that a number may be typed in, with how many of the item's unit one of them is
fn units(of: &str) -> &'static [(&'static str, f64)] {
    match of {
        "mm" => &[("mm", 1.0), ("cm", 10.0)],
        "mm²" => &[("mm2", 1.0), ("cm2", 100.0)],
        "ml" => &[("ml", 1.0), ("l", 1000.0)],
        "%" => &[("%", 1.0)],
        "m/s" => &[("m/s", 1.0), ("cm/s", 0.01)],
        "cm/s" => &[("cm/s", 1.0), ("m/s", 100.0)],
        "cm" => &[("cm", 1.0), ("m", 100.0), ("mm", 0.1)],
        "ml/m²" => &[("ml/m2", 1.0)],
        _ => &[],
    }
}

/// Splits a number from the letters after it
fn split(text: &str) -> Option<(f64, String)> {
    let text = text.trim();
    let end = text
        .char_indices()
        .find(|(_, c)| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+')))
        .map_or(text.len(), |(at, _)| at);
    let number = text[..end].parse::<f64>().ok().filter(|number| number.is_finite())?;
    Some((number, text[end..].trim().replace('²', "2").to_lowercase()))
}

impl Item {
    /// A number as typed, in the item's own unit; `bare` is the unit of a number that names none
    ///
    /// # Errors
    /// [`SeverityError::Form`] where it cannot be read or the unit is none of this item, [`SeverityError::Unusual`]
    /// and [`SeverityError::UnusualError`] where it or its error lies outside what is usual,
    /// [`SeverityError::Range`] where it cannot be meant at all.
    pub fn read(self, text: &str, bare: &str) -> Result<Interval, SeverityError> {
        let Kind::Number { unit, low: least, high: most, .. } = self.field().kind else {
            return Err(self.form("one of its choices", text));
        };
        let known = units(unit);
        let listed: Vec<&str> = known.iter().map(|(name, _)| *name).collect();
        let wanted = match listed.as_slice() {
            [] => "a number such as 1.4 or 1.4 ± 0.2".to_owned(),
            [unit] => format!("a number such as 44 or 44 ± 6, or with its unit {unit}"),
            several => format!("a number such as 6.5 or 6.5 ± 0.5, or with its unit: {}", several.join(", ")),
        };
        let wrong = || self.form(&wanted, text);
        let plain = text.replace(',', ".").replace("+/-", "±").replace("+-", "±");
        let (value, error) = plain.split_once('±').map_or((plain.as_str(), None), |(a, b)| (a, Some(b)));
        let (value, named) = split(value).ok_or_else(wrong)?;
        let (error, last) = error.map_or(Some((0.0, String::new())), split).ok_or_else(wrong)?;
        let typed = match (named.as_str(), last.as_str()) {
            ("", last) => last,
            (named, "") => named,
            (named, last) if named == last => named,
            _ => return Err(wrong()),
        };
        let bare = bare.replace('²', "2");
        let name = if typed.is_empty() { bare.as_str() } else { typed };
        let factor = match known.iter().find(|(known, _)| *known == name) {
            Some((_, factor)) => *factor,
            None if name.is_empty() => 1.0,
            None => return Err(wrong()),
        };
        if error < 0.0 {
            return Err(wrong());
        }
        self.query(value, factor, if typed.is_empty() { 1.0 } else { FAR })?;
        self.query_error(value * factor, error * factor)?;
        let (value, error) = (value * factor, error * factor);
        if !(least..=most).contains(&value) {
            return Err(SeverityError::Range { key: self.key(), value, low: least, high: most, unit });
        }
        // An error may reach past the end of what can be; the interval stops there.
        Ok(Interval { value, low: (value - error).max(least), high: (value + error).min(most) })
    }

    /// Queries a number so many times beyond what is usual; zero is none of it
    ///
    /// # Errors
    /// [`SeverityError::Unusual`].
    pub(super) fn query(self, number: f64, factor: f64, beyond: f64) -> Result<(), SeverityError> {
        let Kind::Number { unit, low, usual: [least, most], .. } = self.field().kind else { return Ok(()) };
        let within = |value: f64, beyond: f64| (least / beyond..=most * beyond).contains(&value);
        if within(number * factor, beyond) || number == 0.0 && low == 0.0 {
            return Ok(());
        }
        let meant =
            |(name, other): &(&str, f64)| within(number * other, 1.0).then(|| format!("{number} {name}"));
        let meant = units(unit).iter().filter_map(meant).collect();
        Err(SeverityError::Unusual {
            key: self.key(),
            value: number * factor,
            usual: [least, most],
            unit,
            meant,
        })
    }

    /// Queries an error that is not of the size of its value, both in the item's unit; none at all is none of it
    ///
    /// # Errors
    /// [`SeverityError::UnusualError`].
    pub(super) fn query_error(self, value: f64, error: f64) -> Result<(), SeverityError> {
        let [least, most] = ERRORS.map(|part| part * value.abs());
        if value == 0.0 || error == 0.0 || (least..=most).contains(&error) {
            return Ok(());
        }
        Err(SeverityError::UnusualError { key: self.key(), value, error, unit: self.unit() })
    }

    /// A text with its error beside it, written as one: `0.44 ± 0.06 cm2`; the error is in the item's own unit
    pub(super) fn joined(self, text: &str, error: f64) -> Option<String> {
        let (number, unit) = split(text)?;
        let factor = units(self.unit()).iter().find(|(name, _)| *name == unit).map_or(1.0, |(_, f)| *f);
        Some(format!("{number} ± {} {unit}", number_words(error / factor, 3)).trim_end().to_owned())
    }

    fn form(self, wanted: &str, found: &str) -> SeverityError {
        let (key, found) = (self.key().to_owned(), format!("{found:?}"));
        SeverityError::Form { key, wanted: wanted.to_owned(), found }
    }
}

/// A number of at most two decimals as it is, without zeros at its end; any other, a measured one, rounded to so many
pub fn number_words(value: f64, decimals: usize) -> String {
    let typed = format!("{value:.2}");
    // Less than a change of unit and back leaves.
    if typed.parse::<f64>().is_ok_and(|typed| (typed - value).abs() < 1e-9) {
        typed.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        format!("{value:.decimals$}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(item: Item, text: &str) -> Option<[f64; 3]> {
        let Interval { value, low, high } = item.read(text, item.unit()).ok()?;
        Some([value, low, high].map(|number| (number * 1e9).round() / 1e9))
    }

    #[test]
    fn a_unit_is_taken_as_it_is_typed() {
        let eroa = Item::PisaEroaMm2;
        for text in ["44", "44 mm2", "44 mm²", "0.44 cm2", "0,44cm²", " .44 CM2 "] {
            assert_eq!(read(eroa, text), Some([44.0; 3]), "{text}");
        }
        for text in ["44 ± 6", "0.44 ± 0.06 cm2", "0.44 cm2 +- 0.06 cm2", "0.44 cm2 +/- .06", "44±6mm2"] {
            assert_eq!(read(eroa, text), Some([44.0, 38.0, 50.0]), "{text}");
        }
        assert_eq!(read(Item::VcWidthMm, "0.7 cm"), Some([7.0; 3]));
        assert_eq!(read(Item::CwPeakMS, "480 cm/s"), Some([4.8; 3]));
        assert_eq!(read(Item::CwVtiCm, "1.5 m"), Some([150.0; 3]));
        assert_eq!(read(Item::RegurgitantFractionPercent, "54 ± 6 %"), Some([54.0, 48.0, 60.0]));
        assert_eq!(read(Item::VtiRatio, "1.4"), Some([1.4; 3]));
        assert_eq!(read(Item::JetAreaPercent, "97 ± 9"), Some([97.0, 88.0, 100.0]));
        for wrong in ["", "x", "44 kg", "44 cm", "44 mm2 ± 1 cm2", "44 ± -1", "± 1", "44 ± ", "inf", "1e3"]
        {
            assert_eq!(read(eroa, wrong), None, "{wrong}");
        }
        // A field in cm2 reads a bare number as cm2.
        assert_eq!(eroa.read("0.44", "cm²").unwrap(), Interval::exactly(44.0));
        assert_eq!(eroa.read("44 mm2", "cm²").unwrap(), Interval::exactly(44.0));
    }

    #[test]
    fn what_is_ten_or_a_hundred_times_off_is_queried() {
        for (item, slip, meant) in [
            (Item::PisaEroaMm2, "0.35", "0.35 cm2"),
            (Item::PisaEroaMm2, "1.2", "1.2 cm2"),
            (Item::VcWidthMm, "0.7", "0.7 cm"),
            (Item::ConvergenceRadiusMm, "1.0", "1 cm"),
            (Item::EWaveMS, "140", "140 cm/s"),
            (Item::CwPeakMS, "500", "500 cm/s"),
            (Item::CwVtiCm, "1.5", "1.5 m"),
            (Item::ConvergenceNyquistCmS, "0.38", "0.38 m/s"),
            (Item::LvEndSystolicDiameterMm, "4.1", "4.1 cm"),
            (Item::RegurgitantVolumeMl, "0.06", "0.06 l"),
        ] {
            match item.read(slip, item.unit()) {
                Err(error @ SeverityError::Unusual { .. }) => {
                    assert!(error.hint().contains(&format!("\"{meant}\"")), "{}", error.hint());
                }
                other => panic!("{item:?} {slip}: {other:?}"),
            }
            assert!(item.read(meant, item.unit()).is_ok(), "{meant}");
        }
        // A fraction typed for percent has no unit to be saved by.
        let fraction = Item::RegurgitantFractionPercent.read("0.54", "%");
        assert!(matches!(fraction, Err(SeverityError::Unusual { .. })));
        // Named, and no more physiological for it.
        for (item, text) in [
            (Item::PisaEroaMm2, "0.35 mm2"),
            (Item::VcWidthMm, "0.4 mm"),
            (Item::RegurgitantFractionPercent, "0.54 %"),
        ] {
            let refused = item.read(text, item.unit());
            assert!(matches!(refused, Err(SeverityError::Unusual { .. })), "{text}: {refused:?}");
        }
        let slip = Item::PisaEroaMm2.read("0.35 mm2", "mm²").unwrap_err();
        assert!(slip.hint().contains("\"0.35 cm2\""), "{}", slip.hint());
        // In a field of cm2: 35 was typed in mm2.
        let slip = Item::PisaEroaMm2.read("35", "cm²").unwrap_err();
        assert!(slip.hint().contains("\"35 mm2\""), "{}", slip.hint());
        // None at all, and what is meant as it stands.
        assert_eq!(read(Item::PisaEroaMm2, "0"), Some([0.0; 3]));
        assert_eq!(read(Item::PisaEroaMm2, "2 mm2"), Some([2.0; 3]));
    }

    #[test]
    fn an_error_is_of_the_size_of_errors() {
        for text in ["44 ± 0.06", "44 ± 0.06 mm2", "0.44 ± 6 cm2", "44 ± 50"] {
            let refused = Item::PisaEroaMm2.read(text, "mm²");
            assert!(matches!(refused, Err(SeverityError::UnusualError { .. })), "{text}: {refused:?}");
        }
        assert_eq!(read(Item::PisaEroaMm2, "44 ± 0"), Some([44.0; 3]));
        assert_eq!(read(Item::PisaEroaMm2, "0 ± 3"), Some([0.0, 0.0, 3.0]));
        assert_eq!(Item::PisaEroaMm2.joined("0.44 cm2", 6.0).unwrap(), "0.44 ± 0.06 cm2");
        assert_eq!(Item::VtiRatio.joined("1.4", 0.2).unwrap(), "1.4 ± 0.2");
    }
}
