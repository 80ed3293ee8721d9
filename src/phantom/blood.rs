//! The blood of the chambers: smooth random motion and a stream across each chamber.
//!
//! The random part is a sum of plane waves whose velocity lies across their direction, so that it is
//! free of divergence; each turns its phase at its own pace. It is tabulated on a coarse grid around
//! what is scanned. All of it is our own choice: FACTS holds no spectrum of atrial blood.

use std::f64::consts::PI;

use nalgebra::Vector3;
use rand_pcg::Pcg64;

use super::random::Draw;
use super::recipe::Recipe;

const WAVES: usize = 36;
/// Grid steps to a structure's size
const STEPS: f64 = 3.5;
/// Standard deviation of a stream's cross-section, mm
const STREAM_MM: f64 = 5.0;

struct Wave {
    vector: Vector3<f64>,
    velocity: Vector3<f64>,
    phase: f64,
    pace: f64,
}

struct Stream {
    through: Vector3<f64>,
    velocity: Vector3<f64>,
}

/// Everything about the chambers' blood that does not depend on time
pub(crate) struct Chambers {
    waves: Vec<Wave>,
    streams: Vec<Stream>,
    step: f64,
}

impl Chambers {
    /// The blood of a recipe whose plate stands at `centre` with these axes, the last downstream
    pub(crate) fn new(recipe: &Recipe, centre: &Vector3<f64>, axes: &[Vector3<f64>; 3]) -> Self {
        let blood = &recipe.blood;
        let mut draw = Draw(Pcg64::new(u128::from(recipe.seed), 0x0062_6c6f_6f64));
        let mut direction = || {
            let z = draw.between(-1.0, 1.0);
            let (sin, cos) = libm::sincos(draw.between(0.0, 2.0 * PI));
            let across = (1.0 - z * z).sqrt();
            Vector3::new(across * cos, across * sin, z)
        };
        let pairs: Vec<_> = (0..WAVES).map(|_| (direction(), direction())).collect();
        let speed = blood.speed_m_s * (2.0 / WAVES as f64).sqrt();
        let waves = pairs
            .into_iter()
            .map(|(along, other)| {
                let across = along.cross(&other);
                Wave {
                    vector: along * (PI / blood.size_mm * draw.between(0.6, 1.3)),
                    velocity: across * (speed / across.norm().max(1e-6)),
                    phase: draw.between(0.0, 2.0 * PI),
                    pace: 2.0 * PI / draw.between(0.3, 1.0),
                }
            })
            .filter(|_| blood.speed_m_s > 0.0)
            .collect();
        let streams = [1.0, -1.0]
            .iter()
            .map(|side| {
                let (sin, cos) = libm::sincos(draw.between(0.0, 2.0 * PI));
                let across = axes[0] * cos + axes[1] * sin;
                let away = axes[0] * -sin + axes[1] * cos;
                // Aslant toward or away from the plate, past the jet.
                let tilt = draw.between(-0.7, 0.7);
                Stream {
                    through: centre
                        + away * draw.between(7.0, 13.0)
                        + axes[2] * (side * draw.between(8.0, 16.0)),
                    velocity: (across + axes[2] * tilt).normalize() * blood.inflow_m_s,
                }
            })
            .filter(|_| blood.inflow_m_s > 0.0)
            .collect();
        Self { waves, streams, step: (blood.size_mm / STEPS).clamp(1.0, 3.0) }
    }

    /// Its motion at a time within a box of scan space
    pub(crate) fn at(&self, time_s: f64, low: Vector3<f64>, high: Vector3<f64>) -> Motion {
        if self.waves.is_empty() && self.streams.is_empty() {
            return Motion { low: [0.0; 3], per_step: 0.0, count: [2; 3], nodes: vec![0.0; 8] };
        }
        // Nodes lie at whole steps, so that a small box sees the motion of the whole volume.
        let low = low.map(|x| (x / self.step).floor() * self.step);
        let count: [usize; 3] = std::array::from_fn(|a| ((high[a] - low[a]) / self.step).ceil() as usize + 2);
        // Each wave is a product of three turns, one an axis.
        let turns: Vec<[Vec<[f64; 2]>; 3]> = self
            .waves
            .iter()
            .map(|wave| {
                std::array::from_fn(|a| {
                    let start = if a == 0 { wave.phase + wave.pace * time_s } else { 0.0 };
                    (0..count[a])
                        .map(|i| {
                            let at = low[a] + self.step * i as f64;
                            let (sin, cos) = libm::sincos(start + wave.vector[a] * at);
                            [cos, sin]
                        })
                        .collect()
                })
            })
            .collect();
        let times = |a: [f64; 2], b: [f64; 2]| [a[0] * b[0] - a[1] * b[1], a[0] * b[1] + a[1] * b[0]];
        let mut nodes = Vec::with_capacity(count.iter().product());
        let mut plane = vec![[0.0; 2]; self.waves.len()];
        for z in 0..count[2] {
            for y in 0..count[1] {
                for (turn, both) in turns.iter().zip(&mut plane) {
                    *both = times(turn[1][y], turn[2][z]);
                }
                for x in 0..count[0] {
                    let mut sum = Vector3::zeros();
                    for ((wave, turn), both) in self.waves.iter().zip(&turns).zip(&plane) {
                        sum += wave.velocity * times(turn[0][x], *both)[0];
                    }
                    let point = low + Vector3::new(x as f64, y as f64, z as f64) * self.step;
                    for stream in &self.streams {
                        let speed2 = stream.velocity.norm_squared();
                        let from = point - stream.through;
                        let along = from.dot(&stream.velocity);
                        let off2 = from.norm_squared() - along * along / speed2;
                        sum += stream.velocity * libm::exp(-off2 / (2.0 * STREAM_MM * STREAM_MM));
                    }
                    nodes.push(-(sum.dot(&point) / point.norm().max(1.0)) as f32);
                }
            }
        }
        let low = [low.x as f32, low.y as f32, low.z as f32];
        Motion { low, per_step: (1.0 / self.step) as f32, count, nodes }
    }
}

/// The motion of the chambers' blood at one moment
pub(crate) struct Motion {
    low: [f32; 3],
    per_step: f32,
    count: [usize; 3],
    /// Velocity toward the probe, m/s
    nodes: Vec<f32>,
}

impl Motion {
    /// Velocity toward the probe at a point of scan space, m/s
    pub(crate) fn at(&self, point: [f32; 3]) -> f32 {
        if self.per_step == 0.0 {
            return 0.0;
        }
        let mut first = [0usize; 3];
        let mut share = [0f32; 3];
        for a in 0..3 {
            let at =
                ((point[a] - self.low[a]) * self.per_step).clamp(0.0, (self.count[a] - 1) as f32 - 0.001);
            first[a] = at as usize;
            share[a] = at - first[a] as f32;
        }
        let start = first[0] + self.count[0] * (first[1] + self.count[1] * first[2]);
        let (dy, dz) = (self.count[0], self.count[0] * self.count[1]);
        let row = |node: usize| {
            let a = self.nodes[node];
            a + share[0] * (self.nodes[node + 1] - a)
        };
        let side = |node: usize| {
            let a = row(node);
            a + share[1] * (row(node + dy) - a)
        };
        let a = side(start);
        a + share[2] * (side(start + dz) - a)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_has_the_speed_and_the_size_asked_for() {
        let mut recipe = Recipe::default();
        recipe.blood.inflow_m_s = 0.0;
        let axes = [Vector3::x(), Vector3::y(), Vector3::z()];
        let middle = Vector3::new(0.0, 0.0, 400.0);
        let (mut power, mut apart) = (0.0, 0.0);
        let mut n = 0.0;
        for seed in 0..6 {
            recipe.seed = seed;
            (recipe.blood.speed_m_s, recipe.blood.size_mm) = (0.2, 8.0);
            let chambers = Chambers::new(&recipe, &middle, &axes);
            let motion = chambers.at(0.1, middle - Vector3::repeat(40.0), middle + Vector3::repeat(40.0));
            for i in 0..1500u32 {
                let [x, y, z] = [i % 11, i / 11 % 11, i / 121].map(|x| x as f32 * 6.3 - 33.0);
                let here = f64::from(motion.at([x, y, z + 400.0]));
                // Half a mean wavelength on, the motion has little left of what it was.
                let there = f64::from(motion.at([x + 8.0, y + 8.0, z + 408.0]));
                power += here * here;
                apart += here * there;
                n += 1.0;
            }
        }
        // Along one direction: a third of the mean square speed.
        let speed = (3.0 * power / n).sqrt();
        assert!((speed / 0.2 - 1.0).abs() < 0.1, "{speed}");
        assert!((apart / power).abs() < 0.4, "{}", apart / power);
    }

    #[test]
    fn a_stream_is_a_gaussian_across_its_way() {
        let mut recipe = Recipe::default();
        (recipe.blood.speed_m_s, recipe.blood.inflow_m_s) = (0.0, 0.3);
        let axes = [Vector3::x(), Vector3::y(), Vector3::z()];
        // So far from the probe that all beams run along z.
        let middle = Vector3::new(0.0, 0.0, 8000.0);
        let mut fastest = 0.0f64;
        for seed in 0..4 {
            recipe.seed = seed;
            let mut chambers = Chambers::new(&recipe, &middle, &axes);
            chambers.streams.truncate(1);
            let motion = chambers.at(0.1, middle - Vector3::repeat(40.0), middle + Vector3::repeat(40.0));
            let Stream { through, velocity } = &chambers.streams[0];
            assert!((velocity.norm() - 0.3).abs() < 1e-12);
            let across = velocity.cross(&Vector3::z()).normalize();
            for (off_mm, along_mm) in [(0.0, 0.0), (5.0, 0.0), (-5.0, 9.0), (10.0, -9.0)] {
                let p = through + across * off_mm + velocity.normalize() * along_mm;
                let found = f64::from(motion.at([p.x as f32, p.y as f32, p.z as f32]));
                let expected = -velocity.z * libm::exp(-off_mm * off_mm / 50.0);
                // Linear between nodes 3 mm apart: a twentieth of the peak.
                assert!((found - expected).abs() < 0.01, "{found} {expected} at {off_mm}");
                fastest = fastest.max(expected.abs());
            }
        }
        assert!(fastest > 0.1, "{fastest}");
    }
}
