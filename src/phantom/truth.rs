//! What was really there: the numbers no scanner can see.
//!
//! The area of truth is the *effective* area, flow over core speed, which is the jet's
//! cross-section at the neck. The anatomic area of the hole stands beside it and is larger by the
//! contraction coefficient; the two must never be compared without saying so. Positions are
//! millimetres in volume space at the unshifted beat.

use nalgebra::{Matrix3, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::PhantomError;
use super::filter::PacketFilter;
use super::flow::{FlowUse, OrificeTruth};
use super::mount::rotation;
use super::recipe::{OrificeShape, Recipe, RecipeFault};
use super::scene::{Drawn, Scene};
use super::shape::{Outline, label};
use super::solved::ReadyFlow;
use super::stage::{Jets, Stage};
use super::wave;
use crate::planimetry::{ShapeClass, classify};
use crate::space::CutPoint;

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
    /// The solved flow it was made from; `null` where jets were drawn
    pub flow: Option<FlowInfo>,
    /// Speed at which the wall filter leaves half of the full-signal power, m/s
    pub wall_filter_m_s: f64,
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

/// Which solved flow a phantom was made from, and how it was scaled
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FlowInfo {
    /// Name in the library
    pub name: String,
    /// Whether constants may be set on it
    #[serde(rename = "use")]
    pub purpose: FlowUse,
    /// Lengths over the solved flow's, at the largest area
    pub scale: f64,
    /// Speed over the solved flow's, at the peak of the wave
    pub speed: f64,
    /// Reynolds number of the solved flow: core speed times equivalent diameter over viscosity
    pub solved_reynolds: f64,
    /// The same of the scaled flow, which it was not solved at
    pub reynolds: f64,
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

/// The truth of a stage
pub(crate) fn of(stage: &Stage, times: &[f64], beats: &[Beat]) -> Result<Truth, PhantomError> {
    let recipe = stage.recipe;
    let pose = Pose::of(recipe);
    let jets = match &stage.jets {
        Jets::Drawn(drawn) => drawn_jets(stage, drawn, times, &pose),
        Jets::Solved(flow) => solved_jets(stage, flow, times, &pose)?,
    };
    let doppler = &recipe.doppler;
    let filter = PacketFilter::new(doppler.wall_filter, doppler.packet, doppler.nyquist_m_s);
    Ok(Truth {
        schema: String::from("narrows/truth/1"),
        engine: super::ENGINE.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        seed: recipe.seed,
        apex_mm: recipe.grid.apex_mm,
        plate_mm: pose.point(stage.mount.centre),
        plate_normal: pose.vector(stage.mount.axes[2]),
        times_s: times.to_vec(),
        flow: match &stage.jets {
            Jets::Drawn(_) => None,
            Jets::Solved(flow) => Some(FlowInfo::of(recipe, flow)),
        },
        wall_filter_m_s: filter.half_power(doppler.nyquist_m_s),
        blur_mm: [doppler.lateral_mm, doppler.elevational_mm, doppler.axial_mm],
        beat_shift_mm: beats.iter().map(|beat| pose.vector(beat.shift)).collect(),
        beats_rr_s: beats.iter().map(|beat| beat.rr_s).collect(),
        regurgitant_volume_ml: jets.iter().map(|jet| jet.regurgitant_volume_ml).sum(),
        jets,
        recipe: recipe.clone(),
    })
}

impl FlowInfo {
    fn of(recipe: &Recipe, flow: &ReadyFlow) -> Self {
        let truth = &flow.header.truth;
        let speed = recipe.flow.wave.peak_m_s / truth.core_m_s;
        let across = (4.0 * truth.effective_mm2 / std::f64::consts::PI).sqrt();
        // m/s times mm over mm2/s, a thousand times.
        let solved_reynolds = 1000.0 * truth.core_m_s * across / flow.header.viscosity_mm2_s;
        Self {
            name: flow.header.name.clone(),
            purpose: flow.header.purpose,
            scale: recipe.flow.scale,
            speed,
            solved_reynolds,
            reynolds: solved_reynolds * speed * recipe.flow.scale,
        }
    }
}

fn drawn_jets(stage: &Stage, drawn: &Drawn, times: &[f64], pose: &Pose) -> Vec<JetTruth> {
    let recipe = stage.recipe;
    let scenes: Vec<Scene> = times
        .iter()
        .map(|time| Scene::new(recipe, drawn, *time, stage.moved(*time, Vector3::zeros())))
        .collect();
    drawn
        .orifices
        .iter()
        .zip(&recipe.orifice)
        .enumerate()
        .map(|(index, (orifice, hole))| {
            let frames: Vec<JetTruthFrame> = scenes
                .iter()
                .zip(times)
                .enumerate()
                .map(|(frame, (scene, time))| one_frame(scene, index, frame, *time, pose))
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
        .collect()
}

/// One orifice of a solved flow in the flow's own frame and scale
struct SolvedOutline {
    /// Where its centre lies at the VC level
    centre: Vector3<f64>,
    /// Two axes across the jet, and the jet's direction
    axes: [Vector3<f64>; 3],
    /// The effective outline across the jet, about the centre
    outline: Outline,
}

impl SolvedOutline {
    /// The outline, moved along the jet from the plane w = VC level into the plane across the jet
    fn of(orifice: &OrificeTruth, points: &[[f64; 2]], level: f64) -> Result<Self, PhantomError> {
        let axis = Vector3::from(orifice.axis).normalize();
        let first = (Vector3::x() - axis * axis.x).normalize();
        let second = axis.cross(&first);
        let [u, v] = orifice.centroid_mm;
        let centre = Vector3::new(u, v, level);
        let across: Vec<[f64; 2]> = points
            .iter()
            .map(|point| {
                let from = Vector3::new(point[0] - u, point[1] - v, 0.0);
                [from.dot(&first), from.dot(&second)]
            })
            .collect();
        let outline = Outline::of(&OrificeShape::Polygon { points_mm: across }).map_err(|reason| {
            PhantomError::Recipe { key: String::from("flow.solved"), fault: RecipeFault::Outline(reason) }
        })?;
        Ok(Self { centre, axes: [first, second, axis], outline })
    }

    /// The class of its shape, by the rule of the measurement
    fn shape(&self) -> TruthShape {
        let points = self.outline.points().iter().map(|p| CutPoint::new(p[0], p[1])).collect();
        match crate::outline::Outline::new(points).map(|outline| classify(&outline)) {
            Ok(ShapeClass::Round) => TruthShape::Round,
            Ok(ShapeClass::Elliptical) => TruthShape::Elliptical,
            Ok(ShapeClass::Crescent) => TruthShape::Crescent,
            Ok(ShapeClass::Irregular) | Err(_) => TruthShape::Irregular,
        }
    }
}

fn solved_jets(
    stage: &Stage,
    flow: &ReadyFlow,
    times: &[f64],
    pose: &Pose,
) -> Result<Vec<JetTruth>, PhantomError> {
    let recipe = stage.recipe;
    let truth = &flow.header.truth;
    let axes = stage.flow_axes();
    let to_scan = |v: &Vector3<f64>| axes[0] * v.x + axes[1] * v.y + axes[2] * v.z;
    let mut jets = Vec::with_capacity(truth.orifices.len());
    for (index, (orifice, points)) in truth.orifices.iter().zip(&truth.outlines_mm).enumerate() {
        let found = SolvedOutline::of(orifice, points, truth.vc_level_mm)?;
        let [first, second, axis] = found.axes.map(|a| to_scan(&a));
        let (long, short, [lx, ly]) = found.outline.feret();
        let frames: Vec<JetTruthFrame> = times
            .iter()
            .enumerate()
            .map(|(frame, time)| {
                let now = wave::at(&recipe.flow.wave, &recipe.beat, *time);
                let scale = recipe.flow.scale * now.area.sqrt();
                let effective = orifice.effective_mm2 * scale * scale;
                let present = now.speed >= PRESENT_M_S && effective >= PRESENT_MM2;
                let neck = stage.mount.centre
                    + stage.moved(*time, Vector3::zeros())
                    + to_scan(&found.centre) * scale;
                let points = found.outline.points().iter();
                JetTruthFrame {
                    frame,
                    time_s: *time,
                    present,
                    effective_area_mm2: effective,
                    anatomic_area_mm2: orifice.anatomic_mm2 * scale * scale,
                    flow_ml_s: effective * now.speed,
                    core_speed_m_s: now.speed,
                    neck_mm: pose.point(neck),
                    beam_angle_deg: libm::acos(axis.dot(&neck.normalize()).abs().min(1.0)).to_degrees(),
                    long_mm: long * scale,
                    short_mm: short * scale,
                    long_direction: pose.vector(first * lx + second * ly),
                    outline_mm: points
                        .filter(|_| present)
                        .map(|p| pose.point(neck + (first * p[0] + second * p[1]) * scale))
                        .collect(),
                }
            })
            .collect();
        let integral = wave::area_time_integral(&recipe.flow.wave, &recipe.beat);
        jets.push(JetTruth {
            id: index + 1,
            shape: found.shape(),
            contraction: orifice.effective_mm2 / orifice.anatomic_mm2,
            axis: pose.vector(axis),
            solidity: found.outline.solidity(),
            peak_frame: peak(&frames),
            regurgitant_volume_ml: orifice.effective_mm2 * recipe.flow.scale * recipe.flow.scale * integral,
            velocity_time_integral_cm: integral * 100.0,
            frames,
        });
    }
    Ok(jets)
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
