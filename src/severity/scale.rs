//! The common scale: 0 to 1 mild, 1 to 2 moderate, 2 to 3 severe.
//!
//! Straight lines run between a measure's cut points: nothing at 0, the cut from mild to moderate
//! at 1, the cut between grades II and III at 1.5, the cut to severe at 2. Past it the scale goes
//! on at the pace of the moderate stretch and ends at 3, as far beyond as mild lies before it. The
//! cut points are published; the straight lines and the end are our own choice, made so that two
//! measurements can be compared by eye, and no grade is read from them: grades come from the cuts
//! themselves.

use super::criteria::Measure;

/// The end of the scale
pub(crate) const END: f64 = 3.0;

/// The map of one measure onto the scale
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// Value and place, both rising; fewer than two where the table has no cut from mild
    knots: Vec<(f64, f64)>,
}

impl Scale {
    /// The scale of a measure, with the severe cut that applies
    ///
    /// A measure whose table names no cut between mild and moderate has no places between its cuts:
    /// [`Scale::at`] is then `None`, and the measurement is shown as the stretch that it leaves open.
    pub fn of(measure: &Measure, severe: Option<f64>) -> Self {
        let (Some(mild), Some(severe)) = (measure.mild.map(|cut| cut.at()), severe) else {
            return Self { knots: Vec::new() };
        };
        let mut knots = vec![(0.0, 0.0)];
        // A lowered severe cut may leave no room for moderate, or for its upper half.
        if mild < severe {
            knots.push((mild, 1.0));
        }
        if let Some(upper) =
            measure.grade_3.map(|cut| cut.at()).filter(|upper| mild < *upper && *upper < severe)
        {
            knots.push((upper, 1.5));
        }
        knots.push((severe, 2.0));
        let pace = if mild < severe { severe - mild } else { severe };
        knots.push((severe + pace, END));
        Self { knots }
    }

    /// The place of a value, 0 to 3; `None` where the measure has no places
    pub fn at(&self, value: f64) -> Option<f64> {
        let (first, last) = (self.knots.first()?, self.knots.last()?);
        if value.is_nan() {
            return None;
        }
        if value <= first.0 {
            return Some(first.1);
        }
        for pair in self.knots.windows(2) {
            let ((a, from), (b, to)) = (pair[0], pair[1]);
            if value <= b {
                return Some(from + (to - from) * (value - a) / (b - a));
            }
        }
        Some(last.1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::severity::{Criteria, Item};

    fn measure(item: Item) -> Measure {
        Criteria::default().measures.iter().find(|m| m.items.contains(&item)).unwrap().clone()
    }

    #[test]
    fn cut_points_lie_on_whole_numbers() {
        let scale = Scale::of(&measure(Item::PisaEroaMm2), Some(40.0));
        for (value, place) in [
            (-1.0, 0.0),
            (0.0, 0.0),
            (10.0, 0.5),
            (20.0, 1.0),
            (30.0, 1.5),
            (40.0, 2.0),
            (50.0, 2.5),
            (60.0, 3.0),
            (900.0, 3.0),
        ] {
            assert!((scale.at(value).unwrap() - place).abs() < 1e-12, "{value}");
        }
        // VC width has no cut inside moderate: 5 mm lies half-way between 3 and 7.
        let width = Scale::of(&measure(Item::VcWidthMm), Some(7.0));
        for (value, place) in [(3.0, 1.0), (5.0, 1.5), (7.0, 2.0), (11.0, 3.0)] {
            assert!((width.at(value).unwrap() - place).abs() < 1e-12, "{value}");
        }
        assert_eq!(scale.at(f64::NAN), None);
        assert_eq!(Scale::of(&measure(Item::EWaveMS), Some(1.2)).at(1.0), None);
    }

    #[test]
    fn every_scale_rises_and_stays_within() {
        for (name, text) in Criteria::BUILT_IN {
            let criteria = Criteria::from_toml(text).unwrap();
            for measure in &criteria.measures {
                let cuts = measure.variants.iter().map(|v| Some(v.severe.at()));
                for severe in cuts.chain([measure.severe.map(|cut| cut.at())]) {
                    let scale = Scale::of(measure, severe);
                    let mut before = 0.0;
                    for step in 0..4000 {
                        let Some(place) = scale.at(f64::from(step) * 0.05) else { break };
                        assert!(place >= before && place <= END, "{name} {}", measure.label);
                        before = place;
                    }
                }
            }
        }
    }
}
