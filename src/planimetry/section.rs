//! What tracing needs to know of a plane.

use crate::jet::{InBeat, JetPose, NeckProfile, Signal, profile_about};
use crate::space::Cut;

/// Where nothing is displayed on a plane its blood is not taken for slow
const UNKNOWN_INCOHERENCE: f64 = 1.0;

/// How far a plane may lie from the one that is meant, one standard deviation each
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaneError {
    /// Of its normal, radians
    pub axis: f64,
    /// Of its level along the jet, mm
    pub level_mm: f64,
}

impl PlaneError {
    /// Of a plane that is known: a truth
    pub const NONE: Self = Self { axis: 0.0, level_mm: 0.0 };
    /// Of a plane laid by hand: 3 degrees, and the level that the measurement aims at (our own choice)
    pub const BY_HAND: Self = Self { axis: 3.0 * std::f64::consts::PI / 180.0, level_mm: 0.5 };
}

/// A plane across a jet, and what the interval of a tracing on it depends on
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    /// The plane; its in-plane axes do not matter
    pub plane: Cut,
    /// How far it may lie from the vena contracta
    pub error: PlaneError,
    /// Largest mean phase incoherence of a cross-section within 4 mm, 0 to 1
    pub incoherence: f64,
    /// Displayed area along the normal, 0 at the level that is meant
    pub profile: NeckProfile,
    /// Displayed area at that level, mm2
    pub size_mm2: f64,
    /// What the other frames of the beat make of an area in this one
    pub in_beat: InBeat,
}

impl JetPose {
    /// The plane of the least displayed area, as it was found
    pub fn section(&self) -> Section {
        Section {
            plane: self.en_face(),
            error: PlaneError { axis: self.axis_error, level_mm: self.level_error_mm },
            incoherence: self.haste,
            profile: self.profile.clone(),
            size_mm2: self.area_mm2,
            in_beat: self.in_beat,
        }
    }
}

impl Section {
    /// A plane of which nothing is known but where it lies; the rest is read off the signal
    pub fn read(signal: &Signal, plane: Cut, error: PlaneError) -> Self {
        let profile = profile_about(signal, &plane).unwrap_or_default();
        let seen = !profile.haste.is_empty();
        let most = profile.haste.iter().copied().fold(0.0, f64::max);
        let at_plane = profile.positions_mm.iter().position(|position| *position == 0.0);
        Self {
            plane,
            error,
            incoherence: if seen { most } else { UNKNOWN_INCOHERENCE },
            size_mm2: at_plane.map_or(0.0, |at| profile.areas_mm2[at]),
            profile,
            in_beat: InBeat::default(),
        }
    }

    /// The same on another plane
    pub fn on(&self, plane: Cut) -> Self {
        Self { plane, ..self.clone() }
    }
}
