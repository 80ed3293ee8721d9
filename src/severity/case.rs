//! The case: every reading of every item, and what bends it.
//!
//! A caveat never changes a number. It opens an end: the width of a crescent is a lower bound, a
//! late leak's peak area an upper one. Conditions and grades are then asked on the opened range, so that
//! a bent measurement cannot count where it must not.

use super::evidence::Evidence;
use super::item::Item;
use super::own::{Own, WidthFit};
use super::rule::Facts;
use super::weighing::{By, Reach};
use crate::beat::Pattern;
use crate::numeric::Interval;
use crate::planimetry::ShapeClass;
use crate::trust::Verdict;

/// One number for one item
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reading {
    pub(crate) item: Item,
    pub(crate) by: By,
    pub(crate) value: Interval,
    pub(crate) reach: Reach,
    /// Left out of the weighing where the acquisition is unfit
    pub(crate) used: bool,
}

impl Reading {
    /// The lowest and highest that the truth can be
    pub(crate) fn range(&self) -> (f64, f64) {
        let open_below = matches!(self.reach, Reach::AtMost | Reach::Either);
        let open_above = matches!(self.reach, Reach::AtLeast | Reach::Either);
        (
            if open_below { f64::NEG_INFINITY } else { self.value.low },
            if open_above { f64::INFINITY } else { self.value.high },
        )
    }
}

/// What is known, and what bends it
#[derive(Debug)]
pub(crate) struct Case<'a> {
    pub(crate) evidence: &'a Evidence,
    pub(crate) own: &'a Own,
    pub(crate) readings: Vec<Reading>,
    /// Whether the volume takes part
    pub(crate) volume_used: bool,
}

impl<'a> Case<'a> {
    pub(crate) fn new(evidence: &'a Evidence, own: &'a Own) -> Self {
        let volume_used = own.trust != Verdict::Unfit;
        let mut case = Self { evidence, own, readings: Vec::new(), volume_used };
        let mut found: Vec<(Item, By, Interval)> = Vec::new();
        let sane = |value: &Interval| value.value.is_finite() && value.low <= value.high;
        let volume = [
            (Item::VcaMm2, own.vca_mm2),
            (Item::RegurgitantVolumeMl, own.regurgitant_volume_ml),
            (Item::VcWidthMm, own.width_mm),
        ];
        for (item, value) in volume {
            found.extend(value.filter(sane).map(|value| (item, By::Volume, value)));
        }
        for item in Item::ALL {
            if let Some(value) = evidence.number(item) {
                found.push((item, By::Reader, value));
            }
        }
        if evidence.number(Item::PisaEroaMm2).is_none()
            && let Some(value) = case.pisa_eroa()
        {
            found.push((Item::PisaEroaMm2, By::Computed, value));
        }
        case.readings = found
            .into_iter()
            .map(|(item, by, value)| {
                let reach = case.reach(item, by);
                Reading { item, by, value, reach, used: by != By::Volume || volume_used }
            })
            .collect();
        case
    }

    /// EROA from the radius, its aliasing velocity and the CW peak: `2 pi r^2 v / V` (the hemisphere;
    /// DICOM PS3.16, CID 12231, code 125216), its ends from the ends of all three
    fn pisa_eroa(&self) -> Option<Interval> {
        let radius = self.evidence.number(Item::ConvergenceRadiusMm)?;
        let aliasing = self.evidence.number(Item::ConvergenceNyquistCmS)?;
        let peak = self.evidence.number(Item::CwPeakMS)?;
        let eroa = |r: f64, v: f64, top: f64| 2.0 * std::f64::consts::PI * r * r * (v / 100.0) / top;
        Some(Interval {
            value: eroa(radius.value, aliasing.value, peak.value),
            low: eroa(radius.low, aliasing.low, peak.high),
            high: eroa(radius.high, aliasing.high, peak.low),
        })
    }

    /// The leak in time, by key: the reader's word, else the volume's
    pub(crate) fn leak(&self) -> Option<&str> {
        self.evidence.choice(Item::Leak).or_else(|| {
            if !self.volume_used {
                return None;
            }
            match self.own.pattern {
                Pattern::Holosystolic => Some("holosystolic"),
                Pattern::Early => Some("early"),
                Pattern::Mid => Some("mid"),
                Pattern::Late => Some("late"),
                Pattern::Biphasic => Some("biphasic"),
                Pattern::Unknown => None,
            }
        })
    }

    /// Whether it leaks in a part of systole only
    pub(crate) fn is_short(&self) -> bool {
        matches!(self.leak(), Some("early" | "mid" | "late"))
    }

    /// Whether there are several jets
    pub(crate) fn has_several_jets(&self) -> bool {
        self.choice(Item::Jets) == Some("several")
    }

    /// Whether the forward flow is low
    pub(crate) fn is_low_flow(&self) -> bool {
        self.evidence.choice(Item::Flow) == Some("low")
    }

    /// Whether the regurgitation is acute
    pub(crate) fn is_acute(&self) -> bool {
        self.evidence.choice(Item::Setting) == Some("acute")
    }

    /// Whether one width or one radius understates the orifice
    pub(crate) fn is_wider_than_it_looks(&self) -> bool {
        match self.evidence.choice(Item::Orifice) {
            Some(shape) => shape == "elliptical",
            None => self.volume_used && self.own.width_fit == WidthFit::TooSmall,
        }
    }

    fn reach(&self, item: Item, by: By) -> Reach {
        use Item::{
            ConvergenceRadiusMm, PisaEroaMm2, PisaRegurgitantVolumeMl, RegurgitantVolumeMl, VcWidthBiplaneMm,
            VcWidthMm, VcaMm2,
        };
        let mut at_least = false;
        let mut at_most = false;
        // One frame, or one frame times the whole integral, overstates a short leak (Zoghbi 2017, from
        // memory). The area of the peak frame overstates a biphasic one too: closed form.
        if self.is_short() {
            at_most |= matches!(
                item,
                VcWidthMm
                    | VcWidthBiplaneMm
                    | ConvergenceRadiusMm
                    | PisaEroaMm2
                    | PisaRegurgitantVolumeMl
                    | VcaMm2
            );
        }
        if self.leak() == Some("biphasic") {
            at_most |= item == VcaMm2;
        }
        // What sees one jet of several understates (Zoghbi 2017, from memory).
        if self.has_several_jets() {
            at_least |= matches!(
                item,
                VcWidthMm | VcWidthBiplaneMm | ConvergenceRadiusMm | PisaEroaMm2 | PisaRegurgitantVolumeMl
            );
        }
        // One width and one radius understate an elliptical orifice (Zoghbi 2017, from memory).
        let own_width = item == VcWidthMm && by == By::Volume;
        if own_width {
            at_least |= self.own.width_fit == WidthFit::TooSmall;
            at_most |= self.own.width_fit == WidthFit::TooLarge;
        } else if self.is_wider_than_it_looks() {
            at_least |= matches!(item, VcWidthMm | ConvergenceRadiusMm);
        }
        // The volume may be low although the leak is severe (Zoghbi 2017, from memory).
        if self.is_low_flow() {
            at_least |= matches!(item, RegurgitantVolumeMl | PisaRegurgitantVolumeMl);
        }
        if item == VcaMm2 && by == By::Volume && !self.own.whole {
            at_least = true;
        }
        match (at_least, at_most) {
            (false, false) => Reach::Exact,
            (true, false) => Reach::AtLeast,
            (false, true) => Reach::AtMost,
            (true, true) => Reach::Either,
        }
    }

    /// What bends the measurements, a sentence each
    pub(crate) fn caveats(&self) -> Vec<String> {
        let mut caveats = Vec::new();
        if self.is_short() {
            caveats.push(
                "The leak is not holosystolic: width, radius, EROA and peak area are taken as upper bounds; \
                 volume and fraction decide."
                    .to_owned(),
            );
        }
        if self.leak() == Some("biphasic") {
            caveats.push(
                "The leak is biphasic: the area of its peak frame is taken as an upper bound, and an EROA of \
                 one frame may lie on either side."
                    .to_owned(),
            );
        }
        if self.has_several_jets() {
            caveats.push(
                "There are several jets: their areas are added, their widths are not. Width, radius and EROA of \
                 one jet are taken as lower bounds."
                    .to_owned(),
            );
        }
        if self.is_wider_than_it_looks() {
            caveats.push(
                "The orifice is not round: one width and one radius are taken as lower bounds and cannot speak \
                 for mild."
                    .to_owned(),
            );
        }
        if self.volume_used && self.own.width_fit == WidthFit::TooLarge {
            caveats.push(
                "The long-axis width implies more than the area: it is taken as an upper bound.".to_owned(),
            );
        }
        if self.is_low_flow() {
            caveats.push(
                "Flow is low: the regurgitant volume is taken as a lower bound and cannot speak against severe."
                    .to_owned(),
            );
        }
        if self.volume_used && self.own.vca_mm2.is_some() && !self.own.whole {
            caveats.push("The border of the volume cuts a jet: its area is a lower bound.".to_owned());
        }
        caveats
    }

    /// The first reading of an item that is used, the reader's before the volume's
    pub(crate) fn best(&self, item: Item) -> Option<&Reading> {
        self.readings.iter().filter(|reading| reading.item == item && reading.used).min_by_key(|reading| {
            match reading.by {
                By::Reader => 0,
                By::Computed => 1,
                By::Volume => 2,
            }
        })
    }
}

impl Facts for Case<'_> {
    fn number(&self, item: Item) -> Option<(f64, f64)> {
        self.best(item).map(Reading::range)
    }

    fn choice(&self, item: Item) -> Option<&str> {
        let entered = self.evidence.choice(item);
        // A radius that was measured belongs to a convergence that was seen, whatever its size.
        if item == Item::Convergence && entered.is_none() {
            let radius = self.evidence.number(Item::ConvergenceRadiusMm)?;
            return (radius.low > 0.0).then_some("seen");
        }
        if entered.is_some() || !self.volume_used {
            return entered;
        }
        match item {
            Item::Jets => match self.own.jets {
                0 => None,
                1 => Some("single"),
                _ => Some("several"),
            },
            Item::Leak => self.leak(),
            Item::Orifice => match self.own.shape? {
                ShapeClass::Round => Some("round"),
                ShapeClass::Elliptical | ShapeClass::Crescent => Some("elliptical"),
                ShapeClass::Irregular => None,
            },
            _ => None,
        }
    }
}
