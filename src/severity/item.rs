//! What can be known about a regurgitation: every quantity and sign, with its unit and its range.
//!
//! One list serves the evidence file, the criteria files, the viewer's form and the schema, so that
//! a name means one thing everywhere. Each number has two ranges: the usual one, outside of which a
//! number without its unit is queried, and the widest that can be meant at all; and the error of its
//! method. The ranges are common practice, no source.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::typed::number_words;

/// One answer to an item that is no number
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Choice {
    /// As in a file
    pub key: &'static str,
    /// As shown
    pub label: &'static str,
}

/// What form an item has
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// A number
    Number {
        /// As shown: `mm`, `mm²`, `ml`, `%`, `m/s`, `cm/s`, `cm`, `ml/m²`, or nothing
        unit: &'static str,
        /// The smallest that can be meant
        low: f64,
        /// The largest that can be meant
        high: f64,
        /// Smallest and largest that are usual: other numbers, zero apart, are taken only with their unit
        usual: [f64; 2],
    },
    /// One of these
    Choice(&'static [Choice]),
}

/// Under which heading an item is entered
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Group {
    /// What kind of regurgitation in what circumstances
    Setting,
    /// Colour Doppler
    Colour,
    /// Flow convergence
    Convergence,
    /// Volumes
    Volumes,
    /// CW Doppler
    ContinuousWave,
    /// Pulmonary veins and mitral inflow
    Inflow,
    /// Chambers
    Chambers,
}

impl Group {
    /// As shown
    pub const fn label(self) -> &'static str {
        match self {
            Self::Setting => "Mechanism and setting",
            Self::Colour => "Colour Doppler",
            Self::Convergence => "Flow convergence",
            Self::Volumes => "Regurgitant volume and fraction",
            Self::ContinuousWave => "CW Doppler",
            Self::Inflow => "Pulmonary veins and inflow",
            Self::Chambers => "Chambers",
        }
    }
}

/// From whose hands or beam something comes: what shares a source is not independent
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Origin {
    /// Circumstances, which weigh nothing by themselves
    Setting,
    Leaflet,
    Colour,
    Convergence,
    Volumetric,
    ContinuousWave,
    Veins,
    Inflow,
    Chambers,
}

/// An item as a form shows it
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Field {
    /// Which item
    pub item: Item,
    /// Its key in a file
    pub key: &'static str,
    /// Its name as shown
    pub label: &'static str,
    /// Its heading
    pub group: Group,
    /// Its form: unit and range, or choices
    pub kind: Kind,
}

const fn number(unit: &'static str, [low, high]: [f64; 2], usual: [f64; 2]) -> Kind {
    Kind::Number { unit, low, high, usual }
}

/// Choices written as key and label
macro_rules! choices {
    ($($key:literal $label:literal),*) => { &[$(Choice { key: $key, label: $label }),*] };
}

const MECHANISM: &[Choice] = choices!["primary" "primary", "secondary" "secondary",
    "secondary_atrial" "atrial secondary", "secondary_ventricular" "ventricular secondary", "mixed" "mixed"];
const SETTING: &[Choice] = choices!["chronic" "chronic", "acute" "acute",
    "after_repair" "residual after edge-to-edge repair"];
const FLOW: &[Choice] = choices!["normal" "normal flow", "low" "low flow"];
const QUALITY: &[Choice] = choices!["good" "good", "limited" "limited", "poor" "poor"];
const LEAFLET: &[Choice] = choices!["normal" "normal", "minor" "mild abnormality",
    "moderate" "moderate abnormality or moderate tenting", "flail" "flail leaflet",
    "papillary_rupture" "ruptured papillary muscle", "severe_retraction" "severe retraction",
    "large_perforation" "large perforation", "severe_tenting" "severe tenting, poor coaptation"];
const ORIFICE: &[Choice] = choices!["round" "round", "elliptical" "elliptical or crescent-shaped"];
const JETS: &[Choice] = choices!["single" "one jet", "several" "several jets"];
const LEAK: &[Choice] = choices!["holosystolic" "holosystolic", "early" "early systole only",
    "mid" "mid-systole only", "late" "late systole only", "biphasic" "biphasic"];
const JET: &[Choice] = choices!["small_central" "small, narrow, central",
    "intermediate" "between small and large, central", "large_central" "large, central",
    "eccentric" "eccentric", "wall_impinging" "eccentric, wall-impinging"];
const CONVERGENCE: &[Choice] = choices!["absent" "not seen", "transient" "transient or small",
    "holosystolic" "throughout systole"];
const DENSITY: &[Choice] = choices!["faint" "faint", "dense" "dense"];
const CONTOUR: &[Choice] = choices!["partial" "partial (incomplete)", "parabolic" "parabolic",
    "triangular" "triangular"];
const VEINS: &[Choice] = choices!["systolic_dominant" "systolic dominance", "systolic_blunting" "systolic blunting",
    "minimal_systolic" "minimal or no systolic flow", "systolic_reversal" "systolic flow reversal"];
const INFLOW: &[Choice] =
    choices!["a_dominant" "A wave dominant", "neither" "neither", "e_dominant" "E wave dominant"];
const SIZE: &[Choice] = choices!["normal" "normal", "mildly_dilated" "mildly dilated", "dilated" "dilated"];
const FUNCTION: &[Choice] = choices!["normal" "normal", "reduced" "reduced"];

/// Writes the list of all items once: name, key, label, heading, origin of its error, form
macro_rules! items {
    ($($name:ident $key:literal $label:literal $group:ident $origin:ident $kind:expr;)*) => {
        /// One thing that can be known; its serialised name is its key in a file
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        #[serde(rename_all = "snake_case")]
        pub enum Item {
            $(#[doc = $label] $name,)*
        }

        impl Item {
            /// All of them, in the order they are offered
            pub const ALL: [Self; [$($key),*].len()] = [$(Self::$name),*];

            /// How a form shows it
            pub const fn field(self) -> Field {
                let (key, label, group, kind) = match self {
                    $(Self::$name => ($key, $label, Group::$group, $kind),)*
                };
                Field { item: self, key, label, group, kind }
            }

            pub(crate) const fn origin(self) -> Origin {
                match self {
                    $(Self::$name => Origin::$origin,)*
                }
            }
        }
    };
}

const LENGTH: [f64; 2] = [0.0, 40.0];
const AREA: [f64; 2] = [0.0, 500.0];
const VOLUME: [f64; 2] = [0.0, 500.0];
const SHARE: [f64; 2] = [0.0, 100.0];

// The area of the volume and the width share the colour.
#[rustfmt::skip]
items! {
    Mechanism "mechanism" "Mechanism" Setting Setting Kind::Choice(MECHANISM);
    Setting "setting" "Course" Setting Setting Kind::Choice(SETTING);
    Flow "flow" "Flow state" Setting Setting Kind::Choice(FLOW);
    DataQuality "data_quality" "Quality of the data entered" Setting Setting Kind::Choice(QUALITY);
    Leaflet "leaflet" "Mitral leaflets" Setting Leaflet Kind::Choice(LEAFLET);
    Orifice "orifice" "Shape of the orifice" Setting Setting Kind::Choice(ORIFICE);
    Jets "jets" "Number of jets" Setting Setting Kind::Choice(JETS);
    Leak "leak" "Regurgitation in systole" Setting Setting Kind::Choice(LEAK);
    VcWidthMm "vc_width_mm" "VC width, one view" Colour Colour number("mm", LENGTH, [1.5, 25.0]);
    VcWidthBiplaneMm "vc_width_biplane_mm" "VC width, biplane" Colour Colour number("mm", LENGTH, [1.5, 25.0]);
    Jet "jet" "Colour jet" Colour Colour Kind::Choice(JET);
    JetAreaPercent "jet_area_percent" "Jet area over left atrium" Colour Colour number("%", SHARE, [2.0, 100.0]);
    Convergence "convergence" "Flow convergence" Convergence Convergence Kind::Choice(CONVERGENCE);
    ConvergenceRadiusMm "convergence_radius_mm" "Flow convergence radius" Convergence Convergence
        number("mm", LENGTH, [1.8, 25.0]);
    ConvergenceNyquistCmS "convergence_nyquist_cm_s" "Aliasing velocity of that radius" Convergence Convergence
        number("cm/s", [5.0, 150.0], [8.0, 120.0]);
    PisaEroaMm2 "pisa_eroa_mm2" "EROA by PISA" Convergence Convergence number("mm²", AREA, [3.0, 250.0]);
    PisaRegurgitantVolumeMl "pisa_regurgitant_volume_ml" "Regurgitant volume by PISA" Convergence Convergence
        number("ml", VOLUME, [2.0, 300.0]);
    RegurgitantVolumeMl "regurgitant_volume_ml" "Regurgitant volume" Volumes Volumetric
        number("ml", VOLUME, [2.0, 300.0]);
    RegurgitantFractionPercent "regurgitant_fraction_percent" "Regurgitant fraction" Volumes Volumetric
        number("%", SHARE, [2.0, 95.0]);
    CwDensity "cw_density" "CW signal density" ContinuousWave ContinuousWave Kind::Choice(DENSITY);
    CwContour "cw_contour" "CW signal contour" ContinuousWave ContinuousWave Kind::Choice(CONTOUR);
    CwPeakMS "cw_peak_m_s" "CW peak velocity" ContinuousWave ContinuousWave number("m/s", [0.5, 9.0], [1.5, 8.0]);
    CwVtiCm "cw_vti_cm" "CW velocity-time integral" ContinuousWave ContinuousWave
        number("cm", [5.0, 500.0], [20.0, 400.0]);
    PulmonaryVeinFlow "pulmonary_vein_flow" "Pulmonary vein flow" Inflow Veins Kind::Choice(VEINS);
    Inflow "inflow" "Mitral inflow" Inflow Inflow Kind::Choice(INFLOW);
    EWaveMS "e_wave_m_s" "Peak E-wave velocity" Inflow Inflow number("m/s", [0.0, 4.0], [0.2, 3.0]);
    VtiRatio "vti_ratio" "VTI mitral inflow over LVOT" Inflow Inflow number("", [0.0, 10.0], [0.2, 6.0]);
    LvSize "lv_size" "Left ventricle" Chambers Chambers Kind::Choice(SIZE);
    LvFunction "lv_function" "LV function" Chambers Chambers Kind::Choice(FUNCTION);
    LaSize "la_size" "Left atrium" Chambers Chambers Kind::Choice(SIZE);
    LvEndSystolicDiameterMm "lv_end_systolic_diameter_mm" "LV end-systolic diameter" Chambers Chambers
        number("mm", [5.0, 120.0], [12.0, 100.0]);
    LvEjectionFractionPercent "lv_ejection_fraction_percent" "LV ejection fraction" Chambers Chambers
        number("%", SHARE, [5.0, 90.0]);
    LaDiameterMm "la_diameter_mm" "Left atrial diameter" Chambers Chambers number("mm", [5.0, 150.0], [15.0, 120.0]);
    LaVolumeIndexMlM2 "la_volume_index_ml_m2" "Left atrial volume index" Chambers Chambers
        number("ml/m²", [1.0, 400.0], [8.0, 250.0]);
    VcaMm2 "vca_mm2" "VC area in 3D, effective" Colour Colour number("mm²", AREA, [3.0, 300.0]);
    DisplayedAreaMm2 "displayed_area_mm2" "VC area in 3D, displayed" Colour Colour number("mm²", AREA, [3.0, 400.0]);
}

impl Item {
    /// Its key in a file
    pub const fn key(self) -> &'static str {
        self.field().key
    }

    /// Its name as shown
    pub const fn label(self) -> &'static str {
        self.field().label
    }

    /// The item of a key
    pub fn of_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|item| item.key() == key)
    }

    /// Whether a reader can enter it; the rest only the volume can supply
    pub fn is_entered(self) -> bool {
        !matches!(self, Self::VcaMm2 | Self::DisplayedAreaMm2)
    }

    /// The unit of a number; empty for a choice and for a ratio
    pub const fn unit(self) -> &'static str {
        match self.field().kind {
            Kind::Number { unit, .. } => unit,
            Kind::Choice(_) => "",
        }
    }

    /// The choice of a key, where the item is a choice
    pub fn choice(self, key: &str) -> Option<Choice> {
        match self.field().kind {
            Kind::Number { .. } => None,
            Kind::Choice(choices) => choices.iter().copied().find(|choice| choice.key == key),
        }
    }

    /// Whether it is an area, told in the unit that the reader chose
    pub fn is_area(self) -> bool {
        self.unit() == "mm²"
    }

    /// A value of this item in words, with its own unit
    pub fn words(self, value: f64) -> String {
        let unit = self.unit();
        let decimals = match unit {
            "m/s" => 2,
            "mm" | "mm²" | "" => 1,
            _ => 0,
        };
        let text = number_words(value, decimals);
        if unit.is_empty() { text } else { format!("{text} {unit}") }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn keys_are_the_serialised_names_and_unique() {
        let mut seen = BTreeSet::new();
        for item in Item::ALL {
            assert_eq!(serde_json::to_value(item).unwrap(), item.key(), "{item:?}");
            assert_eq!(Item::of_key(item.key()), Some(item));
            assert!(seen.insert(item.key()) && !item.label().is_empty());
            match item.field().kind {
                Kind::Number { low, high, usual: [a, b], .. } => {
                    assert!(0.0 <= low && low < a && a < b && b <= high, "{item:?}");
                }
                Kind::Choice(choices) => {
                    let keys: BTreeSet<&str> = choices.iter().map(|choice| choice.key).collect();
                    assert!(keys.len() == choices.len() && choices.len() > 1);
                    assert_eq!(item.choice(choices[1].key), Some(choices[1]));
                }
            }
        }
        let mut sorted = Item::ALL;
        sorted.sort();
        assert_eq!(sorted, Item::ALL, "the order of the list is the order of the enum");
    }

    #[test]
    fn numbers_read_as_typed_or_rounded() {
        assert_eq!(Item::VcWidthMm.words(7.0), "7 mm");
        assert_eq!(Item::PisaEroaMm2.words(39.95), "39.95 mm²");
        assert_eq!(Item::VcaMm2.words(41.248_12), "41.2 mm²");
        assert_eq!(Item::EWaveMS.words(1.2), "1.2 m/s");
        assert_eq!(Item::VtiRatio.words(1.4), "1.4");
        assert_eq!(Item::RegurgitantVolumeMl.words(45.0), "45 ml");
        // Measured: that its third decimal is a zero is chance.
        assert_eq!(Item::RegurgitantVolumeMl.words(38.229_912), "38 ml");
    }
}
