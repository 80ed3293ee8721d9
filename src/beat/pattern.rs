//! The course of an area through systole.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::unit::{Mm2, Seconds};

use super::SystoleBounds;

/// When in systole a jet is there
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Pattern {
    /// Through all of systole
    Holosystolic,
    /// Early systole only
    Early,
    /// The middle of systole only
    Mid,
    /// Late systole only
    Late,
    /// Early and late, with a gap or a marked dip between
    Biphasic,
    /// Too few frames to tell
    Unknown,
}

/// What the areas say over the whole of systole
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// When the jet is there
    pub pattern: Pattern,
    /// Share of systole in which it is there
    pub present_fraction: f64,
    /// Mean over systole, zero where absent
    pub mean: Mm2,
    /// Area integrated over systole, mm2 s
    pub integral_mm2_s: f64,
}

/// Share of systole above which a regurgitation is holosystolic (common practice, no source)
const HOLOSYSTOLIC: f64 = 0.85;
/// A dip below this share of the smaller shoulder makes a course biphasic (our own choice)
const DIP: f64 = 0.7;
/// Areas below this share of the peak count as absent (our own choice)
const ABSENT: f64 = 0.1;

/// The course of one jet: `areas[frame]` is `None` where it is absent
///
/// Each frame stands for the time half-way to its neighbours, clipped to systole.
pub fn course(times: &[Seconds], areas: &[Option<Mm2>], systole: &SystoleBounds) -> Course {
    let length = systole.end.get() - systole.start.get();
    let span = |i: usize| {
        let here = times[i].get();
        let before = if i > 0 { f64::midpoint(times[i - 1].get(), here) } else { f64::NEG_INFINITY };
        let after = if i + 1 < times.len() { f64::midpoint(times[i + 1].get(), here) } else { f64::INFINITY };
        (before.max(systole.start.get()), after.min(systole.end.get()))
    };
    let peak = areas.iter().flatten().map(|a| a.get()).fold(0.0, f64::max);
    let mut integral = 0.0;
    let mut inside: Vec<(f64, f64, f64)> = Vec::new();
    for (i, area) in areas.iter().enumerate() {
        let (from, to) = span(i);
        if to <= from {
            continue;
        }
        let area = area.map_or(0.0, Mm2::get);
        integral += area * (to - from);
        inside.push((from, to, area));
    }
    if length <= 0.0 || inside.is_empty() {
        return Course {
            pattern: Pattern::Unknown,
            present_fraction: 0.0,
            mean: Mm2::new(peak),
            integral_mm2_s: integral,
        };
    }
    let there = |area: f64| area > ABSENT * peak && peak > 0.0;
    let present: f64 = inside.iter().filter(|(_, _, a)| there(*a)).map(|(from, to, _)| to - from).sum();
    Course {
        pattern: pattern(&inside, peak, present / length, systole.start.get(), length),
        present_fraction: (present / length).clamp(0.0, 1.0),
        mean: Mm2::new(integral / length),
        integral_mm2_s: integral,
    }
}

fn pattern(inside: &[(f64, f64, f64)], peak: f64, present: f64, start: f64, length: f64) -> Pattern {
    if inside.len() < 4 || peak <= 0.0 {
        return Pattern::Unknown;
    }
    if dips(inside) {
        return Pattern::Biphasic;
    }
    if present >= HOLOSYSTOLIC {
        return Pattern::Holosystolic;
    }
    let (mut weight, mut moment) = (0.0, 0.0);
    for (from, to, area) in inside {
        weight += area * (to - from);
        moment += area * (to - from) * (f64::midpoint(*from, *to) - start) / length;
    }
    match moment / weight {
        centre if centre < 0.42 => Pattern::Early,
        centre if centre > 0.58 => Pattern::Late,
        _ => Pattern::Mid,
    }
}

/// Whether some frame lies below [`DIP`] of the largest areas before and after it
fn dips(inside: &[(f64, f64, f64)]) -> bool {
    (1..inside.len().saturating_sub(1)).any(|i| {
        let largest = |part: &[(f64, f64, f64)]| part.iter().map(|p| p.2).fold(0.0, f64::max);
        inside[i].2 < DIP * largest(&inside[..i]).min(largest(&inside[i + 1..]))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(shape: impl Fn(f64) -> Option<f64>) -> Course {
        // 3000 frames over a systole of 0.3 s: the closed forms below are reached.
        let n = 3000;
        let times: Vec<Seconds> = (0..n).map(|i| Seconds::new((i as f64 + 0.5) * 0.3 / n as f64)).collect();
        let areas: Vec<Option<Mm2>> = times.iter().map(|t| shape(t.get() / 0.3).map(Mm2::new)).collect();
        let systole =
            SystoleBounds { start: Seconds::new(0.0), end: Seconds::new(0.3), reason: String::new() };
        course(&times, &areas, &systole)
    }

    #[test]
    fn constant_late_and_biphasic_leaks() {
        let constant = run(|_| Some(40.0));
        assert_eq!(constant.pattern, Pattern::Holosystolic);
        assert!((constant.mean.get() - 40.0).abs() < 1e-9);
        assert!((constant.integral_mm2_s - 12.0).abs() < 1e-9);
        let late = run(|x| (x > 0.5).then_some(40.0));
        assert_eq!(late.pattern, Pattern::Late);
        assert!((late.present_fraction - 0.5).abs() < 1e-3);
        assert!((late.mean.get() - 20.0).abs() < 0.02);
        // E = E0 (1 - 0.6 sin(pi x)): mean E0 (1 - 1.2 / pi), closed form.
        let biphasic = run(|x| Some(40.0 * (1.0 - 0.6 * libm::sin(std::f64::consts::PI * x))));
        assert_eq!(biphasic.pattern, Pattern::Biphasic);
        assert!((biphasic.mean.get() - 40.0 * (1.0 - 1.2 / std::f64::consts::PI)).abs() < 0.01);
        assert_eq!(run(|x| (x < 0.4).then_some(10.0)).pattern, Pattern::Early);
        assert_eq!(run(|x| ((x - 0.5).abs() < 0.2).then_some(10.0)).pattern, Pattern::Mid);
    }

    #[test]
    fn no_jet_and_one_frame_do_not_claim_a_pattern() {
        assert_eq!(run(|_| None).pattern, Pattern::Unknown);
        let systole =
            SystoleBounds { start: Seconds::new(0.0), end: Seconds::new(0.0), reason: String::new() };
        let one = course(&[Seconds::new(0.0)], &[Some(Mm2::new(5.0))], &systole);
        assert_eq!(one.pattern, Pattern::Unknown);
        assert_eq!(one.mean, Mm2::new(5.0));
    }
}
