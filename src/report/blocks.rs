//! What follows page one, as a list of blocks that page and paper set alike.

use std::fmt::Write as _;

use super::pdf::flow::{Column, Flow};
use super::svg::escape;

/// One piece of a document
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Block {
    /// A heading; a new section of the page
    Heading(String),
    /// A heading inside a section
    Sub(String),
    /// A paragraph
    Text(String),
    /// A list
    List(Vec<String>),
    /// A table: its class on the page, heads with their share of the width, rows, and the bold column
    Table {
        /// Class on the page; the cells of a `marked` table begin with a verdict
        class: &'static str,
        /// Names of the columns, all empty for none, with their share of the paper's width
        heads: Vec<Column>,
        /// The cells, a row each
        rows: Vec<Vec<String>>,
        /// The column set bold on paper
        strong: Option<usize>,
    },
    /// A figure with its caption, and how much of the paper's width it takes
    Figure {
        /// The drawing
        svg: String,
        /// What it shows
        caption: String,
        /// Share of the width on paper
        share: f64,
    },
    /// Two figures side by side, with what they show
    Pair {
        /// The drawings
        svgs: [String; 2],
        /// What they show
        captions: [String; 2],
    },
}

impl Block {
    /// A table
    pub(crate) fn table<const N: usize>(
        class: &'static str,
        heads: [(&str, f64); N],
        strong: Option<usize>,
        rows: impl IntoIterator<Item = [String; N]>,
    ) -> Self {
        let heads = heads.map(|(name, share)| (name.to_owned(), share)).into();
        Self::Table { class, heads, rows: rows.into_iter().map(Vec::from).collect(), strong }
    }
}

/// The blocks on the page
pub(crate) fn page(blocks: &[Block]) -> String {
    let mut out = String::new();
    let mut open = false;
    for block in blocks {
        match block {
            Block::Heading(text) => {
                out.push_str(if open { "</section>\n" } else { "" });
                let _ = writeln!(out, "<section>\n<h2>{}</h2>", escape(text));
                open = true;
            }
            Block::Sub(text) => {
                let _ = writeln!(out, "<h3>{}</h3>", escape(text));
            }
            Block::Text(text) => {
                let _ = writeln!(out, "<p>{}</p>", escape(text));
            }
            Block::List(items) => {
                out.push_str("<ul>\n");
                for item in items {
                    let _ = writeln!(out, "<li>{}</li>", escape(item));
                }
                out.push_str("</ul>\n");
            }
            Block::Table { class, heads, rows, .. } => table(&mut out, class, heads, rows),
            Block::Figure { svg, caption, .. } => {
                let _ =
                    writeln!(out, "<figure>\n{svg}<figcaption>{}</figcaption>\n</figure>", escape(caption));
            }
            // Of paper alone: a page has room below.
            Block::Pair { .. } => {}
        }
    }
    out.push_str(if open { "</section>\n" } else { "" });
    out
}

fn table(out: &mut String, class: &str, heads: &[Column], rows: &[Vec<String>]) {
    let _ = writeln!(out, "<table class=\"{class}\">");
    if heads.iter().any(|(name, _)| !name.is_empty()) {
        out.push_str("<thead><tr>");
        for (name, _) in heads {
            let _ = write!(out, "<th>{}</th>", escape(name));
        }
        out.push_str("</tr></thead>\n");
    }
    out.push_str("<tbody>\n");
    for row in rows {
        let cells: String = row
            .iter()
            .enumerate()
            .map(|(column, cell)| match (column, escape(cell)) {
                (0, cell) if class == "marked" => {
                    format!("<td><span class=\"mark {cell}\">{cell}</span></td>")
                }
                (0, cell) => format!("<th>{cell}</th>"),
                (_, cell) => format!("<td>{cell}</td>"),
            })
            .collect();
        let _ = writeln!(out, "<tr>{cells}</tr>");
    }
    out.push_str("</tbody>\n</table>\n");
}

/// The blocks on paper
pub(crate) fn paper(blocks: &[Block], flow: &mut Flow<'_>) {
    for block in blocks {
        match block {
            Block::Heading(text) => flow.heading(text, 60.0),
            Block::Sub(text) => flow.subheading(text, 50.0),
            Block::Text(text) => flow.paragraph(text),
            Block::List(items) => items.iter().for_each(|item| flow.bullet(item)),
            Block::Table { heads, rows, strong, .. } => flow.table(heads, rows, *strong),
            Block::Figure { svg, caption, share } => {
                let size = super::pdf::figure::size(svg).unwrap_or((1000.0, 650.0));
                flow.figure(svg, size, caption, *share);
            }
            Block::Pair { svgs, captions } => {
                flow.pair(svgs.each_ref().map(|svg| Some(svg.as_str())), [""; 2]);
                flow.caption(&format!("Left: {} Right: {}", captions[0], captions[1]));
            }
        }
    }
}
