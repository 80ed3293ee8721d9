//! All cases together: who was found, how far off, how often the interval held.

use std::fmt::Write as _;

use narrows::measure::Results;
use narrows::measure::results::JetResult;
use narrows::phantom::{JetTruth, JetTruthFrame, Truth, TruthShape};

use super::case::{Case, case, norm, sub};

/// Everything measured so far
#[derive(Default)]
pub(crate) struct Tally {
    pub(crate) cases: Vec<Case>,
    volumes: usize,
    count_right: usize,
    missed: usize,
    extra: usize,
}

impl Tally {
    /// Takes in one volume; what was found of it, a line a jet
    pub(crate) fn add(&mut self, seed: u64, truth: &Truth, results: &Results) -> String {
        let mut lines = String::new();
        self.volumes += 1;
        let present: Vec<(&JetTruth, &JetTruthFrame)> =
            truth.jets.iter().map(|j| (j, &j.frames[0])).filter(|(_, f)| f.present).collect();
        if present.len() == results.jets.len() {
            self.count_right += 1;
        } else {
            let _ = writeln!(lines, "{seed:4} found {} of {} jets", results.jets.len(), present.len());
        }
        let mut free: Vec<&JetResult> = results.jets.iter().collect();
        for (jet, frame) in present {
            let distance = |result: &JetResult| norm(sub(result.neck_mm, frame.neck_mm));
            let nearest = (0..free.len()).min_by(|a, b| distance(free[*a]).total_cmp(&distance(free[*b])));
            let Some(index) = nearest.filter(|i| distance(free[*i]) < 6.0) else {
                self.missed += 1;
                continue;
            };
            let case = case(seed, truth, jet, frame, free.remove(index));
            let _ = writeln!(lines, "{}", case.line());
            self.cases.push(case);
        }
        self.extra += free.len();
        lines
    }

    /// The cases by what they have in common; empty groups are left out
    pub(crate) fn groups(&self) -> Vec<(&'static str, Vec<&Case>)> {
        let mut groups: Vec<(&'static str, Vec<&Case>)> = Vec::new();
        let mut group = |name: &'static str, belongs: &dyn Fn(&Case) -> bool| {
            let some: Vec<&Case> = self.cases.iter().filter(|c| belongs(c)).collect();
            if !some.is_empty() {
                groups.push((name, some));
            }
        };
        group("all", &|_| true);
        group("round", &|c| c.shape == TruthShape::Round);
        group("elliptical", &|c| c.shape == TruthShape::Elliptical);
        group("crescent", &|c| c.shape == TruthShape::Crescent);
        group("below 0.25 cm2", &|c| c.truth_mm2 < 25.0);
        group("0.25 to 0.5 cm2", &|c| (25.0..50.0).contains(&c.truth_mm2));
        group("above 0.5 cm2", &|c| c.truth_mm2 >= 50.0);
        group("beam 0 to 15 deg", &|c| c.beam_deg < 15.0);
        group("beam 15 to 30 deg", &|c| (15.0..30.0).contains(&c.beam_deg));
        group("beam over 30", &|c| c.beam_deg >= 30.0);
        groups
    }

    /// The table
    pub(crate) fn summary(&self) -> String {
        let mut text = String::from(
            "                        n    bias  |err|  |err|   held   half  95 %/   axis  |lev|     lev  shape\n\
             \x20                                 %    50 %   90 %      %  width%   half    deg     mm      mm      %\n",
        );
        for (name, cases) in self.groups() {
            let errors: Vec<f64> = cases.iter().map(|c| c.error()).collect();
            let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
            let of = |f: &dyn Fn(&Case) -> f64| cases.iter().map(|c| f(c)).collect::<Vec<f64>>();
            let share = |f: &dyn Fn(&Case) -> bool| {
                100.0 * cases.iter().filter(|c| f(c)).count() as f64 / cases.len() as f64
            };
            let _ = writeln!(
                text,
                "{name:<22} {:4}  {:+6.1}  {:5.1}  {:5.1}   {:5.1}  {:5.1}  {:5.2}   {:5.2}  {:5.2}   {:5.2}  {:5.1}",
                cases.len(),
                quantile(&errors, 0.5),
                quantile(&sizes, 0.5),
                quantile(&sizes, 0.9),
                share(&Case::holds),
                quantile(&of(&|c| 50.0 * (c.high - c.low) / c.truth_mm2), 0.5),
                quantile(&of(&|c| (c.found_mm2 - c.truth_mm2).abs() / c.half()), 0.95),
                quantile(&of(&|c| c.axis_deg), 0.5),
                quantile(&of(&|c| c.level_mm.abs()), 0.5),
                quantile(&of(&|c| c.level_mm), 0.5),
                share(&|c| c.shape_right),
            );
        }
        let _ = writeln!(
            text,
            "jets counted right in {} of {} volumes ({:.1} %); {} missed, {} extra",
            self.count_right,
            self.volumes,
            100.0 * self.count_right as f64 / self.volumes.max(1) as f64,
            self.missed,
            self.extra
        );
        text
    }
}

fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = share * (sorted.len() - 1) as f64;
    let (low, part) = (at as usize, at.fract());
    sorted[low] + (sorted[(low + 1).min(sorted.len() - 1)] - sorted[low]) * part
}
