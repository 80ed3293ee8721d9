//! From the echo of a beam to what the scanner believes: gain errors, ghosts, noise, speckle,
//! persistence.
//!
//! A packet of complex Gaussian samples has power P and first lag R; an estimate that averages K
//! independent samples scatters as a complex Wishart matrix does (Goodman, Ann Math Stat
//! 1963;34:152-177, from memory): in phase with R and for P each by `(P^2 + |R|^2) / 2K`, the two
//! correlated by `2 P |R| / (P^2 + |R|^2)`, and across R by `(P^2 - |R|^2) / 2K`. Coherent blood has
//! speckle but no noise of phase; noise and turbulent blood have both.

use rand_core::Rng;
use rand_pcg::Pcg64;
use rayon::prelude::*;
use wide::f32x4;

use super::random::{Draw, Quantiles};
use super::recipe::Recipe;
use super::scanner::Conversion;
use super::sector::Sector;
use super::signal::Signal;

/// What every sample of a sector is taken to be, in place: power, first lag, tissue
pub(crate) fn estimate(
    recipe: &Recipe,
    signal: &Signal,
    sector: &Sector,
    stream: u64,
    samples: &mut [f32x4],
) {
    add_ghosts(recipe, sector, samples);
    let doppler = &recipe.doppler;
    let noise = libm::pow(10.0, -doppler.noise_db / 10.0) as f32;
    let noise = f32x4::from([noise, noise * signal.noise_lag, 0.0, 0.0]);
    let loss = Loss::new(recipe);
    let random = Quantiles::get();
    let [beams, _, _] = sector.count;
    let size = beams * sector.count[2];
    let gains: Vec<f32> = (0..sector.count[2])
        .map(|sample| {
            let centimetres = (sector.at(2, sample as f64) - recipe.scan.depth_mm) / 10.0;
            libm::pow(10.0, doppler.time_gain_db_cm * centimetres / 10.0) as f32
        })
        .collect();
    samples.par_chunks_mut(size).enumerate().for_each(|(plane, samples)| {
        let mut rng = Pcg64::new(u128::from(recipe.seed) << 64 | u128::from(stream), plane as u128);
        let elevation = sector.at(1, plane as f64);
        let columns: Vec<f64> =
            (0..beams).map(|beam| loss.decibel(sector.at(0, beam as f64), elevation)).collect();
        for (sample, row) in samples.chunks_exact_mut(beams).enumerate() {
            // The loss gathers on the way down to the plate.
            let way = (sector.at(2, sample as f64) / recipe.scan.depth_mm).min(1.0);
            let gain = f32x4::from([gains[sample], gains[sample], gains[sample], 1.0]);
            for (value, decibel) in row.iter_mut().zip(&columns) {
                if *decibel > 0.0 {
                    let left = libm::pow(10.0, -decibel * way / 10.0) as f32;
                    *value *= f32x4::from([left, left, left, 1.0]);
                }
                *value = scatter((*value + noise) * gain, doppler.looks, random.four(rng.next_u64()));
            }
        }
    });
}

/// Power and first lag as estimated from `looks` independent samples
fn scatter(value: f32x4, looks: f64, normals: [f32; 4]) -> f32x4 {
    let [power, re, im, tissue] = value.to_array();
    if looks <= 0.0 || power <= 0.0 {
        return value;
    }
    let looks = looks as f32;
    let length = (re * re + im * im).sqrt().min(power);
    let coherence = length / power;
    let relative = (1.0 + coherence * coherence) / (2.0 * looks);
    // A gamma deviate of that relative variance (Wilson and Hilferty, PNAS 1931;17:684-8, from memory).
    let c = relative.min(1.0) / 9.0;
    let root = (1.0 - c + c.sqrt() * normals[0]).max(0.0);
    let factor = root * root * root;
    let shared = 2.0 * coherence / (1.0 + coherence * coherence);
    let own = (1.0 - shared * shared).max(0.0).sqrt() * relative.sqrt() * normals[1];
    let found = power * factor;
    let along = length + power * (shared * (factor - 1.0) + own);
    let across = power * ((1.0 - coherence * coherence).max(0.0) / (2.0 * looks)).sqrt() * normals[2];
    let (cos, sin) = if length > 0.0 { (re / length, im / length) } else { (1.0, 0.0) };
    let (re, im) = (along * cos - across * sin, along * sin + across * cos);
    // No estimate is longer than its power.
    let excess = ((re * re + im * im).sqrt() / found.max(f32::MIN_POSITIVE)).max(1.0);
    f32x4::from([found, re / excess, im / excess, tissue])
}

/// Adds the weak copies of the echo, each from where it truly is
fn add_ghosts(recipe: &Recipe, sector: &Sector, samples: &mut [f32x4]) {
    if recipe.ghost.is_empty() {
        return;
    }
    let original = samples.to_vec();
    for ghost in &recipe.ghost {
        let level = libm::pow(10.0, -ghost.level_db / 10.0) as f32;
        // Of the image only what passes its compression: 40 dB (our own choice).
        let tissue = (1.0 - ghost.level_db / 40.0).max(0.0) as f32;
        let level = f32x4::from([level, level, level, tissue * 0.5]);
        let steps = |value: f64, axis: usize| (value / sector.step[axis]).round() as i64;
        let shift = [
            steps(ghost.aside_deg[0].to_radians(), 0),
            steps(ghost.aside_deg[1].to_radians(), 1),
            steps(ghost.deeper_mm, 2),
        ];
        let source = |axis: usize, to: usize| -> Option<usize> {
            let from = to as i64 - shift[axis];
            (from >= 0 && from < sector.count[axis] as i64).then_some(from as usize)
        };
        for plane in 0..sector.count[1] {
            let Some(from_plane) = source(1, plane) else { continue };
            for sample in 0..sector.count[2] {
                let Some(from_sample) = source(2, sample) else { continue };
                for beam in 0..sector.count[0] {
                    let Some(from_beam) = source(0, beam) else { continue };
                    let from = sector.index([from_beam, from_plane, from_sample]);
                    samples[sector.index([beam, plane, sample])] += original[from] * level;
                }
            }
        }
    }
}

/// Uneven attenuation: one smooth wave over the angles
struct Loss {
    most: f64,
    per_angle: [f64; 2],
    phase: f64,
}

impl Loss {
    fn new(recipe: &Recipe) -> Self {
        use std::f64::consts::TAU;
        let mut draw = Draw(Pcg64::new(u128::from(recipe.seed), 0x6c6f_7373));
        let wave = TAU / draw.between(20.0, 40.0).to_radians();
        let (sin, cos) = libm::sincos(draw.between(0.0, TAU));
        let per_angle = [wave * cos, wave * sin];
        Self { most: recipe.doppler.attenuation_db, per_angle, phase: draw.between(0.0, TAU) }
    }

    fn decibel(&self, azimuth: f64, elevation: f64) -> f64 {
        let at = self.per_angle[0] * azimuth + self.per_angle[1] * elevation + self.phase;
        self.most * 0.5 * (1.0 + libm::cos(at))
    }
}

/// Lets a share of the last volume stay
pub(crate) fn persist(share: f64, last: &[f32x4], samples: &mut [f32x4]) {
    let (old, new) = (f32x4::splat(share as f32), f32x4::splat((1.0 - share) as f32));
    for (value, last) in samples.iter_mut().zip(last) {
        *value = *value * new + *last * old;
    }
}

/// What is interpolated between beams: power, then re and im of the first lag or velocity and
/// coherence, then tissue
pub(crate) fn to_interpolate(recipe: &Recipe, samples: &mut [f32x4]) {
    if recipe.doppler.conversion == Conversion::Phasor {
        return;
    }
    for value in samples {
        let [power, re, im, tissue] = value.to_array();
        let velocity = libm::atan2f(im, re) / std::f32::consts::PI * recipe.doppler.nyquist_m_s as f32;
        let coherence = (re * re + im * im).sqrt() / power.max(f32::MIN_POSITIVE);
        *value = f32x4::from([power, velocity, coherence.min(1.0), tissue]);
    }
}

#[cfg(test)]
mod tests {
    use super::super::filter::PacketFilter;
    use super::super::scanner::GhostRecipe;
    use super::*;

    /// Beams on both sides of the middle, 20 to 69.5 mm deep, and a recipe without noise, speckle or faults
    fn bench() -> (Recipe, Sector, Signal) {
        let mut recipe = Recipe::default();
        (recipe.doppler.noise_db, recipe.doppler.looks) = (200.0, 0.0);
        recipe.scan.depth_mm = 45.0;
        let degree = 1f64.to_radians();
        let sector = Sector { step: [degree, degree, 0.5], first: [-15, -15, 40], count: [31, 31, 100] };
        let doppler = &recipe.doppler;
        let filter = PacketFilter::new(doppler.wall_filter, doppler.packet, doppler.nyquist_m_s);
        let signal = Signal::new(doppler.nyquist_m_s, &filter);
        (recipe, sector, signal)
    }

    fn estimated(recipe: &Recipe, sector: &Sector, signal: &Signal, echo: [f32; 4]) -> Vec<[f32; 4]> {
        let mut samples = vec![f32x4::from(echo); sector.count.iter().product()];
        estimate(recipe, signal, sector, 0, &mut samples);
        samples.iter().map(|value| value.to_array()).collect()
    }

    fn decibel(ratio: f32) -> f64 {
        10.0 * libm::log10(f64::from(ratio))
    }

    #[test]
    fn time_gain_errs_by_so_many_decibels_a_centimetre_and_noise_lies_where_asked() {
        let (mut recipe, sector, signal) = bench();
        (recipe.doppler.time_gain_db_cm, recipe.doppler.noise_db) = (0.8, 14.0);
        let found = estimated(&recipe, &sector, &signal, [0.0; 4]);
        for sample in 0..sector.count[2] {
            let [power, re, im, _] = found[sector.index([3, 7, sample])];
            let expected = -14.0 + 0.8 * (sector.at(2, sample as f64) - 45.0) / 10.0;
            assert!((decibel(power) - expected).abs() < 1e-3, "{power}");
            // Filtered noise has a lag of its own and no phase.
            assert!((re / power - signal.noise_lag).abs() < 1e-6 && im == 0.0);
        }
    }

    #[test]
    fn uneven_attenuation_is_a_wave_over_the_angles_that_gathers_down_to_the_plate() {
        let (mut recipe, sector, signal) = bench();
        recipe.doppler.attenuation_db = 3.0;
        let (mut least, mut most) = (f64::MAX, f64::MIN);
        for seed in 0..12 {
            recipe.seed = seed;
            let found = estimated(&recipe, &sector, &signal, [1.0, 0.5, 0.5, 1.0]);
            for beam in 0..sector.count[0] {
                let at = |sample: usize| found[sector.index([beam, 11, sample])];
                // At 45 mm and beyond all of it, at 22.5 mm half of it; phase and tissue stay.
                let (half, whole, beyond) = (at(5), at(50), at(99));
                let loss = -decibel(whole[0]);
                assert!((decibel(half[0]) * 2.0 + loss).abs() < 1e-3 && (beyond[0] - whole[0]).abs() < 1e-6);
                assert!((whole[1] / whole[0] - 0.5).abs() < 1e-6 && whole[3] == 1.0);
                (least, most) = (least.min(loss), most.max(loss));
            }
        }
        assert!((-1e-3..0.1).contains(&least) && (2.9..3.001).contains(&most), "{least} {most}");
    }

    #[test]
    fn a_ghost_is_a_weaker_copy_at_its_distance() {
        let (mut recipe, sector, _) = bench();
        recipe.ghost = vec![GhostRecipe { level_db: 10.0, deeper_mm: 8.0, aside_deg: [4.0, -3.0] }];
        let mut samples = vec![f32x4::ZERO; sector.count.iter().product()];
        let (from, to) = (sector.index([6, 20, 30]), sector.index([10, 17, 46]));
        samples[from] = f32x4::from([2.0, 1.0, -0.5, 1.0]);
        add_ghosts(&recipe, &sector, &mut samples);
        assert_eq!(samples[from].to_array(), [2.0, 1.0, -0.5, 1.0]);
        let copy = samples[to].to_array();
        for (found, expected) in copy.into_iter().zip([0.2, 0.1, -0.05]) {
            assert!((found - expected).abs() < 1e-6, "{copy:?}");
        }
        assert_eq!(samples.iter().filter(|value| value.to_array()[0] != 0.0).count(), 2);
    }

    #[test]
    fn persistence_forgets_as_a_geometric_series() {
        // From a to b at once: n volumes later b + (a - b) s^n is shown.
        let (a, b, share) = (f32x4::from([1.0, 0.8, 0.2, 0.0]), f32x4::from([0.4, -0.3, 0.1, 0.0]), 0.6f32);
        let mut last = vec![a];
        for n in 1..8 {
            let mut now = vec![b];
            persist(f64::from(share), &last, &mut now);
            let expected = b + (a - b) * f32x4::splat(share.powi(n));
            let off = (now[0] - expected).to_array();
            assert!(off.iter().all(|x| x.abs() < 1e-6), "{off:?}");
            last = now;
        }
    }

    #[test]
    fn estimates_scatter_as_a_complex_wishart_matrix() {
        // The moments at the head of this file, for P = 2 and K = 50.
        let (power, looks) = (2.0f64, 50.0);
        for coherence in [0.0, 0.3, 0.7] {
            let along = power * coherence;
            let value = f32x4::from([power as f32, 0.0, along as f32, 0.0]);
            let mut draw = Draw(Pcg64::new(3, 9));
            let n = 40_000;
            // Sums and products of the deviations of power, of the lag in phase and of the lag across.
            let (mut means, mut squares, mut shared) = ([0.0; 3], [0.0; 3], 0.0);
            for _ in 0..n {
                let [p, re, im, _] =
                    scatter(value, looks, Quantiles::get().four(draw.0.next_u64())).to_array();
                // R points along +i, so that what lies across it is -re.
                let off = [f64::from(p) - power, f64::from(im) - along, -f64::from(re)];
                for i in 0..3 {
                    means[i] += off[i] / f64::from(n);
                    squares[i] += off[i] * off[i] / f64::from(n);
                }
                shared += off[0] * off[1] / f64::from(n);
            }
            let square = power * power;
            let in_phase = square * (1.0 + coherence * coherence) / (2.0 * looks);
            let expected = [in_phase, in_phase, square * (1.0 - coherence * coherence) / (2.0 * looks)];
            for i in 0..3 {
                assert!(means[i].abs() < 0.01, "{means:?}");
                assert!(
                    (squares[i] / expected[i] - 1.0).abs() < 0.05,
                    "{coherence}: {squares:?} {expected:?}"
                );
            }
            let correlation = 2.0 * coherence / (1.0 + coherence * coherence);
            assert!((shared / in_phase - correlation).abs() < 0.03, "{coherence}: {}", shared / in_phase);
        }
    }
}
