//! How well each quantity is known.

use super::item::Item;

/// How well a quantity is known, as standard deviations: of one measurement repeated, where the reader
/// states no error, and of the method against other methods, which repeating does not show
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Spread {
    /// Parts of the value, taken at the cut point in question
    Parts(f64, f64),
    /// In the item's own unit
    Units(f64, f64),
}

impl Spread {
    /// Standard deviation of the whole error at a cut point, with the stated error of the measurement if any
    pub(crate) fn at(self, cut: f64, stated: Option<f64>) -> f64 {
        let (own, method) = match self {
            Self::Parts(own, method) => (own * cut, method * cut),
            Self::Units(own, method) => (own, method),
        };
        libm::hypot(stated.unwrap_or(own), method)
    }

    /// The error taken where none is stated, at 95 %, in words
    pub(crate) fn words(self, unit: &str) -> String {
        match self {
            Self::Parts(own, _) => format!("± {:.0} %", 196.0 * own),
            Self::Units(own, _) => format!("± {} {unit}", (19.6 * own).round() / 10.0).trim_end().to_owned(),
        }
    }
}

impl Item {
    /// How well this is known; `None` for a choice and for what is held against no cut point
    ///
    /// Sources. EROA and volume by PISA: against planimetry by magnetic resonance 47 ± 24 and 42 ± 16 mm2
    /// at r = 0.76 (Cardiovasc Ultrasound 2013;11:46, 38 patients), that is a standard deviation of the
    /// difference of 15.7 mm2 or 35 %, which shared between both is 25 %: 15 % of one measurement repeated and
    /// 20 % of the method (the split is our own choice). Volumetric volume: against magnetic resonance 2 SD of
    /// 63 ml at a mean of 68 ml, PISA 60 ml (Son and others, J Cardiovasc Ultrasound 2013;21:81), so no better.
    /// Areas of the volume: against volumetric Doppler 4 ± 6 mm2 (Yosefy and others, Am J Cardiol 2009), about
    /// 15 % of 40 mm2. E wave, widths, radius, chambers and the fraction: our own choice; the radius is that
    /// of the textbook's 9 ± 1 mm.
    pub(crate) const fn spread(self) -> Option<Spread> {
        Some(match self {
            Self::VcWidthMm | Self::VcWidthBiplaneMm => Spread::Units(0.5, 0.8),
            Self::ConvergenceRadiusMm => Spread::Units(0.5, 0.5),
            Self::JetAreaPercent => Spread::Units(5.0, 10.0),
            Self::PisaEroaMm2 | Self::PisaRegurgitantVolumeMl | Self::RegurgitantVolumeMl => {
                Spread::Parts(0.15, 0.2)
            }
            Self::RegurgitantFractionPercent => Spread::Units(4.0, 6.0),
            Self::VcaMm2 | Self::DisplayedAreaMm2 => Spread::Parts(0.15, 0.15),
            Self::EWaveMS => Spread::Units(0.08, 0.1),
            Self::VtiRatio | Self::LaVolumeIndexMlM2 => Spread::Parts(0.1, 0.1),
            Self::LvEndSystolicDiameterMm | Self::LaDiameterMm => Spread::Units(2.0, 2.0),
            _ => return None,
        })
    }

}
