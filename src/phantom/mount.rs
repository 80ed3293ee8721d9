//! Where the plate stands before the probe, and the chambers around it.
//!
//! ```text
//!   scan space: apex at (0, 0, 0), z down the middle beam, x lateral, y elevational; mm
//!
//!        o apex          transoesophageal: the jet comes up toward the apex
//!       / \
//!      /   \   ^ normal
//!   ==== | ====          plate
//!      \ . /
//! ```

use nalgebra::{Matrix3, Vector3};

use super::recipe::{Recipe, View};

/// The plate at rest
#[derive(Clone, Copy, Debug)]
pub(crate) struct Mount {
    /// Its centre in scan space, mm
    pub(crate) centre: Vector3<f64>,
    /// In-plane axes and normal; the normal points downstream
    pub(crate) axes: [Vector3<f64>; 3],
}

impl Mount {
    /// The plate of a recipe
    pub(crate) fn of(recipe: &Recipe) -> Self {
        let scan = &recipe.scan;
        let centre = Vector3::new(scan.off_axis_mm[0], scan.off_axis_mm[1], scan.depth_mm);
        let beam = centre / centre.norm();
        let facing = match scan.view {
            View::Transoesophageal => -beam,
            View::Transthoracic => beam,
        };
        let azimuth = direction_of(scan.beam_azimuth_deg);
        let aside = flat(Vector3::new(azimuth[0], azimuth[1], 0.0), beam);
        let normal = lean(facing, aside, scan.beam_angle_deg);
        let e1 = flat(Vector3::x(), normal);
        Self { centre, axes: [e1, normal.cross(&e1), normal] }
    }

    /// How far the plate has moved by a time, and how fast it moves: mm and m/s in scan space
    pub(crate) fn motion(&self, recipe: &Recipe, time_s: f64) -> [Vector3<f64>; 2] {
        let beat = &recipe.beat;
        let through = ((time_s - beat.systole_onset_s) / beat.systole_duration_s).clamp(0.0, 1.0);
        let (sin, cos) = libm::sincos(std::f64::consts::PI * through);
        let inside = f64::from(u8::from(through > 0.0 && through < 1.0));
        let pace = std::f64::consts::PI / beat.systole_duration_s * cos * inside / 1000.0;
        let back = self.axes[2] * -beat.valve_motion_mm;
        [back * sin, back * pace]
    }
}

/// Cosine and sine of an angle in degrees
pub(crate) fn direction_of(degrees: f64) -> [f64; 2] {
    let (sin, cos) = libm::sincos(degrees.to_radians());
    [cos, sin]
}

/// `from` turned toward `aside` by an angle in degrees; both keep their lengths
pub(crate) fn lean(from: Vector3<f64>, aside: Vector3<f64>, degrees: f64) -> Vector3<f64> {
    let [cos, sin] = direction_of(degrees);
    from * cos + aside * sin
}

/// The part of `v` across `axis`, as a unit vector; a fixed other direction where there is none
fn flat(v: Vector3<f64>, axis: Vector3<f64>) -> Vector3<f64> {
    let across = v - axis * axis.dot(&v);
    if across.norm() > 1e-6 {
        return across / across.norm();
    }
    let other = if axis.x.abs() < 0.6 { Vector3::x() } else { Vector3::y() };
    let across = other - axis * axis.dot(&other);
    across / across.norm()
}

/// Rotation about x, then y, then z, by angles in degrees
pub(crate) fn rotation([x, y, z]: [f64; 3]) -> Matrix3<f64> {
    let [cx, sx] = direction_of(x);
    let [cy, sy] = direction_of(y);
    let [cz, sz] = direction_of(z);
    let about_x = Matrix3::new(1.0, 0.0, 0.0, 0.0, cx, -sx, 0.0, sx, cx);
    let about_y = Matrix3::new(cy, 0.0, sy, 0.0, 1.0, 0.0, -sy, 0.0, cy);
    let about_z = Matrix3::new(cz, -sz, 0.0, sz, cz, 0.0, 0.0, 0.0, 1.0);
    about_z * about_y * about_x
}

/// Radius of the chamber at a height over the plate's middle, mm
pub(crate) fn chamber(annulus: f64, height: f64) -> f64 {
    // The chambers widen away from the plate toward one and a half times as much (our own choice).
    annulus * (1.0 + 0.5 * height.abs() / (height.abs() + 0.5 * annulus))
}

/// Brightness of the annulus and of the chambers' walls, 0 to 1, with edges softened over `soft` mm
pub(crate) fn walls(annulus: f64, across: f64, height: f64, soft: f64) -> f64 {
    // The annulus is a ring of tissue, the walls rise from it.
    let ring = libm::hypot(across - annulus - ANNULUS_MM, height) - ANNULUS_MM;
    let bright = ANNULUS_BRIGHT * inside(ring, soft);
    let wall = across - chamber(annulus, height);
    if wall <= -3.0 * soft {
        return bright;
    }
    let skin = inside(wall - WALL_MM, soft);
    let behind = BEHIND_BRIGHT + (WALL_BRIGHT - BEHIND_BRIGHT) * skin;
    bright.max(behind * inside(-wall, soft))
}

pub(crate) const PLATE_BRIGHT: f64 = 0.75;
const ANNULUS_BRIGHT: f64 = 0.85;
const WALL_BRIGHT: f64 = 0.55;
const BEHIND_BRIGHT: f64 = 0.2;
pub(crate) const ANNULUS_MM: f64 = 2.0;
const WALL_MM: f64 = 2.5;

/// 1 well inside an edge, 0 well outside, one half on it: a smooth step three `soft` wide each way
pub(crate) fn inside(outside_mm: f64, soft: f64) -> f64 {
    let t = (0.5 - outside_mm / (5.0 * soft)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_annulus_moves_as_a_half_sine_and_as_fast_as_its_slope() {
        let mut recipe = Recipe::default();
        recipe.beat.valve_motion_mm = 8.0;
        (recipe.beat.systole_onset_s, recipe.beat.systole_duration_s) = (0.05, 0.3);
        let mount = Mount::of(&recipe);
        let against = |time_s: f64| mount.motion(&recipe, time_s).map(|v| -v.dot(&mount.axes[2]));
        // A sixth of the way half of 8 mm, pi / 0.3 s times 8 mm times cos 30 degrees a second.
        for (time_s, moved_mm, pace) in
            [(0.0, 0.0, 0.0), (0.1, 4.0, 0.072_552), (0.2, 8.0, 0.0), (0.4, 0.0, 0.0)]
        {
            let [moved, found] = against(time_s);
            assert!(
                (moved - moved_mm).abs() < 1e-9 && (found - pace).abs() < 1e-6,
                "{time_s}: {moved} {found}"
            );
        }
    }
}
