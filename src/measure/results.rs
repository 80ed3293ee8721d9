//! The result document, `narrows/results/1`: what is measured, in the words of the contract.
//!
//! Keys may be added within version 1, never renamed. Lengths are millimetres, areas square
//! millimetres, times seconds from the R wave, positions millimetres in the volume's frame of
//! reference. Every interval is 95 %.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::jet::{InBeat, NeckProfile};
use crate::planimetry::{PlaneError, Section};
use crate::space::{Cut, VolumePoint, direction};
use crate::volume::ChannelKind;

pub use crate::beat::{Counted, Pattern};
pub use crate::jet::Part as Seen;
pub use crate::numeric::Interval;
pub use crate::planimetry::ShapeClass;
pub use crate::severity::Grading;
pub use crate::trust::{Finding, Stitch, Verdict};

/// The name of this version of the document
pub const SCHEMA: &str = "narrows/results/1";

/// What is said of every measurement, whatever was found
pub(crate) const STANDING_CAUTIONS: [&str; 4] = [
    "Not a medical device. The result defers to local protocols and to the licensed reader.",
    "The effective area, where the jet is narrowest, is smaller than the anatomic orifice and than the displayed \
     colour. Do not compare it with a measured or drilled hole, nor with cut points of displayed areas.",
    "Never one number alone: read the area with its interval, and with the other signs of severity.",
    "Every interval is 95 %. It covers what the program can see of its own uncertainty, not a wrong \
     acquisition.",
];

/// Everything one run of the measurement found
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Results {
    /// Always `narrows/results/1`
    pub schema: String,
    /// What made the document
    pub tool: Tool,
    /// What was measured
    pub source: Source,
    /// What the measurement was told beside the volume
    #[serde(default)]
    pub given: Given,
    /// Whether the acquisition can carry the measurement
    pub trust: Trust,
    /// The jets, the largest first; empty when there is none
    pub jets: Vec<JetResult>,
    /// The sum over the jets
    pub total: Total,
    /// The integrated grading by published criteria; `null` in documents made before there was one
    pub severity: Option<Grading>,
    /// What a reader must bear in mind, a sentence each
    pub cautions: Vec<String>,
}

/// What made the document
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tool {
    /// Version of the program
    pub version: String,
    /// Version of the numerical method, raised when numbers may change
    pub engine: String,
}

/// What was measured
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Source {
    /// File name without its folder
    pub file: String,
    /// BLAKE3 of the file, hexadecimal
    pub blake3: String,
    /// Format of the file
    pub format: String,
    /// Channels present
    pub channels: Vec<ChannelKind>,
    /// Voxels along x, y, z
    pub grid: [usize; 3],
    /// Voxel sides along x, y, z, mm
    pub voxel_mm: [f64; 3],
    /// Frames in the beat
    pub frames: usize,
    /// Mean time between frames; `null` for one frame
    pub frame_interval_s: Option<f64>,
    /// Nyquist velocity
    pub nyquist_m_s: f64,
    /// Lowest and highest displayed velocity
    pub velocity_limits_m_s: [f64; 2],
    /// What the file left open and how it was filled
    pub assumed: Vec<String>,
}

/// What the measurement was told beside the volume; `null` where it found out for itself
///
/// What was entered for the grading, and the table, stand with the grading.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Given {
    /// Nyquist velocity, m/s
    pub nyquist_m_s: Option<f64>,
    /// Baseline shift, m/s
    pub baseline_shift_m_s: Option<f64>,
    /// Anterior-posterior direction in volume space
    pub anterior_posterior: Option<[f64; 3]>,
    /// Peak velocity of the continuous-wave Doppler, m/s
    pub cw_peak_m_s: Option<f64>,
    /// Velocity-time integral of the continuous-wave Doppler, m
    pub cw_vti_m: Option<f64>,
    /// Length of the continuous-wave envelope, s
    pub cw_duration_s: Option<f64>,
    /// First and last moment of systole, s after the R wave
    pub systole_s: Option<[f64; 2]>,
}

/// Whether the acquisition can carry the measurement
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Trust {
    /// The worst of the findings
    pub verdict: Verdict,
    /// Each thing that was looked at
    pub findings: Vec<Finding>,
    /// How the tissue changes from plane to plane along the axis that steps most; `null` without tissue
    #[serde(default)]
    pub stitch: Option<Stitch>,
}

/// One jet
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct JetResult {
    /// 1 for the largest
    pub id: usize,
    /// Unit vector along the flow
    pub axis: [f64; 3],
    /// 95 % uncertainty of the axis, degrees
    pub axis_uncertainty_deg: f64,
    /// Centre of the vena contracta at the peak frame: where the contraction ends
    pub neck_mm: [f64; 3],
    /// Centre of the plane of the tracing: of least displayed area, a little upstream of the vena contracta
    pub traced_at_mm: [f64; 3],
    /// Frame of the largest area: of those whose interval begins highest
    pub peak_frame: usize,
    /// Angle between axis and beam at the vena contracta, 0 to 90; `null` without an apex
    pub beam_angle_deg: Option<f64>,
    /// What of a complete jet was seen
    pub components: Components,
    /// Area against position along the axis at the peak frame
    pub neck_profile: Vec<ProfilePoint>,
    /// Vena contracta area at the peak frame, corrected for blooming
    pub vca_mm2: Interval,
    /// Area inside the tracing, as displayed
    pub traced_area_mm2: f64,
    /// Displayed area, as a careful reader traces it, with its interval; `null` where it was not estimated
    #[serde(default)]
    pub displayed_area_mm2: Option<Interval>,
    /// The tracing, closed (the last point is not repeated), counter-clockwise seen against the flow
    pub tracing_mm: Vec<[f64; 3]>,
    /// Vena contracta widths on the long-axis and commissural cuts, corrected for blooming
    pub width_mm: Widths,
    /// Area of the circle that the long-axis width implies
    pub circle_area_mm2: f64,
    /// Area of the ellipse that the two widths imply
    pub ellipse_area_mm2: f64,
    /// Shape of the tracing
    pub shape: Shape,
    /// What the long-axis width alone would have claimed
    pub single_width: SingleWidth,
    /// The area in every frame
    pub frames: Vec<FrameResult>,
    /// The regurgitation through systole
    pub systole: Systole,
    /// Where the interval comes from, each part's share of the half width
    pub interval_parts: Vec<IntervalPart>,
    /// The ways to the area and what each says
    #[serde(default)]
    pub arms: Option<ArmsResult>,
    /// How much the area moves when a careful reader does it a little differently
    pub observer: Vec<ObserverChange>,
    /// Whose outline the numbers belong to
    #[serde(default)]
    pub reading: Reading,
    /// The flow convergence upstream of the vena contracta, in the frame of the largest flow
    #[serde(default)]
    pub convergence: Convergence,
}

/// Whose outline the numbers of a jet belong to
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reading {
    /// Who drew the outline at the peak frame
    pub origin: Origin,
    /// Name of the jet in the review it was read in; `null` outside a review
    pub jet: Option<String>,
    /// Frames whose area is that of the reader's own tracings
    pub traced_frames: Vec<usize>,
    /// Frames among them that the reader traced before seeing what the program finds
    #[serde(default)]
    pub blind_frames: Vec<usize>,
    /// Tracings that were added up at the peak frame; 0 where the program drew
    pub tracings: usize,
}

/// Who drew an outline
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// The program, on the cut it proposed
    #[default]
    Program,
    /// The program, on the cut or at the level that the reader chose
    ReaderCut,
    /// The reader, who kept the program's outline as it was
    ReaderKept,
    /// The reader, who changed the program's outline
    ReaderCorrected,
    /// The reader, by hand
    ReaderDrawn,
}

/// The flow convergence upstream of a vena contracta, in the frame of the largest flow through it
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Convergence {
    /// Why it was not measured (in the frame of the largest area); `null` where it was
    pub reason: Option<String>,
    /// The frame of the largest flow, to which all else here belongs; `null` where not measured
    pub frame: Option<usize>,
    /// The flow in every frame in which it was measured
    pub frames: Vec<ConvergenceFrame>,
    /// Flow through the surfaces of equal speed, ml/s; `null` where not measured
    pub flow_ml_s: Option<Interval>,
    /// Flow over the peak velocity of continuous-wave Doppler; `null` without either
    pub eroa_mm2: Option<Interval>,
    /// Standard deviation of the flow over the surfaces that count, percent of their mean
    pub spread_percent: Option<f64>,
    /// Centre of the opening, mm
    pub centre_mm: Option<[f64; 3]>,
    /// How far the opening lies upstream of the vena contracta, mm
    pub upstream_mm: Option<f64>,
    /// Velocity at which the display wraps in the direction of the jet, m/s
    pub alias_m_s: Option<f64>,
    /// The surfaces of equal speed, slowest first
    pub surfaces: Vec<ConvergenceSurface>,
    /// What the hemispheric formula says at the alias velocity
    pub hemisphere: Option<Hemisphere>,
    /// Agreement of the displayed phases with those that the flow explains, mean cosine of their difference, percent
    pub agreement_percent: Option<f64>,
}

/// The flow of one frame through its convergence
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConvergenceFrame {
    /// Index from 0
    pub frame: usize,
    /// Time from the R wave
    pub time_s: f64,
    /// Flow
    pub flow_ml_s: Interval,
}

/// The surface of one speed upstream
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConvergenceSurface {
    /// Speed
    pub speed_m_s: f64,
    /// Its area across the flow: flow over speed
    pub area_mm2: f64,
    /// Share of the space about it in which velocities are seen, percent
    pub seen_percent: f64,
    /// Flow that explains the velocities about it
    pub flow_ml_s: f64,
    /// Distance from the opening along the axis at which the displayed velocity has this size; `null`
    /// where it is not seen
    pub radius_mm: Option<f64>,
    /// Flow by the hemispheric formula from that radius
    pub hemisphere_ml_s: Option<f64>,
    /// Whether it counts toward the flow, and why not
    pub counted: Counted,
}

/// What the hemispheric formula says
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Hemisphere {
    /// Displayed velocity
    pub speed_m_s: f64,
    /// Distance from the opening along the axis at which it is displayed
    pub radius_mm: f64,
    /// 2 pi r^2 v
    pub flow_ml_s: f64,
    /// Over the peak velocity of continuous-wave Doppler; `null` without it
    pub eroa_mm2: Option<f64>,
    /// Against the flow through the surfaces, percent; negative where the formula misses flow
    pub error_percent: f64,
}

/// What one small departure of a reader does to the area
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ObserverChange {
    /// What was done differently
    pub what: String,
    /// Mean change, mm2
    pub mean_mm2: f64,
    /// Largest change in either direction, mm2
    pub largest_mm2: f64,
}

/// What each way to the effective area says of a jet at its peak
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ArmsResult {
    /// By the traced outline, unblurred and its mixing layer taken off, mm2
    pub outline_mm2: f64,
    /// By the network on a patch about the plane, mm2; `null` where the volume lacks what it needs
    pub network_mm2: Option<f64>,
    /// Half-width of the network's 95 % interval in the logarithm of the area
    pub network_half: f64,
    /// Logit of the probability that there is a vena contracta at all
    pub orifice_logit: f64,
    /// Whether both agree within their intervals; `null` where there is one
    pub agree: Option<bool>,
}

/// One part of an interval's half width
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IntervalPart {
    /// What is uncertain
    pub source: String,
    /// Its 95 % effect on the area, mm2
    pub effect_mm2: f64,
}

/// What of a complete jet was seen
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Components {
    /// Flow convergence upstream of the vena contracta
    pub convergence: Seen,
    /// A minimum of area between wider cross-sections
    pub contraction: Seen,
    /// The jet widening downstream
    pub expansion: Seen,
}

/// One position of the VC profile
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProfilePoint {
    /// Position along the axis, 0 at the vena contracta, positive downstream, mm
    pub position_mm: f64,
    /// Area there; `null` where nothing could be traced
    pub area_mm2: Option<f64>,
}

/// Widths on the two cuts that contain the jet axis
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Widths {
    /// On the long-axis cut
    pub long_axis: Interval,
    /// On the commissural cut
    pub commissural: Interval,
    /// On the long-axis cut, of the outline as displayed: what the published cut points of VC width are of; absent where
    /// several outlines make up the area
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub displayed_long_axis: Option<f64>,
    /// Direction of the long-axis width, unit vector
    pub long_axis_direction: [f64; 3],
    /// Whether the long-axis direction was assumed to be the shortest Feret direction
    pub axes_assumed: bool,
}

impl Widths {
    /// The long-axis width as displayed, with the relative error of the effective one
    pub fn shown(&self) -> Interval {
        let effective = self.long_axis;
        self.displayed_long_axis
            .map_or(effective, |shown| effective.scaled(shown / effective.value.max(1e-9)))
    }
}

/// Shape: its class that of the effective outline, its measures those of the tracing
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Shape {
    /// Its class
    pub class: ShapeClass,
    /// Largest over smallest Feret width
    pub axis_ratio: f64,
    /// 4 pi area / perimeter squared
    pub circularity: f64,
    /// Area over area of the convex hull
    pub solidity: f64,
    /// Largest caliper width
    pub feret_max_mm: f64,
    /// Smallest caliper width
    pub feret_min_mm: f64,
    /// Length of the tracing
    pub perimeter_mm: f64,
}

/// What the long-axis width alone would have claimed
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SingleWidth {
    /// Error of the implied circle against the area, percent
    pub error_percent: f64,
    /// Whether the displayed width's own grade differs from that of the displayed area
    pub misleads: bool,
}

/// One frame of one jet
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FrameResult {
    /// Index from 0
    pub frame: usize,
    /// Time from the R wave
    pub time_s: f64,
    /// Vena contracta area; `null` where the jet is absent
    pub vca_mm2: Option<Interval>,
    /// Whether the jet shows on both sides of its vena contracta and the vena contracta itself does not: its area is then what may
    /// hide in the gap of the colour, from nothing to the most that can, and nothing was traced
    #[serde(default)]
    pub hidden: bool,
    /// Centre of the vena contracta; where it is hidden, of the frame nearest to it
    pub neck_mm: Option<[f64; 3]>,
    /// Centre of the plane of the tracing
    pub traced_at_mm: Option<[f64; 3]>,
    /// Unit vector along the flow
    pub axis: Option<[f64; 3]>,
    /// What the interval of a tracing on the program's plane depends on; `null` where the program traced nothing, in
    /// a reader's frames and in older documents
    #[serde(default)]
    pub plane: Option<PlaneKnown>,
}

/// What the interval of a tracing on a plane depends on beside the outline
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlaneKnown {
    /// Standard error of its normal, radians
    pub axis_error_rad: f64,
    /// Standard error of its level, mm
    pub level_error_mm: f64,
    /// Largest mean phase incoherence of a cross-section within 4 mm, 0 to 1
    pub incoherence: f64,
    /// Displayed area at its level, mm2
    pub displayed_mm2: f64,
    /// Displayed area within 4 mm of its level
    pub profile: Vec<ProfilePoint>,
    /// Logarithm of the area on the beat's smooth course over what the frame shows by itself
    #[serde(default)]
    pub beat_shift: f64,
    /// Half-width of the interval on the course over the frame's own
    #[serde(default = "whole")]
    pub beat_narrowing: f64,
}

fn whole() -> f64 {
    1.0
}

/// How far from a plane its profile is kept, mm: as far as an interval can reach (1.96 times the largest error of a level,
/// 2 mm)
const PROFILE_MM: f64 = 4.0;

impl PlaneKnown {
    /// What is known of a section's plane
    pub(super) fn of(section: &Section) -> Self {
        let points = section.profile.positions_mm.iter().zip(&section.profile.areas_mm2);
        let point =
            |(position, area): (&f64, &f64)| ProfilePoint { position_mm: *position, area_mm2: Some(*area) };
        Self {
            axis_error_rad: section.error.axis,
            level_error_mm: section.error.level_mm,
            incoherence: section.incoherence,
            displayed_mm2: section.size_mm2,
            profile: points.map(point).filter(|at| at.position_mm.abs() <= PROFILE_MM).collect(),
            beat_shift: section.in_beat.shift,
            beat_narrowing: section.in_beat.narrowing,
        }
    }
}

impl FrameResult {
    /// The plane that the program traced on; `None` where it traced nothing or an older version did
    pub fn section(&self) -> Option<Section> {
        let ([x, y, z], known) = (self.traced_at_mm?, self.plane.as_ref()?);
        let axis = direction(self.axis?.into())?;
        let (positions_mm, areas_mm2): (Vec<f64>, Vec<f64>) =
            known.profile.iter().filter_map(|at| Some((at.position_mm, at.area_mm2?))).unzip();
        Some(Section {
            plane: Cut::perpendicular_to(VolumePoint::new(x, y, z), axis),
            error: PlaneError { axis: known.axis_error_rad, level_mm: known.level_error_mm },
            incoherence: known.incoherence,
            profile: NeckProfile {
                haste: vec![known.incoherence; positions_mm.len()],
                positions_mm,
                areas_mm2,
            },
            size_mm2: known.displayed_mm2,
            in_beat: InBeat { shift: known.beat_shift, narrowing: known.beat_narrowing },
        })
    }
}

/// The regurgitation through systole
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Systole {
    /// When the jet is there
    pub pattern: Pattern,
    /// Share of systole in which it is there
    pub present_fraction: f64,
    /// Mean over systole (zero where absent)
    pub mean_vca_mm2: f64,
    /// Area integrated over time
    pub integral_mm2_s: f64,
    /// First and last moment of systole used
    pub bounds_s: [f64; 2],
    /// How much the peak frame overstates the mean, percent
    pub peak_overstates_percent: f64,
    /// Regurgitant volume over velocity-time integral: the mean area weighted with the velocity; `null` without
    /// an envelope
    #[serde(default)]
    pub velocity_weighted_mean_mm2: Option<Interval>,
}

/// A peak that overstates the mean by more than this is no constant orifice, percent (our own choice)
const VARIES_PERCENT: f64 = 25.0;

impl Systole {
    /// The mean area that the peak is held against, mm2: weighted with the velocity where that is known
    pub fn mean_mm2(&self) -> f64 {
        self.velocity_weighted_mean_mm2.map_or(self.mean_vca_mm2, |mean| mean.value)
    }

    /// Whether one frame's area would overstate the regurgitation: it is not there through all of systole, or not the same
    pub fn varies(&self) -> bool {
        let known = self.pattern != Pattern::Unknown;
        known && (self.pattern != Pattern::Holosystolic || self.peak_overstates_percent > VARIES_PERCENT)
    }
}

/// The sum over the jets
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Total {
    /// Sum of the jets' areas at the frame where the sum is largest
    pub vca_mm2: Interval,
    /// Sum of the displayed areas at that frame; `null` where they were not estimated
    #[serde(default)]
    pub displayed_area_mm2: Option<Interval>,
    /// Regurgitant volume over velocity-time integral, all jets; `null` without an envelope
    #[serde(default)]
    pub velocity_weighted_mean_mm2: Option<Interval>,
    /// Frame of that sum; `null` without a jet
    pub frame: Option<usize>,
    /// Regurgitant volume of a beat; `null` without a CW Doppler envelope
    pub regurgitant_volume_ml: Option<Interval>,
    /// The CW Doppler envelope that it was made with; `null` without one and in older documents
    #[serde(default)]
    pub cw_envelope: Option<CwEnvelope>,
}

/// The CW Doppler envelope as it was used: `V sin(pi t / T)^power` from its start
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CwEnvelope {
    /// Velocity-time integral: as typed in, or from peak, duration and power
    pub vti_m: Interval,
    /// When it begins, s after the R wave
    pub start_s: f64,
    /// How long it lasts
    pub duration_s: f64,
    /// How full it is: 1 a half-sine, less a flatter top
    pub power: f64,
    /// Standard deviation of the power
    pub power_error: f64,
    /// Frames whose flow and area told the power; 0 where a half-sine was taken for want of them
    pub frames: usize,
}
