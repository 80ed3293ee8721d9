//! Numbers and states in words, the same everywhere on the screen.

use crate::beat::Pattern;
use crate::measure::results::{Interval, ShapeClass};
pub(super) use crate::report::words::{fixed, frame as nth, signed};
use crate::review::JetId;
use crate::trust::Verdict;

/// An area in cm2, two digits
pub(super) fn cm2(mm2: f64) -> String {
    format!("{:.2} cm²", mm2 / 100.0)
}

/// The interval of an area in cm2
pub(super) fn cm2_interval(area: Interval) -> String {
    format!("{:.2} to {:.2} cm²", area.low / 100.0, area.high / 100.0)
}

/// An area with its interval
pub(super) fn cm2_with(area: Interval) -> String {
    format!("{} ({:.2}–{:.2})", cm2(area.value), area.low / 100.0, area.high / 100.0)
}

/// A length with its interval
pub(super) fn mm_interval(width: Interval) -> String {
    format!("{:.1} mm  ({:.1}–{:.1})", width.value, width.low, width.high)
}

/// A signed percentage
pub(super) fn percent(value: f64) -> String {
    format!("{} %", signed(value, usize::from(value.abs() < 9.95)))
}

/// A value with its unit, without digits that say nothing
pub(super) fn value(value: f64, unit: &str) -> String {
    let text = fixed(value, 2);
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if unit == "count" { text.to_owned() } else { format!("{text} {unit}") }
}

/// The name of a jet
pub(super) fn jet(id: JetId) -> String {
    match id {
        JetId::Free => "Free plane".into(),
        _ => format!("Jet {id}"),
    }
}

/// A frame and its moment; counted from 1, as in the report
pub(super) fn frame(frame: usize, times: &[f64]) -> String {
    let time = times.get(frame).copied().unwrap_or(0.0);
    format!("frame {} of {}, {:.0} ms after R", nth(frame), times.len(), time * 1000.0)
}

/// A shape
pub(super) const fn shape(class: ShapeClass) -> &'static str {
    match class {
        ShapeClass::Round => "round",
        ShapeClass::Elliptical => "elliptical",
        ShapeClass::Crescent => "crescent",
        ShapeClass::Irregular => "irregular",
    }
}

/// A pattern in time
pub(super) const fn pattern(pattern: Pattern) -> &'static str {
    match pattern {
        Pattern::Holosystolic => "holosystolic",
        Pattern::Early => "early systolic",
        Pattern::Mid => "mid systolic",
        Pattern::Late => "late systolic",
        Pattern::Biphasic => "early and late, with a dip between",
        Pattern::Unknown => "too few frames to tell",
    }
}

/// A verdict
pub(super) const fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Adequate => "adequate",
        Verdict::Limited => "limited",
        Verdict::Unfit => "unfit",
    }
}
