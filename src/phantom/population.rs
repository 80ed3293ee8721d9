//! Random recipes within stated ranges: a population of acquisitions to tune and to test on.
//!
//! | what | range |
//! |---|---|
//! | flow | any of the library for the asked use, alike; one to three jets come with it |
//! | effective area | 8 to 250 mm2 in all, by a scale of 0.6 to 1.6 |
//! | core speed | 3 to 6.5 m/s, the middle most frequent |
//! | course | holosystolic (40 %), early, late, mid or biphasic (15 % each); 7 to 9 frames cover systole, in a half 3 to 7 |
//! | beam to the plate's normal | 0 to 45 degrees, from any side |
//! | view, depth | transoesophageal (80 %), 38 to 65 mm; transthoracic, 80 to 110 mm |
//! | Nyquist velocity | 0.55 to 0.68 m/s (60 %), or 0.4 to 0.8; baseline moved in one of five |
//! | gain | 0.25 to 0.5 of the full-signal power (80 %), or 0.15 to 0.55 |
//! | point spread | lateral 0.6 to 1.3 mm (the middle most frequent), elevational 1 to 2.5 times that (mostly below 1.5), axial 0.3 to 0.6 |
//! | beams | 0.8 to 1.5 degrees; voxels of 0.5 to 0.65 mm |
//! | wall filter | regression on polynomials or recursive, half power at 0.08 to 0.22 m/s; packets of 6 to 16 pulses |
//! | chamber blood | 0.15 to 0.6 of the wall filter (half of all), or 0.8 to 2.5 of it, to 0.35 m/s |
//! | streams | of 0.1 to 0.4 m/s across both chambers in 30 % of the latter |
//! | stored | power (45 %, half of them with variance), variance (20 %), velocity alone (35 %) |
//! | gated beats | 1 to 4, shifted by up to 0.15 mm; the annulus moves up to 10 mm |
//! | each of the [`Fault`]s | 8 % |
//!
//! The ranges are our own choice about what such acquisitions look like; only the core speed, the
//! Nyquist velocity and the area have published counterparts (grading tables of the guidelines).

use rand_pcg::Pcg64;

use super::filter::PacketFilter;
use super::flow::{FlowError, FlowHeader, FlowUse, flows_for};
use super::random::Draw;
use super::recipe::{Recipe, View, WaveKind, WaveRecipe};
use super::scanner::{
    Conversion, GhostRecipe, PowerExtent, PowerLaw, ShadowRecipe, TissuePriority, WallFilter,
};
use crate::volume::ChannelKind;

/// Smallest and largest total effective area, mm2
const AREA_MM2: [f64; 2] = [8.0, 250.0];
/// Smallest and largest scale of a flow
const SCALE: [f64; 2] = [0.6, 1.6];
/// Speeds at which wall filters leave half of the power, m/s
const PASSES_M_S: [f64; 2] = [0.08, 0.22];
/// Fastest root mean square speed of chamber blood, m/s
const FASTEST_BLOOD_M_S: f64 = 0.35;
/// Shares of recipes with power, and with variance but no power
const POWER: f64 = 0.45;
const VARIANCE: f64 = 0.2;
/// Share of recipes with each fault
const FAULTY: f64 = 0.08;

/// What can go wrong with an acquisition
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Fault {
    /// A shadow behind a bright structure
    Shadow,
    /// Reverberations and side lobes
    Ghosts,
    /// Persistence between volumes of at least 0.2
    Persistence,
    /// An error of the time-gain compensation of at least 0.4 dB/cm
    TimeGain,
    /// Tissue that attenuates unevenly by at least 1 dB
    Attenuation,
    /// Beats shifted against each other by more than 0.3 mm
    BeatShift,
    /// Velocities interpolated between beams
    VelocityConversion,
    /// Display threshold above 0.55 of the full-signal power
    LowGain,
    /// Display threshold below 0.15 of the full-signal power
    HighGain,
}

impl Fault {
    /// Every one
    pub const ALL: [Self; 9] = [
        Self::Shadow,
        Self::Ghosts,
        Self::Persistence,
        Self::TimeGain,
        Self::Attenuation,
        Self::BeatShift,
        Self::VelocityConversion,
        Self::LowGain,
        Self::HighGain,
    ];

    /// Its name
    pub fn name(self) -> &'static str {
        match self {
            Self::Shadow => "shadow",
            Self::Ghosts => "ghosts",
            Self::Persistence => "persistence",
            Self::TimeGain => "time gain",
            Self::Attenuation => "attenuation",
            Self::BeatShift => "beat shift",
            Self::VelocityConversion => "velocity conversion",
            Self::LowGain => "low gain",
            Self::HighGain => "high gain",
        }
    }

    /// Whether a recipe has it
    pub fn is_in(self, recipe: &Recipe) -> bool {
        let (doppler, beat) = (&recipe.doppler, &recipe.beat);
        match self {
            Self::Shadow => !recipe.shadow.is_empty(),
            Self::Ghosts => !recipe.ghost.is_empty(),
            Self::Persistence => doppler.persistence >= 0.2,
            Self::TimeGain => doppler.time_gain_db_cm.abs() >= 0.4,
            Self::Attenuation => doppler.attenuation_db >= 1.0,
            Self::BeatShift => beat.gated_beats > 1 && beat.shift_std_mm > 0.3,
            Self::VelocityConversion => doppler.conversion == Conversion::Velocity,
            Self::LowGain => doppler.gain > 0.55,
            Self::HighGain => doppler.gain < 0.15,
        }
    }

    fn put_into(self, recipe: &mut Recipe, reach_mm: f64, draw: &mut Draw) {
        let (doppler, beat) = (&mut recipe.doppler, &mut recipe.beat);
        let [cos, sin] = turned(draw);
        match self {
            Self::Shadow => {
                // On the probe's side of the plate or in it, so that a part of the jet lies behind.
                let radius_mm = draw.between(1.0, 2.5);
                let aside = draw.between(0.0, reach_mm + 6.0);
                let along = match recipe.scan.view {
                    View::Transoesophageal => draw.between(-1.0, 12.0),
                    View::Transthoracic => draw.between(-12.0, 1.0),
                };
                let loss_db = if draw.unit() < 0.3 { 60.0 } else { draw.between(5.0, 20.0) };
                let position_mm = [aside * cos, aside * sin, along];
                recipe.shadow.push(ShadowRecipe { position_mm, radius_mm, loss_db });
            }
            Self::Ghosts => {
                let deeper = draw.between(5.0, 15.0);
                let level_db = draw.between(8.0, 20.0);
                recipe.ghost.push(GhostRecipe { level_db, deeper_mm: deeper, aside_deg: [0.0; 2] });
                let away = draw.between(5.0, 14.0);
                let level_db = draw.between(12.0, 24.0);
                let aside_deg = [away * cos, away * sin];
                recipe.ghost.push(GhostRecipe { level_db, deeper_mm: 0.0, aside_deg });
            }
            Self::Persistence => doppler.persistence = draw.between(0.2, 0.6),
            Self::TimeGain => doppler.time_gain_db_cm = draw.between(0.4, 1.0) * cos.signum(),
            Self::Attenuation => doppler.attenuation_db = draw.between(1.0, 3.0),
            Self::BeatShift => {
                beat.gated_beats = beat.gated_beats.max(2);
                beat.shift_std_mm = draw.between(0.31, 1.2);
            }
            Self::VelocityConversion => doppler.conversion = Conversion::Velocity,
            Self::LowGain => doppler.gain = draw.between(0.551, 0.7),
            Self::HighGain => doppler.gain = draw.between(0.08, 0.149),
        }
    }
}

/// A recipe drawn from the population by a seed, on one of the library's flows for a use
///
/// Code that sets constants asks for [`FlowUse::Tuning`] and can then not draw a flow that the method
/// is judged on. For a single frame see [`Recipe::single_frame`].
///
/// # Errors
/// [`FlowError`] where the library cannot be read or holds no flow for this use.
pub fn random_recipe(seed: u64, purpose: FlowUse) -> Result<Recipe, FlowError> {
    let mut draw = Draw(Pcg64::new(u128::from(seed), 0x706f_7075_6c61));
    let flow = draw.one_of(&flows_for(purpose)?);
    Ok(drawn(seed, flow, &mut draw))
}

fn drawn(seed: u64, flow: &FlowHeader, draw: &mut Draw) -> Recipe {
    let mut recipe = Recipe { name: format!("population {seed}"), seed, ..Recipe::default() };
    let area = flow.truth.effective_mm2;
    recipe.flow.solved = Some(flow.name.clone());
    let low = SCALE[0].max((AREA_MM2[0] / area).sqrt()).min(SCALE[1]);
    recipe.flow.scale = draw.factor(low, SCALE[1].min((AREA_MM2[1] / area).sqrt()).max(low));
    recipe.flow.roll_deg = draw.between(0.0, 360.0);
    let points = flow.truth.outlines_mm.iter().flatten();
    let reach_mm = points.map(|p| libm::hypot(p[0], p[1])).fold(0.0, f64::max) * recipe.flow.scale;
    recipe.plate.annulus_radius_mm = draw.between(15.0, 20.0).max(reach_mm + 4.0);
    place(&mut recipe, draw);
    beat(&mut recipe, draw);
    scanner(&mut recipe, draw);
    blood(&mut recipe, draw);
    store(&mut recipe, draw);
    for fault in Fault::ALL {
        if draw.unit() < FAULTY / if matches!(fault, Fault::LowGain | Fault::HighGain) { 2.0 } else { 1.0 } {
            fault.put_into(&mut recipe, reach_mm, draw);
        }
    }
    recipe
}

/// Cosine and sine of an angle, any alike
fn turned(draw: &mut Draw) -> [f64; 2] {
    let (sin, cos) = libm::sincos(draw.between(0.0, std::f64::consts::TAU));
    [cos, sin]
}

fn place(recipe: &mut Recipe, draw: &mut Draw) {
    let scan = &mut recipe.scan;
    scan.view = if draw.unit() < 0.8 { View::Transoesophageal } else { View::Transthoracic };
    scan.depth_mm = match scan.view {
        View::Transoesophageal => draw.between(38.0, 65.0),
        View::Transthoracic => draw.between(80.0, 110.0),
    };
    scan.off_axis_mm = [draw.between(-6.0, 6.0), draw.between(-6.0, 6.0)];
    scan.beam_angle_deg = draw.between(0.0, 45.0);
    scan.beam_azimuth_deg = draw.between(0.0, 360.0);
    let grid = &mut recipe.grid;
    grid.voxel_mm = [draw.between(0.5, 0.65); 3];
    grid.shape = std::array::from_fn(|_| 64 + (draw.unit() * 9.0) as usize);
    grid.offset_mm = std::array::from_fn(|_| draw.between(-2.5, 2.5));
}

fn beat(recipe: &mut Recipe, draw: &mut Draw) {
    let kinds = [WaveKind::Early, WaveKind::Late, WaveKind::Mid, WaveKind::Biphasic];
    let kind = if draw.unit() < 0.4 { WaveKind::Steady } else { draw.one_of(&kinds) };
    recipe.flow.wave = WaveRecipe {
        kind,
        peak_m_s: f64::midpoint(draw.between(3.0, 6.5), draw.between(3.0, 6.5)),
        roundness: draw.between(0.35, 0.7),
        share: draw.between(0.45, 0.7),
        dip: draw.between(0.3, 0.7),
        ..WaveRecipe::default()
    };
    let beat = &mut recipe.beat;
    beat.systole_onset_s = draw.between(0.04, 0.08);
    beat.systole_duration_s = draw.between(0.28, 0.4);
    beat.rr_s = draw.between(0.65, 1.05);
    // Whole systole, the first frame soon after its onset.
    // Half of them as fast as a gated volume should be, half slower.
    let (fewest, kinds) = if draw.unit() < 0.5 { (7, 3.0) } else { (3, 5.0) };
    beat.frames = fewest + (draw.unit() * kinds) as usize;
    beat.interval_s = beat.systole_duration_s / (beat.frames as f64 - draw.between(0.0, 0.5));
    beat.first_s = beat.systole_onset_s + beat.interval_s * draw.between(0.1, 0.5);
    beat.gated_beats = 1 + (draw.unit() * 4.0) as usize;
    beat.shift_std_mm = draw.between(0.0, 0.15);
    beat.rr_std_s = draw.between(0.0, 0.03);
    beat.valve_motion_mm = draw.between(0.0, 10.0);
}

fn scanner(recipe: &mut Recipe, draw: &mut Draw) {
    let doppler = &mut recipe.doppler;
    let usual = draw.unit() < 0.6;
    doppler.nyquist_m_s = if usual { draw.between(0.55, 0.68) } else { draw.between(0.4, 0.8) };
    if draw.unit() < 0.2 {
        doppler.baseline_shift_m_s = draw.between(-0.3, 0.3) * doppler.nyquist_m_s;
    }
    doppler.packet = 6 + (draw.unit() * 11.0) as usize;
    let cutoff_m_s = draw.between(0.06, 0.2);
    let mut filters = vec![WallFilter::Recursive { cutoff_m_s }];
    filters.extend([1, 2, 3].map(|order| WallFilter::Polynomial { order }));
    filters.retain(|kind| {
        let passes =
            PacketFilter::new(*kind, doppler.packet, doppler.nyquist_m_s).half_power(doppler.nyquist_m_s);
        (PASSES_M_S[0]..=PASSES_M_S[1]).contains(&passes)
    });
    doppler.wall_filter = if filters.is_empty() { doppler.wall_filter } else { draw.one_of(&filters) };
    if draw.unit() < 0.15 {
        doppler.reject_m_s = draw.between(0.02, 0.1);
    }
    let usual = draw.unit() < 0.8;
    doppler.gain = if usual { draw.between(0.25, 0.5) } else { draw.between(0.151, 0.549) };
    doppler.lateral_mm = f64::midpoint(draw.between(0.6, 1.3), draw.between(0.6, 1.3));
    let wider = draw.unit();
    doppler.elevational_mm = doppler.lateral_mm * (1.0 + 1.5 * wider.powi(5));
    doppler.axial_mm = draw.between(0.3, 0.6);
    doppler.growth = draw.between(0.5, 1.0);
    doppler.beam_deg = draw.between(0.8, 1.5);
    doppler.plane_deg = doppler.beam_deg * draw.between(1.0, 1.3);
    doppler.plane_deg = doppler.plane_deg.min(1.5);
    doppler.range_mm = draw.between(0.35, 0.6);
    doppler.noise_db = draw.between(12.0, 20.0);
    doppler.looks = draw.between(20.0, 80.0);
    doppler.broadening = draw.between(0.03, 0.10);
    if draw.unit() < 0.15 {
        doppler.tissue_priority = TissuePriority::Off;
    }
}

fn blood(recipe: &mut Recipe, draw: &mut Draw) {
    let doppler = &recipe.doppler;
    let filter = PacketFilter::new(doppler.wall_filter, doppler.packet, doppler.nyquist_m_s);
    let passes = filter.half_power(doppler.nyquist_m_s);
    let blood = &mut recipe.blood;
    let fast = draw.unit() < 0.5;
    blood.speed_m_s = if fast { draw.factor(0.8, 2.5) } else { draw.factor(0.15, 0.6) } * passes;
    blood.speed_m_s = blood.speed_m_s.min(FASTEST_BLOOD_M_S);
    blood.size_mm = draw.between(5.0, 15.0);
    blood.width_m_s = blood.speed_m_s * draw.between(0.2, 0.6);
    if fast && draw.unit() < 0.3 {
        blood.inflow_m_s = draw.between(0.1, 0.4);
    }
}

fn store(recipe: &mut Recipe, draw: &mut Draw) {
    let store = &mut recipe.store;
    let kind = draw.unit();
    store.channels = vec![ChannelKind::Tissue, ChannelKind::Velocity];
    if kind < POWER {
        store.channels.push(ChannelKind::Power);
    }
    if (POWER / 2.0..POWER + VARIANCE).contains(&kind) {
        store.channels.push(ChannelKind::Variance);
    }
    if draw.unit() < 0.15 {
        store.power_law = PowerLaw::Decibel;
    }
    if draw.unit() < 0.15 {
        store.power_extent = PowerExtent::Full;
    }
}

#[cfg(test)]
mod tests {
    use super::super::flow::library_flow_for;
    use super::*;

    #[test]
    fn the_population_keeps_to_its_ranges_and_has_every_stratum() {
        let flows = flows_for(FlowUse::Tuning).unwrap();
        let (n, mut counts, mut clean, mut slow) = (600, [0u32; Fault::ALL.len()], 0, 0);
        for seed in 0..n {
            let recipe = random_recipe(seed, FlowUse::Tuning).unwrap();
            recipe.check().unwrap();
            let flow = flows.iter().find(|flow| Some(&flow.name) == recipe.flow.solved.as_ref()).unwrap();
            let area = flow.truth.effective_mm2 * recipe.flow.scale * recipe.flow.scale;
            // A flow too small or too large for the range comes as near to it as its scale allows.
            assert!((SCALE[0]..=SCALE[1]).contains(&recipe.flow.scale), "{}", recipe.flow.scale);
            let fits = flow.truth.effective_mm2 * SCALE[1] * SCALE[1] >= AREA_MM2[0];
            assert!(area < 1.001 * AREA_MM2[1] && (!fits || area > 0.999 * AREA_MM2[0]), "{area}");
            let doppler = &recipe.doppler;
            assert!((0.08..=0.7).contains(&doppler.gain) && (0.4..=0.8).contains(&doppler.nyquist_m_s));
            let filter = PacketFilter::new(doppler.wall_filter, doppler.packet, doppler.nyquist_m_s);
            let passes = filter.half_power(doppler.nyquist_m_s);
            assert!((PASSES_M_S[0]..=PASSES_M_S[1]).contains(&passes), "{passes} {doppler:?}");
            slow += u32::from(recipe.blood.speed_m_s < 0.7 * passes);
            // Frames over the whole of systole.
            let (beat, end) = (&recipe.beat, recipe.beat.systole_onset_s + recipe.beat.systole_duration_s);
            let last = beat.first_s + beat.interval_s * (beat.frames - 1) as f64;
            assert!(beat.first_s > beat.systole_onset_s && end - last < 1.2 * beat.interval_s);
            let faults: Vec<bool> = Fault::ALL.iter().map(|fault| fault.is_in(&recipe)).collect();
            counts.iter_mut().zip(&faults).for_each(|(count, is)| *count += u32::from(*is));
            clean += u32::from(!faults.contains(&true));
        }
        // Shares of 4 to 8 %, of one half and of 0.92^8, each within five standard deviations.
        assert!(counts.iter().all(|count| (5..=85).contains(count)), "{counts:?}");
        assert!((240..=360).contains(&slow) && (240..=380).contains(&clean), "{slow} {clean}");
        assert_eq!(random_recipe(7, FlowUse::Tuning).unwrap(), random_recipe(7, FlowUse::Tuning).unwrap());
    }

    #[test]
    fn a_flow_of_the_other_use_is_never_drawn_nor_handed_out() {
        let other = flows_for(FlowUse::Testing).unwrap();
        for seed in 0..200 {
            let recipe = random_recipe(seed, FlowUse::Tuning).unwrap();
            assert!(other.iter().all(|flow| Some(&flow.name) != recipe.flow.solved.as_ref()));
        }
        let refused = library_flow_for(&other[0].name, FlowUse::Tuning);
        assert!(matches!(refused, Err(FlowError::Use { .. })));
    }
}
