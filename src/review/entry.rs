//! Measures from elsewhere that the reader typed in, to be weighed with the area.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::numeric::Interval;
use crate::severity::{Evidence, Item};

/// What was measured elsewhere
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Vena contracta width on one view, mm
    VcWidth,
    /// Effective regurgitant orifice area by PISA, mm2
    PisaEroa,
    /// Regurgitant volume, ml
    RegurgitantVolume,
    /// Regurgitant fraction, percent
    RegurgitantFraction,
    /// Velocity-time integral of the regurgitant jet by CW Doppler, cm
    CwVti,
    /// Peak velocity of the regurgitant jet by CW Doppler, m/s
    CwPeakVelocity,
    /// Peak E-wave velocity of mitral inflow, m/s
    EWave,
    /// Left ventricular end-diastolic volume, ml
    LvEndDiastolicVolume,
    /// Left ventricular ejection fraction, percent
    LvEjectionFraction,
}

impl Quantity {
    /// All of them, in the order they are offered
    pub const ALL: [Self; 9] = [
        Self::VcWidth,
        Self::PisaEroa,
        Self::RegurgitantVolume,
        Self::RegurgitantFraction,
        Self::CwVti,
        Self::CwPeakVelocity,
        Self::EWave,
        Self::LvEndDiastolicVolume,
        Self::LvEjectionFraction,
    ];

    /// Its name in words
    pub const fn name(self) -> &'static str {
        match self {
            Self::VcWidth => "VC width",
            Self::PisaEroa => "EROA by PISA",
            Self::RegurgitantVolume => "Regurgitant volume",
            Self::RegurgitantFraction => "Regurgitant fraction",
            Self::CwVti => "CW Doppler VTI",
            Self::CwPeakVelocity => "CW Doppler peak velocity",
            Self::EWave => "Peak E-wave velocity",
            Self::LvEndDiastolicVolume => "LV end-diastolic volume",
            Self::LvEjectionFraction => "LV ejection fraction",
        }
    }

    /// The unit its value is in
    pub const fn unit(self) -> &'static str {
        match self {
            Self::VcWidth => "mm",
            Self::PisaEroa => "mm2",
            Self::RegurgitantVolume | Self::LvEndDiastolicVolume => "ml",
            Self::RegurgitantFraction | Self::LvEjectionFraction => "%",
            Self::CwVti => "cm",
            Self::CwPeakVelocity | Self::EWave => "m/s",
        }
    }

    /// The largest value that can be meant; a larger one is a slip of the keyboard (common
    /// practice, no source)
    pub const fn most(self) -> f64 {
        match self {
            Self::VcWidth => 40.0,
            Self::PisaEroa | Self::RegurgitantVolume | Self::CwVti => 500.0,
            Self::RegurgitantFraction | Self::LvEjectionFraction => 100.0,
            Self::CwPeakVelocity => 9.0,
            Self::EWave => 4.0,
            Self::LvEndDiastolicVolume => 1000.0,
        }
    }
}

impl Quantity {
    /// What it is to the weighing; `None` where no published criterion speaks of it
    pub const fn item(self) -> Option<Item> {
        match self {
            Self::VcWidth => Some(Item::VcWidthMm),
            Self::PisaEroa => Some(Item::PisaEroaMm2),
            Self::RegurgitantVolume => Some(Item::RegurgitantVolumeMl),
            Self::RegurgitantFraction => Some(Item::RegurgitantFractionPercent),
            Self::CwVti => Some(Item::CwVtiCm),
            Self::CwPeakVelocity => Some(Item::CwPeakMS),
            Self::EWave => Some(Item::EWaveMS),
            Self::LvEndDiastolicVolume => None,
            Self::LvEjectionFraction => Some(Item::LvEjectionFractionPercent),
        }
    }
}

/// Entries as the weighing takes them; what it cannot mean (a peak velocity of 0) is left out
pub fn evidence(entries: &[Entry]) -> Evidence {
    let mut evidence = Evidence::default();
    for entry in entries {
        let number = Interval { value: entry.value, low: entry.value, high: entry.value };
        if let Some(item) = entry.quantity.item() {
            // A value outside the item's range is refused, and the others still count.
            let _ = evidence.set_number(item, number);
        }
    }
    evidence
}

/// One measure that the reader typed in
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Entry {
    /// What was measured
    pub quantity: Quantity,
    /// The value, in the quantity's unit
    pub value: f64,
    /// Where it came from, in the reader's words
    #[serde(default)]
    pub note: String,
}
