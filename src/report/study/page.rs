//! The frame of a study's page, in the looks of the report.

use std::fmt::Write as _;

use crate::report::content::STANDING_CAUTIONS;
use crate::report::html::{CSS, GENERATOR};
use crate::report::svg::escape;
use crate::report::words::fixed;

/// A whole page around its body
pub(super) fn whole(title: &str, file: &str, body: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n{GENERATOR}\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{title}: {file}</title>\n<style>\n{CSS}</style>\n</head>\n<body>\n<main>\n\
         <header>\n<p class=\"kicker\">{title}</p>\n<p class=\"file\">{file}</p>\n</header>\n{body}\
         <p class=\"quiet\">{}</p>\n</main>\n</body>\n</html>\n",
        STANDING_CAUTIONS[0],
        title = escape(title),
        file = escape(file),
    )
}

/// A table with a head line; cells are escaped here
pub(super) fn table(out: &mut String, head: &[&str], rows: &[Vec<String>]) {
    out.push_str("<table>\n<thead><tr>");
    for name in head {
        let _ = write!(out, "<th>{}</th>", escape(name));
    }
    out.push_str("</tr></thead>\n<tbody>\n");
    for row in rows {
        out.push_str("<tr>");
        for (at, cell) in row.iter().enumerate() {
            let tag = if at == 0 { "th" } else { "td" };
            let _ = write!(out, "<{tag}>{}</{tag}>", escape(cell));
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody>\n</table>\n");
}

/// A figure with its caption
pub(super) fn figure(out: &mut String, svg: &str, caption: &str) {
    let _ = writeln!(out, "<figure>\n{svg}<figcaption>{}</figcaption>\n</figure>", escape(caption));
}

/// `0.71 (0.34 to 0.95)`, `not estimable` without a value, the value alone without an interval
pub(super) fn with_interval(value: Option<f64>, ends: Option<[f64; 2]>, decimals: usize) -> String {
    match (value, ends) {
        (None, _) => "not estimable".into(),
        (Some(value), None) => fixed(value, decimals),
        (Some(value), Some([low, high])) => {
            format!("{} ({} to {})", fixed(value, decimals), fixed(low, decimals), fixed(high, decimals))
        }
    }
}
