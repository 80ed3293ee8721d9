//! The settings, faults and poses of training scans.
//!
//! | what | range |
//! |---|---|
//! | effective area of the flow | 4 to 250 mm2 within length scales 0.35 to 1.8, widths up to 38 mm |
//! | core speed | 1.5 to 6.5 m/s, two thirds of them 4 to 6 |
//! | beam to the plate's normal | 0 to 60 degrees; 75 % transoesophageal, depth 30 to 70 mm; else 70 to 120 |
//! | Nyquist velocity | 0.38 to 0.85 m/s; baseline shift in a third |
//! | packet and wall filter | 6 to 16 pulses; polynomial order 0 to 2, or recursive, cut-off 0.06 to 0.2 m/s |
//! | spectral broadening | 0 to 10 % of the speed, half of them below 3 %; 4 to 150 looks |
//! | gain | 0.08 to 0.7 of the full signal; noise 10 to 22 dB below it, and always below the gain |
//! | point spread | lateral 0.5 to 1.6 mm, elevation 1 to 2.5 times that (at most 2.2 mm), axial 0.3 to 0.8 mm |
//! | beams, planes | 0.8 to 1.5 degrees; samples 0.3 to 0.6 mm |
//! | voxels | 0.4 to 0.8 mm, sides within 20 % of each other in a half |
//! | chamber blood | 0.01 to 0.45 m/s, structures of 5 to 15 mm; a stream of up to 0.5 m/s in a quarter |
//! | power | linear, decibel, or decibel stored and taken for linear (12 %) |
//! | faults, each in some | velocities interpolated, reject, time gain, attenuation, shadow, ghost, gated shift, motion |
//!
//! Wider than what is judged, so that no setting stands at the edge of what was seen (our own choice).

use std::f64::consts::TAU;

use narrows::phantom::{
    Conversion, GhostRecipe, PowerLaw, ReadyFlow, Recipe, ShadowRecipe, TissuePriority, View, WallFilter,
};
use rand_core::Rng as _;
use rand_pcg::Pcg64;

/// Random numbers between bounds
pub(crate) struct Draw(Pcg64);

impl Draw {
    pub(crate) fn new(seed: u64) -> Self {
        Self(Pcg64::new(u128::from(seed), 0x0070_6174_6368_6573))
    }

    pub(crate) fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Between two positive bounds, even in the logarithm
    pub(crate) fn even(&mut self, low: f64, high: f64) -> f64 {
        low * libm::exp(self.unit() * libm::log(high / low))
    }

    pub(crate) fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// A normal deviate (Box and Muller 1958)
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * libm::log(1.0 - self.unit())).sqrt();
        radius * libm::cos(TAU * self.unit())
    }

    /// A number below this
    pub(crate) fn index(&mut self, below: usize) -> usize {
        ((self.unit() * below as f64) as usize).min(below.saturating_sub(1))
    }
}

/// What becomes of the power channel after storing
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum PowerCurve {
    Linear,
    Decibel,
    /// Stored in decibel, read as if in proportion
    Misdeclared,
}

/// A scan of a flow
pub(crate) struct Drawn {
    pub(crate) recipe: Recipe,
    pub(crate) curve: PowerCurve,
}

/// A recipe for this flow; the grid's place and size are set later
pub(crate) fn recipe(draw: &mut Draw, flow: &ReadyFlow, seed: u64) -> Drawn {
    let mut recipe = crate::bare(seed);
    pose(draw, flow, &mut recipe);
    scanner(draw, &mut recipe);
    faults(draw, &mut recipe);
    let curve = match draw.unit() {
        x if x < 0.58 => PowerCurve::Linear,
        x if x < 0.88 => PowerCurve::Decibel,
        _ => PowerCurve::Misdeclared,
    };
    if curve != PowerCurve::Linear {
        recipe.store.power_law = PowerLaw::Decibel;
        recipe.store.power_range_db = draw.between(25.0, 60.0);
    }
    Drawn { recipe, curve }
}

fn pose(draw: &mut Draw, flow: &ReadyFlow, recipe: &mut Recipe) {
    let truth = &flow.header.truth;
    let low = (4.0 / truth.effective_mm2).sqrt().max(0.35);
    let high = (250.0 / truth.effective_mm2).sqrt().min(38.0 / truth.width_max_mm).min(1.8).max(low);
    recipe.flow.scale = draw.even(low, high);
    recipe.flow.roll_deg = draw.between(0.0, 360.0);
    recipe.flow.wave.peak_m_s =
        if draw.chance(0.67) { draw.between(4.0, 6.0) } else { draw.between(1.5, 6.5) };
    let scan = &mut recipe.scan;
    scan.view = if draw.chance(0.75) { View::Transoesophageal } else { View::Transthoracic };
    scan.depth_mm = match scan.view {
        View::Transoesophageal => draw.between(30.0, 70.0),
        View::Transthoracic => draw.between(70.0, 120.0),
    };
    scan.off_axis_mm = [draw.between(-10.0, 10.0), draw.between(-10.0, 10.0)];
    scan.beam_angle_deg = 60.0 * draw.unit() * draw.unit().sqrt();
    scan.beam_azimuth_deg = draw.between(0.0, 360.0);
}

fn scanner(draw: &mut Draw, recipe: &mut Recipe) {
    let doppler = &mut recipe.doppler;
    doppler.nyquist_m_s = draw.between(0.38, 0.85);
    if draw.chance(0.33) {
        doppler.baseline_shift_m_s = draw.between(-0.3, 0.3) * doppler.nyquist_m_s;
    }
    doppler.packet = 6 + draw.index(11);
    doppler.wall_filter = if draw.chance(0.6) {
        let order = [0, 1, 1, 1, 2][draw.index(5)];
        WallFilter::Polynomial { order: if doppler.packet < 9 { order.min(1) } else { order } }
    } else {
        WallFilter::Recursive { cutoff_m_s: draw.between(0.06, 0.2) }
    };
    doppler.broadening = if draw.chance(0.5) { draw.between(0.0, 0.03) } else { draw.between(0.03, 0.1) };
    doppler.gain = if draw.chance(0.5) { draw.between(0.2, 0.5) } else { draw.between(0.08, 0.7) };
    // Noise that passes the gain would colour everything.
    let least = (-10.0 * libm::log10(doppler.gain) + 4.0).max(10.0);
    doppler.noise_db = draw.between(least, least + 10.0);
    doppler.looks = draw.even(4.0, 150.0);
    doppler.beam_deg = draw.between(0.8, 1.5);
    doppler.plane_deg = draw.between(0.8, 1.5);
    doppler.range_mm = draw.between(0.3, 0.6);
    doppler.lateral_mm = if draw.chance(0.5) { draw.between(0.7, 1.1) } else { draw.between(0.5, 1.6) };
    doppler.elevational_mm = (doppler.lateral_mm * (1.0 + 1.5 * draw.unit() * draw.unit())).min(2.2);
    doppler.axial_mm = draw.between(0.3, 0.8);
    doppler.growth = draw.between(0.0, 1.0);
    let voxel = draw.between(0.42, 0.75);
    let uneven = draw.chance(0.5);
    recipe.grid.voxel_mm =
        std::array::from_fn(|_| if uneven { voxel * draw.between(0.95, 1.07) } else { voxel });
    let blood = &mut recipe.blood;
    blood.speed_m_s = if draw.chance(0.4) { draw.between(0.01, 0.1) } else { draw.between(0.05, 0.45) };
    blood.size_mm = draw.between(5.0, 15.0);
    blood.width_m_s = draw.between(0.01, 0.08);
    if draw.chance(0.25) {
        blood.inflow_m_s = draw.between(0.1, 0.5);
    }
}

fn faults(draw: &mut Draw, recipe: &mut Recipe) {
    let doppler = &mut recipe.doppler;
    if draw.chance(0.15) {
        doppler.conversion = Conversion::Velocity;
    }
    if draw.chance(0.2) {
        doppler.reject_m_s = draw.between(0.02, 0.15);
    }
    if draw.chance(0.25) {
        doppler.time_gain_db_cm = draw.between(-1.0, 1.0);
    }
    if draw.chance(0.2) {
        doppler.attenuation_db = draw.between(0.5, 3.0);
    }
    if draw.chance(0.3) {
        doppler.tissue_priority = TissuePriority::Off;
    }
    if draw.chance(0.1) {
        let (sin, cos) = libm::sincos(draw.between(0.0, TAU));
        let aside = draw.between(3.0, 14.0);
        recipe.shadow.push(ShadowRecipe {
            position_mm: [aside * cos, aside * sin, draw.between(-4.0, 4.0)],
            radius_mm: draw.between(1.0, 3.0),
            loss_db: draw.between(5.0, 40.0),
        });
    }
    if draw.chance(0.1) {
        recipe.ghost.push(GhostRecipe {
            level_db: draw.between(6.0, 20.0),
            deeper_mm: draw.between(0.0, 20.0),
            aside_deg: [draw.between(-12.0, 12.0), draw.between(-12.0, 12.0)],
        });
    }
    if draw.chance(0.25) {
        recipe.beat.gated_beats = 2 + draw.index(4);
        recipe.beat.shift_std_mm = draw.between(0.0, 0.7);
    }
    if draw.chance(0.5) {
        recipe.beat.valve_motion_mm = draw.between(0.0, 10.0);
    }
    recipe.store.velocity_bits = if draw.chance(0.2) { 16 } else { 8 };
    recipe.store.power_bits = if draw.chance(0.2) { 16 } else { 8 };
}
