//! What can be known about a regurgitation: every quantity and sign, with its unit and its range.
//!
//! One list serves the evidence file, the criteria files, the viewer's form and the schema, so that
//! a name means one thing everywhere. Each number has two ranges: the usual one, outside of which a
//! number without its unit is queried, and the widest that can be meant at all; and the error of its
//! method. The ranges are common practice, no source.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::typed::number_words;

/// One thing that can be known; its serialised name is its key in a file
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Item {
    /// Primary or secondary
    Mechanism,
    /// Chronic or acute
    Setting,
    /// Forward flow state
    Flow,
    /// How good the other data are
    DataQuality,
    /// What is wrong with the leaflets
    Leaflet,
    /// Round or elliptical orifice
    Orifice,
    /// One jet or several
    Jets,
    /// When in systole it leaks
    Leak,
    /// Vena contracta width on one view
    VcWidthMm,
    /// Mean of the widths on the apical two- and four-chamber views
    VcWidthBiplaneMm,
    /// Where the colour jet goes and how large it is
    Jet,
    /// Colour jet area as a share of the left atrium
    JetAreaPercent,
    /// Whether a flow convergence is seen
    Convergence,
    /// Radius of the flow convergence
    ConvergenceRadiusMm,
    /// Aliasing velocity at which the radius was measured
    ConvergenceNyquistCmS,
    /// Effective regurgitant orifice area by PISA
    PisaEroaMm2,
    /// Regurgitant volume by PISA
    PisaRegurgitantVolumeMl,
    /// Regurgitant volume by a volumetric method
    RegurgitantVolumeMl,
    /// Regurgitant fraction
    RegurgitantFractionPercent,
    /// Density of the CW Doppler signal
    CwDensity,
    /// Contour of the CW Doppler signal
    CwContour,
    /// Peak velocity of the regurgitant jet on CW Doppler
    CwPeakMS,
    /// Velocity-time integral of the regurgitant jet on CW Doppler
    CwVtiCm,
    /// Pulmonary vein flow
    PulmonaryVeinFlow,
    /// Pattern of mitral inflow
    Inflow,
    /// Peak E-wave velocity
    EWaveMS,
    /// Mitral inflow over outflow tract velocity-time integral, pulsed wave
    VtiRatio,
    /// Size of the left ventricle
    LvSize,
    /// Function of the left ventricle
    LvFunction,
    /// Size of the left atrium
    LaSize,
    /// Left ventricular end-systolic diameter
    LvEndSystolicDiameterMm,
    /// Left ventricular ejection fraction
    LvEjectionFractionPercent,
    /// Left atrial diameter
    LaDiameterMm,
    /// Left atrial volume over body surface
    LaVolumeIndexMlM2,
    /// Effective vena contracta area: measured in the volume, never typed
    VcaMm2,
    /// Displayed vena contracta area, as a careful reader traces it: measured in the volume, never typed
    DisplayedAreaMm2,
}

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

const fn choice(key: &'static str, label: &'static str) -> Choice {
    Choice { key, label }
}

const fn number(unit: &'static str, [low, high]: [f64; 2], usual: [f64; 2]) -> Kind {
    Kind::Number { unit, low, high, usual }
}

const MECHANISM: &[Choice] = &[
    choice("primary", "primary"),
    choice("secondary", "secondary"),
    choice("secondary_atrial", "atrial secondary"),
    choice("secondary_ventricular", "ventricular secondary"),
    choice("mixed", "mixed"),
];
const SETTING: &[Choice] = &[
    choice("chronic", "chronic"),
    choice("acute", "acute"),
    choice("after_repair", "residual after edge-to-edge repair"),
];
const FLOW: &[Choice] = &[choice("normal", "normal flow"), choice("low", "low flow")];
const QUALITY: &[Choice] = &[choice("good", "good"), choice("limited", "limited"), choice("poor", "poor")];
const LEAFLET: &[Choice] = &[
    choice("normal", "normal"),
    choice("minor", "mild abnormality"),
    choice("moderate", "moderate abnormality or moderate tenting"),
    choice("flail", "flail leaflet"),
    choice("papillary_rupture", "ruptured papillary muscle"),
    choice("severe_retraction", "severe retraction"),
    choice("large_perforation", "large perforation"),
    choice("severe_tenting", "severe tenting, poor coaptation"),
];
const ORIFICE: &[Choice] = &[choice("round", "round"), choice("elliptical", "elliptical or crescent-shaped")];
const JETS: &[Choice] = &[choice("single", "one jet"), choice("several", "several jets")];
const LEAK: &[Choice] = &[
    choice("holosystolic", "holosystolic"),
    choice("early", "early systole only"),
    choice("mid", "mid-systole only"),
    choice("late", "late systole only"),
    choice("biphasic", "biphasic"),
];
const JET: &[Choice] = &[
    choice("small_central", "small, narrow, central"),
    choice("intermediate", "between small and large, central"),
    choice("large_central", "large, central"),
    choice("eccentric", "eccentric"),
    choice("wall_impinging", "eccentric, wall-impinging"),
];
const CONVERGENCE: &[Choice] = &[
    choice("absent", "not seen"),
    choice("transient", "transient or small"),
    choice("holosystolic", "throughout systole"),
];
const DENSITY: &[Choice] = &[choice("faint", "faint"), choice("dense", "dense")];
const CONTOUR: &[Choice] = &[
    choice("partial", "partial (incomplete)"),
    choice("parabolic", "parabolic"),
    choice("triangular", "triangular"),
];
const VEINS: &[Choice] = &[
    choice("systolic_dominant", "systolic dominance"),
    choice("systolic_blunting", "systolic blunting"),
    choice("minimal_systolic", "minimal or no systolic flow"),
    choice("systolic_reversal", "systolic flow reversal"),
];
const INFLOW: &[Choice] = &[
    choice("a_dominant", "A wave dominant"),
    choice("neither", "neither"),
    choice("e_dominant", "E wave dominant"),
];
const SIZE: &[Choice] =
    &[choice("normal", "normal"), choice("mildly_dilated", "mildly dilated"), choice("dilated", "dilated")];
const FUNCTION: &[Choice] = &[choice("normal", "normal"), choice("reduced", "reduced")];

impl Item {
    /// All of them, in the order they are offered
    pub const ALL: [Self; 36] = [
        Self::Mechanism,
        Self::Setting,
        Self::Flow,
        Self::DataQuality,
        Self::Leaflet,
        Self::Orifice,
        Self::Jets,
        Self::Leak,
        Self::VcWidthMm,
        Self::VcWidthBiplaneMm,
        Self::Jet,
        Self::JetAreaPercent,
        Self::Convergence,
        Self::ConvergenceRadiusMm,
        Self::ConvergenceNyquistCmS,
        Self::PisaEroaMm2,
        Self::PisaRegurgitantVolumeMl,
        Self::RegurgitantVolumeMl,
        Self::RegurgitantFractionPercent,
        Self::CwDensity,
        Self::CwContour,
        Self::CwPeakMS,
        Self::CwVtiCm,
        Self::PulmonaryVeinFlow,
        Self::Inflow,
        Self::EWaveMS,
        Self::VtiRatio,
        Self::LvSize,
        Self::LvFunction,
        Self::LaSize,
        Self::LvEndSystolicDiameterMm,
        Self::LvEjectionFractionPercent,
        Self::LaDiameterMm,
        Self::LaVolumeIndexMlM2,
        Self::VcaMm2,
        Self::DisplayedAreaMm2,
    ];

    /// How a form shows it
    pub const fn field(self) -> Field {
        use Group as G;
        const LENGTH: [f64; 2] = [0.0, 40.0];
        const AREA: [f64; 2] = [0.0, 500.0];
        const VOLUME: [f64; 2] = [0.0, 500.0];
        const SHARE: [f64; 2] = [0.0, 100.0];
        let (key, label, group, kind) = match self {
            Self::Mechanism => ("mechanism", "Mechanism", G::Setting, Kind::Choice(MECHANISM)),
            Self::Setting => ("setting", "Course", G::Setting, Kind::Choice(SETTING)),
            Self::Flow => ("flow", "Flow state", G::Setting, Kind::Choice(FLOW)),
            Self::DataQuality => {
                ("data_quality", "Quality of the data entered", G::Setting, Kind::Choice(QUALITY))
            }
            Self::Leaflet => ("leaflet", "Mitral leaflets", G::Setting, Kind::Choice(LEAFLET)),
            Self::Orifice => ("orifice", "Shape of the orifice", G::Setting, Kind::Choice(ORIFICE)),
            Self::Jets => ("jets", "Number of jets", G::Setting, Kind::Choice(JETS)),
            Self::Leak => ("leak", "Regurgitation in systole", G::Setting, Kind::Choice(LEAK)),
            Self::VcWidthMm => {
                ("vc_width_mm", "VC width, one view", G::Colour, number("mm", LENGTH, [1.5, 25.0]))
            }
            Self::VcWidthBiplaneMm => {
                ("vc_width_biplane_mm", "VC width, biplane", G::Colour, number("mm", LENGTH, [1.5, 25.0]))
            }
            Self::Jet => ("jet", "Colour jet", G::Colour, Kind::Choice(JET)),
            Self::JetAreaPercent => {
                ("jet_area_percent", "Jet area over left atrium", G::Colour, number("%", SHARE, [2.0, 100.0]))
            }
            Self::Convergence => {
                ("convergence", "Flow convergence", G::Convergence, Kind::Choice(CONVERGENCE))
            }
            Self::ConvergenceRadiusMm => (
                "convergence_radius_mm",
                "Flow convergence radius",
                G::Convergence,
                number("mm", LENGTH, [1.8, 25.0]),
            ),
            Self::ConvergenceNyquistCmS => (
                "convergence_nyquist_cm_s",
                "Aliasing velocity of that radius",
                G::Convergence,
                number("cm/s", [5.0, 150.0], [8.0, 120.0]),
            ),
            Self::PisaEroaMm2 => {
                ("pisa_eroa_mm2", "EROA by PISA", G::Convergence, number("mm²", AREA, [3.0, 250.0]))
            }
            Self::PisaRegurgitantVolumeMl => (
                "pisa_regurgitant_volume_ml",
                "Regurgitant volume by PISA",
                G::Convergence,
                number("ml", VOLUME, [2.0, 300.0]),
            ),
            Self::RegurgitantVolumeMl => (
                "regurgitant_volume_ml",
                "Regurgitant volume",
                G::Volumes,
                number("ml", VOLUME, [2.0, 300.0]),
            ),
            Self::RegurgitantFractionPercent => (
                "regurgitant_fraction_percent",
                "Regurgitant fraction",
                G::Volumes,
                number("%", SHARE, [2.0, 95.0]),
            ),
            Self::CwDensity => ("cw_density", "CW signal density", G::ContinuousWave, Kind::Choice(DENSITY)),
            Self::CwContour => ("cw_contour", "CW signal contour", G::ContinuousWave, Kind::Choice(CONTOUR)),
            Self::CwPeakMS => {
                ("cw_peak_m_s", "CW peak velocity", G::ContinuousWave, number("m/s", [0.5, 9.0], [1.5, 8.0]))
            }
            Self::CwVtiCm => (
                "cw_vti_cm",
                "CW velocity-time integral",
                G::ContinuousWave,
                number("cm", [5.0, 500.0], [20.0, 400.0]),
            ),
            Self::PulmonaryVeinFlow => {
                ("pulmonary_vein_flow", "Pulmonary vein flow", G::Inflow, Kind::Choice(VEINS))
            }
            Self::Inflow => ("inflow", "Mitral inflow", G::Inflow, Kind::Choice(INFLOW)),
            Self::EWaveMS => {
                ("e_wave_m_s", "Peak E-wave velocity", G::Inflow, number("m/s", [0.0, 4.0], [0.2, 3.0]))
            }
            Self::VtiRatio => {
                ("vti_ratio", "VTI mitral inflow over LVOT", G::Inflow, number("", [0.0, 10.0], [0.2, 6.0]))
            }
            Self::LvSize => ("lv_size", "Left ventricle", G::Chambers, Kind::Choice(SIZE)),
            Self::LvFunction => ("lv_function", "LV function", G::Chambers, Kind::Choice(FUNCTION)),
            Self::LaSize => ("la_size", "Left atrium", G::Chambers, Kind::Choice(SIZE)),
            Self::LvEndSystolicDiameterMm => (
                "lv_end_systolic_diameter_mm",
                "LV end-systolic diameter",
                G::Chambers,
                number("mm", [5.0, 120.0], [12.0, 100.0]),
            ),
            Self::LvEjectionFractionPercent => (
                "lv_ejection_fraction_percent",
                "LV ejection fraction",
                G::Chambers,
                number("%", SHARE, [5.0, 90.0]),
            ),
            Self::LaDiameterMm => (
                "la_diameter_mm",
                "Left atrial diameter",
                G::Chambers,
                number("mm", [5.0, 150.0], [15.0, 120.0]),
            ),
            Self::LaVolumeIndexMlM2 => (
                "la_volume_index_ml_m2",
                "Left atrial volume index",
                G::Chambers,
                number("ml/m²", [1.0, 400.0], [8.0, 250.0]),
            ),
            Self::VcaMm2 => {
                ("vca_mm2", "VC area in 3D, effective", G::Colour, number("mm²", AREA, [3.0, 300.0]))
            }
            Self::DisplayedAreaMm2 => (
                "displayed_area_mm2",
                "VC area in 3D, displayed",
                G::Colour,
                number("mm²", AREA, [3.0, 400.0]),
            ),
        };
        Field { item: self, key, label, group, kind }
    }

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

    pub(crate) const fn origin(self) -> Origin {
        match self {
            Self::Mechanism
            | Self::Setting
            | Self::Flow
            | Self::DataQuality
            | Self::Orifice
            | Self::Jets
            | Self::Leak => Origin::Setting,
            Self::Leaflet => Origin::Leaflet,
            // The area of the volume and the width share the colour.
            Self::VcWidthMm
            | Self::VcWidthBiplaneMm
            | Self::Jet
            | Self::JetAreaPercent
            | Self::VcaMm2
            | Self::DisplayedAreaMm2 => Origin::Colour,
            Self::Convergence
            | Self::ConvergenceRadiusMm
            | Self::ConvergenceNyquistCmS
            | Self::PisaEroaMm2
            | Self::PisaRegurgitantVolumeMl => Origin::Convergence,
            Self::RegurgitantVolumeMl | Self::RegurgitantFractionPercent => Origin::Volumetric,
            Self::CwDensity | Self::CwContour | Self::CwPeakMS | Self::CwVtiCm => Origin::ContinuousWave,
            Self::PulmonaryVeinFlow => Origin::Veins,
            Self::Inflow | Self::EWaveMS | Self::VtiRatio => Origin::Inflow,
            Self::LvSize
            | Self::LvFunction
            | Self::LaSize
            | Self::LvEndSystolicDiameterMm
            | Self::LvEjectionFractionPercent
            | Self::LaDiameterMm
            | Self::LaVolumeIndexMlM2 => Origin::Chambers,
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
    }
}
