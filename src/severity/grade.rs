//! Grades and classes of severity.

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
    /// Grade IV, and grade III where the algorithm raises it
    Severe,
}

impl Grade {
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
    /// As printed
    pub const fn name(self) -> &'static str {
        match self {
            Self::Mild => "mild",
            Self::Moderate => "moderate",
            Self::Severe => "severe",
        }
    }
}

/// The grades that something leaves open, from the lowest to the highest
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

    /// From the lower to the higher of two, whatever their order
    pub fn between(a: Grade, b: Grade) -> Self {
        Self { low: a.min(b), high: a.max(b) }
    }

    /// Whether some grade is in both
    pub fn meets(self, other: Self) -> bool {
        self.low <= other.high && other.low <= self.high
    }

    /// `II` or `II to III`
    pub fn words(self) -> String {
        if self.low == self.high {
            self.low.name().to_owned()
        } else {
            format!("{} to {}", self.low.name(), self.high.name())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grades_rise_and_meet() {
        assert!(Grade::I < Grade::II && Grade::III < Grade::IV);
        let (low, high) = (Grades::between(Grade::II, Grade::I), Grades::between(Grade::III, Grade::IV));
        assert_eq!(low, Grades { low: Grade::I, high: Grade::II });
        assert!(!low.meets(high) && Grades::ALL.meets(low) && high.meets(Grades::ALL));
        assert_eq!(high.words(), "III to IV");
        assert_eq!(Grade::III.class(), Class::Moderate);
    }
}
