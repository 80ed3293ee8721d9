//! The part of the recipe that says how the scanner is built and set, what goes wrong, and how the
//! blood of the chambers moves.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::PhantomError;
use super::recipe::{RecipeFault, all, fault, length, range};
use crate::volume::ChannelKind;

/// Whether bright tissue hides colour
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum TissuePriority {
    /// Colour is not drawn where the echo is bright
    On,
    /// Colour is drawn wherever there is power
    Off,
}

/// What takes tissue and slow blood out of a packet of pulses
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "lowercase", deny_unknown_fields)]
pub enum WallFilter {
    /// Nothing
    None,
    /// The polynomial of this order that fits the packet best is taken out
    Polynomial {
        /// Order, 0 to 4 and below the number of pulses by at least two
        order: usize,
    },
    /// A recursive high pass of second order, its transient projected out
    Recursive {
        /// Half-power velocity of its steady state, m/s
        cutoff_m_s: f64,
    },
}

/// What is interpolated between beams
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Conversion {
    /// Power and first lag: right across the wrap
    Phasor,
    /// The velocity itself, as cheaper machines do: wrong across the wrap
    Velocity,
}

/// How the scanner is built and set
///
/// Angles of beams, packet lengths and the like are common practice, no source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct DopplerRecipe {
    /// Nyquist velocity, m/s
    pub nyquist_m_s: f64,
    /// Baseline shift, m/s: moves both displayed limits up
    pub baseline_shift_m_s: f64,
    /// Pulses in a packet
    pub packet: usize,
    /// The wall filter
    pub wall_filter: WallFilter,
    /// Velocities below this are not drawn, m/s
    pub reject_m_s: f64,
    /// Spectral broadening: standard deviation over the velocity along the beam
    pub broadening: f64,
    /// Standard deviation of the velocity of blood at rest, m/s
    pub rest_m_s: f64,
    /// Colour is drawn where the power passes this share of the full-signal power
    pub gain: f64,
    /// Angle from beam to beam, along x, degrees
    pub beam_deg: f64,
    /// Angle from elevation plane to elevation plane, degrees
    pub plane_deg: f64,
    /// Full opening of the sector in both directions, degrees
    pub sector_deg: f64,
    /// Distance from sample to sample along a beam, mm
    pub range_mm: f64,
    /// Standard deviation of the point spread from beam to beam at the plate's depth, mm
    pub lateral_mm: f64,
    /// The same from plane to plane, mm
    pub elevational_mm: f64,
    /// The same along the beam, mm
    pub axial_mm: f64,
    /// Growth of the lateral and elevational point spread with depth: 1 in proportion, 0 none
    pub growth: f64,
    /// Growth of the axial point spread with depth
    pub axial_growth: f64,
    /// What is interpolated between beams
    pub conversion: Conversion,
    /// Power of the noise below the full-signal power, dB
    pub noise_db: f64,
    /// Independent samples that an estimate of the autocorrelation averages; 0 is no speckle
    pub looks: f64,
    /// Share of the last volume that stays in the next, 0 to 0.95
    pub persistence: f64,
    /// Error of the time-gain compensation: too much gain beyond the plate's depth, dB/cm
    pub time_gain_db_cm: f64,
    /// Largest loss by tissue that attenuates unevenly, dB
    pub attenuation_db: f64,
    /// Whether bright tissue hides colour
    pub tissue_priority: TissuePriority,
}

impl Default for DopplerRecipe {
    fn default() -> Self {
        Self {
            nyquist_m_s: 0.62,
            baseline_shift_m_s: 0.0,
            packet: 10,
            wall_filter: WallFilter::Polynomial { order: 1 },
            reject_m_s: 0.0,
            broadening: 0.05,
            rest_m_s: 0.015,
            gain: 0.35,
            beam_deg: 1.0,
            plane_deg: 1.0,
            sector_deg: 100.0,
            range_mm: 0.45,
            lateral_mm: 0.9,
            elevational_mm: 1.0,
            axial_mm: 0.42,
            growth: 1.0,
            axial_growth: 0.0,
            conversion: Conversion::Phasor,
            noise_db: 16.0,
            looks: 40.0,
            persistence: 0.0,
            time_gain_db_cm: 0.0,
            attenuation_db: 0.0,
            tissue_priority: TissuePriority::On,
        }
    }
}

impl DopplerRecipe {
    pub(super) fn check(&self) -> Result<(), PhantomError> {
        range("doppler.nyquist_m_s", self.nyquist_m_s, 0.05, 10.0)?;
        let most = 0.9 * self.nyquist_m_s;
        range("doppler.baseline_shift_m_s", self.baseline_shift_m_s, -most, most)?;
        range("doppler.packet", self.packet as f64, 3.0, 64.0)?;
        match self.wall_filter {
            WallFilter::None => {}
            WallFilter::Polynomial { order } => {
                let most = self.packet.saturating_sub(2).min(4);
                range("doppler.wall_filter.order", order as f64, 0.0, most as f64)?;
            }
            WallFilter::Recursive { cutoff_m_s } => {
                range("doppler.packet (of a recursive filter)", self.packet as f64, 5.0, 64.0)?;
                range("doppler.wall_filter.cutoff_m_s", cutoff_m_s, 0.01, 0.6 * self.nyquist_m_s)?;
            }
        }
        range("doppler.reject_m_s", self.reject_m_s, 0.0, 0.5 * self.nyquist_m_s)?;
        range("doppler.broadening", self.broadening, 0.0, 1.0)?;
        range("doppler.rest_m_s", self.rest_m_s, 0.0, 1.0)?;
        range("doppler.gain", self.gain, 0.01, 1.0)?;
        range("doppler.beam_deg", self.beam_deg, 0.2, 5.0)?;
        range("doppler.plane_deg", self.plane_deg, 0.2, 5.0)?;
        range("doppler.sector_deg", self.sector_deg, 5.0, 150.0)?;
        range("doppler.range_mm", self.range_mm, 0.1, 3.0)?;
        range("doppler.lateral_mm", self.lateral_mm, 0.05, 5.0)?;
        range("doppler.elevational_mm", self.elevational_mm, 0.05, 8.0)?;
        range("doppler.axial_mm", self.axial_mm, 0.05, 5.0)?;
        range("doppler.growth", self.growth, 0.0, 2.0)?;
        range("doppler.axial_growth", self.axial_growth, 0.0, 2.0)?;
        range("doppler.noise_db", self.noise_db, 0.0, 200.0)?;
        range("doppler.looks", self.looks, 0.0, 1e6)?;
        range("doppler.persistence", self.persistence, 0.0, 0.95)?;
        range("doppler.time_gain_db_cm", self.time_gain_db_cm, -3.0, 3.0)?;
        range("doppler.attenuation_db", self.attenuation_db, 0.0, 20.0)
    }
}

/// How the blood of both chambers moves beside the jet
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct BloodRecipe {
    /// Root mean square speed of its random motion, m/s
    pub speed_m_s: f64,
    /// Size of its structures: half a wavelength, mm
    pub size_mm: f64,
    /// Standard deviation of the velocity within a small volume of it, m/s
    pub width_m_s: f64,
    /// Speed of a stream across each chamber (venous inflow, ventricular outflow), m/s
    pub inflow_m_s: f64,
}

impl Default for BloodRecipe {
    fn default() -> Self {
        Self { speed_m_s: 0.06, size_mm: 10.0, width_m_s: 0.03, inflow_m_s: 0.0 }
    }
}

impl BloodRecipe {
    pub(super) fn check(&self) -> Result<(), PhantomError> {
        range("blood.speed_m_s", self.speed_m_s, 0.0, 1.0)?;
        range("blood.size_mm", self.size_mm, 2.0, 50.0)?;
        range("blood.width_m_s", self.width_m_s, 0.0, 1.0)?;
        range("blood.inflow_m_s", self.inflow_m_s, 0.0, 1.5)
    }
}

/// A bright structure (calcium, a clip) and the shadow behind it
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ShadowRecipe {
    /// Its centre from the plate's centre: in the plate twice, and along the normal, mm
    pub position_mm: [f64; 3],
    /// Its radius, mm
    pub radius_mm: f64,
    /// Loss behind it, dB; 60 and more is total
    pub loss_db: f64,
}

impl ShadowRecipe {
    pub(super) fn check(&self, name: &str) -> Result<(), PhantomError> {
        all(&format!("{name}: position_mm"), &self.position_mm, -100.0, 100.0)?;
        range(&format!("{name}: radius_mm"), self.radius_mm, 0.2, 20.0)?;
        range(&format!("{name}: loss_db"), self.loss_db, 0.0, 200.0)
    }
}

/// A weak copy of the echo in another place: reverberation (deeper), a side lobe (aside)
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GhostRecipe {
    /// Its level below the echo, dB
    pub level_db: f64,
    /// How much deeper it lies, mm
    pub deeper_mm: f64,
    /// How far aside it lies, beam to beam and plane to plane, degrees
    pub aside_deg: [f64; 2],
}

impl GhostRecipe {
    pub(super) fn check(&self, name: &str) -> Result<(), PhantomError> {
        range(&format!("{name}: level_db"), self.level_db, 0.0, 100.0)?;
        range(&format!("{name}: deeper_mm"), self.deeper_mm, 0.0, 100.0)?;
        all(&format!("{name}: aside_deg"), &self.aside_deg, -60.0, 60.0)
    }
}

/// How power becomes a code
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum PowerLaw {
    /// In proportion
    Linear,
    /// By its logarithm
    Decibel,
}

/// Where power is stored
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum PowerExtent {
    /// Only where colour is drawn
    Gated,
    /// Everywhere
    Full,
}

/// What is stored
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct StoreRecipe {
    /// Channels of the volume
    pub channels: Vec<ChannelKind>,
    /// Bits of a velocity code: 8 or 16
    pub velocity_bits: u32,
    /// Bits of a power code: 8 or 16
    pub power_bits: u32,
    /// How power becomes a code
    pub power_law: PowerLaw,
    /// Range of a decibel code below its top, dB
    pub power_range_db: f64,
    /// Where power is stored
    pub power_extent: PowerExtent,
}

impl Default for StoreRecipe {
    fn default() -> Self {
        Self {
            channels: vec![
                ChannelKind::Tissue,
                ChannelKind::Velocity,
                ChannelKind::Power,
                ChannelKind::Variance,
            ],
            velocity_bits: 8,
            power_bits: 8,
            power_law: PowerLaw::Linear,
            power_range_db: 40.0,
            power_extent: PowerExtent::Gated,
        }
    }
}

impl StoreRecipe {
    pub(super) fn check(&self) -> Result<(), PhantomError> {
        if self.channels.is_empty() {
            return fault("store.channels", length(0, 1));
        }
        for (index, kind) in self.channels.iter().enumerate() {
            if self.channels[..index].contains(kind) {
                return fault("store.channels", RecipeFault::Clash("a channel is named twice"));
            }
        }
        for (key, bits) in
            [("store.velocity_bits", self.velocity_bits), ("store.power_bits", self.power_bits)]
        {
            if bits != 8 && bits != 16 {
                return fault(key, RecipeFault::Clash("only 8 and 16 bits can be stored"));
            }
        }
        range("store.power_range_db", self.power_range_db, 5.0, 120.0)
    }
}
