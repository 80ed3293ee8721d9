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
