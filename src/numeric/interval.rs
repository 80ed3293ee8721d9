//! A value between two ends.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A value with its 95 % interval
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Interval {
    /// Best estimate
    pub value: f64,
    /// Lower end
    pub low: f64,
    /// Upper end
    pub high: f64,
}

impl Interval {
    /// An interval `value - below` to `value + above`, the lower end not below zero
    pub fn around(value: f64, below: f64, above: f64) -> Self {
        Self { value, low: (value - below).max(0.0), high: value + above }
    }

    /// A value without an interval
    pub const fn exactly(value: f64) -> Self {
        Self { value, low: value, high: value }
    }

    /// The sum of two values whose errors are common to both, so that their half widths add
    #[must_use]
    pub fn together(self, other: Self) -> Self {
        Self { value: self.value + other.value, low: self.low + other.low, high: self.high + other.high }
    }

    /// The interval in other units
    pub fn scaled(self, factor: f64) -> Self {
        Self { value: self.value * factor, low: self.low * factor, high: self.high * factor }
    }
}
