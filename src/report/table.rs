//! The results as comma-separated tables (RFC 4180): a row a jet, and a row a jet and frame.
//!
//! Plain numbers with a point, units in the column names, an empty cell where there is no value. Text that a
//! spreadsheet would take for a formula begins with an apostrophe.

use std::fmt::Write as _;

use super::{AreaUnit, words};
use crate::measure::results::{Interval, Results};

/// `jets.csv`: a row a jet
pub fn jets(results: &Results, unit: AreaUnit) -> String {
    let mut out = in_unit(
        "file,jet,peak_frame,vca_mm2,vca_low_mm2,vca_high_mm2,traced_area_mm2,long_axis_width_mm,\
         long_axis_width_low_mm,long_axis_width_high_mm,commissural_width_mm,commissural_width_low_mm,\
         commissural_width_high_mm,circle_area_mm2,ellipse_area_mm2,single_width_error_percent,shape,axis_ratio,\
         circularity,solidity,feret_max_mm,feret_min_mm,perimeter_mm,axis_x,axis_y,axis_z,neck_x_mm,neck_y_mm,\
         neck_z_mm,beam_angle_deg,axis_uncertainty_deg,pattern,present_fraction,mean_vca_mm2,integral_mm2_s,trust,outline,review_jet\n",
        unit,
    );
    for jet in &results.jets {
        let widths = &jet.width_mm;
        let mut row = Row::new(&results.source.file);
        row.put(jet.id)
            .put(jet.peak_frame)
            .interval(&area(jet.vca_mm2, unit))
            .number(unit.of(jet.traced_area_mm2));
        row.interval(&widths.long_axis).interval(&widths.commissural);
        row.number(unit.of(jet.circle_area_mm2))
            .number(unit.of(jet.ellipse_area_mm2))
            .number(jet.single_width.error_percent);
        let s = &jet.shape;
        row.put(words::shape(s.class)).number(s.axis_ratio).number(s.circularity).number(s.solidity);
        row.number(s.feret_max_mm).number(s.feret_min_mm).number(s.perimeter_mm);
        for value in jet.axis.into_iter().chain(jet.neck_mm) {
            row.number(value);
        }
        row.optional(jet.beam_angle_deg).number(jet.axis_uncertainty_deg);
        let systole = &jet.systole;
        row.put(words::pattern(systole.pattern)).number(systole.present_fraction);
        row.number(unit.of(systole.mean_vca_mm2)).number(unit.of(systole.integral_mm2_s));
        row.put(words::verdict(results.trust.verdict));
        row.put(words::origin_word(jet)).put(jet.reading.jet.as_deref().unwrap_or(""));
        row.end(&mut out);
    }
    out
}

/// `frames.csv`: a row a jet and frame
pub fn frames(results: &Results, unit: AreaUnit) -> String {
    let mut out = in_unit(
        "file,jet,frame,time_s,vca_mm2,vca_low_mm2,vca_high_mm2,neck_x_mm,neck_y_mm,neck_z_mm,axis_x,axis_y,axis_z,\
         hidden\n",
        unit,
    );
    for jet in &results.jets {
        for frame in &jet.frames {
            let mut row = Row::new(&results.source.file);
            row.put(jet.id).put(frame.frame).number(frame.time_s);
            let vca = frame.vca_mm2.map(|vca| area(vca, unit));
            row.optional(vca.map(|v| v.value)).optional(vca.map(|v| v.low)).optional(vca.map(|v| v.high));
            for place in [frame.neck_mm, frame.axis] {
                for i in 0..3 {
                    row.optional(place.map(|p| p[i]));
                }
            }
            row.put(frame.hidden);
            row.end(&mut out);
        }
    }
    out
}

/// `grading.csv`: a row a measurement or sign that was graded
pub fn grading(results: &Results, unit: AreaUnit) -> String {
    let mut out = String::from(
        "file,measurement,by,value,low,high,unit,words,position,position_low,position_high,lowest_grade,\
         highest_grade,bound,agreement,cuts,source,known\n",
    );
    for placement in results.severity.iter().flat_map(|grading| &grading.placements) {
        let mut row = Row::new(&results.source.file);
        row.put(&placement.label).put(words::by(placement.by));
        let is_area = words::is_area(placement);
        match placement.value {
            Some(value) if is_area => row.interval(&area(value, unit)),
            Some(value) => row.interval(&value),
            None => row.put("").put("").put(""),
        };
        row.put(if is_area { unit.sign() } else { &placement.unit }).put(words::placed(placement, unit));
        row.optional(placement.position).number(placement.low).number(placement.high);
        row.put(placement.grades.low.name()).put(placement.grades.high.name());
        row.put(placement.reach.words()).put(placement.agreement.words());
        row.put(words::cuts(placement, unit)).put(&placement.source).put(placement.known.words());
        row.end(&mut out);
    }
    out
}

/// The head of a table with its areas in another unit
fn in_unit(head: &str, unit: AreaUnit) -> String {
    head.replace("mm2", unit.plain())
}

/// An area in another unit; in mm2 exactly as it was
fn area(mm2: Interval, unit: AreaUnit) -> Interval {
    Interval { value: unit.of(mm2.value), low: unit.of(mm2.low), high: unit.of(mm2.high) }
}

pub(super) struct Row(String);

impl Row {
    pub(super) fn new(first: &str) -> Self {
        Self(quoted(first))
    }

    pub(super) fn put(&mut self, value: impl std::fmt::Display) -> &mut Self {
        let _ = write!(self.0, ",{}", quoted(&value.to_string()));
        self
    }

    pub(super) fn number(&mut self, value: f64) -> &mut Self {
        self.optional(Some(value))
    }

    pub(super) fn optional(&mut self, value: Option<f64>) -> &mut Self {
        match value.filter(|value| value.is_finite()) {
            Some(value) => self.put(value),
            None => self.put(""),
        }
    }

    pub(super) fn interval(&mut self, interval: &Interval) -> &mut Self {
        self.number(interval.value).number(interval.low).number(interval.high)
    }

    pub(super) fn end(self, out: &mut String) {
        out.push_str(&self.0);
        out.push('\n');
    }
}

/// A cell, quoted where it must be, and never a formula
///
/// Spreadsheets compute a cell that begins with one of four characters, or with a blank of another kind, and a
/// formula can send the rest of the table elsewhere. Numbers may begin with a sign.
pub fn quoted(cell: &str) -> String {
    let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
    let number = cell.parse::<f64>().is_ok_and(f64::is_finite);
    let told = if formula && !number { format!("'{cell}") } else { cell.to_owned() };
    if told.contains([',', '"', '\n', '\r']) { format!("\"{}\"", told.replace('"', "\"\"")) } else { told }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fixture;

    #[test]
    fn every_row_has_the_columns_of_the_head() {
        let mut results = fixture::results();
        results.source.file = "a, \"b\".dcm".into();
        for table in [jets(&results, AreaUnit::Mm2), frames(&results, AreaUnit::Cm2)] {
            let columns = table.lines().next().unwrap().split(',').count();
            for line in table.lines().skip(1) {
                let rest = line.strip_prefix("\"a, \"\"b\"\".dcm\"").unwrap();
                assert_eq!(rest.split(',').count(), columns);
            }
        }
        assert_eq!(
            frames(&results, AreaUnit::Mm2).lines().count(),
            1 + results.jets.iter().map(|j| j.frames.len()).sum::<usize>()
        );
        assert!(jets(&results, AreaUnit::Mm2).contains(",41.25,35.5,47.75,"));
        let cm2 = jets(&results, AreaUnit::Cm2);
        assert!(cm2.contains("vca_low_cm2") && !cm2.contains("mm2") && cm2.contains(",0.4125,0.355,"));
    }

    #[test]
    fn no_cell_is_a_formula() {
        for (cell, expected) in [
            ("=1+1", "'=1+1"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("+cmd|x", "'+cmd|x"),
            ("-2+3", "'-2+3"),
            ("\t=1", "'\t=1"),
            ("\r=1", "\"'\r=1\""),
            ("=HYPERLINK(\"a\",\"b\")", "\"'=HYPERLINK(\"\"a\"\",\"\"b\"\")\""),
            ("-2.5", "-2.5"),
            ("+1e-3", "+1e-3"),
            ("a=b", "a=b"),
            ("", ""),
        ] {
            assert_eq!(quoted(cell), expected);
        }
        let mut results = fixture::results();
        results.source.file = "=evil.dcm".into();
        assert!(jets(&results, AreaUnit::Mm2).contains("\n'=evil.dcm,1,"));
    }

    #[test]
    fn a_row_for_everything_that_was_graded() {
        let results = fixture::results();
        let table = grading(&results, AreaUnit::Mm2);
        let placements = &results.severity.as_ref().unwrap().placements;
        assert!(placements.len() > 5);
        assert_eq!(table.lines().count(), 1 + placements.len());
        assert!(
            table.contains(
                "\"VC area in 3D, displayed\",the volume,48.5,41.5,56,mm²,48.5 mm² (41.5 to 56.0),"
            )
        );
    }
}
