//! The recipe of a phantom: everything that decides it, in one TOML file.
//!
//! Every key has a default, so the empty file is a recipe: one round orifice seen from the
//! oesophagus. A key that is not known is refused, because a misspelt key that silently keeps its
//! default makes a phantom that is not the one asked for. Units stand in the key: `_mm`, `_m_s`,
//! `_s`, `_deg`; what has no suffix is a count or a ratio.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::PhantomError;
use super::scanner::{BloodRecipe, DopplerRecipe, GhostRecipe, ShadowRecipe, StoreRecipe};
use super::shape::Outline;

/// Everything that decides a phantom
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Recipe {
    /// A short name, free text
    pub name: String,
    /// What the phantom is for, free text
    pub note: String,
    /// Seed of everything random: noise, speckle, drawn beat shifts
    pub seed: u64,
    /// The sampling grid
    pub grid: GridRecipe,
    /// Frames, heart rhythm and gating
    pub beat: BeatRecipe,
    /// Where the probe is
    pub scan: ScanRecipe,
    /// The plate that carries the orifices
    pub plate: PlateRecipe,
    /// The orifices, any number
    pub orifice: Vec<OrificeRecipe>,
    /// Where the flow comes from
    pub flow: FlowRecipe,
    /// How the blood of the chambers moves beside the jet
    pub blood: BloodRecipe,
    /// Bright structures that throw shadows
    pub shadow: Vec<ShadowRecipe>,
    /// Weak copies of the echo in other places
    pub ghost: Vec<GhostRecipe>,
    /// How the scanner is built and set
    pub doppler: DopplerRecipe,
    /// What is stored
    pub store: StoreRecipe,
    /// What it is as a case for practice
    #[serde(skip_serializing_if = "Option::is_none")]
    pub practice: Option<PracticeRecipe>,
}

/// A phantom as a case for practice
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PracticeRecipe {
    /// What it is, in a few words
    pub title: String,
    /// How hard it is: 1 for a beginner to 8
    pub grade: u8,
    /// What there is to learn, in a sentence
    pub teaches: String,
}

impl Default for Recipe {
    fn default() -> Self {
        Self {
            name: String::from("round"),
            note: String::new(),
            seed: 1,
            grid: GridRecipe::default(),
            beat: BeatRecipe::default(),
            scan: ScanRecipe::default(),
            plate: PlateRecipe::default(),
            orifice: vec![OrificeRecipe::default()],
            flow: FlowRecipe::default(),
            blood: BloodRecipe::default(),
            shadow: Vec::new(),
            ghost: Vec::new(),
            doppler: DopplerRecipe::default(),
            store: StoreRecipe::default(),
            practice: None,
        }
    }
}

/// The sampling grid
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct GridRecipe {
    /// Voxels along x (lateral), y (elevational), z (depth)
    pub shape: [usize; 3],
    /// Voxel sides along x, y, z, mm
    pub voxel_mm: [f64; 3],
    /// From the centre of the plate to the centre of the grid, along x, y, z, mm
    pub offset_mm: [f64; 3],
    /// The grid's axes, apex and all, turned about the x, y and z axis of the volume space, degrees
    pub turn_deg: [f64; 3],
    /// Where the apex lies in volume space, mm
    pub apex_mm: [f64; 3],
}

impl Default for GridRecipe {
    fn default() -> Self {
        Self {
            shape: [72; 3],
            voxel_mm: [0.6; 3],
            offset_mm: [0.0; 3],
            turn_deg: [0.0; 3],
            apex_mm: [0.0; 3],
        }
    }
}

/// Frames, heart rhythm and gating
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct BeatRecipe {
    /// Number of frames
    pub frames: usize,
    /// Time between frames, s
    pub interval_s: f64,
    /// Time of the first frame from the R wave, s
    pub first_s: f64,
    /// Mean R-R interval, s
    pub rr_s: f64,
    /// Start of systolic leakage after the R wave, s
    pub systole_onset_s: f64,
    /// Duration of systolic leakage, s
    pub systole_duration_s: f64,
    /// Number of beats the volume is gathered from, each one slab along x
    pub gated_beats: usize,
    /// Rigid shift of the heart in each beat along x, y, z, mm; empty: drawn with `shift_std_mm`
    pub shift_mm: Vec<[f64; 3]>,
    /// Standard deviation of drawn shifts along each axis, mm
    pub shift_std_mm: f64,
    /// R-R interval of each beat, s; empty: drawn with `rr_std_s`
    pub beats_rr_s: Vec<f64>,
    /// Standard deviation of drawn R-R intervals, s
    pub rr_std_s: f64,
    /// How far the plate moves against the jet by mid-systole, mm (a half sine over systole)
    pub valve_motion_mm: f64,
}

impl Default for BeatRecipe {
    fn default() -> Self {
        Self {
            frames: 12,
            interval_s: 0.036,
            first_s: 0.02,
            rr_s: 0.85,
            systole_onset_s: 0.05,
            systole_duration_s: 0.32,
            gated_beats: 1,
            shift_mm: Vec::new(),
            shift_std_mm: 0.0,
            beats_rr_s: Vec::new(),
            rr_std_s: 0.0,
            valve_motion_mm: 0.0,
        }
    }
}

/// From which side the probe looks at the plate
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum View {
    /// The jet comes toward the probe: positive velocity
    Transoesophageal,
    /// The jet goes away from the probe: negative velocity
    Transthoracic,
}

/// Where the probe is
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct ScanRecipe {
    /// The side of the probe
    pub view: View,
    /// Depth of the plate's centre below the apex, mm
    pub depth_mm: f64,
    /// Where the plate's centre lies off the middle beam along x and y, mm
    pub off_axis_mm: [f64; 2],
    /// Angle between the plate's normal and the beam at its centre, degrees
    pub beam_angle_deg: f64,
    /// Toward which side the normal leans, degrees from x toward y
    pub beam_azimuth_deg: f64,
}

impl Default for ScanRecipe {
    fn default() -> Self {
        Self {
            view: View::Transoesophageal,
            depth_mm: 45.0,
            off_axis_mm: [0.0; 2],
            beam_angle_deg: 10.0,
            beam_azimuth_deg: 30.0,
        }
    }
}

/// The plate that carries the orifices, and the chambers on both sides
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct PlateRecipe {
    /// Thickness of the plate, mm
    pub thickness_mm: f64,
    /// Radius of the plate up to the annulus, mm
    pub annulus_radius_mm: f64,
}

impl Default for PlateRecipe {
    fn default() -> Self {
        Self { thickness_mm: 1.5, annulus_radius_mm: 17.0 }
    }
}

/// The outline of an orifice
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "lowercase", deny_unknown_fields)]
pub enum OrificeShape {
    /// A circle
    Round {
        /// Diameter, mm
        diameter_mm: f64,
    },
    /// An ellipse, its long axis along the orifice's first direction
    Elliptical {
        /// Long axis, mm
        long_mm: f64,
        /// Short axis, mm
        short_mm: f64,
    },
    /// A slit with round ends
    Slit {
        /// Length over all, mm
        length_mm: f64,
        /// Width, mm
        width_mm: f64,
    },
    /// An annular sector
    Crescent {
        /// Inner radius, mm
        inner_mm: f64,
        /// Outer radius, mm
        outer_mm: f64,
        /// Opening angle, degrees
        angle_deg: f64,
    },
    /// A polygon
    Polygon {
        /// Corners in order, mm
        points_mm: Vec<[f64; 2]>,
    },
}

/// One orifice
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct OrificeRecipe {
    /// Its outline, in the plane across its jet
    pub shape: OrificeShape,
    /// Largest effective area, mm2: scales the outline, whose own size then does not matter
    pub effective_area_mm2: Option<f64>,
    /// Contraction coefficient: effective over anatomic area, 0.5 to 1
    pub contraction: f64,
    /// Centroid on the plate from the plate's centre, mm
    pub position_mm: [f64; 2],
    /// Turn of the outline in the plate, degrees
    pub roll_deg: f64,
    /// Angle of the jet off the plate's normal, degrees
    pub tilt_deg: f64,
    /// Toward which side of the plate the jet leans, degrees
    pub azimuth_deg: f64,
    /// Speed and area in time
    pub wave: WaveRecipe,
}

impl Default for OrificeRecipe {
    fn default() -> Self {
        Self {
            shape: OrificeShape::Round { diameter_mm: 7.0 },
            effective_area_mm2: None,
            contraction: 0.75,
            position_mm: [0.0; 2],
            roll_deg: 0.0,
            tilt_deg: 0.0,
            azimuth_deg: 0.0,
            wave: WaveRecipe::default(),
        }
    }
}

/// When in systole an orifice is open
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum WaveKind {
    /// All of it, one area
    Steady,
    /// The first part
    Early,
    /// The last part
    Late,
    /// The middle part
    Mid,
    /// All of it, with the area `1 - dip sin(pi t / T)`
    Biphasic,
}

/// Speed and area of an orifice in time
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct WaveRecipe {
    /// When it is open
    pub kind: WaveKind,
    /// Largest core speed, m/s
    pub peak_m_s: f64,
    /// Core speed is `peak sin(pi t / T)^roundness`: 1 a half sine, less a flatter top
    pub roundness: f64,
    /// Share of systole an early, late or mid orifice is open
    pub share: f64,
    /// How deep a biphasic area dips, 0 to 1
    pub dip: f64,
    /// How long an orifice takes to open or close inside systole, s
    pub ramp_s: f64,
}

impl Default for WaveRecipe {
    fn default() -> Self {
        Self { kind: WaveKind::Steady, peak_m_s: 5.0, roundness: 0.5, share: 0.5, dip: 0.6, ramp_s: 0.02 }
    }
}

/// How the sinks are spread over an orifice
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum SheetKind {
    /// Evenly: the fluid passes the orifice's plane at one speed
    Uniform,
    /// As in the potential flow through a circular aperture (Lamb, Hydrodynamics, section 108); round
    /// orifices only
    Aperture,
}

/// Where the flow comes from: solved, or drawn through the orifices of the recipe
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct FlowRecipe {
    /// Name of a solved flow of the library, or the path of its file; without it jets are drawn
    #[serde(skip_serializing_if = "Option::is_none")]
    pub solved: Option<String>,
    /// Lengths over those of the solved flow, 0.3 to 3
    pub scale: f64,
    /// Turn of the solved flow about the plate's normal, degrees
    pub roll_deg: f64,
    /// Speed and area of the solved flow in time
    pub wave: WaveRecipe,
    /// How the sinks are spread over an orifice
    pub sheet: SheetKind,
    /// Growth of the half-velocity radius with distance; 0.094: Hussein, Capp and George, J Fluid
    /// Mech 1994;258:31-75
    pub spread_rate: f64,
    /// Distance of the neck beyond the plate's downstream face, in hydraulic diameters (common
    /// practice, no source)
    pub neck_diameters: f64,
    /// Turbulent standard deviation in the jet over its local speed (from memory: a few percent)
    pub turbulence_core: f64,
    /// Turbulent standard deviation at the middle of the shear layer over the core speed (from
    /// memory: 0.15 to 0.2)
    pub turbulence_shear: f64,
}

impl Default for FlowRecipe {
    fn default() -> Self {
        Self {
            solved: None,
            scale: 1.0,
            roll_deg: 0.0,
            wave: WaveRecipe::default(),
            sheet: SheetKind::Uniform,
            spread_rate: 0.094,
            neck_diameters: 0.5,
            turbulence_core: 0.06,
            turbulence_shear: 0.18,
        }
    }
}

/// What is wrong with a key
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RecipeFault {
    /// A number outside its range
    #[error("{value} is not between {low} and {high}")]
    Range {
        /// The number
        value: f64,
        /// Lowest allowed
        low: f64,
        /// Highest allowed
        high: f64,
    },
    /// A list of the wrong length
    #[error("there are {found} entries, expected {expected}")]
    Length {
        /// Entries found
        found: usize,
        /// Entries expected
        expected: usize,
    },
    /// An outline that cannot be flowed through
    #[error("the outline cannot be used: {0}")]
    Outline(&'static str),
    /// Two keys that exclude each other
    #[error("{0}")]
    Clash(&'static str),
}

impl Recipe {
    /// The recipe in a TOML text, checked
    ///
    /// # Errors
    /// [`PhantomError::Parse`] with the place in the text, or [`PhantomError::Recipe`] with the key.
    pub fn from_toml(text: &str) -> Result<Self, PhantomError> {
        let recipe: Self = toml::from_str(text).map_err(Box::new)?;
        recipe.check()?;
        Ok(recipe)
    }

    /// The recipe as TOML, every key written out
    ///
    /// # Errors
    /// [`PhantomError::Write`].
    pub fn to_toml(&self) -> Result<String, PhantomError> {
        Ok(toml::to_string_pretty(self)?)
    }

    /// Whether the recipe can be simulated
    ///
    /// # Errors
    /// [`PhantomError::Recipe`] with the first key that cannot.
    pub fn check(&self) -> Result<(), PhantomError> {
        let grid = &self.grid;
        for side in grid.shape {
            range("grid.shape", side as f64, 4.0, 1024.0)?;
        }
        range("grid.shape", grid.shape.iter().map(|side| *side as f64).product(), 64.0, 67_108_864.0)?;
        for step in grid.voxel_mm {
            range("grid.voxel_mm", step, 0.05, 5.0)?;
        }
        all("grid.offset_mm", &grid.offset_mm, -500.0, 500.0)?;
        all("grid.turn_deg", &grid.turn_deg, -360.0, 360.0)?;
        all("grid.apex_mm", &grid.apex_mm, -1e5, 1e5)?;

        let beat = &self.beat;
        range("beat.frames", beat.frames as f64, 1.0, 1000.0)?;
        let samples = beat.frames as f64 * grid.shape.iter().map(|side| *side as f64).product::<f64>();
        range("beat.frames times grid.shape", samples, 64.0, 536_870_912.0)?;
        range("beat.interval_s", beat.interval_s, 1e-4, 10.0)?;
        range("beat.first_s", beat.first_s, -10.0, 10.0)?;
        range("beat.rr_s", beat.rr_s, 0.2, 5.0)?;
        range("beat.systole_onset_s", beat.systole_onset_s, -1.0, 5.0)?;
        range("beat.systole_duration_s", beat.systole_duration_s, 0.01, 5.0)?;
        range("beat.gated_beats", beat.gated_beats as f64, 1.0, grid.shape[0].min(64) as f64)?;
        if !beat.shift_mm.is_empty() && beat.shift_mm.len() != beat.gated_beats {
            return fault("beat.shift_mm", length(beat.shift_mm.len(), beat.gated_beats));
        }
        for shift in &beat.shift_mm {
            all("beat.shift_mm", shift, -20.0, 20.0)?;
        }
        range("beat.shift_std_mm", beat.shift_std_mm, 0.0, 5.0)?;
        if !beat.beats_rr_s.is_empty() && beat.beats_rr_s.len() != beat.gated_beats {
            return fault("beat.beats_rr_s", length(beat.beats_rr_s.len(), beat.gated_beats));
        }
        all("beat.beats_rr_s", &beat.beats_rr_s, 0.2, 5.0)?;
        range("beat.rr_std_s", beat.rr_std_s, 0.0, 0.5)?;
        range("beat.valve_motion_mm", beat.valve_motion_mm, -20.0, 20.0)?;

        let scan = &self.scan;
        range("scan.depth_mm", scan.depth_mm, 5.0, 300.0)?;
        all("scan.off_axis_mm", &scan.off_axis_mm, -100.0, 100.0)?;
        range("scan.beam_angle_deg", scan.beam_angle_deg, 0.0, 80.0)?;
        range("scan.beam_azimuth_deg", scan.beam_azimuth_deg, -360.0, 360.0)?;

        range("plate.thickness_mm", self.plate.thickness_mm, 0.1, 20.0)?;
        range("plate.annulus_radius_mm", self.plate.annulus_radius_mm, 2.0, 200.0)?;

        let flow = &self.flow;
        range("flow.scale", flow.scale, 0.3, 3.0)?;
        range("flow.roll_deg", flow.roll_deg, -360.0, 360.0)?;
        flow.wave.check("flow")?;
        if flow.solved.is_some() && self.orifice != Self::default().orifice && !self.orifice.is_empty() {
            let reason = "a solved flow brings its own orifices: leave out either flow.solved or [[orifice]]";
            return fault("orifice", RecipeFault::Clash(reason));
        }
        self.blood.check()?;
        for (index, shadow) in self.shadow.iter().enumerate() {
            shadow.check(&format!("shadow {}", index + 1))?;
        }
        for (index, ghost) in self.ghost.iter().enumerate() {
            ghost.check(&format!("ghost {}", index + 1))?;
        }
        range("flow.spread_rate", flow.spread_rate, 0.0, 0.5)?;
        range("flow.neck_diameters", flow.neck_diameters, 0.0, 3.0)?;
        range("flow.turbulence_core", flow.turbulence_core, 0.0, 1.0)?;
        range("flow.turbulence_shear", flow.turbulence_shear, 0.0, 1.0)?;

        if self.orifice.len() > 16 {
            return fault("orifice", length(self.orifice.len(), 16));
        }
        for (index, orifice) in self.orifice.iter().enumerate() {
            orifice.check(&format!("orifice {}", index + 1), flow.sheet)?;
        }
        self.doppler.check()?;
        if let Some(practice) = &self.practice {
            range("practice.grade", f64::from(practice.grade), 1.0, 8.0)?;
        }
        self.store.check()
    }
}

impl OrificeRecipe {
    fn check(&self, name: &str, sheet: SheetKind) -> Result<(), PhantomError> {
        let key = |part: &str| format!("{name}: {part}");
        if let Err(reason) = Outline::of(&self.shape) {
            return fault(&key("shape"), RecipeFault::Outline(reason));
        }
        if sheet == SheetKind::Aperture && !matches!(self.shape, OrificeShape::Round { .. }) {
            let reason = "the aperture sheet of flow.sheet exists for round orifices only";
            return fault(&key("shape"), RecipeFault::Clash(reason));
        }
        if let Some(area) = self.effective_area_mm2 {
            range(&key("effective_area_mm2"), area, 0.1, 2000.0)?;
        }
        range(&key("contraction"), self.contraction, 0.5, 1.0)?;
        all(&key("position_mm"), &self.position_mm, -100.0, 100.0)?;
        range(&key("roll_deg"), self.roll_deg, -360.0, 360.0)?;
        range(&key("tilt_deg"), self.tilt_deg, 0.0, 60.0)?;
        range(&key("azimuth_deg"), self.azimuth_deg, -360.0, 360.0)?;
        self.wave.check(name)
    }
}

impl WaveRecipe {
    fn check(&self, name: &str) -> Result<(), PhantomError> {
        let key = |part: &str| format!("{name}: wave.{part}");
        range(&key("peak_m_s"), self.peak_m_s, 0.1, 10.0)?;
        range(&key("roundness"), self.roundness, 0.0, 4.0)?;
        range(&key("share"), self.share, 0.02, 1.0)?;
        range(&key("dip"), self.dip, 0.0, 1.0)?;
        range(&key("ramp_s"), self.ramp_s, 0.0, 0.5)
    }
}

pub(super) fn length(found: usize, expected: usize) -> RecipeFault {
    RecipeFault::Length { found, expected }
}

pub(super) fn fault(key: &str, fault: RecipeFault) -> Result<(), PhantomError> {
    Err(PhantomError::Recipe { key: key.to_owned(), fault })
}

pub(super) fn range(key: &str, value: f64, low: f64, high: f64) -> Result<(), PhantomError> {
    if value >= low && value <= high {
        return Ok(());
    }
    fault(key, RecipeFault::Range { value, low, high })
}

pub(super) fn all(key: &str, values: &[f64], low: f64, high: f64) -> Result<(), PhantomError> {
    values.iter().try_for_each(|value| range(key, *value, low, high))
}

#[cfg(test)]
mod tests {
    use super::super::flow::library_flow;
    use super::*;

    fn refused(text: &str) -> String {
        Recipe::from_toml(text).unwrap_err().to_string()
    }

    #[test]
    fn the_empty_file_is_the_default_and_a_recipe_round_trips() {
        assert_eq!(Recipe::from_toml("").unwrap(), Recipe::default());
        let mut recipe = Recipe::default();
        recipe.orifice[0].shape =
            OrificeShape::Polygon { points_mm: vec![[0.0, 0.0], [4.0, 0.0], [3.0, 5.0]] };
        recipe.orifice[0].effective_area_mm2 = Some(33.0);
        recipe.beat.gated_beats = 2;
        recipe.beat.shift_mm = vec![[0.0; 3], [0.5, 0.0, -0.25]];
        let text = recipe.to_toml().unwrap();
        assert_eq!(Recipe::from_toml(&text).unwrap(), recipe);
    }

    #[test]
    fn shapes_are_written_as_tables_with_a_kind() {
        let text = "[[orifice]]\nshape = { kind = \"crescent\", inner_mm = 4, outer_mm = 6, angle_deg = 120 }\n\
                    [orifice.wave]\nkind = \"late\"";
        let recipe = Recipe::from_toml(text).unwrap();
        let expected = OrificeShape::Crescent { inner_mm: 4.0, outer_mm: 6.0, angle_deg: 120.0 };
        assert_eq!(recipe.orifice[0].shape, expected);
        assert_eq!(recipe.orifice[0].wave.kind, WaveKind::Late);
        assert!(Recipe::from_toml("orifice = []").unwrap().orifice.is_empty());
    }

    #[test]
    fn the_sample_volumes_are_made_of_solved_flows() {
        for (text, jets) in [
            (include_str!("../../sample-volumes/round.toml"), 1),
            (include_str!("../../sample-volumes/elliptical.toml"), 1),
            (include_str!("../../sample-volumes/crescent.toml"), 1),
            (include_str!("../../sample-volumes/two-jets.toml"), 2),
            (include_str!("../../sample-volumes/late-systolic.toml"), 1),
        ] {
            let recipe = Recipe::from_toml(text).unwrap();
            // Enough volumes a second for the trust check, and blood that moves.
            assert!(recipe.beat.frames >= 8 && recipe.beat.interval_s < 0.05, "{}", recipe.name);
            assert!(recipe.blood.speed_m_s >= 0.05, "{}", recipe.name);
            let flow = library_flow(&recipe.flow.solved.unwrap()).unwrap();
            assert_eq!(flow.header.truth.orifices.len(), jets, "{}", recipe.name);
        }
    }

    #[test]
    fn a_bad_recipe_names_its_key() {
        assert!(refused("[doppler]\nnyquist_m_s = -0.5").contains("doppler.nyquist_m_s"));
        assert!(refused("[doppler]\nnyquist = 0.5").contains("unknown field `nyquist`"));
        assert!(refused("[grid]\nshape = [64, 64, 100000]").contains("grid.shape"));
        assert!(refused("[grid]\nvoxel_mm = [0.5, nan, 0.5]").contains("grid.voxel_mm"));
        assert!(refused("[beat]\nframes = 0").contains("beat.frames"));
        assert!(refused("[beat]\ngated_beats = 3\nshift_mm = [[0, 0, 0]]").contains("expected 3"));
        assert!(refused("[[orifice]]\n[[orifice]]\ncontraction = 1.5").contains("orifice 2: contraction"));
        assert!(refused("[[orifice]]\nshape = { kind = \"star\" }").contains("star"));
        let slit = "[[orifice]]\nshape = { kind = \"slit\", length_mm = 2, width_mm = 4 }";
        assert!(refused(slit).contains("longer than wide"));
        let extra = "[[orifice]]\nshape = { kind = \"round\", diameter_mm = 5, long_mm = 4 }";
        assert!(refused(extra).contains("long_mm"));
        let sheet = "[flow]\nsheet = \"aperture\"\n[[orifice]]\n\
                     shape = { kind = \"elliptical\", long_mm = 9, short_mm = 4 }";
        assert!(refused(sheet).contains("round orifices only"));
        assert!(refused("[store]\nchannels = []").contains("store.channels"));
        assert!(refused("[store]\nchannels = [\"power\", \"power\"]").contains("twice"));
        assert!(refused("[store]\npower_bits = 12").contains("store.power_bits"));
        let grade = "[practice]\ntitle = \"t\"\ngrade = 9\nteaches = \"u\"";
        assert!(refused(grade).contains("practice.grade"));
        assert!(refused("[grid").contains("could not be read"));
        let huge = "[grid]\nshape = [400, 400, 400]\n[beat]\nframes = 1000";
        assert!(refused(huge).contains("beat.frames times grid.shape"));
    }
}
