//! The tables of a cohort: one row a jet, one row a volume, and what every column means.
//!
//! A column is its name, its kind, its unit, a sentence, and the function that takes its value out of a
//! result; the head, the rows, the data dictionary and the types of a binary table all follow from
//! the one list. A row is made from results and from nothing else, so a table assembled on another
//! day or machine is the same to the byte.

use serde::{Deserialize, Serialize};

use crate::measure::Results;
use crate::measure::results::{JetResult, Pattern, Seen, ShapeClass, Verdict};

/// The kind of a column
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Words
    Text,
    /// A whole number
    Whole,
    /// A number
    Real,
    /// true or false
    Truth,
}

impl Kind {
    /// As the data dictionary says it
    pub fn word(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Whole => "integer",
            Self::Real => "number",
            Self::Truth => "true or false",
        }
    }
}

/// One cell of a table
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Cell {
    /// true or false
    Truth(bool),
    /// A whole number
    Whole(i64),
    /// A number, never NaN or infinite
    Real(f64),
    /// Words
    Text(String),
    /// Nothing: was not measured, or has no meaning here
    Missing(()),
}

impl From<f64> for Cell {
    fn from(value: f64) -> Self {
        if value.is_finite() { Self::Real(value) } else { Self::Missing(()) }
    }
}

impl From<usize> for Cell {
    fn from(value: usize) -> Self {
        Self::Whole(value as i64)
    }
}

impl From<bool> for Cell {
    fn from(value: bool) -> Self {
        Self::Truth(value)
    }
}

impl From<&str> for Cell {
    fn from(value: &str) -> Self {
        if value.is_empty() { Self::Missing(()) } else { Self::Text(value.to_owned()) }
    }
}

impl<T: Into<Self>> From<Option<T>> for Cell {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Missing(()), Into::into)
    }
}

/// One column: what it is called, what it holds, and where it comes from
pub struct Column<F> {
    /// Name in the head line, with its unit
    pub name: &'static str,
    /// Kind
    pub kind: Kind,
    /// Unit; empty for none
    pub unit: &'static str,
    /// What it means, one sentence
    pub meaning: &'static str,
    value: F,
}

/// A column of the table of jets
pub type JetColumn = Column<fn(&Results, &JetResult) -> Cell>;
/// A column of the table of volumes
pub type VolumeColumn = Column<fn(&Results) -> Cell>;
/// A column without where it comes from
pub type Head = (&'static str, Kind, &'static str, &'static str);

impl<F> Column<F> {
    fn head(&self) -> Head {
        (self.name, self.kind, self.unit, self.meaning)
    }
}

/// What became of one volume, as much of it as the tables need
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// It was measured: cells of the volume's row and of its jets' rows, without the file's name
    Measured {
        /// Cells of [`VOLUME_COLUMNS`]
        volume: Vec<Cell>,
        /// Cells of [`JET_COLUMNS`], a row a jet
        jets: Vec<Vec<Cell>>,
    },
    /// It could not be: why
    Failed {
        /// The reason, one line
        reason: String,
    },
}

impl Outcome {
    /// The rows of a measured volume
    pub fn of(results: &Results) -> Self {
        let jet_row = |jet| JET_COLUMNS.iter().map(|column| (column.value)(results, jet)).collect();
        Self::Measured {
            volume: VOLUME_COLUMNS.iter().map(|column| (column.value)(results)).collect(),
            jets: results.jets.iter().map(jet_row).collect(),
        }
    }

    /// The reason why a volume has no measurement, on one line
    pub fn failed(reason: &str) -> Self {
        Self::Failed { reason: reason.split_whitespace().collect::<Vec<_>>().join(" ") }
    }

    /// Whether its rows have as many cells as this version's tables
    pub fn fits(&self) -> bool {
        match self {
            Self::Failed { .. } => true,
            Self::Measured { volume, jets } => {
                volume.len() == VOLUME_COLUMNS.len() && jets.iter().all(|jet| jet.len() == JET_COLUMNS.len())
            }
        }
    }
}

/// A table ready to be written: its columns and its rows, cell by cell
#[derive(Clone, Debug, PartialEq)]
pub struct Rows {
    /// Name, kind, unit, meaning
    pub columns: Vec<Head>,
    /// The rows, each as long as the columns
    pub rows: Vec<Vec<Cell>>,
}

/// The two tables of a cohort
#[derive(Clone, Debug, PartialEq)]
pub struct Cohort {
    /// One row a jet
    pub jets: Rows,
    /// One row a volume, measured or not
    pub volumes: Rows,
}

const FILE: Head =
    ("file", Kind::Text, "", "Path of the volume: relative to the folder given, or as written in the list");
const HASH: Head =
    ("blake3", Kind::Text, "", "BLAKE3 of the volume's bytes, hexadecimal; empty where it could not be read");

/// Puts outcomes into tables, in the order given: file, hash and what became of it
pub fn assemble<'a>(entries: impl IntoIterator<Item = (&'a str, &'a str, &'a Outcome)>) -> Cohort {
    let mut volume_head = vec![FILE, HASH];
    volume_head.extend(VOLUME_COLUMNS.iter().map(Column::head));
    volume_head.push((
        "error",
        Kind::Text,
        "",
        "Why the volume could not be measured; empty where it was (a volume without a jet is measured)",
    ));
    let mut jet_head = vec![FILE, HASH];
    jet_head.extend(JET_COLUMNS.iter().map(Column::head));
    let (mut volumes, mut jets) = (Vec::new(), Vec::new());
    for (file, hash, outcome) in entries {
        let start = || vec![Cell::from(file), Cell::from(hash)];
        let mut row = start();
        match outcome {
            Outcome::Measured { volume, jets: found } => {
                row.extend(volume.iter().cloned());
                row.push(Cell::Missing(()));
                for jet in found {
                    let mut row = start();
                    row.extend(jet.iter().cloned());
                    jets.push(row);
                }
            }
            Outcome::Failed { reason } => {
                row.resize(volume_head.len() - 1, Cell::Missing(()));
                row.push(Cell::from(reason.as_str()));
            }
        }
        volumes.push(row);
    }
    Cohort {
        jets: Rows { columns: jet_head, rows: jets },
        volumes: Rows { columns: volume_head, rows: volumes },
    }
}

/// What an ellipse through the two caliper widths of a tracing would overstate: its area over the
/// traced area
///
/// 1 for every ellipse, about 0.8 for a slit, above 1.3 for a crescent: calipers span its hollow. Our
/// own measure.
pub fn crescent_index(jet: &JetResult) -> f64 {
    let ellipse = std::f64::consts::PI / 4.0 * jet.shape.feret_max_mm * jet.shape.feret_min_mm;
    ellipse / jet.traced_area_mm2
}

/// Of one column each: name, kind, unit, meaning, and where its value comes from
macro_rules! columns {
    ($function:ty; $($name:literal, $kind:ident, $unit:literal, $meaning:literal, $value:expr;)*) => {
        &[$(Column {
            name: $name,
            kind: Kind::$kind,
            unit: $unit,
            meaning: $meaning,
            value: $value as $function,
        }),*]
    };
}

/// The columns of the table of jets, after file and hash
#[rustfmt::skip]
pub const JET_COLUMNS: &[JetColumn] = columns![fn(&Results, &JetResult) -> Cell;
    "jet", Whole, "",
        "Number of the jet in its volume, 1 for the largest",
        |_, jet| Cell::from(jet.id);
    "peak_frame", Whole, "",
        "Frame of its largest area, from 0",
        |_, jet| Cell::from(jet.peak_frame);
    "vca_mm2", Real, "mm2",
        "Vena contracta area at the peak frame, corrected for blooming",
        |_, jet| Cell::from(jet.vca_mm2.value);
    "vca_low_mm2", Real, "mm2",
        "Lower end of its 95 % interval",
        |_, jet| Cell::from(jet.vca_mm2.low);
    "vca_high_mm2", Real, "mm2",
        "Upper end of its 95 % interval",
        |_, jet| Cell::from(jet.vca_mm2.high);
    "traced_area_mm2", Real, "mm2",
        "Area inside the tracing as displayed, uncorrected",
        |_, jet| Cell::from(jet.traced_area_mm2);
    "long_axis_width_mm", Real, "mm",
        "Vena contracta width on the long-axis cut, corrected",
        |_, jet| Cell::from(jet.width_mm.long_axis.value);
    "long_axis_width_low_mm", Real, "mm",
        "Lower end of its 95 % interval",
        |_, jet| Cell::from(jet.width_mm.long_axis.low);
    "long_axis_width_high_mm", Real, "mm",
        "Upper end of its 95 % interval",
        |_, jet| Cell::from(jet.width_mm.long_axis.high);
    "commissural_width_mm", Real, "mm",
        "Vena contracta width on the commissural cut, corrected",
        |_, jet| Cell::from(jet.width_mm.commissural.value);
    "commissural_width_low_mm", Real, "mm",
        "Lower end of its 95 % interval",
        |_, jet| Cell::from(jet.width_mm.commissural.low);
    "commissural_width_high_mm", Real, "mm",
        "Upper end of its 95 % interval",
        |_, jet| Cell::from(jet.width_mm.commissural.high);
    "axes_assumed", Truth, "",
        "Whether the long-axis direction was assumed to be the shortest caliper direction",
        |_, jet| Cell::from(jet.width_mm.axes_assumed);
    "circle_area_mm2", Real, "mm2",
        "Area of the circle that the long-axis width implies",
        |_, jet| Cell::from(jet.circle_area_mm2);
    "ellipse_area_mm2", Real, "mm2",
        "Area of the ellipse that the two widths imply",
        |_, jet| Cell::from(jet.ellipse_area_mm2);
    "single_width_error_percent", Real, "%",
        "Error of that circle against the area",
        |_, jet| Cell::from(jet.single_width.error_percent);
    "single_width_missed_mm2", Real, "mm2",
        "What the single width misses: the area less that circle; negative where the circle overstates",
        |_, jet| Cell::from(jet.vca_mm2.value - jet.circle_area_mm2);
    "single_width_misleads", Truth, "",
        "Whether that circle lies outside the interval of the area",
        |_, jet| Cell::from(jet.single_width.misleads);
    "shape", Text, "",
        "Shape class: round, elliptical, crescent or irregular",
        |_, jet| Cell::from(shape(jet.shape.class));
    "axis_ratio", Real, "",
        "Largest over smallest caliper width of the tracing",
        |_, jet| Cell::from(jet.shape.axis_ratio);
    "circularity", Real, "",
        "4 pi area over perimeter squared",
        |_, jet| Cell::from(jet.shape.circularity);
    "solidity", Real, "",
        "Area over area of the convex hull",
        |_, jet| Cell::from(jet.shape.solidity);
    "crescent_index", Real, "",
        "Area of the ellipse through both caliper widths over the traced area: 1 for an ellipse, above 1.3 for a crescent; our own measure",
        |_, jet| Cell::from(crescent_index(jet));
    "feret_max_mm", Real, "mm",
        "Largest caliper width of the tracing",
        |_, jet| Cell::from(jet.shape.feret_max_mm);
    "feret_min_mm", Real, "mm",
        "Smallest caliper width of the tracing",
        |_, jet| Cell::from(jet.shape.feret_min_mm);
    "perimeter_mm", Real, "mm",
        "Length of the tracing",
        |_, jet| Cell::from(jet.shape.perimeter_mm);
    "axis_x", Real, "",
        "Unit vector along the flow, x",
        |_, jet| Cell::from(jet.axis[0]);
    "axis_y", Real, "",
        "Unit vector along the flow, y",
        |_, jet| Cell::from(jet.axis[1]);
    "axis_z", Real, "",
        "Unit vector along the flow, z",
        |_, jet| Cell::from(jet.axis[2]);
    "axis_uncertainty_deg", Real, "deg",
        "95 % uncertainty of the axis",
        |_, jet| Cell::from(jet.axis_uncertainty_deg);
    "neck_x_mm", Real, "mm",
        "Centre of the vena contracta, x in the frame of reference of the volume",
        |_, jet| Cell::from(jet.neck_mm[0]);
    "neck_y_mm", Real, "mm",
        "Centre of the vena contracta, y",
        |_, jet| Cell::from(jet.neck_mm[1]);
    "neck_z_mm", Real, "mm",
        "Centre of the vena contracta, z",
        |_, jet| Cell::from(jet.neck_mm[2]);
    "beam_angle_deg", Real, "deg",
        "Angle between axis and beam at the vena contracta, 0 to 90; empty where the place of the probe is not known",
        |_, jet| Cell::from(jet.beam_angle_deg);
    "convergence", Truth, "",
        "Whether flow convergence was seen upstream of the vena contracta",
        |_, jet| Cell::from(jet.components.convergence == Seen::Found);
    "contraction", Truth, "",
        "Whether a minimum of area between wider cross-sections was seen",
        |_, jet| Cell::from(jet.components.contraction == Seen::Found);
    "expansion", Truth, "",
        "Whether the jet was seen to widen downstream",
        |_, jet| Cell::from(jet.components.expansion == Seen::Found);
    "pattern", Text, "",
        "When in systole the jet is there: holosystolic, early, mid, late, biphasic or unknown",
        |_, jet| Cell::from(pattern(jet.systole.pattern));
    "present_fraction", Real, "",
        "Share of systole in which it is there, 0 to 1",
        |_, jet| Cell::from(jet.systole.present_fraction);
    "mean_vca_mm2", Real, "mm2",
        "Mean area over systole, zero where absent",
        |_, jet| Cell::from(jet.systole.mean_vca_mm2);
    "integral_mm2_s", Real, "mm2 s",
        "Area integrated over time",
        |_, jet| Cell::from(jet.systole.integral_mm2_s);
    "peak_overstates_percent", Real, "%",
        "How much the peak frame overstates the mean",
        |_, jet| Cell::from(jet.systole.peak_overstates_percent);
    "trust", Text, "",
        "Verdict of the trust check of the volume: adequate, limited or unfit",
        |results, _| Cell::from(verdict(results.trust.verdict));
];

/// The columns of the table of volumes, between file and hash and the error
#[rustfmt::skip]
pub const VOLUME_COLUMNS: &[VolumeColumn] = columns![fn(&Results) -> Cell;
    "format", Text, "",
        "Format of the file",
        |results| Cell::from(results.source.format.as_str());
    "jets", Whole, "",
        "Number of jets found",
        |results| Cell::from(results.jets.len());
    "total_vca_mm2", Real, "mm2",
        "Sum of the areas of the jets at the frame where the sum is largest; 0 without a jet",
        |results| Cell::from(results.total.vca_mm2.value);
    "total_vca_low_mm2", Real, "mm2",
        "Lower end of its 95 % interval",
        |results| Cell::from(results.total.vca_mm2.low);
    "total_vca_high_mm2", Real, "mm2",
        "Upper end of its 95 % interval",
        |results| Cell::from(results.total.vca_mm2.high);
    "total_frame", Whole, "",
        "Frame of that sum, from 0; empty without a jet",
        |results| Cell::from(results.total.frame);
    "trust", Text, "",
        "Verdict of the trust check: adequate, limited or unfit",
        |results| Cell::from(verdict(results.trust.verdict));
    "findings", Text, "",
        "Codes of the findings that are limited or unfit, separated by spaces",
        |results| Cell::from(weak_findings(results).as_str());
    "frames", Whole, "",
        "Frames in the beat",
        |results| Cell::from(results.source.frames);
    "frame_interval_s", Real, "s",
        "Mean time between frames; empty for one frame",
        |results| Cell::from(results.source.frame_interval_s);
    "nyquist_m_s", Real, "m/s",
        "Nyquist velocity",
        |results| Cell::from(results.source.nyquist_m_s);
    "velocity_low_m_s", Real, "m/s",
        "Lowest displayed velocity",
        |results| Cell::from(results.source.velocity_limits_m_s[0]);
    "velocity_high_m_s", Real, "m/s",
        "Highest displayed velocity",
        |results| Cell::from(results.source.velocity_limits_m_s[1]);
    "grid_x", Whole, "",
        "Voxels along x",
        |results| Cell::from(results.source.grid[0]);
    "grid_y", Whole, "",
        "Voxels along y",
        |results| Cell::from(results.source.grid[1]);
    "grid_z", Whole, "",
        "Voxels along z",
        |results| Cell::from(results.source.grid[2]);
    "voxel_x_mm", Real, "mm",
        "Voxel side along x",
        |results| Cell::from(results.source.voxel_mm[0]);
    "voxel_y_mm", Real, "mm",
        "Voxel side along y",
        |results| Cell::from(results.source.voxel_mm[1]);
    "voxel_z_mm", Real, "mm",
        "Voxel side along z",
        |results| Cell::from(results.source.voxel_mm[2]);
    "assumed", Text, "",
        "What the file left open and how it was filled, sentences",
        |results| Cell::from(results.source.assumed.join(" ").as_str());
    "engine", Text, "",
        "Version of the numerical method",
        |results| Cell::from(results.tool.engine.as_str());
];

fn weak_findings(results: &Results) -> String {
    let weak = results.trust.findings.iter().filter(|finding| finding.verdict != Verdict::Adequate);
    weak.map(|finding| finding.code.as_str()).collect::<Vec<_>>().join(" ")
}

fn shape(class: ShapeClass) -> &'static str {
    match class {
        ShapeClass::Round => "round",
        ShapeClass::Elliptical => "elliptical",
        ShapeClass::Crescent => "crescent",
        ShapeClass::Irregular => "irregular",
    }
}

fn pattern(pattern: Pattern) -> &'static str {
    match pattern {
        Pattern::Holosystolic => "holosystolic",
        Pattern::Early => "early",
        Pattern::Mid => "mid",
        Pattern::Late => "late",
        Pattern::Biphasic => "biphasic",
        Pattern::Unknown => "unknown",
    }
}

fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Adequate => "adequate",
        Verdict::Limited => "limited",
        Verdict::Unfit => "unfit",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_used_once_and_carry_their_unit() {
        let failed = Outcome::failed("no\n  colour");
        let cohort = assemble([("a.dcm", "", &failed)]);
        for table in [&cohort.jets, &cohort.volumes] {
            let mut names: Vec<&str> = table.columns.iter().map(|column| column.0).collect();
            for (name, kind, unit, meaning) in &table.columns {
                let tail = match *unit {
                    "mm" => "_mm",
                    "mm2" => "_mm2",
                    "%" => "_percent",
                    "deg" => "_deg",
                    "s" => "_s",
                    "m/s" => "_m_s",
                    "mm2 s" => "_mm2_s",
                    _ => "",
                };
                assert!(name.ends_with(tail) && !meaning.is_empty(), "{name}");
                assert!(*kind == Kind::Real || unit.is_empty(), "{name}");
            }
            let count = names.len();
            names.sort_unstable();
            names.dedup();
            assert_eq!(names.len(), count);
        }
        assert_eq!(cohort.jets.rows.len(), 0);
        let row = &cohort.volumes.rows[0];
        assert_eq!(row.len(), cohort.volumes.columns.len());
        assert_eq!(row.last(), Some(&Cell::Text("no colour".into())));
        assert_eq!(row[1], Cell::Missing(()));
    }

    #[test]
    fn cells_survive_their_text() {
        let cells = vec![
            Cell::from(true),
            Cell::from(3usize),
            Cell::from(3.0),
            Cell::from(0.1 + 0.2),
            Cell::from("a \"b\""),
            Cell::from(f64::NAN),
            Cell::from(None::<f64>),
            Cell::from(""),
        ];
        let text = serde_json::to_string(&cells).unwrap();
        assert_eq!(serde_json::from_str::<Vec<Cell>>(&text).unwrap(), cells);
        assert_eq!(cells[5], Cell::Missing(()));
    }
}
