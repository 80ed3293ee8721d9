//! The velocity of blood and the brightness of tissue at one point and one moment.
//!
//! ```text
//!   scan space: apex at (0, 0, 0), z down the middle beam, x lateral, y elevational; mm
//!
//!        o apex          transoesophageal: the jet comes up toward the apex
//!       / \
//!      /   \   ^ normal  downstream: spread momentum of every jet
//!   ==== | ====          plate: tissue, and the contracting jets through its holes
//!      \ . /             upstream: potential flow toward every hole
//! ```
//!
//! Each orifice brings two tables in units of its own size; a moment of time only scales them.
//! Where jets meet, their momentum densities add, as the linear diffusion demands.

use nalgebra::Vector3;

use super::mount::{Mount, PLATE_BRIGHT, chamber, direction_of, inside, lean, walls};
use super::recipe::Recipe;
use super::shape::Outline;
use super::sheet::Sheet;
use super::spread::{Spread, sigma_rate};
use super::wave;

/// Everything about a recipe's flow that does not depend on time
#[derive(Debug)]
pub(crate) struct Drawn {
    /// Centre of the plate in scan space at rest
    pub(crate) centre: Vector3<f64>,
    /// In-plane axes and normal of the plate; the normal points downstream
    pub(crate) axes: [Vector3<f64>; 3],
    pub(crate) orifices: Vec<Orifice>,
}

/// One orifice, its tables, and its frame in scan space
#[derive(Debug)]
pub(crate) struct Orifice {
    /// Outline of unit radius
    pub(crate) unit: Outline,
    /// Radius at the largest area, mm
    pub(crate) radius: f64,
    /// In-plane axes of the outline on the plate
    plate_axes: [Vector3<f64>; 2],
    /// Axes across the jet, and the jet's direction
    pub(crate) jet_axes: [Vector3<f64>; 3],
    /// From the plate's centre to the orifice on the upstream face
    offset: Vector3<f64>,
    sheet: Sheet,
    spread: Spread,
}

impl Drawn {
    /// The orifices of a checked recipe; `None` where an outline cannot be used
    pub(crate) fn new(recipe: &Recipe, mount: &Mount) -> Option<Self> {
        let Mount { centre, axes: [e1, e2, normal] } = *mount;
        let mut orifices = Vec::with_capacity(recipe.orifice.len());
        for hole in &recipe.orifice {
            let outline = Outline::of(&hole.shape).ok()?;
            let factor =
                hole.effective_area_mm2.map_or(1.0, |area| (area / hole.contraction / outline.area()).sqrt());
            let radius = outline.radius();
            let unit = outline.scaled(1.0 / radius);
            let roll = direction_of(hole.roll_deg);
            let p1 = e1 * roll[0] + e2 * roll[1];
            let p2 = normal.cross(&p1);
            let side = direction_of(hole.azimuth_deg);
            let aside = e1 * side[0] + e2 * side[1];
            let hinge = normal.cross(&aside);
            let turned = |v: Vector3<f64>| {
                let along = hinge * hinge.dot(&v);
                along + lean(v - along, hinge.cross(&v), hole.tilt_deg)
            };
            orifices.push(Orifice {
                sheet: Sheet::new(&unit, recipe.flow.sheet),
                spread: Spread::new(&unit),
                unit,
                radius: radius * factor,
                plate_axes: [p1, p2],
                jet_axes: [turned(p1), turned(p2), turned(normal)],
                offset: e1 * hole.position_mm[0] + e2 * hole.position_mm[1]
                    - normal * (recipe.plate.thickness_mm / 2.0),
            });
        }
        Some(Self { centre, axes: [e1, e2, normal], orifices })
    }
}

/// The stage at one moment of one beat
#[derive(Debug)]
pub(crate) struct Scene<'a> {
    recipe: &'a Recipe,
    stage: &'a Drawn,
    centre: Vector3<f64>,
    pub(crate) jets: Vec<Jet<'a>>,
}

/// One orifice at one moment
#[derive(Debug)]
pub(crate) struct Jet<'a> {
    pub(crate) orifice: &'a Orifice,
    /// Centre of the orifice on the upstream face
    origin: Vector3<f64>,
    /// Radius of the anatomic outline, mm
    pub(crate) radius: f64,
    /// Anatomic area, mm2
    pub(crate) area: f64,
    /// Contraction coefficient
    contraction: f64,
    /// Core speed at the neck, m/s
    pub(crate) speed: f64,
    /// Distance from the origin to the neck along the jet, mm
    neck: f64,
    sigma_rate: f64,
}

impl Jet<'_> {
    /// Area of the jet at the neck, mm2
    pub(crate) fn effective_area(&self) -> f64 {
        self.area * self.contraction
    }

    /// Flow, ml/s
    pub(crate) fn flow(&self) -> f64 {
        // 1 m/s through 1 mm2 is 1 ml/s.
        self.effective_area() * self.speed
    }

    /// Centre of the neck in scan space
    pub(crate) fn neck_point(&self) -> Vector3<f64> {
        self.origin + self.orifice.jet_axes[2] * self.neck
    }

    /// The effective outline at the neck in millimetres across the jet
    pub(crate) fn effective_outline(&self) -> Outline {
        self.orifice.unit.scaled(self.radius * self.contraction.sqrt())
    }

    fn open(&self) -> bool {
        self.speed > 0.0 && self.radius > 0.0
    }

    /// Position across and along the jet
    fn local(&self, point: &Vector3<f64>) -> [f64; 3] {
        let from = point - self.origin;
        self.orifice.jet_axes.each_ref().map(|axis| axis.dot(&from))
    }

    /// Momentum share and speed scale at a local position
    fn at(&self, [x, y, s]: [f64; 3]) -> (f64, f64) {
        let root = self.contraction.sqrt();
        if s >= self.neck {
            let radius = self.radius * root;
            let sigma = (s - self.neck) * self.sigma_rate / radius;
            return (self.orifice.spread.share(x / radius, y / radius, sigma), self.speed);
        }
        let scale = self.narrowing(s).0;
        let radius = self.radius * scale;
        let speed = self.speed * self.contraction / (scale * scale);
        (self.orifice.spread.share(x / radius, y / radius, 0.0), speed)
    }

    /// Scale of the outline in the contraction, 1 at the upstream face, and its slope per mm
    fn narrowing(&self, s: f64) -> (f64, f64) {
        let t = (s / self.neck).clamp(0.0, 1.0);
        let drop = 1.0 - self.contraction.sqrt();
        (1.0 - drop * t * t * (3.0 - 2.0 * t), -drop * 6.0 * t * (1.0 - t) / self.neck)
    }

    /// Velocity toward the orifice at a point of the upstream side, m/s
    fn suction(&self, point: &Vector3<f64>, normal: &Vector3<f64>) -> Vector3<f64> {
        let from = point - self.origin;
        let [p1, p2] = &self.orifice.plate_axes;
        let r = self.radius;
        let w = (-normal.dot(&from)).max(0.0);
        let [vx, vy, vn] = self.orifice.sheet.velocity(p1.dot(&from) / r, p2.dot(&from) / r, w / r);
        // Nothing moves faster than the core, not even at the singular rim.
        let scale = self.flow() / (r * r);
        let v = (p1 * vx + p2 * vy + normal * vn) * scale;
        let size = v.norm();
        if size > self.speed { v * (self.speed / size) } else { v }
    }
}

/// Blood at a point
#[derive(Clone, Copy, Debug)]
pub(crate) struct Blood {
    /// Velocity in scan space, m/s
    pub(crate) velocity: Vector3<f64>,
    /// Variance of the turbulent velocity, (m/s)^2
    pub(crate) turbulence: f64,
}

impl<'a> Scene<'a> {
    /// The stage `time_s` after the R wave, moved by an offset
    pub(crate) fn new(recipe: &'a Recipe, stage: &'a Drawn, time_s: f64, offset: Vector3<f64>) -> Self {
        let beat = &recipe.beat;
        let centre = stage.centre + offset;
        let rate = sigma_rate(recipe.flow.spread_rate);
        let jets = stage
            .orifices
            .iter()
            .zip(&recipe.orifice)
            .map(|(orifice, hole)| {
                let now = wave::at(&hole.wave, beat, time_s);
                let radius = orifice.radius * now.area.sqrt();
                let area = orifice.unit.area() * radius * radius;
                let hydraulic = 4.0 * orifice.unit.area() / orifice.unit.perimeter() * radius;
                let through = recipe.plate.thickness_mm / libm::cos(hole.tilt_deg.to_radians());
                Jet {
                    orifice,
                    origin: centre + orifice.offset,
                    radius,
                    area,
                    contraction: hole.contraction,
                    speed: now.speed,
                    neck: through + recipe.flow.neck_diameters * hydraulic,
                    sigma_rate: rate,
                }
            })
            .collect();
        Self { recipe, stage, centre, jets }
    }

    /// The blood at a point; `None` inside tissue
    pub(crate) fn blood(&self, point: &Vector3<f64>) -> Option<Blood> {
        let normal = &self.stage.axes[2];
        let from = point - self.centre;
        let height = normal.dot(&from);
        let half = self.recipe.plate.thickness_mm / 2.0;
        let across2 = from.norm_squared() - height * height;
        let annulus = self.recipe.plate.annulus_radius_mm;
        if across2 > annulus * annulus {
            let wall = chamber(annulus, height);
            if across2 > wall * wall {
                return None;
            }
        }
        let flow = &self.recipe.flow;
        if height < -half {
            let velocity = self
                .jets
                .iter()
                .filter(|jet| jet.open())
                .fold(Vector3::zeros(), |sum, jet| sum + jet.suction(point, normal));
            return Some(Blood { velocity, turbulence: 0.0 });
        }
        let within_plate = height <= half;
        let mut momentum = Vector3::zeros();
        let mut shear = 0.0;
        let mut in_hole = false;
        for jet in self.jets.iter().filter(|jet| jet.open()) {
            let local = jet.local(point);
            if local[2] < 0.0 {
                // A leaning channel starts at the upstream face, which cuts it at a slant.
                continue;
            }
            let (share, speed) = jet.at(local);
            if within_plate && !in_hole {
                let (x, y) = (local[0] / jet.radius, local[1] / jet.radius);
                in_hole = jet.orifice.spread.contains(x, y);
            }
            if share < 1e-5 {
                continue;
            }
            let [a1, a2, axis] = &jet.orifice.jet_axes;
            let mut direction = *axis;
            if local[2] < jet.neck {
                let (scale, slope) = jet.narrowing(local[2]);
                direction += (a1 * local[0] + a2 * local[1]) * (slope / scale);
            }
            momentum += direction * (share * speed * speed);
            let layer = 4.0 * share * (1.0 - share).max(0.0) * flow.turbulence_shear * speed;
            if local[2] >= jet.neck {
                shear += layer * layer;
            }
        }
        if within_plate && !in_hole {
            return None;
        }
        let size = momentum.norm();
        let velocity = if size > 0.0 { momentum / size.sqrt() } else { Vector3::zeros() };
        let core = flow.turbulence_core * flow.turbulence_core * velocity.norm_squared();
        Some(Blood { velocity, turbulence: core + shear })
    }

    /// Brightness of the echo of tissue at a point, 0 to 1, with edges softened over `soft` mm
    pub(crate) fn tissue(&self, point: &Vector3<f64>, soft: f64) -> f64 {
        let normal = &self.stage.axes[2];
        let from = point - self.centre;
        let height = normal.dot(&from);
        let across = (from.norm_squared() - height * height).max(0.0).sqrt();
        let half = self.recipe.plate.thickness_mm / 2.0;
        let annulus = self.recipe.plate.annulus_radius_mm;
        let mut bright = 0.0f64;
        let off_plate = height.abs() - half;
        if off_plate < 3.0 * soft && across < annulus + 3.0 * soft {
            let mut hole = 0.0f64;
            for jet in self.jets.iter().filter(|jet| jet.radius > 0.0) {
                let [x, y, _] = jet.local(point);
                let r = jet.radius;
                hole = hole.max(jet.orifice.spread.share(x / r, y / r, soft / r));
            }
            bright = PLATE_BRIGHT * inside(off_plate, soft) * inside(across - annulus, soft) * (1.0 - hole);
        }
        bright.max(walls(annulus, across, height, soft))
    }
}

#[cfg(test)]
mod tests {
    use super::super::mount::rotation;
    use super::super::recipe::{OrificeRecipe, OrificeShape};
    use super::*;
    use nalgebra::Matrix3;

    fn crescent(tilt_deg: f64) -> Recipe {
        let mut recipe = Recipe::default();
        recipe.scan.beam_angle_deg = 25.0;
        recipe.orifice = vec![OrificeRecipe {
            shape: OrificeShape::Crescent { inner_mm: 4.0, outer_mm: 6.5, angle_deg: 120.0 },
            effective_area_mm2: Some(40.0),
            tilt_deg,
            azimuth_deg: 70.0,
            position_mm: [2.0, -1.0],
            roll_deg: 33.0,
            ..OrificeRecipe::default()
        }];
        recipe.check().unwrap();
        recipe
    }

    fn middle(recipe: &Recipe) -> f64 {
        recipe.beat.systole_onset_s + recipe.beat.systole_duration_s / 2.0
    }

    /// Integral over a plane across the jet at a distance from the orifice
    fn across(jet: &Jet, s: f64, mut f: impl FnMut(&Vector3<f64>) -> f64) -> f64 {
        let [a1, a2, axis] = jet.orifice.jet_axes;
        let (n, half) = (240, 12.0);
        let step = 2.0 * half / f64::from(n);
        let mut sum = 0.0;
        for i in 0..n * n {
            let x = (f64::from(i % n) + 0.5) * step - half;
            let y = (f64::from(i / n) + 0.5) * step - half;
            sum += f(&(jet.origin + axis * s + a1 * x + a2 * y)) * step * step;
        }
        sum
    }

    #[test]
    fn flow_is_conserved_to_the_neck_and_momentum_after_it() {
        for tilt in [0.0, 20.0] {
            let recipe = crescent(tilt);
            let stage = Drawn::new(&recipe, &Mount::of(&recipe)).unwrap();
            let scene = Scene::new(&recipe, &stage, middle(&recipe), Vector3::zeros());
            let jet = &scene.jets[0];
            let axis = jet.orifice.jet_axes[2];
            assert!((jet.effective_area() - 40.0).abs() < 1e-9);
            assert!((jet.flow() - 200.0).abs() < 1e-9);
            let along = |p: &Vector3<f64>| scene.blood(p).map_or(0.0, |b| b.velocity.dot(&axis));
            // A plane across a leaning channel leaves the plate only some way up.
            let first = recipe.plate.thickness_mm + if tilt > 0.0 { 3.0 } else { 0.1 };
            for s in [first, jet.neck.max(first) + 0.01] {
                let flow = across(jet, s, along);
                assert!((flow / 200.0 - 1.0).abs() < 0.02, "{flow} at {s}");
            }
            for beyond in [4.0, 10.0, 16.0] {
                let momentum = across(jet, jet.neck + beyond, |p| {
                    let v = along(p);
                    v * v
                });
                assert!((momentum / (40.0 * 25.0) - 1.0).abs() < 0.02, "{momentum} at {beyond}");
            }
        }
    }

    #[test]
    fn the_flow_upstream_goes_through_the_plate() {
        let recipe = crescent(20.0);
        let stage = Drawn::new(&recipe, &Mount::of(&recipe)).unwrap();
        let scene = Scene::new(&recipe, &stage, middle(&recipe), Vector3::zeros());
        let [e1, e2, normal] = stage.axes;
        // A plane 3 mm upstream, as far as the chamber reaches: the share of a point sink's flow
        // beyond radius R at distance h is h / sqrt(h^2 + R^2).
        let (n, half) = (300, 17.0);
        let step = 2.0 * half / f64::from(n);
        let mut flow = 0.0;
        for i in 0..n * n {
            let x = (f64::from(i % n) + 0.5) * step - half;
            let y = (f64::from(i / n) + 0.5) * step - half;
            if x * x + y * y < half * half {
                let p = stage.centre + e1 * x + e2 * y - normal * 3.75;
                flow += scene.blood(&p).unwrap().velocity.dot(&normal) * step * step;
            }
        }
        let expected = 200.0 * (1.0 - 3.0 / (9.0 + half * half).sqrt());
        assert!((flow / expected - 1.0).abs() < 0.03, "{flow} {expected}");
    }

    #[test]
    fn axes_are_perpendicular_and_lean_as_asked() {
        let recipe = crescent(20.0);
        let stage = Drawn::new(&recipe, &Mount::of(&recipe)).unwrap();
        let beam = stage.centre / stage.centre.norm();
        let degrees = |a: &Vector3<f64>, b: &Vector3<f64>| libm::acos(a.dot(b)).to_degrees();
        assert!((degrees(&stage.axes[2], &-beam) - 25.0).abs() < 1e-9);
        let [a1, a2, d] = stage.orifices[0].jet_axes;
        assert!((degrees(&d, &stage.axes[2]) - 20.0).abs() < 1e-9);
        assert!(a1.dot(&a2).abs() < 1e-12 && a1.dot(&d).abs() < 1e-12);
        assert!((a1.cross(&a2) - d).norm() < 1e-12);
        let r = rotation([20.0, -40.0, 70.0]);
        assert!((r * r.transpose() - Matrix3::identity()).norm() < 1e-12);
    }

    #[test]
    fn tissue_has_no_blood_and_a_closed_orifice_no_jet() {
        let recipe = crescent(0.0);
        let stage = Drawn::new(&recipe, &Mount::of(&recipe)).unwrap();
        let open = Scene::new(&recipe, &stage, middle(&recipe), Vector3::zeros());
        let shut = Scene::new(&recipe, &stage, 0.0, Vector3::zeros());
        let beside = stage.centre + stage.axes[0] * 14.0;
        assert!(open.blood(&beside).is_none());
        assert!(open.tissue(&beside, 0.4) > 0.7);
        let neck = open.jets[0].neck_point();
        assert!(shut.blood(&neck).unwrap().velocity.norm() == 0.0);
        assert!(open.tissue(&neck, 0.4) < 0.05);
    }
}
