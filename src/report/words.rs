//! Numbers and findings in words, the same in figures, page and terminal.

use std::fmt::Write as _;

use crate::measure::results::{
    Convergence, Counted, FrameResult, Interval, JetResult, Origin, Pattern, Results, Seen, ShapeClass,
    Systole, Verdict,
};
use crate::severity::{By, Criteria, Placement};
use crate::trust::Finding;
use crate::unit::Mm2;

use super::AreaUnit;

/// A number with so many decimals and a true minus sign
pub fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "not measured".into();
    }
    let text = format!("{:.decimals$}", value.abs());
    let is_zero = text.chars().all(|c| c == '0' || c == '.');
    if value < 0.0 && !is_zero { format!("−{text}") } else { text }
}

/// A number with its sign always shown
pub fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if value > 0.0 && text.chars().any(|c| ('1'..='9').contains(&c)) { format!("+{text}") } else { text }
}

/// `29.1 to 40.0`
pub fn span(interval: &Interval, decimals: usize) -> String {
    format!("{} to {}", fixed(interval.low, decimals), fixed(interval.high, decimals))
}

/// `5.1 mm (4.6 to 5.7)`
pub fn mm_interval(interval: &Interval) -> String {
    format!("{} mm ({})", fixed(interval.value, 1), span(interval, 1))
}

/// `38 ml (31 to 45)`
pub fn ml_interval(interval: &Interval) -> String {
    format!("{} ml ({})", fixed(interval.value, 0), span(interval, 0))
}

/// `184 ml/s (142 to 228)`
pub fn flow_interval(interval: &Interval) -> String {
    format!("{} ml/s ({})", fixed(interval.value, 0), span(interval, 0))
}

/// The flow convergence as a sentence or two
pub fn convergence(zone: &Convergence, unit: AreaUnit) -> String {
    let Some(flow) = &zone.flow_ml_s else {
        let reason = zone.reason.as_deref().unwrap_or("no reason is given");
        return format!("The flow convergence was not measured: {reason}.");
    };
    let counted = zone.surfaces.iter().filter(|s| s.counted == Counted::Yes).count();
    let frame = zone
        .frame
        .map_or_else(String::new, |frame| format!("In frame {}, of the largest flow: ", self::frame(frame)));
    let mut text = format!(
        "{frame}through {} upstream of the vena contracta pass {}; they differ by {} % (standard deviation).",
        count(counted, "isovelocity surface", "isovelocity surfaces"),
        flow_interval(flow),
        fixed(zone.spread_percent.unwrap_or(f64::NAN), 0)
    );
    if let Some(orifice) = &zone.eroa_mm2 {
        let _ = write!(
            text,
            " Over the peak velocity that was entered: an orifice of {}.",
            unit.interval(orifice)
        );
    }
    if let Some(half) = &zone.hemisphere {
        let misses = if half.error_percent < 0.0 { "underestimates" } else { "overestimates" };
        let _ = write!(
            text,
            " Hemispheric PISA of {} mm at {} m/s {misses} it by {} %.",
            fixed(half.radius_mm, 1),
            fixed(half.speed_m_s, 2),
            fixed(half.error_percent.abs(), 0)
        );
    }
    text
}

/// Whether a surface of equal speed counts, and why not
pub fn counted(counted: Counted) -> &'static str {
    match counted {
        Counted::Yes => "counts",
        Counted::Unseen => "no: seen in too few directions",
        Counted::Near => "no: too near to the orifice",
    }
}

/// The number by which people know a frame: frames are counted from 1
pub fn frame(index: usize) -> String {
    (index + 1).to_string()
}

/// A sentence without the sources that stand in it in parentheses, for a page that names none
pub fn without_sources(text: &str) -> String {
    let mut out = String::new();
    for piece in text.split(" (") {
        let source = ["from memory", "no source", "our own choice"].iter().any(|word| piece.contains(word));
        match piece.split_once(')').filter(|_| source) {
            Some((_, rest)) => out.push_str(rest),
            None if out.is_empty() => out.push_str(piece),
            None => out.extend([" (", piece]),
        }
    }
    out
}

/// The value of a placement in words, its area in the unit asked for
pub fn placed(placement: &Placement, unit: AreaUnit) -> String {
    match placement.value {
        Some(value) if is_area(placement) && value.low < value.high => unit.interval(&value),
        Some(value) if is_area(placement) => unit.text(value.value),
        _ => placement.words.clone(),
    }
}

/// The cut points of a placement in words: `mild < 0.20 cm², grade III ≥ 0.30 cm², severe ≥ 0.40 cm²`
pub fn cuts(placement: &Placement, unit: AreaUnit) -> String {
    if !is_area(placement) {
        return placement.cuts.clone();
    }
    let cuts = &placement.cut_points;
    let named = [("mild", cuts.mild), ("grade III", cuts.grade_3), ("severe", cuts.severe)];
    let said = named.iter().filter_map(|(name, cut)| {
        let cut = (*cut)?;
        Some(format!("{name} {} {}", cut.sign(), unit.text(cut.at())))
    });
    said.collect::<Vec<_>>().join(", ")
}

/// The cut points between mild and moderate and between moderate and severe, where there are any
pub fn cut_ends(placement: &Placement, unit: AreaUnit) -> [Option<String>; 2] {
    let area = is_area(placement);
    [placement.cut_points.mild, placement.cut_points.severe].map(|cut| {
        let at = cut?.at();
        Some(if area { unit.text(at) } else { format!("{at} {}", placement.unit).trim_end().to_owned() })
    })
}

pub(super) fn is_area(placement: &Placement) -> bool {
    placement.items.iter().all(|item| item.is_area())
}

/// The area as the circle everybody can picture
pub fn as_a_circle(area_mm2: f64) -> String {
    let diameter = Mm2::new(area_mm2.max(0.0)).circle_diameter();
    format!("equivalent diameter {} mm", fixed(diameter.get(), 1))
}

/// The verdict as one word
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Adequate => "adequate",
        Verdict::Limited => "limited",
        Verdict::Unfit => "unfit",
    }
}

/// What the verdict of the trust check means for the reader
pub fn verdict_meaning(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Adequate => "the acquisition can carry this measurement",
        Verdict::Limited => "usable, with the losses stated among the findings",
        Verdict::Unfit => {
            "the acquisition cannot carry this measurement; do not rest a decision on these numbers"
        }
    }
}

/// A shape class as one word
pub fn shape(class: ShapeClass) -> &'static str {
    match class {
        ShapeClass::Round => "round",
        ShapeClass::Elliptical => "elliptical",
        ShapeClass::Crescent => "crescent",
        ShapeClass::Irregular => "irregular",
    }
}

/// A pattern in time as one word
pub fn pattern(pattern: Pattern) -> &'static str {
    match pattern {
        Pattern::Holosystolic => "holosystolic",
        Pattern::Early => "early systolic",
        Pattern::Mid => "mid-systolic",
        Pattern::Late => "late systolic",
        Pattern::Biphasic => "biphasic",
        Pattern::Unknown => "undecided",
    }
}

/// The regurgitation through systole as a sentence
pub fn systole(jet: &JetResult, unit: AreaUnit) -> String {
    let share = fixed(100.0 * jet.systole.present_fraction, 0);
    let what = match jet.systole.pattern {
        Pattern::Holosystolic => format!("Holosystolic: it is present in {share} % of systole"),
        Pattern::Early => format!("Early systolic: it is present in {share} % of systole, at its start"),
        Pattern::Mid => format!("Mid-systolic: it is present in {share} % of systole, in its middle"),
        Pattern::Late => format!("Late systolic: it is present in {share} % of systole, at its end"),
        Pattern::Biphasic => {
            format!("Biphasic: early and late, less between; it is present in {share} % of systole")
        }
        Pattern::Unknown => "Too few frames to tell the pattern in time".into(),
    };
    let mean = unit.text(jet.systole.mean_mm2());
    let over = jet.systole.peak_overstates_percent;
    if jet.systole.pattern == Pattern::Unknown || !over.is_finite() {
        format!("{what}.")
    } else {
        format!(
            "{what}. The {} is {mean}; the peak frame alone overstates it by {} %.",
            mean_name(&jet.systole),
            fixed(over, 0)
        )
    }
}

/// What the mean is that the peak is held against
pub fn mean_name(systole: &Systole) -> &'static str {
    match systole.velocity_weighted_mean_mm2 {
        Some(_) => "velocity-weighted mean area",
        None => "mean area over systole",
    }
}

/// What the long-axis width alone would have claimed, where it grades otherwise than the area; `None` elsewhere
///
/// Width and area as displayed, which the cut points were found on.
pub fn width_misleads(jet: &JetResult) -> Option<String> {
    let width = jet.width_mm.displayed_long_axis?;
    let [of_width, of_area] = Criteria::default().misled_by(width, jet.displayed_area_mm2?.value)?;
    Some(format!(
        "As displayed, the long-axis width of jet {} alone ({} mm) is {}, its area {}: the single width misleads.",
        jet.id,
        fixed(width, 1),
        of_width.name(),
        of_area.name()
    ))
}

/// The shape as a sentence: its class is the effective outline's, its measures are the tracing's
pub fn shape_sentence(jet: &JetResult) -> String {
    format!(
        "{} cross-section; the displayed outline is {} times as long as wide ({} by {} mm).",
        capital(shape(jet.shape.class)),
        fixed(jet.shape.axis_ratio, 1),
        fixed(jet.shape.feret_max_mm, 1),
        fixed(jet.shape.feret_min_mm, 1)
    )
}

/// Whose outline the numbers of a jet belong to, as a sentence
pub fn origin(jet: &JetResult) -> String {
    let reading = &jet.reading;
    let name = reading.jet.as_ref().map_or(String::new(), |name| format!(" (jet {name} of the review)"));
    if reading.blind_frames.contains(&jet.peak_frame) {
        return format!(
            "The reader's tracing, drawn by hand before anything that the program finds was shown{name}."
        );
    }
    match reading.origin {
        Origin::Program => format!("Outline proposed by the program, not changed by a reader{name}."),
        Origin::ReaderCut => {
            format!("Outline drawn by the program on the plane that the reader chose{name}.")
        }
        Origin::ReaderKept => {
            format!("Outline proposed by the program and kept by the reader as it was{name}.")
        }
        Origin::ReaderCorrected => format!("The reader's tracing: the program's outline, corrected{name}."),
        Origin::ReaderDrawn => format!("The reader's tracing, drawn by hand{name}."),
    }
}

/// Whose outline it is, in a word
pub fn origin_word(jet: &JetResult) -> &'static str {
    match jet.reading.origin {
        Origin::Program | Origin::ReaderCut => "the program's",
        Origin::ReaderKept | Origin::ReaderCorrected | Origin::ReaderDrawn => "the reader's",
    }
}

/// Whose area a frame holds, as a word
pub fn frame_origin(jet: &JetResult, frame: usize) -> &'static str {
    if jet.reading.traced_frames.contains(&frame) { "reader" } else { "program" }
}

/// Whether a part of the jet was seen
pub fn seen(seen: Seen) -> &'static str {
    match seen {
        Seen::Found => "found",
        Seen::Missing => "not found",
    }
}

/// Where a graded value comes from
pub fn by(by: By) -> &'static str {
    match by {
        By::Volume => "the volume",
        By::Reader => "entered",
        By::Computed => "computed from what was entered",
    }
}

/// The area of a frame, that its vena contracta is not displayed, or that there is no jet
pub fn frame_area(frame: &FrameResult, unit: AreaUnit) -> String {
    match &frame.vca_mm2 {
        Some(vca) if frame.hidden => format!("VC dropout: {} {}", unit.span(vca), unit.sign()),
        Some(vca) => unit.interval(vca),
        None => "no jet".into(),
    }
}

/// Where the envelope behind the regurgitant volume comes from, a sentence; `None` without one
pub fn envelope(results: &Results) -> Option<String> {
    let used = results.total.cw_envelope?;
    let cm = |metres: f64| fixed(100.0 * metres, 0);
    if results.given.cw_vti_m.is_some() {
        return Some(format!("The velocity-time integral of {} cm was entered.", cm(used.vti_m.value)));
    }
    let length = if results.given.cw_duration_s.is_some() { "duration" } else { "length of systole" };
    let integral = format!(
        "Peak and {length} give a velocity-time integral of {} cm ({} to {})",
        cm(used.vti_m.value),
        cm(used.vti_m.low),
        cm(used.vti_m.high)
    );
    Some(match used.frames {
        0 => format!(
            "{integral} by a half-sine: no jet tells both flow and area in two frames. A traced integral is better."
        ),
        frames => format!("{integral}; how full the envelope is, flow over area told in {frames} frames."),
    })
}

/// `12 jets`, `1 jet`
pub fn count(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

/// What a finding is about, as a heading
pub fn finding_name(finding: &Finding) -> String {
    match finding.code.as_str() {
        "hidden-neck" => "VC dropout".to_owned(),
        "leak-frames" => "Frames in the shortest regurgitation".to_owned(),
        code => capital(&code.replace(['-', '_'], " ")),
    }
}

/// The findings, the worst first; those that weigh alike stay in their order
pub fn worst_first(findings: &[Finding]) -> Vec<&Finding> {
    let mut sorted: Vec<_> = findings.iter().collect();
    sorted.sort_by_key(|finding| std::cmp::Reverse(finding.verdict));
    sorted
}

/// With a capital first letter
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_true_signs_and_no_negative_zero() {
        assert_eq!(fixed(-1.25, 1), "−1.2");
        assert_eq!(fixed(-0.01, 1), "0.0");
        assert_eq!(fixed(f64::NAN, 1), "not measured");
        assert_eq!(signed(3.0, 0), "+3");
        assert_eq!(signed(0.2, 0), "0");
        assert_eq!(frame(0), "1");
        assert_eq!(
            without_sources(
                "30 a second (Topilsky 2012, from memory); 20 are preferred (common practice, no source): few"
            ),
            "30 a second; 20 are preferred: few"
        );
        assert_eq!(
            without_sources("up to 7 % (half-sine, closed form)"),
            "up to 7 % (half-sine, closed form)"
        );
    }

    #[test]
    fn a_width_misleads_where_its_own_grade_is_another() {
        let mut jet = crate::report::fixture::results().jets.remove(0);
        // 3.4 mm is moderate (3 to 7 mm), 48.5 mm2 severe (from 40).
        assert!(
            width_misleads(&jet).unwrap().contains("of jet 1 alone (3.4 mm) is moderate, its area severe")
        );
        // An ellipse is not round, and its width grades as its area does; the effective width is not asked.
        jet.width_mm.displayed_long_axis = Some(7.5);
        assert_eq!(width_misleads(&jet), None);
    }

    #[test]
    fn a_published_circle() {
        // 0.3848 cm2 is a circle of 7 mm: closed form.
        assert_eq!(as_a_circle(38.48), "equivalent diameter 7.0 mm");
    }
}
