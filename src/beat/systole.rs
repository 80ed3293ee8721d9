//! Where systole starts and ends in the acquired times.

use crate::unit::Seconds;
use crate::volume::Timeline;

/// First and last moment of systole, and how they were found
#[derive(Clone, Debug, PartialEq)]
pub struct SystoleBounds {
    /// Mitral valve closed
    pub start: Seconds,
    /// Aortic valve closed
    pub end: Seconds,
    /// In a sentence, for the report
    pub reason: String,
}

/// Systole as a reader settled it: taken as it is, whatever the frames show
///
/// `None` where the end does not come after the start or no frame lies between them.
pub fn given_bounds(timeline: &Timeline, start: Seconds, end: Seconds) -> Option<SystoleBounds> {
    let holds = timeline.times().iter().any(|time| *time >= start && *time <= end);
    let sound = start.is_finite() && end.is_finite() && start < end;
    (holds && sound).then(|| SystoleBounds { start, end, reason: "given".to_owned() })
}

/// Systole from the jets themselves and, where they are short, from the heart rate
///
/// `present` are the frames in which any jet is there. A regurgitation that fills the usual length of
/// systole bounds it by itself. A shorter one cannot: then the end of electromechanical systole is
/// estimated from the R-R interval as QS2 = 546 ms - 2.1 ms per beat a minute (Weissler, Harris and
/// Schoenfeld, Circulation 1968;37:149; coefficients from memory) and the start is taken 40 ms
/// after the R wave (common practice, no source), both clipped to the acquired frames. Whatever
/// the estimate, systole holds every frame in which a jet is there.
pub fn bounds(timeline: &Timeline, present: &[usize]) -> SystoleBounds {
    let times = timeline.times();
    let first_time = times[0].get();
    let last_time = times[times.len() - 1].get();
    let half = timeline.interval().map_or(0.0, Seconds::get) / 2.0;
    let jet_start = present.first().map_or(f64::INFINITY, |f| times[*f].get() - half);
    let jet_end = present.last().map_or(f64::NEG_INFINITY, |f| times[*f].get() + half);
    let (usual_start, usual_end, reason) = match timeline.rr {
        Some(rr) if rr.get() > 0.2 => {
            let rate = 60.0 / rr.get();
            (0.04, (0.546 - 0.0021 * rate).max(0.2), "estimated from the R-R interval")
        }
        _ => (first_time, last_time, "taken as all acquired frames, since no R-R interval is known"),
    };
    let start = usual_start.max(first_time - half);
    let end = usual_end.min(last_time + half);
    let widened = jet_start < start - half || jet_end > end + half;
    let reason =
        if widened { format!("{reason}, widened to hold every frame with a jet") } else { reason.to_owned() };
    let (start, end) = (start.min(jet_start), end.max(jet_end));
    SystoleBounds { start: Seconds::new(start), end: Seconds::new(end.max(start)), reason }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_reader_gives_is_taken_as_it_is_or_refused() {
        let timeline = Timeline::regular(12, Seconds::new(0.04)).unwrap();
        let given = |start, end| given_bounds(&timeline, Seconds::new(start), Seconds::new(end));
        let found = given(0.09, 0.31).unwrap();
        assert_eq!((found.start.get(), found.end.get(), found.reason.as_str()), (0.09, 0.31, "given"));
        for (start, end) in [(0.3, 0.1), (0.1, 0.1), (0.5, 0.9), (0.121, 0.159), (f64::NAN, 0.2)] {
            assert_eq!(given(start, end), None, "{start} {end}");
        }
    }

    #[test]
    fn a_late_leak_does_not_shorten_systole() {
        let mut timeline = Timeline::regular(12, Seconds::new(0.04)).unwrap();
        timeline.rr = Some(Seconds::new(60.0 / 70.0));
        let late = bounds(&timeline, &[6, 7, 8]);
        assert!((late.start.get() - 0.04).abs() < 1e-9);
        assert!((late.end.get() - 0.399).abs() < 1e-9);
        let long = bounds(&timeline, &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]);
        assert!(long.start.get() < 0.0 && long.end.get() > 0.45);
        assert!(long.reason.contains("widened"));
    }
}
