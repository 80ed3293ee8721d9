//! What follows page one: the grading with its reasons, every number, the acquisition, the method.

use super::blocks::Block;
use super::content::{self, FindingRow};
use super::words::{self, capital, fixed, mm_interval, pattern, shape, signed};
use super::{AreaUnit, figure};
use crate::measure::results::{JetResult, Results};
use crate::severity::{Grading, Placement, percent};

/// The `jet` of a figure that shows the acquisition as a whole
pub(super) const ACQUISITION: usize = 0;

/// A figure inside the page
#[derive(Clone, Debug)]
pub struct PageFigure {
    /// The jet it shows, from 1; [`ACQUISITION`] for none
    pub jet: usize,
    /// What it shows, a sentence
    pub caption: String,
    /// Its SVG
    pub svg: String,
}

/// Share of the paper's width of pictures and of curves
const PICTURE: f64 = 0.7;
const CURVES: f64 = 0.66;
/// Share of the grading, whose rows of text must stay legible, and of the tall slice of the acquisition
const SCALE: f64 = 0.86;
const TALL: f64 = 0.5;

/// How much is said of each jet
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Detail {
    /// Everything, each figure by itself
    Full,
    /// Everything, figures side by side
    Paired,
    /// Of further jets the numbers, every frame and the two figures that say most
    Brief,
    /// Figures and frames of the first jet; further jets in the table of all
    Least,
}

impl Detail {
    /// All of them, falling
    pub(crate) const ALL: [Self; 4] = [Self::Full, Self::Paired, Self::Brief, Self::Least];
}

/// All of it, in order; `settings` are further lines about how it was measured
///
/// `shown` is the first figure of the first jet where it stands on page one already.
pub(crate) fn blocks(
    results: &Results,
    figures: &[PageFigure],
    unit: AreaUnit,
    settings: &[[String; 2]],
    shown: Option<&PageFigure>,
    detail: Detail,
) -> Vec<Block> {
    let mut out = Vec::new();
    if let Some(grading) = &results.severity {
        self::grading(&mut out, grading, unit);
    }
    if results.jets.len() > 1 {
        jets(&mut out, results, unit);
        if detail >= Detail::Brief {
            let text = "This paper holds what says most; all figures and tables of every jet are in the report's folder.";
            out.push(Block::Text(text.into()));
        }
    }
    let said = if detail == Detail::Least { 1 } else { usize::MAX };
    for jet in results.jets.iter().take(said) {
        let mine =
            figures.iter().filter(|f| f.jet == jet.id && !shown.is_some_and(|shown| std::ptr::eq(shown, *f)));
        one_jet(&mut out, results, jet, &mine.collect::<Vec<_>>(), (unit, detail));
    }
    let acquisition = figures.iter().filter(|figure| figure.jet == ACQUISITION && detail != Detail::Least);
    trust(&mut out, results, acquisition, detail);
    out.push(Block::Heading("How it was measured".into()));
    out.push(Block::Text(content::METHOD.into()));
    out.push(Block::Text(content::program(results)));
    let rows = content::source(results).into_iter().chain(settings.iter().cloned());
    out.push(Block::table("source", [("", 1.0), ("", 3.6)], None, rows));
    if results.source.assumed.is_empty() {
        out.push(Block::Text("Nothing about the file had to be assumed.".into()));
    } else {
        out.push(Block::Text("The file left open, and it was assumed:".into()));
        out.push(Block::List(results.source.assumed.clone()));
    }
    out.push(Block::Heading("Cautions".into()));
    out.push(Block::List(content::cautions(results)));
    out
}

fn grading(out: &mut Vec<Block>, grading: &Grading, unit: AreaUnit) {
    let conclusion = &grading.conclusion;
    out.push(Block::Heading("Integrated grading".into()));
    let told = |text: &String| unit.sentence(text);
    out.push(Block::Text(told(&format!("{} {}", conclusion.sentence, grading.guideline.sentence))));
    if !conclusion.next.is_empty() {
        out.push(Block::List(conclusion.next.iter().map(told).collect()));
    }
    if let Some(svg) = figure::grading(grading, unit) {
        let caption = "Each measurement on one scale, straight between the cuts of its table; the dotted line parts \
                       grades II and III. Diamonds: measured in the volume. Dots: entered. A bar: only the side of \
                       a cut is known. A dotted arrow: a bound, the truth lies that way."
            .into();
        out.push(Block::Figure { svg: svg.finish(), caption, share: SCALE });
    }
    out.push(Block::Sub("Values, cut points and their sources".into()));
    let heads = [
        ("Measurement", 1.5),
        ("Value (95 %)", 1.4),
        ("Severe, moderate, mild by it alone", 1.3),
        ("Stands", 0.7),
        ("Cut points and their source", 3.0),
    ];
    let rows = grading.placements.iter().map(|placement| row(placement, grading, unit));
    out.push(Block::table("placements", heads, Some(1), rows));
    out.push(Block::Sub("The guideline's steps, to the letter, and what can be contested".into()));
    let heads = [("Asked", 1.6), ("Found", 2.6), ("Follows", 1.6), ("Contestable", 1.6)];
    let rows =
        grading.steps.iter().map(|step| [&step.asked, &step.found, &step.follows, &step.contest].map(told));
    out.push(Block::table("steps", heads, None, rows));
    out.push(Block::Text(content::PROBABILITY.into()));
    if !conclusion.missing.is_empty() {
        out.push(Block::Text(format!("Not known, and would count: {}.", conclusion.missing.join(", "))));
    }
    if !grading.cautions.is_empty() {
        out.push(Block::Sub("What limits these measurements".into()));
        out.push(Block::List(grading.cautions.iter().map(told).collect()));
    }
    let used = &grading.criteria;
    out.push(Block::Text(format!("Graded by {}: {}.", used.title, used.source)));
}

fn row(placement: &Placement, grading: &Grading, unit: AreaUnit) -> [String; 5] {
    let bound = match placement.reach.words() {
        "" => String::new(),
        bound => format!(" ({bound})"),
    };
    let from = words::by(placement.by);
    let alone = placement.probability.map_or_else(String::new, |alone| match (alone.mild, alone.moderate) {
        (Some(mild), Some(moderate)) => [alone.severe, moderate, mild].map(percent).join(", "),
        _ => percent(alone.severe),
    });
    let source =
        if placement.source == grading.criteria.source { &grading.criteria.title } else { &placement.source };
    let cuts = match words::cuts(placement, unit) {
        cuts if cuts.is_empty() => "by its words".to_owned(),
        cuts => cuts,
    };
    let known = placement.known.words();
    let note = format!("{cuts}: {source}, {known}. {}", placement.note);
    [
        format!("{} ({from})", placement.label),
        format!("{}{bound}", words::placed(placement, unit)),
        alone,
        placement.agreement.words().to_owned(),
        unit.sentence(note.trim_end()),
    ]
}

fn jets(out: &mut Vec<Block>, results: &Results, unit: AreaUnit) {
    out.push(Block::Heading("The jets".into()));
    let area = format!("VC area, {} (95 %)", unit.sign());
    let heads = [
        ("Jet", 0.4),
        (area.as_str(), 1.9),
        ("Long-axis width", 1.8),
        ("Commissural width", 1.9),
        ("Shape", 1.0),
        ("Through systole", 1.2),
        ("Peak frame", 0.8),
    ];
    let rows = results.jets.iter().map(|jet| {
        [
            jet.id.to_string(),
            format!("{} ({})", unit.number(jet.vca_mm2.value), unit.span(&jet.vca_mm2)),
            mm_interval(&jet.width_mm.long_axis),
            mm_interval(&jet.width_mm.commissural),
            shape(jet.shape.class).to_owned(),
            pattern(jet.systole.pattern).to_owned(),
            words::frame(jet.peak_frame),
        ]
    });
    out.push(Block::table("jets", heads, Some(1), rows));
    if let Some(frame) = results.total.frame {
        out.push(Block::Text(format!(
            "The sum is taken at frame {}, where it is largest; single jets may peak in other frames.",
            words::frame(frame)
        )));
    }
}

/// Figures side by side; one that is left over by itself
fn pairs(out: &mut Vec<Block>, figures: &[&PageFigure]) {
    for pair in figures.chunks(2) {
        out.push(match pair {
            [left, right] => Block::Pair {
                svgs: [left, right].map(|figure| figure.svg.clone()),
                captions: [left, right].map(|figure| figure.caption.clone()),
            },
            rest => {
                let Some(one) = rest.first() else { continue };
                Block::Figure { svg: one.svg.clone(), caption: one.caption.clone(), share: 0.49 }
            }
        });
    }
}

fn one_jet(
    out: &mut Vec<Block>,
    results: &Results,
    jet: &JetResult,
    figures: &[&PageFigure],
    (unit, detail): (AreaUnit, Detail),
) {
    let title = if results.jets.len() > 1 { format!("Jet {}", jet.id) } else { "The jet".into() };
    out.push(Block::Heading(title));
    let heads = [("Measure", 1.5), ("Value (95 % interval)", 1.6), ("Note", 2.5)];
    out.push(Block::table("numbers", heads, Some(1), content::numbers(jet, unit)));
    let further = results.jets.first().is_some_and(|first| first.id != jet.id);
    match detail {
        Detail::Full => out.extend(figures.iter().map(|drawn| Block::Figure {
            svg: drawn.svg.clone(),
            caption: drawn.caption.clone(),
            share: if drawn.svg.contains("<image") { PICTURE } else { CURVES },
        })),
        Detail::Brief if further => {
            let course = words::systole(jet, unit);
            let most = figures.iter().enumerate().filter(|(at, figure)| *at == 0 || figure.caption == course);
            pairs(out, &most.map(|(_, figure)| *figure).collect::<Vec<_>>());
        }
        Detail::Paired | Detail::Brief | Detail::Least => pairs(out, figures),
    }
    out.push(Block::Sub("Frame by frame".into()));
    let heads = [("Frame", 0.8), ("Time, ms", 0.8), ("VC area (95 % interval)", 2.2), ("Outline", 0.9)];
    let rows = jet.frames.iter().map(|frame| {
        let peak = if frame.frame == jet.peak_frame { " (peak)" } else { "" };
        [
            format!("{}{peak}", words::frame(frame.frame)),
            fixed(1e3 * frame.time_s, 0),
            words::frame_area(frame, unit),
            words::frame_origin(jet, frame.frame).to_owned(),
        ]
    });
    out.push(Block::table("frames", heads, None, rows));
    if detail == Detail::Least || detail == Detail::Brief && further {
        return;
    }
    if !jet.interval_parts.is_empty() {
        out.push(Block::Sub("Where the interval comes from".into()));
        let effect = format!("Effect on the area, ± {} (95 %)", unit.sign());
        let rows = jet.interval_parts.iter().map(|part| [capital(&part.source), unit.fine(part.effect_mm2)]);
        out.push(Block::table("parts", [("Source", 2.0), (effect.as_str(), 2.0)], None, rows));
    }
    if !jet.observer.is_empty() {
        out.push(Block::Sub("What a slightly different reading would change".into()));
        let (mean, most) = (format!("Mean change, {}", unit.sign()), format!("Largest, ± {}", unit.sign()));
        let heads = [("Done differently", 2.2), (mean.as_str(), 1.0), (most.as_str(), 1.0)];
        let decimals = if unit == AreaUnit::Mm2 { 1 } else { 3 };
        let rows = jet.observer.iter().map(|change| {
            [
                capital(&change.what),
                signed(change.mean_mm2 * unit.per_mm2(), decimals),
                unit.fine(change.largest_mm2),
            ]
        });
        out.push(Block::table("parts", heads, None, rows));
    }
    convergence(out, jet, unit);
}

fn convergence(out: &mut Vec<Block>, jet: &JetResult, unit: AreaUnit) {
    let zone = &jet.convergence;
    out.push(Block::Sub("Flow convergence".into()));
    out.push(Block::Text(words::convergence(zone, unit)));
    if zone.flow_ml_s.is_none() {
        return;
    }
    let surface = format!("Surface, {}", unit.sign());
    let heads = [
        ("Speed, m/s", 1.0),
        (surface.as_str(), 1.0),
        ("Seen, %", 0.8),
        ("Flow, ml/s", 1.0),
        ("Hemisphere, ml/s", 1.2),
        ("Radius on the axis, mm", 1.4),
        ("Counts", 1.6),
    ];
    let or_none =
        |value: Option<f64>, decimals| value.map_or_else(|| "not seen".to_owned(), |v| fixed(v, decimals));
    let rows = zone.surfaces.iter().map(|surface| {
        [
            fixed(surface.speed_m_s, 2),
            unit.coarse(surface.area_mm2),
            fixed(surface.seen_percent, 0),
            fixed(surface.flow_ml_s, 0),
            or_none(surface.hemisphere_ml_s, 0),
            or_none(surface.radius_mm, 1),
            words::counted(surface.counted).to_owned(),
        ]
    });
    out.push(Block::table("parts", heads, None, rows));
    let opening = zone.upstream_mm.map_or_else(String::new, |mm| {
        format!("The opening was found {} mm upstream of the vena contracta. ", fixed(mm, 1))
    });
    let agrees = zone.agreement_percent.map_or_else(String::new, |percent| {
        format!("The phases that this flow explains agree with those displayed by {} %. ", fixed(percent, 0))
    });
    out.push(Block::Text(format!(
        "{opening}{agrees}Each surface's flow is the one that explains the blood moving at about its speed. The \
         hemisphere takes the displayed velocity as it is."
    )));
}

fn trust<'a>(
    out: &mut Vec<Block>,
    results: &Results,
    figures: impl Iterator<Item = &'a PageFigure>,
    detail: Detail,
) {
    out.push(Block::Heading("Trust check of the acquisition".into()));
    let findings = content::findings(results);
    if findings.is_empty() {
        out.push(Block::Text("Nothing was found to report.".into()));
        return;
    }
    let (adequate, told): (Vec<FindingRow>, Vec<FindingRow>) =
        findings.into_iter().partition(|row| detail >= Detail::Brief && row.verdict == "adequate");
    if !told.is_empty() {
        let rows =
            told.into_iter().map(|row| [row.verdict.to_owned(), row.name, row.found, row.limit, row.message]);
        let heads =
            [("Verdict", 0.9), ("Looked at", 1.3), ("Found", 1.1), ("Limit", 0.9), ("What it means", 3.6)];
        out.push(Block::table("marked", heads, Some(0), rows));
    }
    if !adequate.is_empty() {
        let each = adequate.iter().map(|row| format!("{} {} (limit {})", row.name, row.found, row.limit));
        out.push(Block::Text(format!("Adequate: {}.", each.collect::<Vec<_>>().join("; "))));
    }
    for drawn in figures {
        let (svg, caption) = (drawn.svg.clone(), drawn.caption.clone());
        out.push(Block::Figure { svg, caption, share: TALL });
    }
}
