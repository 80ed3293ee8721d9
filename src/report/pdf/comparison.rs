//! Before and after on paper.

use super::super::colour::{INK, QUIET};
use super::super::comparison::{comparison_answer, rows};
use super::super::content;
use super::face::Face;
use super::flow::{Column, Flow};
use super::sheet::{Sheet, Style};
use super::{PairFigures, PaperOptions, figure};
use crate::measure::Comparison;

/// The pages
pub(crate) fn pages(
    of: &Comparison,
    figures: &PairFigures,
    options: &PaperOptions,
    face: &Face,
) -> Vec<Sheet> {
    let mut flow = Flow::new(options.paper, face);
    let (headline, sentence) = comparison_answer(of, options.unit);
    let files = format!("{} and {}", of.before.source.file, of.after.source.file);
    flow.title("Before and after", &files);
    flow.line("Change of the vena contracta area", Style::plain(11.0, QUIET), 12.0);
    flow.line(&headline, Style::bold(36.0, INK), 36.0);
    flow.gap(8.0);
    flow.paragraph(&sentence);
    for caution in &of.cautions {
        flow.bullet(caution);
    }
    let heads: Vec<Column> = [("", 1.7), ("Before", 1.5), ("After", 1.5), ("Change (95 % interval)", 2.2)]
        .map(|(name, share)| (name.to_owned(), share))
        .into();
    let lines: Vec<Vec<String>> = rows(of, options.unit)
        .into_iter()
        .map(|row| std::iter::once(row.name).chain(row.cells).collect())
        .collect();
    flow.table(&heads, &lines, Some(3));
    flow.pair(figures.en_face.each_ref().map(Option::as_deref), ["Before", "After: the same scale"]);
    let size = figure::size(&figures.courses).unwrap_or((1000.0, 480.0));
    flow.figure(&figures.courses, size, "Orange, solid: before. Blue, dashed: after.", 0.8);
    flow.paragraph(&of.assumption);
    flow.paragraph(&format!("{} {}", content::STANDING_CAUTIONS[0], content::STANDING_CAUTIONS[2]));
    flow.heading("What was measured", 80.0);
    let heads: Vec<Column> =
        [("", 1.0), ("Before", 2.2), ("After", 2.2)].map(|(name, share)| (name.to_owned(), share)).into();
    let mut lines: Vec<Vec<String>> = content::source(&of.before)
        .into_iter()
        .zip(content::source(&of.after))
        .map(|([name, one], [_, two])| vec![name, one, two])
        .collect();
    for [name, value] in &options.settings {
        lines.push(vec![name.clone(), value.clone(), value.clone()]);
    }
    flow.table(&heads, &lines, None);
    flow.paragraph(&content::program(&of.after));
    flow.finish()
}
