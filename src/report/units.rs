//! In which unit areas are told: square millimetres or square centimetres.
//!
//! The documents (JSON) keep one unit, mm2. What is read by people and the tables follow this
//! choice, square centimetres where nothing is said: guidelines grade in them. A square centimetre takes two decimals more than a square millimetre takes one.

use super::words::fixed;
use crate::measure::results::Interval;
use crate::unit::Mm2;

/// In which unit areas are told
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum AreaUnit {
    /// Square millimetres, one decimal
    Mm2,
    /// Square centimetres, two decimals
    #[default]
    Cm2,
}

impl AreaUnit {
    /// The other one
    pub fn other(self) -> Self {
        match self {
            Self::Mm2 => Self::Cm2,
            Self::Cm2 => Self::Mm2,
        }
    }

    /// Its sign
    pub fn sign(self) -> &'static str {
        match self {
            Self::Mm2 => "mm²",
            Self::Cm2 => "cm²",
        }
    }

    /// Its name in plain letters, as in the names of columns
    pub fn plain(self) -> &'static str {
        match self {
            Self::Mm2 => "mm2",
            Self::Cm2 => "cm2",
        }
    }

    /// How many of it are one square millimetre
    pub fn per_mm2(self) -> f64 {
        self.of(1.0)
    }

    /// An area given in mm2, in this unit
    pub fn of(self, mm2: f64) -> f64 {
        match self {
            Self::Mm2 => mm2,
            Self::Cm2 => Mm2::new(mm2).to_cm2(),
        }
    }

    fn decimals(self) -> usize {
        match self {
            Self::Mm2 => 1,
            Self::Cm2 => 2,
        }
    }

    /// An area given in mm2, as a number without its unit
    pub fn number(self, mm2: f64) -> String {
        fixed(self.of(mm2), self.decimals())
    }

    /// A small difference of areas given in mm2, as a number with one decimal more in cm2
    pub fn fine(self, mm2: f64) -> String {
        fixed(self.of(mm2), 2 * self.decimals() - 1)
    }

    /// A large area given in mm2, as a number without decimals in mm2
    pub fn coarse(self, mm2: f64) -> String {
        fixed(self.of(mm2), 2 * (self.decimals() - 1))
    }

    /// `34.2 mm²`
    pub fn text(self, mm2: f64) -> String {
        format!("{} {}", self.number(mm2), self.sign())
    }

    /// `29.1 to 40.0`
    pub fn span(self, interval_mm2: &Interval) -> String {
        format!("{} to {}", self.number(interval_mm2.low), self.number(interval_mm2.high))
    }

    /// A sentence with every `0.41 cm²` in it told in this unit
    pub fn sentence(self, text: &str) -> String {
        let mut parts = text.split(" cm²");
        let mut out = parts.next().unwrap_or_default().to_owned();
        for rest in parts {
            let start = out.rfind(|c: char| !(c.is_ascii_digit() || c == '.')).map_or(0, |at| at + 1);
            match out[start..].parse().map(|cm2| Mm2::from_cm2(cm2).get()) {
                Ok(mm2) if self != Self::Cm2 => {
                    out.truncate(start);
                    let told = self.text(mm2);
                    out.push_str(&told);
                }
                _ => out.push_str(" cm²"),
            }
            out.push_str(rest);
        }
        out
    }

    /// `34.2 mm² (29.1 to 40.0)`
    pub fn interval(self, interval_mm2: &Interval) -> String {
        format!("{} ({})", self.text(interval_mm2.value), self.span(interval_mm2))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_area_in_either_unit() {
        let area = Interval { value: 34.16, low: 29.08, high: 40.04 };
        assert_eq!(AreaUnit::Mm2.interval(&area), "34.2 mm² (29.1 to 40.0)");
        assert_eq!(AreaUnit::Cm2.interval(&area), "0.34 cm² (0.29 to 0.40)");
        let said = "below 0.10 cm², then 0.41 cm² (0.2)";
        assert_eq!(AreaUnit::Mm2.sentence(said), "below 10.0 mm², then 41.0 mm² (0.2)");
        assert_eq!(AreaUnit::Cm2.sentence(said), said);
        assert_eq!((AreaUnit::Mm2.coarse(391.4), AreaUnit::Cm2.coarse(391.4)), ("391".into(), "3.91".into()));
        assert_eq!((AreaUnit::Mm2.fine(2.44), AreaUnit::Cm2.fine(2.44)), ("2.4".into(), "0.024".into()));
    }
}
