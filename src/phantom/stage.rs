//! What stands before the probe at one moment: one answer for each point, along its beam.

use nalgebra::Vector3;

use super::PhantomError;
use super::blood::{Chambers, Motion};
use super::mount::{ANNULUS_MM, Mount, PLATE_BRIGHT, chamber, inside, walls};
use super::recipe::{Recipe, RecipeFault};
use super::scene::{Drawn, Scene};
use super::solved::{Along, ReadyFlow};
use super::wave;

/// Edges of tissue are softened over this, mm; the point spread does the rest
const SOFT_MM: f64 = 0.25;
const BRIGHT_STRUCTURE: f32 = 1.0;

/// Everything that does not depend on time
pub(crate) struct Stage<'a> {
    pub(crate) recipe: &'a Recipe,
    pub(crate) mount: Mount,
    pub(crate) jets: Jets<'a>,
    chambers: Chambers,
}

/// Where the jets come from
pub(crate) enum Jets<'a> {
    Drawn(Drawn),
    Solved(&'a ReadyFlow),
}

/// What the scanner meets at a point
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Sample {
    /// Velocity toward the probe, m/s
    pub(crate) velocity: f32,
    /// Variance of it, m2/s2
    pub(crate) variance: f32,
    /// Share of blood, 0 to 1
    pub(crate) blood: f32,
    /// Brightness of the tissue, 0 to 1
    pub(crate) tissue: f32,
}

impl<'a> Stage<'a> {
    /// The stage of a checked recipe and its flow, if it is a solved one
    pub(crate) fn new(recipe: &'a Recipe, flow: Option<&'a ReadyFlow>) -> Result<Self, PhantomError> {
        let mount = Mount::of(recipe);
        let jets = match flow {
            Some(flow) => Jets::Solved(flow),
            None => Jets::Drawn(Drawn::new(recipe, &mount).ok_or_else(|| PhantomError::Recipe {
                key: String::from("orifice"),
                fault: RecipeFault::Outline("an outline has no area"),
            })?),
        };
        let chambers = Chambers::new(recipe, &mount.centre, &mount.axes);
        Ok(Self { recipe, mount, jets, chambers })
    }

    /// The axes u, v, w of a solved flow in scan space
    pub(crate) fn flow_axes(&self) -> [Vector3<f64>; 3] {
        let [e1, e2, normal] = self.mount.axes;
        let [cos, sin] = super::mount::direction_of(self.recipe.flow.roll_deg);
        [e1 * cos + e2 * sin, e2 * cos - e1 * sin, normal]
    }

    /// Offset of the plate at a time, mm
    pub(crate) fn moved(&self, time_s: f64, shift: Vector3<f64>) -> Vector3<f64> {
        self.mount.motion(self.recipe, time_s)[0] + shift
    }
}

/// The stage at one moment of one beat
pub(crate) struct Moment<'a> {
    stage: &'a Stage<'a>,
    centre: Vector3<f64>,
    place: [f32; 3],
    axes: [[f32; 3]; 3],
    drift: [f32; 3],
    /// mm of the flow's own scale to a mm, and speed over the flow's own
    per_mm: f32,
    speed: f32,
    scene: Option<Scene<'a>>,
    motion: Motion,
    annulus: f32,
}

impl<'a> Moment<'a> {
    /// `time_s` after the R wave, moved by a beat's shift; blood is needed within a box of scan space
    pub(crate) fn new(
        stage: &'a Stage<'a>,
        time_s: f64,
        shift: Vector3<f64>,
        within: [Vector3<f64>; 2],
    ) -> Self {
        let recipe = stage.recipe;
        let [moved, drift] = stage.mount.motion(recipe, time_s);
        let centre = stage.mount.centre + moved + shift;
        let short = |v: Vector3<f64>| [v.x as f32, v.y as f32, v.z as f32];
        let (mut per_mm, mut speed, mut scene) = (1.0, 0.0, None);
        let axes = match &stage.jets {
            Jets::Drawn(drawn) => {
                scene = Some(Scene::new(recipe, drawn, time_s, moved + shift));
                stage.mount.axes
            }
            Jets::Solved(flow) => {
                let now = wave::at(&recipe.flow.wave, &recipe.beat, time_s);
                speed = now.speed / flow.header.truth.core_m_s;
                // A closed orifice keeps the plate's full size and stands still.
                let area = if now.area > 0.0 { now.area } else { 1.0 };
                per_mm = 1.0 / (recipe.flow.scale * area.sqrt());
                stage.flow_axes()
            }
        };
        Self {
            stage,
            centre,
            place: short(centre),
            axes: axes.map(short),
            drift: short(drift),
            per_mm: per_mm as f32,
            speed: speed as f32,
            scene,
            motion: stage.chambers.at(time_s, within[0], within[1]),
            annulus: recipe.plate.annulus_radius_mm as f32,
        }
    }

    /// What is met at a point of scan space along a unit vector away from the probe
    pub(crate) fn sample(&self, point: [f32; 3], beam: [f32; 3]) -> Sample {
        let dot = |a: [f32; 3], b: [f32; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
        let from: [f32; 3] = std::array::from_fn(|a| point[a] - self.place[a]);
        let local = self.axes.map(|axis| dot(axis, from));
        let mut sample = match (&self.scene, &self.stage.jets) {
            (None, Jets::Solved(flow)) => {
                let direction = self.axes.map(|axis| dot(axis, beam));
                let along = flow.along(local.map(|x| x * self.per_mm), direction);
                self.within_chamber(local, along)
            }
            (Some(scene), _) => Self::drawn(scene, point, beam),
            (None, Jets::Drawn(_)) => Sample::default(),
        };
        let blood = &self.stage.recipe.blood;
        sample.velocity += self.motion.at(point) - dot(self.drift, beam);
        sample.variance += (blood.width_m_s * blood.width_m_s) as f32;
        for shadow in &self.stage.recipe.shadow {
            let centre = self.structure(shadow.position_mm);
            let off = (0..3).map(|a| (point[a] - centre[a]).powi(2)).sum::<f32>().sqrt();
            let solid = inside(f64::from(off) - shadow.radius_mm, SOFT_MM) as f32;
            sample.tissue = sample.tissue.max(solid * BRIGHT_STRUCTURE);
            sample.blood *= 1.0 - solid;
        }
        sample
    }

    /// Where a structure of the plate stands in scan space
    pub(crate) fn structure(&self, position_mm: [f64; 3]) -> [f32; 3] {
        let [e1, e2, normal] = self.stage.mount.axes;
        let [x, y, z] = position_mm;
        let at = self.centre + e1 * x + e2 * y + normal * z;
        [at.x as f32, at.y as f32, at.z as f32]
    }

    /// A solved flow's answer, cut by the annulus and the walls of the chambers
    fn within_chamber(&self, local: [f32; 3], along: Along) -> Sample {
        let mut sample = Sample {
            velocity: -along.velocity * self.speed,
            variance: along.variance * self.speed * self.speed,
            blood: 1.0 - along.wall,
            tissue: PLATE_BRIGHT as f32 * along.wall,
        };
        let across2 = local[0] * local[0] + local[1] * local[1];
        let near = self.annulus - (ANNULUS_MM + 1.0) as f32;
        if across2 > near * near {
            let (annulus, height) = (f64::from(self.annulus), f64::from(local[2]));
            let across = f64::from(across2.sqrt());
            let open = inside(across - chamber(annulus, height), SOFT_MM) as f32;
            sample.blood *= open;
            sample.tissue = (sample.tissue * open).max(walls(annulus, across, height, SOFT_MM) as f32);
        }
        sample
    }

    fn drawn(scene: &Scene, point: [f32; 3], beam: [f32; 3]) -> Sample {
        let at = Vector3::from(point.map(f64::from));
        let tissue = scene.tissue(&at, SOFT_MM) as f32;
        let Some(blood) = scene.blood(&at) else { return Sample { tissue, ..Sample::default() } };
        let away = blood.velocity.dot(&Vector3::from(beam.map(f64::from)));
        Sample { velocity: -away as f32, variance: blood.turbulence as f32, blood: 1.0, tissue }
    }
}
