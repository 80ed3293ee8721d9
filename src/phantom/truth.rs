//! What was really there: the numbers no scanner can see.
//!
//! The area of truth is the *effective* area, flow over core speed, which is the jet's
//! cross-section at the neck. The anatomic area of the hole stands beside it and is larger by the
//! contraction coefficient; the two must never be compared without saying so. Positions are
//! millimetres in volume space at the unshifted beat.

use nalgebra::{Matrix3, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::recipe::Recipe;
use super::scene::{Scene, Stage, rotation};
use super::shape::label;
use super::wave;

/// A jet slower than this counts as absent, m/s
const PRESENT_M_S: f64 = 0.5;
/// A jet smaller than this counts as absent, mm2
const PRESENT_MM2: f64 = 0.5;

/// The truth beside a phantom
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Truth {
    /// Always `narrows/truth/1`
    pub schema: String,
    /// Version of the generator
    pub engine: String,
    /// Version of the program
    pub version: String,
    /// Seed of everything random
    pub seed: u64,
    /// Where the beams start, mm in volume space
    pub apex_mm: [f64; 3],
    /// Centre of the plate at rest, mm in volume space
    pub plate_mm: [f64; 3],
    /// The plate's normal, downstream, unit vector in volume space
    pub plate_normal: [f64; 3],
    /// Times of the frames from the R wave, s
    pub times_s: Vec<f64>,
    /// Standard deviations of the point spread along the grid's x, y and z at the plate's depth, mm
    pub blur_mm: [f64; 3],
    /// Rigid shift of the heart in each gated beat, in volume space, mm
    pub beat_shift_mm: Vec<[f64; 3]>,
    /// R-R interval of each gated beat, s
    pub beats_rr_s: Vec<f64>,
    /// The orifices in the order of the recipe
    pub jets: Vec<JetTruth>,
    /// Sum of the jets' regurgitant volumes in a beat, ml
    pub regurgitant_volume_ml: f64,
    /// The recipe that made it
    pub recipe: Recipe,
}

/// What the outline of an orifice is
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum TruthShape {
    /// A circle or nearly one
    Round,
    /// Elongated and convex
    Elliptical,
    /// Bent
    Crescent,
    /// None of these
    Irregular,
}

/// The truth about one jet
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct JetTruth {
    /// Position in the recipe, from 1
    pub id: usize,
    /// What its outline is
    pub shape: TruthShape,
    /// Effective over anatomic area
    pub contraction: f64,
    /// Unit vector along the flow, volume space
    pub axis: [f64; 3],
    /// Area over area of the convex hull
    pub solidity: f64,
    /// Frame of the largest effective area among those where it is present (the fastest on a tie)
    pub peak_frame: Option<usize>,
    /// Flow integrated over systole, ml
    pub regurgitant_volume_ml: f64,
    /// Speed times area over the largest area, integrated over systole, cm
    pub velocity_time_integral_cm: f64,
    /// One entry a frame
    pub frames: Vec<JetTruthFrame>,
}

/// The truth about one jet in one frame
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct JetTruthFrame {
    /// Index from 0
    pub frame: usize,
    /// Time from the R wave, s
    pub time_s: f64,
    /// Whether there is a jet: core speed at least 0.5 m/s and effective area at least 0.5 mm2
    pub present: bool,
    /// Flow over core speed: the area of the jet at its neck, mm2
    pub effective_area_mm2: f64,
    /// Area of the hole, mm2
    pub anatomic_area_mm2: f64,
    /// Flow, ml/s
    pub flow_ml_s: f64,
    /// Speed in the core at the neck, m/s
    pub core_speed_m_s: f64,
    /// Centre of the effective outline where the contraction ends, mm in volume space
    pub neck_mm: [f64; 3],
    /// Angle between the flow and the beam at the neck, 0 to 90 degrees
    pub beam_angle_deg: f64,
    /// Largest caliper width of the effective outline, mm
    pub long_mm: f64,
    /// Smallest caliper width of the effective outline, mm
    pub short_mm: f64,
    /// Direction of the largest width, unit vector in volume space
    pub long_direction: [f64; 3],
    /// The effective outline at the neck, mm in volume space, counter-clockwise seen against the
    /// flow; empty while there is no jet
    pub outline_mm: Vec<[f64; 3]>,
}

/// From scan space to volume space
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pose {
    pub(crate) rotation: Matrix3<f64>,
    pub(crate) apex: Vector3<f64>,
}

impl Pose {
    /// The pose a recipe asks for
    pub(crate) fn of(recipe: &Recipe) -> Self {
        Self { rotation: rotation(recipe.grid.turn_deg), apex: Vector3::from(recipe.grid.apex_mm) }
    }

    /// A point of scan space in volume space
    pub(crate) fn point(&self, p: Vector3<f64>) -> [f64; 3] {
        (self.rotation * p + self.apex).into()
    }

    /// A direction of scan space in volume space
    pub(crate) fn vector(&self, v: Vector3<f64>) -> [f64; 3] {
        (self.rotation * v).into()
    }
}

/// One gated beat: where the heart was, and how long the beat
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Beat {
    pub(crate) shift: Vector3<f64>,
    pub(crate) rr_s: f64,
}

/// The truth of a recipe
pub(crate) fn of(recipe: &Recipe, stage: &Stage, times: &[f64], beats: &[Beat]) -> Truth {
    let pose = Pose::of(recipe);
    let scenes: Vec<Scene> =
        times.iter().map(|time| Scene::new(recipe, stage, *time, Vector3::zeros())).collect();
    let jets: Vec<JetTruth> = stage
        .orifices
        .iter()
        .zip(&recipe.orifice)
        .enumerate()
        .map(|(index, (orifice, hole))| {
            let frames: Vec<JetTruthFrame> = scenes
                .iter()
                .zip(times)
                .enumerate()
                .map(|(frame, (scene, time))| one_frame(scene, index, frame, *time, &pose))
                .collect();
            let largest = orifice.unit.area() * orifice.radius * orifice.radius * hole.contraction;
            let integral = wave::area_time_integral(&hole.wave, &recipe.beat);
            JetTruth {
                id: index + 1,
                shape: label(&hole.shape, &orifice.unit),
                contraction: hole.contraction,
                axis: pose.vector(orifice.jet_axes[2]),
                solidity: orifice.unit.solidity(),
                peak_frame: peak(&frames),
                regurgitant_volume_ml: largest * integral,
                velocity_time_integral_cm: integral * 100.0,
                frames,
            }
        })
        .collect();
    Truth {
        schema: String::from("narrows/truth/1"),
        engine: super::ENGINE.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        seed: recipe.seed,
        apex_mm: recipe.grid.apex_mm,
        plate_mm: pose.point(stage.centre),
        plate_normal: pose.vector(stage.axes[2]),
        times_s: times.to_vec(),
        blur_mm: [recipe.doppler.lateral_mm, recipe.doppler.elevational_mm, recipe.doppler.axial_mm],
        beat_shift_mm: beats.iter().map(|beat| pose.vector(beat.shift)).collect(),
        beats_rr_s: beats.iter().map(|beat| beat.rr_s).collect(),
        regurgitant_volume_ml: jets.iter().map(|jet| jet.regurgitant_volume_ml).sum(),
        jets,
        recipe: recipe.clone(),
    }
}

fn peak(frames: &[JetTruthFrame]) -> Option<usize> {
    let key = |f: &JetTruthFrame| (f.effective_area_mm2, f.core_speed_m_s);
    let mut best: Option<&JetTruthFrame> = None;
    for frame in frames.iter().filter(|frame| frame.present) {
        if best.is_none_or(|so_far| key(frame) > key(so_far)) {
            best = Some(frame);
        }
    }
    best.map(|frame| frame.frame)
}

fn one_frame(scene: &Scene, index: usize, frame: usize, time_s: f64, pose: &Pose) -> JetTruthFrame {
    let jet = &scene.jets[index];
    let [a1, a2, axis] = jet.orifice.jet_axes;
    let effective = jet.effective_area();
    let present = jet.speed >= PRESENT_M_S && effective >= PRESENT_MM2;
    let neck = jet.neck_point();
    let outline = jet.effective_outline();
    let (long, short, [lx, ly]) = jet.orifice.unit.feret();
    let scale = jet.radius * (effective / jet.area.max(f64::MIN_POSITIVE)).sqrt();
    let beam = neck / neck.norm();
    JetTruthFrame {
        frame,
        time_s,
        present,
        effective_area_mm2: effective,
        anatomic_area_mm2: jet.area,
        flow_ml_s: jet.flow(),
        core_speed_m_s: jet.speed,
        neck_mm: pose.point(neck),
        beam_angle_deg: libm::acos(axis.dot(&beam).abs().min(1.0)).to_degrees(),
        long_mm: long * scale,
        short_mm: short * scale,
        long_direction: pose.vector(a1 * lx + a2 * ly),
        outline_mm: if present {
            outline.points().iter().map(|p| pose.point(neck + a1 * p[0] + a2 * p[1])).collect()
        } else {
            Vec::new()
        },
    }
}
