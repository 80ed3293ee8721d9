//! Grades, classes, and how probable each class is.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The four grades of the quantitative table: I mild, II and III moderate, IV severe
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
pub enum Grade {
    /// Mild
    I,
    /// The lower half of moderate
    II,
    /// The upper half of moderate
    III,
    /// Severe
    IV,
}

/// The three classes
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Class {
    /// Grade I
    Mild,
    /// Grades II and III
    Moderate,
    /// Grade IV, and grade III where the guideline raises it
    Severe,
}

impl Grade {
    /// All four, rising
    pub const ALL: [Self; 4] = [Self::I, Self::II, Self::III, Self::IV];

    /// The class without any raising
    pub const fn class(self) -> Class {
        match self {
            Self::I => Class::Mild,
            Self::II | Self::III => Class::Moderate,
            Self::IV => Class::Severe,
        }
    }

    /// As printed
    pub const fn name(self) -> &'static str {
        match self {
            Self::I => "I",
            Self::II => "II",
            Self::III => "III",
            Self::IV => "IV",
        }
    }
}

impl Class {
    /// All three, rising
    pub const ALL: [Self; 3] = [Self::Mild, Self::Moderate, Self::Severe];

    /// As printed
    pub const fn name(self) -> &'static str {
        match self {
            Self::Mild => "mild",
            Self::Moderate => "moderate",
            Self::Severe => "severe",
        }
    }
}

/// What a table calls its classes, the mildest first
pub type ClassNames = [String; 3];

/// A class in words, as its table calls it
pub fn class_words(names: Option<&ClassNames>, class: Class) -> &str {
    names.map_or(class.name(), |names| &names[class as usize])
}

/// The grades that something is compatible with, from the lowest to the highest
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Grades {
    /// The lowest
    pub low: Grade,
    /// The highest
    pub high: Grade,
}

impl Grades {
    /// All of them: nothing is said
    pub const ALL: Self = Self { low: Grade::I, high: Grade::IV };

    /// `II` or `II to III`
    pub fn words(self) -> String {
        if self.low == self.high {
            self.low.name().to_owned()
        } else {
            format!("{} to {}", self.low.name(), self.high.name())
        }
    }
}

/// How probable each class is, each 0 to 1
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Probability {
    /// Mild; `null` where the table defines severe only
    pub mild: Option<f64>,
    /// Moderate; `null` where the table defines severe only
    pub moderate: Option<f64>,
    /// Severe
    pub severe: f64,
}

impl Probability {
    /// Of a class; where the table defines severe only, moderate stands for all that is not severe
    pub fn of(&self, class: Class) -> f64 {
        match class {
            Class::Mild => self.mild.unwrap_or(0.0),
            Class::Moderate => self.moderate.unwrap_or(1.0 - self.severe),
            Class::Severe => self.severe,
        }
    }

    /// Of a class or a worse one
    pub fn at_least(&self, class: Class) -> f64 {
        match class {
            Class::Mild => 1.0,
            Class::Moderate => 1.0 - self.of(Class::Mild),
            Class::Severe => self.severe,
        }
    }

    /// The most probable class, of equals the worse
    pub fn top(&self) -> Class {
        Class::ALL.into_iter().fold(
            Class::Mild,
            |best, class| {
                if self.of(class) >= self.of(best) { class } else { best }
            },
        )
    }

    /// The lowest and highest class that are more probable than `least`
    pub fn open(&self, least: f64) -> [Class; 2] {
        let mut open = Class::ALL.into_iter().filter(|class| self.of(*class) > least);
        let low = open.next().unwrap_or(self.top());
        [low, open.next_back().unwrap_or(low)]
    }

    /// `severe 68 %, moderate 31 %, mild 1 %`, or `severe 68 %, not severe 32 %`; with a table's own names of its
    /// classes, if it has any
    pub fn words(&self, names: Option<&ClassNames>) -> String {
        let told = |class: Class, share: f64| format!("{} {}", class_words(names, class), percent(share));
        match (self.mild, self.moderate) {
            (Some(mild), Some(moderate)) => {
                [told(Class::Severe, self.severe), told(Class::Moderate, moderate), told(Class::Mild, mild)]
                    .join(", ")
            }
            _ => format!("severe {}, not severe {}", percent(self.severe), percent(1.0 - self.severe)),
        }
    }
}

/// A share in whole percent, never rounded to certainty: `98 %`, `over 99 %`, `under 1 %`
pub fn percent(share: f64) -> String {
    match 100.0 * share {
        p if p > 99.0 => "over 99 %".to_owned(),
        p if p < 1.0 => "under 1 %".to_owned(),
        p => format!("{p:.0} %"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probabilities_in_words() {
        let all = Probability { mild: Some(0.004), moderate: Some(0.316), severe: 0.68 };
        assert_eq!(all.words(None), "severe 68 %, moderate 32 %, mild under 1 %");
        assert_eq!((all.top(), all.open(0.1)), (Class::Severe, [Class::Moderate, Class::Severe]));
        assert!((all.at_least(Class::Moderate) - 0.996).abs() < 1e-12);
        let two = Probability { mild: None, moderate: None, severe: 0.999 };
        assert_eq!(two.words(None), "severe over 99 %, not severe under 1 %");
        let even = Probability { mild: Some(0.2), moderate: Some(0.4), severe: 0.4 };
        assert_eq!(even.top(), Class::Severe, "of equals the worse");
        assert_eq!(Grades { low: Grade::II, high: Grade::III }.words(), "II to III");
        assert_eq!(Grade::ALL.map(Grade::class)[2], Class::Moderate);
    }
}
