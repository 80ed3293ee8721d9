//! The case: every reading of every item, and what limits it.
//!
//! A caveat never changes a number. It makes it a bound: the width of a crescent is a lower one, the peak
//! area of a late regurgitation an upper one. Conditions and grades are then asked on the opened range, so
//! that a bound cannot count where it must not.
//!
//! Conditions of a guideline are asked of what the reader entered, and of the value itself: a guideline
//! knows no errors. What the volume measured answers none of them. Where the reader does not say, only that there
//! are several jets and that the orifice is not round is taken from it: both make a class worse, never milder.
//! That the regurgitation is short would make it milder: of what the reader entered only the reader says that; the
//! volume's own areas, which lower no class, are bounded by what the volume says too.

use super::evidence::Evidence;
use super::grading::{By, Reach};
use super::item::{Item, Origin};
use super::own::Own;
use super::rule::Facts;
use super::typed::number_words;
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
    /// Excluded where the acquisition is unfit
    pub(crate) used: bool,
}

impl Reading {
    /// A measurement that might be made next
    pub(crate) fn next(item: Item, value: f64) -> Self {
        let value = Interval::exactly(value);
        Self { item, by: By::Reader, value, reach: Reach::Exact, used: true }
    }

    /// `6.2 mm (5.4 to 7)`, in its own unit
    pub(crate) fn words(&self) -> String {
        let Interval { value, low, high } = self.value;
        if low >= high {
            return self.item.words(value);
        }
        let unit = self.item.unit();
        let decimals = if unit == "m/s" { 2 } else { usize::from(unit.starts_with("mm")) };
        let (low, high) = (number_words(low, decimals), number_words(high, decimals));
        format!("{} ({low} to {high})", self.item.words(value))
    }

    /// Whose error it shares: all of the volume's rests on its colour
    pub(crate) fn origin(&self) -> Origin {
        if self.by == By::Volume { Origin::Colour } else { self.item.origin() }
    }

    /// The lowest and highest that the truth can be, given the lowest and highest that were measured
    pub(crate) fn opened(&self, low: f64, high: f64) -> (f64, f64) {
        let open_below = matches!(self.reach, Reach::AtMost | Reach::Either);
        let open_above = matches!(self.reach, Reach::AtLeast | Reach::Either);
        (if open_below { f64::NEG_INFINITY } else { low }, if open_above { f64::INFINITY } else { high })
    }
}

/// What is known, and what limits it
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
            (Item::DisplayedAreaMm2, own.displayed_mm2),
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

    /// What the volume says of a circumstance, by key
    pub(crate) fn volume_says(&self, item: Item) -> Option<&'static str> {
        if !self.volume_used {
            return None;
        }
        match item {
            Item::Jets => match self.own.jets {
                0 => None,
                1 => Some("single"),
                _ => Some("several"),
            },
            Item::Leak => match self.own.pattern {
                Pattern::Holosystolic => Some("holosystolic"),
                Pattern::Early => Some("early"),
                Pattern::Mid => Some("mid"),
                Pattern::Late => Some("late"),
                Pattern::Biphasic => Some("biphasic"),
                Pattern::Unknown => None,
            },
            Item::Orifice => match self.own.shape? {
                ShapeClass::Round => Some("round"),
                ShapeClass::Elliptical | ShapeClass::Crescent => Some("elliptical"),
                ShapeClass::Irregular => None,
            },
            _ => None,
        }
    }

    /// When in systole it regurgitates, as far as a reading is limited by it: what the volume says limits the
    /// volume's own readings, which lower no class, and nobody else's
    fn leak_for(&self, by: By) -> Option<&str> {
        self.choice(Item::Leak).or_else(|| self.volume_says(Item::Leak).filter(|_| by == By::Volume))
    }

    /// Whether it regurgitates in a part of systole only
    fn is_short(&self, by: By) -> bool {
        matches!(self.leak_for(by), Some("early" | "mid" | "late"))
    }

    fn is(&self, item: Item, key: &str) -> bool {
        self.choice(item) == Some(key)
    }

    /// Whether the guideline's count of criteria was made for this case: chronic regurgitation of a native valve
    pub(crate) fn is_chronic(&self) -> bool {
        !matches!(self.evidence.choice(Item::Setting), Some("acute" | "after_repair"))
    }

    fn reach(&self, item: Item, by: By) -> Reach {
        use Item::{
            ConvergenceRadiusMm, DisplayedAreaMm2, PisaEroaMm2, PisaRegurgitantVolumeMl, RegurgitantVolumeMl,
            VcWidthBiplaneMm, VcWidthMm, VcaMm2,
        };
        let area = matches!(item, VcaMm2 | DisplayedAreaMm2);
        let pisa = matches!(item, ConvergenceRadiusMm | PisaEroaMm2 | PisaRegurgitantVolumeMl);
        let width = matches!(item, VcWidthMm | VcWidthBiplaneMm);
        // One frame, or one frame times the whole integral, overstates a short regurgitation (Zoghbi 2017, from
        // memory). The area of the peak frame overstates a biphasic one too: closed form.
        let at_most =
            self.is_short(by) && (area || pisa || width) || self.leak_for(by) == Some("biphasic") && area;
        // What sees one jet of several, one width or radius of an elliptical orifice, and the volume in low
        // flow understate (Zoghbi 2017, from memory); so does an area that the border of the volume cuts.
        let at_least = self.is(Item::Jets, "several") && (pisa || width)
            || self.is(Item::Orifice, "elliptical") && matches!(item, ConvergenceRadiusMm | VcWidthMm)
            || self.is(Item::Flow, "low") && matches!(item, RegurgitantVolumeMl | PisaRegurgitantVolumeMl)
            || by == By::Volume && area && !self.own.whole;
        match (at_least, at_most) {
            (false, false) => Reach::Exact,
            (true, false) => Reach::AtLeast,
            (false, true) => Reach::AtMost,
            (true, true) => Reach::Either,
        }
    }

    /// The circumstance that makes a reading a bound, in words; `None` where it stands as it is
    pub(crate) fn limited_by(&self, reading: &Reading) -> Option<String> {
        let item = match reading.reach {
            Reach::Exact => return None,
            Reach::AtMost | Reach::Either => Item::Leak,
            Reach::AtLeast if reading.by == By::Volume && !self.own.whole => {
                return Some("the border of the volume cuts a jet".to_owned());
            }
            Reach::AtLeast if self.is(Item::Flow, "low") && !self.is(Item::Jets, "several") => Item::Flow,
            Reach::AtLeast => Item::Jets,
        };
        let key = if item == Item::Leak { self.leak_for(reading.by) } else { self.choice(item) };
        Some(item.choice(key?)?.label.to_owned())
    }

    /// What limits the measurements, a sentence each
    pub(crate) fn caveats(&self) -> Vec<String> {
        let said = [
            (
                self.is_short(By::Reader),
                "The regurgitation is not holosystolic: width, radius, EROA and peak area are upper bounds; \
                 volume and fraction decide.",
            ),
            (
                self.is(Item::Leak, "biphasic"),
                "The regurgitation is biphasic: the area of its peak frame is an upper bound, and an EROA of one \
                 frame may lie on either side.",
            ),
            (
                self.is(Item::Jets, "several"),
                "There are several jets: their areas are added, their widths are not. Width, radius and EROA of \
                 one jet are lower bounds.",
            ),
            (
                self.is(Item::Orifice, "elliptical"),
                "The orifice is not round: one width and one radius are lower bounds and cannot speak for mild; \
                 hemispheric PISA misses 27 % (Zeng 2011) to 29 % (Berdejo, secondary) of its EROA.",
            ),
            (
                self.is(Item::Flow, "low"),
                "Flow is low: the regurgitant volume is a lower bound and cannot speak against severe.",
            ),
            (
                self.volume_used && self.own.vca_mm2.is_some() && !self.own.whole,
                "The border of the volume cuts a jet: its area is a lower bound.",
            ),
        ];
        said.into_iter().filter(|(holds, _)| *holds).map(|(_, words)| words.to_owned()).collect()
    }

    /// The reading of an item that a guideline's steps ask about: the reader's before what was computed
    pub(crate) fn best(&self, item: Item) -> Option<&Reading> {
        let asked = |reading: &&Reading| reading.item == item && reading.by != By::Volume;
        self.readings.iter().find(asked)
    }
}

/// By the value itself: to the letter
impl Facts for Case<'_> {
    fn number(&self, item: Item) -> Option<(f64, f64)> {
        self.best(item).map(|reading| reading.opened(reading.value.value, reading.value.value))
    }

    fn choice(&self, item: Item) -> Option<&str> {
        let entered = self.evidence.choice(item);
        // A radius that was measured belongs to a convergence that was seen, whatever its size.
        if item == Item::Convergence && entered.is_none() {
            let radius = self.evidence.number(Item::ConvergenceRadiusMm)?;
            return (radius.low > 0.0).then_some("seen");
        }
        entered.or_else(|| self.volume_says(item).filter(|said| matches!(*said, "several" | "elliptical")))
    }
}

/// The same case asked over the whole 95 % intervals
pub(crate) struct WithErrors<'a>(pub(crate) &'a Case<'a>);

impl Facts for WithErrors<'_> {
    fn number(&self, item: Item) -> Option<(f64, f64)> {
        self.0.best(item).map(|reading| reading.opened(reading.value.low, reading.value.high))
    }

    fn choice(&self, item: Item) -> Option<&str> {
        self.0.choice(item)
    }
}
