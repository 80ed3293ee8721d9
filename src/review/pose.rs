//! Where the cuts of a jet lie: a base that follows the jet, and the reader's turn on top of it.
//!
//! ```text
//!            axis (along the flow)
//!             ^    .-- en-face normal, leaning by the tilt
//!             |  .'
//!             |.'
//!   ----------+----------> u (anterior-posterior where known)     base: neck, axis, u
//!           neck
//! ```
//!
//! The base comes from the measurement, frame by frame, or was placed by hand. A [`Turn`] says how
//! the reader's cut differs: a rotation vector, a roll, a level along the axis, a shift across it.
//! It is held for all frames of a jet, so a correction made on one frame follows the jet through
//! the beat, and the angle between cut and jet is simply the length of the rotation vector.

use nalgebra::{Rotation3, Unit, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::space::{Cut, Direction, VolumePoint, direction, perpendicular_pair, turn_about};

use super::ReviewError;
use super::settings::within;

/// A cut as numbers: centre in millimetres and two unit vectors, in volume space
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pose {
    /// Where the in-plane axes start, mm
    pub centre: [f64; 3],
    /// First in-plane axis, unit vector
    pub u: [f64; 3],
    /// Second in-plane axis, unit vector perpendicular to `u`
    pub v: [f64; 3],
}

impl Default for Pose {
    fn default() -> Self {
        Self { centre: [0.0; 3], u: [1.0, 0.0, 0.0], v: [0.0, 1.0, 0.0] }
    }
}

impl From<&Cut> for Pose {
    fn from(cut: &Cut) -> Self {
        let array = |d: Direction| [d.x, d.y, d.z];
        Self { centre: cut.centre().to_array(), u: array(cut.u()), v: array(cut.v()) }
    }
}

impl Pose {
    /// The cut these numbers describe; `None` where they describe none
    pub fn cut(&self) -> Option<Cut> {
        let u = direction(Vector3::from(self.u))?;
        let normal = direction(u.cross(&Vector3::from(self.v)))?;
        let [x, y, z] = self.centre;
        (x.is_finite() && y.is_finite() && z.is_finite())
            .then(|| Cut::new(VolumePoint::new(x, y, z), normal, u.into_inner()))
    }
}

/// How the reader's cut differs from the proposed one
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Turn {
    /// Rotation vector of the en-face normal away from the axis, radians, in volume space
    pub tilt: [f64; 3],
    /// Roll about the axis, radians
    pub roll: f64,
    /// Level along the axis from the neck, positive downstream, mm
    pub level_mm: f64,
    /// Shift of the centre across the axis, mm, in volume space
    pub shift_mm: [f64; 3],
}

impl Turn {
    /// Refuses turns that are not finite or carry the cut out of any volume
    ///
    /// # Errors
    /// [`ReviewError::Range`] naming the number.
    pub fn check(&self) -> Result<(), ReviewError> {
        for value in self.tilt {
            within("a tilt", value, -1.6, 1.6)?;
        }
        within("the roll", self.roll, -100.0, 100.0)?;
        within("the level", self.level_mm, -200.0, 200.0)?;
        for value in self.shift_mm {
            within("a shift", value, -200.0, 200.0)?;
        }
        Ok(())
    }

    /// Whether the cut is the proposed one
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }
}

/// The frame of a jet at one moment: its neck, its axis, and the direction that `u` looks
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Base {
    cut: Cut,
}

impl Base {
    /// The base at `neck` along `axis`, with `u` toward a direction where one is known
    pub fn new(neck: VolumePoint, axis: Direction, toward: Option<Vector3<f64>>) -> Self {
        let toward = toward.unwrap_or_else(|| perpendicular_pair(axis).0.into_inner());
        Self { cut: Cut::new(neck, axis, toward) }
    }

    /// The proposed en-face cut
    pub fn proposed(&self) -> Cut {
        self.cut
    }

    /// Direction of the flow
    pub fn axis(&self) -> Direction {
        self.cut.normal()
    }

    /// The rotation vector without its part along the axis, which would be a roll
    fn across(&self, vector: [f64; 3]) -> Vector3<f64> {
        let vector = Vector3::from(vector);
        let axis = self.axis().into_inner();
        vector - axis * axis.dot(&vector)
    }

    /// The base rolled and moved by the turn, not tilted: what the long-axis and commissural cuts use
    fn rolled(&self, turn: &Turn) -> Cut {
        let moved = self.cut.centred(self.cut.centre().moved(self.across(turn.shift_mm)));
        if turn.roll == 0.0 { moved } else { moved.rolled(turn.roll) }
    }

    /// The reader's en-face cut
    pub fn en_face(&self, turn: &Turn) -> Cut {
        let level =
            if turn.level_mm == 0.0 { self.rolled(turn) } else { self.rolled(turn).at_level(turn.level_mm) };
        let tilt = self.across(turn.tilt);
        if tilt.norm() < 1e-12 {
            return level;
        }
        let rotation =
            direction(tilt).map_or_else(Rotation3::identity, |hinge| turn_about(&hinge, tilt.norm()));
        let normal = Unit::new_normalize(rotation * level.normal().into_inner());
        Cut::new(level.centre(), normal, rotation * level.u().into_inner())
    }

    /// The cut through the axis and the `u` direction, `v` along the flow
    pub fn long_axis(&self, turn: &Turn) -> Cut {
        let frame = self.rolled(turn);
        along(&frame, frame.u())
    }

    /// The cut through the axis and the `v` direction, `v` of the cut along the flow
    pub fn commissural(&self, turn: &Turn) -> Cut {
        let frame = self.rolled(turn);
        along(&frame, frame.v())
    }

    /// How far the en-face normal leans toward `u` and `v` of the rolled frame, radians
    pub fn lean(&self, turn: &Turn) -> [f64; 2] {
        let frame = self.rolled(turn);
        let toward = self.across(turn.tilt).cross(&self.axis());
        [toward.dot(&frame.u()), toward.dot(&frame.v())]
    }

    /// The turn with the lean set, everything else kept; leans beyond 80 degrees are cut short
    pub fn with_lean(&self, turn: &Turn, lean: [f64; 2]) -> Turn {
        const MOST: f64 = 80.0 * std::f64::consts::PI / 180.0;
        let size = libm::hypot(lean[0], lean[1]);
        let factor = if size > MOST { MOST / size } else { 1.0 };
        let frame = self.rolled(turn);
        let toward = (frame.u().into_inner() * lean[0] + frame.v().into_inner() * lean[1]) * factor;
        Turn { tilt: self.axis().cross(&toward).into(), ..*turn }
    }

    /// The turn moved across the axis by millimetres along `u` and `v` of the rolled frame
    pub fn with_shift(&self, turn: &Turn, by: [f64; 2]) -> Turn {
        let frame = self.rolled(turn);
        let step = frame.u().into_inner() * by[0] + frame.v().into_inner() * by[1];
        Turn { shift_mm: (Vector3::from(turn.shift_mm) + step).into(), ..*turn }
    }

    /// The angle in radians between the en-face normal and the axis
    pub fn tilt(&self, turn: &Turn) -> f64 {
        self.across(turn.tilt).norm()
    }
}

fn along(frame: &Cut, across: Direction) -> Cut {
    let axis = frame.normal();
    let normal = Unit::new_normalize(across.cross(&axis));
    Cut::new(frame.centre(), normal, across.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::space::angle_between;

    fn base() -> Base {
        let axis = Unit::new_normalize(Vector3::new(0.3, -0.2, 0.9));
        Base::new(VolumePoint::new(4.0, 5.0, 6.0), axis, Some(Vector3::x()))
    }

    #[test]
    fn no_turn_is_the_proposed_cut() {
        let base = base();
        assert_eq!(base.en_face(&Turn::default()), base.proposed());
        assert!(base.long_axis(&Turn::default()).v().dot(&base.axis()) > 1.0 - 1e-12);
        assert!(base.commissural(&Turn::default()).v().dot(&base.axis()) > 1.0 - 1e-12);
    }

    #[test]
    fn the_lean_is_the_angle_of_the_normal_and_survives_roll() {
        let base = base();
        let turn = base.with_lean(&Turn { roll: 0.4, ..Turn::default() }, [0.2, -0.1]);
        let [u, v] = base.lean(&turn);
        assert!((u - 0.2).abs() < 1e-12 && (v + 0.1).abs() < 1e-12);
        let cut = base.en_face(&turn);
        let expected = libm::hypot(0.2, 0.1);
        assert!((angle_between(&cut.normal(), &base.axis()) - expected).abs() < 1e-12);
        assert!((base.tilt(&turn) - expected).abs() < 1e-12);
        // The normal leans toward +u where the lean is positive.
        assert!(cut.normal().dot(&base.long_axis(&turn).u()) > 0.0);
        let rolled = base.en_face(&Turn { roll: 1.0, ..turn });
        assert!(angle_between(&rolled.normal(), &cut.normal()) < 1e-7);
    }

    #[test]
    fn a_pose_is_the_cut_again() {
        let cut = base().en_face(&base().with_lean(&Turn::default(), [0.3, 0.3]));
        let back = Pose::from(&cut).cut().unwrap();
        assert!((back.u().into_inner() - cut.u().into_inner()).norm() < 1e-12);
        assert!((back.v().into_inner() - cut.v().into_inner()).norm() < 1e-12);
        assert!(Pose { u: [0.0; 3], ..Pose::default() }.cut().is_none());
        assert!(Pose { centre: [f64::NAN; 3], ..Pose::default() }.cut().is_none());
    }
}
