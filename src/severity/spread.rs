//! How well each quantity is known.

use super::item::Item;

/// How well a quantity is known, as standard deviations: of one measurement repeated, where the reader
/// states no error, and of the method against other methods, which repeating does not show
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Spread {
    /// Parts of the value: without a stated error the value is log-normal
    Parts(f64, f64),
    /// In the item's own unit: normal
    Units(f64, f64),
}

impl Spread {
    /// How many standard deviations a value lies above a cut point, with the stated error of the measurement
    /// (its standard deviation) if any
    ///
    /// Where the error grows with the value, `sd(x) = sqrt(stated^2 + (method x)^2)`, both are carried to the scale on
    /// which it is 1 everywhere: the integral of `1 / sd`, which is `asinh(method x / stated) / method`, and without a
    /// stated error `ln(x) / part` (the variance-stabilising transformation).
    pub(crate) fn z(self, value: f64, cut: f64, stated: Option<f64>) -> f64 {
        match (self, stated) {
            (Self::Units(own, method), stated) => (value - cut) / libm::hypot(stated.unwrap_or(own), method),
            (Self::Parts(own, method), None) => {
                let part = libm::hypot(own, method);
                (libm::log(value.max(0.0)) - libm::log(cut)) / part
            }
            (Self::Parts(_, method), Some(stated)) => {
                let scale = |x: f64| libm::asinh(method * x / stated) / method;
                scale(value) - scale(cut)
            }
        }
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
