//! The second look, where planes across the beam showed no jet.
//!
//! Blood that leaves a wide opening slantwise is narrow in no plane across the beam: each that meets the
//! opening also meets the convergence beside it. Planes that lean show it. They also show narrow places in noise
//! that is drawn as colour, so only what the first look misses by its nature is taken from them: an opening that
//! is wide, whole and fed by calm blood.

use crate::space::{Cut, Direction, VolumePoint};

use super::pose::{JetPose, Part};

/// Lean of the second look's planes, degrees
const LEAN_DEG: f64 = 40.0;
/// So many of them around the beam
const LEANS: usize = 6;

/// Directions around the beam
pub(super) fn leaning(beam: Direction) -> Vec<Direction> {
    let across = Cut::perpendicular_to(VolumePoint::new(0.0, 0.0, 0.0), beam);
    let toward = |k: usize| std::f64::consts::TAU * k as f64 / LEANS as f64;
    (0..LEANS).map(|k| across.tilted(LEAN_DEG.to_radians(), toward(k)).normal()).collect()
}

/// Openings below this area are not what the second look is for, mm2 (our own choice)
const WIDE_MM2: f64 = 25.0;
/// Where no cross-section up to 9 mm upstream has less haste than this, what comes is no converging blood but noise
/// drawn as colour, whose haste is everywhere about 0.46 (our own choice, on simulated acquisitions)
const CALM_UPSTREAM: f64 = 0.3;

/// Whether a pose is what planes across the beam can miss: a wide opening, seen with all that makes a jet, to
/// which calm blood comes
pub(super) fn is_wide(pose: &JetPose) -> bool {
    let profile = &pose.profile;
    let calmest = profile
        .positions_mm
        .iter()
        .zip(&profile.haste)
        .filter(|(position, _)| (-9.0..-1.0).contains(*position))
        .fold(f64::INFINITY, |least, (_, haste)| least.min(*haste));
    pose.area_mm2 >= WIDE_MM2
        && [pose.convergence, pose.expansion, pose.whole] == [Part::Found; 3]
        && calmest <= CALM_UPSTREAM
}
