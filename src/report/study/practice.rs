//! Practice as words, tables and figure.

use std::fmt::Write as _;

use super::bundle::{Bundle, Home};
use crate::report::chart::{Axis, Chart};
use crate::report::colour;
use crate::report::figure::heading;
use crate::report::svg::{Anchor, Face, Halo, Stroke, Svg};
use crate::report::table::Row;
use crate::report::words::{capital, count, fixed, signed};
use crate::report::{ReportError, png_from_svg};
use crate::study::practice::{Attempt, Cause, JetScore, LearnerSummary, STANDING, Scores, Taken};

/// Learners that one figure holds; the tables hold all
const DRAWN: usize = 12;
/// Readings that one panel holds: the latest
const LATEST: usize = 24;

/// Fill and opacity of a cause; its letter stands in the bar as well
fn fill(cause: Cause) -> (&'static str, f64) {
    match cause {
        Cause::Blooming => (colour::QUIET, 0.45),
        Cause::Frame => (colour::CURVE, 0.85),
        Cause::Tilt => (colour::TRACING, 0.9),
        Cause::Level => (colour::GOOD, 0.85),
        Cause::Shape => (colour::COMMISSURAL, 0.9),
        Cause::Outline => (colour::LONG_AXIS, 0.9),
        Cause::Jets => (colour::BAD, 0.9),
    }
}

/// Everything that `narrows practice score --out` writes beside its table; `stem` is the table's name without
/// its ending
///
/// # Errors
/// [`ReportError`] where the figure cannot be painted or the document cannot be put into JSON.
pub fn practice_files(scores: &Scores, stem: &str, png_scale: f32) -> Result<Bundle, ReportError> {
    let svg = practice_figure(scores).finish();
    let mut json = serde_json::to_string_pretty(scores)?;
    json.push('\n');
    let files = vec![
        (format!("{stem}.learners.csv"), learners_csv(scores).into_bytes()),
        (format!("{stem}.png"), png_from_svg(&svg, png_scale)?),
        (format!("{stem}.svg"), svg.into_bytes()),
        (format!("{stem}.json"), json.into_bytes()),
        (format!("{stem}.csv"), practice_csv(scores).into_bytes()),
    ];
    Ok(Bundle { files, home: Home::Shared(stem.to_owned()) })
}

/// A row a reading
pub fn practice_csv(scores: &Scores) -> String {
    let mut out =
        String::from("learner,case,grade,attempt,saved,title,truth_mm2,reported_mm2,error_mm2,error_percent");
    for cause in Cause::ALL {
        let _ = write!(out, ",{}_mm2", cause.word());
    }
    out.push_str(",frames_off,tilt_deg,level_mm,jets_missed,jets_none,largest_part,sight,review,remarks\n");
    for attempt in &scores.attempts {
        let score = &attempt.score;
        let mut row = Row::new(&attempt.learner);
        row.put(&attempt.case).put(attempt.grade).put(attempt.attempt);
        row.put(attempt.saved_s.map(moment).unwrap_or_default()).put(&attempt.title);
        row.number(score.truth_mm2).number(score.reported_mm2).number(score.error_mm2);
        row.optional(score.error_percent);
        for cause in Cause::ALL {
            row.number(score.parts_mm2.of(cause));
        }
        // The poses of the jet with the largest truth stand for the case; the document holds all.
        let main = main_jet(attempt);
        row.optional(main.and_then(frames_off));
        row.optional(main.and_then(|jet| jet.tilt_deg)).optional(main.and_then(|jet| jet.level_mm));
        row.put(score.jets.iter().filter(|jet| jet.read_as.is_none()).count());
        row.put(score.jets.iter().filter(|jet| jet.jet.is_none()).count());
        row.put(score.parts_mm2.largest().word()).put(sight(attempt.blind));
        row.put(&attempt.review).put(score.remarks.join(" "));
        row.end(&mut out);
    }
    out
}

/// A row a learner
pub fn learners_csv(scores: &Scores) -> String {
    let mut out = String::from("learner,sight,readings,cases,error_size_percent,bias_percent");
    for cause in Cause::ALL {
        let _ = write!(out, ",{}_size_percent", cause.word());
    }
    out.push_str(",most_to_gain,jets_missed,jets_none,cases_repeated,first_percent,last_percent\n");
    for own in &scores.learners {
        let mut row = Row::new(&own.learner);
        row.put(sight(own.blind)).put(own.readings).put(own.cases);
        row.optional(own.error_size_percent).optional(own.bias_percent);
        for cause in Cause::ALL {
            row.number(own.part_size_percent.of(cause));
        }
        row.put(own.most_to_gain.map_or("", Cause::word)).put(own.missed).put(own.none).put(own.repeated);
        row.optional(own.first_percent).optional(own.last_percent);
        row.end(&mut out);
    }
    out
}

const fn sight(blind: bool) -> &'static str {
    if blind { "blind" } else { "open" }
}

fn main_jet(attempt: &Attempt) -> Option<&JetScore> {
    let read = attempt.score.jets.iter().filter(|jet| jet.jet.is_some() && jet.read_as.is_some());
    read.max_by(|a, b| a.truth_mm2.total_cmp(&b.truth_mm2))
}

fn frames_off(jet: &JetScore) -> Option<f64> {
    Some(jet.frame? as f64 - jet.true_frame? as f64)
}

/// What a learner is told, reading by reading, and what it comes to
pub fn practice_text(scores: &Scores) -> String {
    let mut out = String::new();
    for attempt in &scores.attempts {
        one(&mut out, attempt);
    }
    for own in &scores.learners {
        learner(&mut out, own);
    }
    for note in &scores.notes {
        let _ = writeln!(out, "note: {note}");
    }
    let _ = writeln!(out, "{STANDING}");
    out
}

fn one(out: &mut String, attempt: &Attempt) {
    let score = &attempt.score;
    let _ = writeln!(
        out,
        "{}, {}, attempt {}{}: {}",
        attempt.learner,
        attempt.case,
        attempt.attempt,
        if attempt.blind { "" } else { ", read open" },
        attempt.title
    );
    let percent =
        score.error_percent.map_or_else(String::new, |percent| format!(" ({} %)", signed(percent, 0)));
    let _ = writeln!(
        out,
        "  truth {} mm², reported {} mm²: error {} mm²{percent}",
        fixed(score.truth_mm2, 1),
        fixed(score.reported_mm2, 1),
        signed(score.error_mm2, 1)
    );
    for cause in Cause::ALL {
        let part = score.parts_mm2.of(cause);
        if part.abs() >= 0.05 {
            let value = format!("{:>7}", signed(part, 1));
            let _ = writeln!(out, "  {value} mm²  {:<9} {}", cause.word(), cause.meaning());
        }
    }
    for jet in &score.jets {
        let _ = writeln!(out, "  {}", practice_jet(jet));
    }
    for remark in &score.remarks {
        let _ = writeln!(out, "  {remark}");
    }
    let _ = writeln!(out, "  {}\n", attempt.teaches);
}

/// What became of one jet, in words
pub fn practice_jet(jet: &JetScore) -> String {
    let Some(number) = jet.jet else {
        let name = jet.read_as.as_deref().unwrap_or("?");
        return format!("{name} in the review is no jet: {} mm²", fixed(jet.reported_mm2, 1));
    };
    let Some(name) = &jet.read_as else {
        return format!("jet {number} was missed: {} mm²", fixed(jet.truth_mm2, 1));
    };
    let mut words = format!(
        "jet {number}, in the review {name}: {} mm² for {} mm²",
        fixed(jet.reported_mm2, 1),
        fixed(jet.truth_mm2, 1)
    );
    if let (Some(frame), Some(best)) = (jet.frame, jet.true_frame)
        && frame != best
    {
        let _ = write!(words, "; frame {}, largest in {}", frame + 1, best + 1);
    }
    if let Some(tilt) = jet.tilt_deg {
        let _ = write!(words, "; tilt {}°", fixed(tilt, 0));
    }
    if let Some(level) = jet.level_mm {
        let _ = write!(words, "; level {} mm", signed(level, 1));
    }
    match &jet.taken {
        Some(Taken::Circle { width_mm }) => {
            let _ = write!(words, "; the circle on {} mm", fixed(*width_mm, 1));
        }
        Some(Taken::MeanCircle { width_mm }) => {
            let _ = write!(words, "; the circle on {} mm, the mean of two", fixed(*width_mm, 1));
        }
        _ => {}
    }
    words
}

fn learner(out: &mut String, own: &LearnerSummary) {
    let _ = write!(
        out,
        "{}: {} of {}",
        own.learner,
        count(
            own.readings,
            &format!("{} reading", sight(own.blind)),
            &format!("{} readings", sight(own.blind))
        ),
        count(own.cases, "case", "cases")
    );
    if let (Some(size), Some(bias)) = (own.error_size_percent, own.bias_percent) {
        let _ = write!(out, "; mean error {} % in size, {} % with its sign", fixed(size, 0), signed(bias, 0));
    }
    if let Some(cause) = own.most_to_gain {
        let share = own.part_size_percent.of(cause);
        let _ = write!(out, "; most to gain: {} ({} %)", cause.word(), fixed(share, 0));
    }
    if let (Some(first), Some(last)) = (own.first_percent, own.last_percent) {
        let _ = write!(
            out,
            "; {} read again: from {} % to {} %",
            count(own.repeated, "case", "cases"),
            fixed(first, 0),
            fixed(last, 0)
        );
    }
    out.push('\n');
}

/// Error by attempt, one panel a learner: parts stacked, the whole error as a dot
pub fn practice_figure(scores: &Scores) -> Svg {
    let drawn: Vec<Vec<&Attempt>> = scores
        .learners
        .iter()
        .take(DRAWN)
        .map(|own| {
            let mine = |a: &&Attempt| a.learner == own.learner && a.blind == own.blind;
            let all: Vec<&Attempt> = scores.attempts.iter().filter(mine).collect();
            all[all.len().saturating_sub(LATEST)..].to_vec()
        })
        .collect();
    let height = 150.0 + 264.0 * drawn.len().max(1) as f64;
    let title = "Practice: error by attempt";
    let mut svg = Svg::new(1000.0, height, title);
    heading(
        &mut svg,
        title,
        "parts of the error, percent of the truth, in the order of the attempts; dot: the error",
    );
    key(&mut svg);
    if drawn.iter().all(Vec::is_empty) {
        let face = Face::new(17.0, colour::QUIET).anchored(Anchor::Middle);
        svg.text((500.0, height / 2.0), face, "nothing was read");
    }
    // One scale for all, so that learners can be compared.
    let (mut low, mut high) = (-5.0_f64, 5.0_f64);
    for attempt in drawn.iter().flatten() {
        let parts = shares(attempt);
        high = high.max(parts.iter().map(|(_, share)| share.max(0.0)).sum());
        low = low.min(parts.iter().map(|(_, share)| share.min(0.0)).sum());
    }
    for (at, own) in drawn.iter().enumerate() {
        panel(&mut svg, 118.0 + 264.0 * at as f64, own, (low, high));
    }
    let rest = scores.learners.len().saturating_sub(DRAWN);
    let more = if rest > 0 {
        format!("{STANDING} {rest} more learners stand in the tables.")
    } else {
        STANDING.to_owned()
    };
    svg.text((24.0, height - 14.0), Face::new(13.0, colour::QUIET), &more);
    svg
}

fn shares(attempt: &Attempt) -> Vec<(Cause, f64)> {
    let truth = attempt.score.truth_mm2;
    let share = |cause| if truth > 0.0 { 100.0 * attempt.score.parts_mm2.of(cause) / truth } else { 0.0 };
    Cause::ALL.iter().map(|cause| (*cause, share(*cause))).collect()
}

fn letter(cause: Cause) -> String {
    capital(&cause.word()[..1])
}

fn key(svg: &mut Svg) {
    let mut x = 92.0;
    for cause in Cause::ALL {
        let (colour, opacity) = fill(cause);
        svg.rect((x, 72.0), (20.0, 16.0), colour, opacity);
        let face = Face::new(12.0, colour::INK).anchored(Anchor::Middle);
        svg.text((x + 10.0, 84.5), face, &letter(cause));
        svg.text((x + 26.0, 85.0), Face::new(14.0, colour::INK), cause.word());
        x += 44.0 + 8.0 * cause.word().len() as f64;
    }
}

fn panel(svg: &mut Svg, top: f64, own: &[&Attempt], (low, high): (f64, f64)) {
    let size = (870.0, 176.0);
    let x = Axis { low: 0.5, high: own.len().max(6) as f64 + 0.5, ticks: Vec::new() };
    let chart = Chart::new((92.0, top + 16.0), size, x, Axis::covering(1.05 * low, 1.05 * high, 5.0));
    chart.draw_axes(svg, "", "error, %");
    let name = own.first().map_or_else(String::new, |attempt| {
        format!("{}{}", attempt.learner, if attempt.blind { "" } else { ", read open" })
    });
    svg.text((92.0, top + 8.0), Face::new(15.0, colour::INK).with(Halo::Bold), &name);
    let half = 0.5 * (own.len().max(6) as f64 / 30.0).clamp(0.45, 0.8);
    let mut line = Vec::new();
    for (at, attempt) in own.iter().enumerate() {
        let middle = (at + 1) as f64;
        let (mut up, mut down) = (0.0, 0.0);
        for (cause, share) in shares(attempt) {
            let from = if share > 0.0 { &mut up } else { &mut down };
            let (a, b) = (*from, *from + share);
            *from = b;
            let left = chart.at(middle - half, a.max(b));
            let right = chart.at(middle + half, a.min(b));
            let tall = right.1 - left.1;
            if tall < 0.3 {
                continue;
            }
            let (colour, opacity) = fill(cause);
            svg.rect(left, (right.0 - left.0, tall), colour, opacity);
            if tall >= 12.0 {
                let face = Face::new(11.0, colour::INK);
                svg.text((left.0 + 3.0, left.1 + tall / 2.0 + 4.0), face, &letter(cause));
            }
        }
        line.push(chart.at(middle, attempt.score.error_percent.unwrap_or(0.0)));
        let small = Face::new(13.0, colour::INK).anchored(Anchor::Middle);
        let (px, _) = chart.at(middle, 0.0);
        let number = attempt.case.strip_prefix("case-").unwrap_or(&attempt.case);
        let label = format!("{number}{}", superscript(attempt.attempt));
        svg.text((px, chart.bottom() + 18.0), small, &label);
    }
    let zero = (chart.at(0.5, 0.0), chart.at(own.len().max(6) as f64 + 0.5, 0.0));
    svg.line(zero.0, zero.1, Stroke::solid(colour::INK, 1.2));
    svg.polyline(&line, Stroke::solid(colour::INK, 1.2));
    for at in line {
        svg.dot(at, 4.5, "#ffffff", colour::INK);
    }
    let face = Face::new(13.0, colour::QUIET);
    svg.text((92.0, chart.bottom() + 38.0), face, "case, raised: which attempt at it");
}

/// A count as a raised number
fn superscript(number: usize) -> String {
    const RAISED: [char; 10] = ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'];
    number.to_string().bytes().map(|digit| RAISED[usize::from(digit - b'0')]).collect()
}

/// Seconds since 1970 as `2031-05-04T10:20:30Z`
///
/// The day of the Gregorian calendar by whole numbers: years are counted from 1 March, so that the leap day
/// comes last, in cycles of 400 years.
pub fn moment(seconds: u64) -> String {
    let (days, rest) = (seconds / 86_400, seconds % 86_400);
    // 1 March of the year 0 lies 719468 days before 1 January 1970.
    let days = days + 719_468;
    let (cycle, day) = (days / 146_097, days % 146_097);
    let year = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
    let in_year = day - (365 * year + year / 4 - year / 100);
    let month = (5 * in_year + 2) / 153;
    let day = in_year - (153 * month + 2) / 5 + 1;
    let (month, later) = if month < 10 { (month + 3, 0) } else { (month - 9, 1) };
    let year = 400 * cycle + year + later;
    format!("{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}Z", rest / 3600, rest / 60 % 60, rest % 60)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::results::Origin;
    use crate::study::practice::{Parts, Scored};

    fn attempt(learner: &str, number: usize, parts: Parts) -> Attempt {
        let jet = JetScore {
            jet: Some(1),
            read_as: Some("A".into()),
            origin: Some(Origin::ReaderDrawn),
            taken: Some(Taken::Circle { width_mm: 6.0 }),
            truth_mm2: 40.0,
            reported_mm2: 40.0 + parts.sum(),
            true_frame: Some(3),
            frame: Some(2),
            tilt_deg: Some(12.0),
            level_mm: Some(-0.5),
            steps: None,
            parts_mm2: parts,
        };
        Attempt {
            learner: learner.into(),
            case: format!("case-{number}"),
            title: "round, \"easy\"".into(),
            grade: 1,
            teaches: "Look twice.".into(),
            attempt: 0,
            saved_s: Some(1_900_000_000 + number as u64),
            review: format!("{learner}/case-{number}.review.json"),
            blind: number == 1,
            score: Scored {
                truth_mm2: 40.0,
                reported_mm2: 40.0 + parts.sum(),
                error_mm2: parts.sum(),
                error_percent: Some(2.5 * parts.sum()),
                parts_mm2: parts,
                jets: vec![jet],
                remarks: vec!["A remark, with a comma.".into()],
            },
        }
    }

    fn scores() -> Scores {
        let tilted = Parts { tilt: 9.0, outline: -3.0, blooming: 0.5, ..Parts::default() };
        let lost = Parts { jets: -40.0, ..Parts::default() };
        Scores::of(
            vec![
                attempt("ann & co", 1, tilted),
                attempt("ann & co", 2, lost),
                attempt("bo", 1, Parts::default()),
            ],
            vec!["one file was passed over".into()],
        )
    }

    #[test]
    fn tables_figure_and_words_hold_what_was_found() {
        let found = scores();
        for table in [practice_csv(&found), learners_csv(&found)] {
            let mut reader = csv::Reader::from_reader(table.as_bytes());
            let width = reader.headers().unwrap().len();
            assert!(reader.records().all(|row| row.unwrap().len() == width));
        }
        let bundle = practice_files(&found, "scores", 0.5).unwrap();
        assert_eq!(bundle.files.len(), 5);
        let svg = practice_figure(&found).finish();
        assert!(
            svg.contains(">ann &amp; co<") && svg.contains("ann &amp; co, read open"),
            "blind and open apart"
        );
        assert!(svg.contains("ann &amp; co") && svg.contains(">T<") && svg.contains("not a certificate"));
        let text = practice_text(&found);
        for words in [
            "attempt 1, read open: round",
            "ann & co: 1 open reading of 1 case",
            "error +6.5 mm² (+16 %)",
            "+9.0 mm²  tilt",
            "the circle on 6.0 mm",
            STANDING,
        ] {
            assert!(text.contains(words), "{words} is not in\n{text}");
        }
        let many = (0..30).map(|i| attempt(&format!("l{i:02}"), 1, Parts::default())).collect();
        assert!(practice_figure(&Scores::of(many, Vec::new())).finish().contains("18 more learners"));
        let none = Scores::of(Vec::new(), Vec::new());
        assert!(practice_figure(&none).finish().contains("nothing was read"));
    }

    #[test]
    fn moments_are_days_of_the_calendar() {
        // Checked with `date -u -d @SECONDS`.
        assert_eq!(moment(0), "1970-01-01T00:00:00Z");
        assert_eq!(moment(951_782_399), "2000-02-28T23:59:59Z");
        assert_eq!(moment(951_868_800), "2000-03-01T00:00:00Z");
        assert_eq!(moment(1_709_210_096), "2024-02-29T12:34:56Z");
        assert_eq!(moment(4_107_542_400), "2100-03-01T00:00:00Z");
    }
}
