//! From a patch to a reading: the layers in their order.
//!
//! ```text
//! 136 x 48^2 -> 48 -> 48 ---------------------------(+)-> 48 -> F -> outline
//!                      \ halve -> 64, then 4 with     /         |
//!                        dilations 1, 2, 4, 1 -> G -> 48       pooled over the outline
//!                                                \-- pooled ----+--> head: area, spread, plane, orifice
//! ```
//!
//! The training command (`examples/train/train.py`) holds the same layers; a test compares both on fixed inputs.

use crate::numeric::Image;

use super::convolution::{Activation, Stack};
use super::patch::{KINDS, PIXELS, Patch, PowerUse, SIDE, SLICES, Scene};
use super::reading::Reading;
use super::weights::{EXTRAS, Linear, OUTPUTS, PLANES, Weights};

/// Divides u and v of the coordinate planes and the centroid, mm (our own choice, as all scales here)
const POSITION_SCALE_MM: f64 = 12.0;
/// Where the planes of Nyquist velocity (m/s) and of pitch (mm) are zero
const USUAL: f64 = 0.6;
/// Area added within the logarithm, mm2: no outline is no minus infinity
const LEAST_MM2: f64 = 0.5;
/// Radians and millimetres of the head's unit
const TILT_SCALE: f64 = 0.2;
/// See [`TILT_SCALE`]
const OFFSET_SCALE_MM: f64 = 3.0;

/// Reads a patch with the later of the weights that come with the program, which place a plane and tell what is no vena
/// contracta best
///
/// ```
/// # use narrows::network::{Patch, PowerUse, Scene, read};
/// let scene = Scene { pitch_mm: 0.6, nyquist_m_s: 0.6, apex_mm: None, power: PowerUse::Absent };
/// let nothing = Patch::from_samples(scene, vec![0.0; 4 * 32 * 48 * 48]).unwrap();
/// assert!(read(&nothing).orifice < 0.0);
/// ```
pub fn read(patch: &Patch) -> Reading {
    read_with(&Weights::shipped()[1], patch)
}

/// The mean of what both trainings say of a patch, of which the later one's reading is known
///
/// They err apart, and their mean errs less than one of them (deep ensembles: Lakshminarayanan, Pritzel and Blundell,
/// NeurIPS 2017, from memory).
pub fn read_both(patch: &Patch, known: &Reading) -> Reading {
    read_with(&Weights::shipped()[0], patch).mean(known)
}

/// Reads a patch with these weights
fn read_with(weights: &Weights, patch: &Patch) -> Reading {
    let scene = patch.scene();
    let layers = &weights.convolutions;
    let relu = Activation::Rectified;
    let mut fine = layers[1].over(&layers[0].over(&input(patch), relu), relu);
    let mut coarse = layers[2].over(&fine.halved(), relu);
    for layer in &layers[3..7] {
        let more = layer.over(&coarse, relu);
        coarse.add(&more);
    }
    fine.join(&layers[7].over(&coarse, Activation::Linear));
    let features = layers[8].over(&fine, relu);
    let logits = layers[9].over(&features, Activation::Linear);
    let inside: Vec<f64> = logits.data.iter().map(|logit| sigmoid(f64::from(*logit))).collect();

    let pooled = Pooled::over(&inside, scene.pitch_mm);
    let mut numbers = means(&coarse);
    numbers.extend(features.data.chunks_exact(PIXELS).map(|picture| {
        let sum: f64 = picture.iter().zip(&inside).map(|(f, p)| f64::from(*f) * p).sum();
        (sum / (pooled.pixels + 1.0)) as f32
    }));
    numbers.extend(extras(scene, &pooled));
    let hidden = weights.linears[0].over(&numbers, relu);
    let out = weights.linears[1].over(&hidden, Activation::Linear);
    let out: [f64; OUTPUTS] = std::array::from_fn(|i| out.get(i).copied().map_or(0.0, f64::from));

    let log_spread = out[1].clamp(-5.0, 2.0);
    let factor = weights.calibration(scene.power, patch.surround());
    Reading {
        inside: Image::from_rows(SIDE, SIDE, inside).unwrap_or_else(|| Image::filled(SIDE, SIDE, 0.0)),
        pitch_mm: scene.pitch_mm,
        log_area: libm::log(pooled.area_mm2 + LEAST_MM2) + out[0],
        log_spread,
        half_width: libm::exp(log_spread) * factor,
        lean: [out[2] * TILT_SCALE, out[3] * TILT_SCALE],
        offset_mm: [out[4], out[5], out[6]].map(|offset| offset * OFFSET_SCALE_MM),
        orifice: out[7],
    }
}

/// The slices of all kinds, then the planes
fn input(patch: &Patch) -> Stack {
    let scene = patch.scene();
    let mut stack = Stack { side: SIDE, channels: KINDS * SLICES + PLANES, data: patch.samples().to_vec() };
    let [nyquist, power, pitch] = settings(scene);
    let position = |i: usize| (i as f64 - (SIDE as f64 - 1.0) / 2.0) * scene.pitch_mm;
    let mut planes = vec![[0.0f32; PLANES]; PIXELS];
    for (i, plane) in planes.iter_mut().enumerate() {
        let (u, v) = (position(i % SIDE), position(i / SIDE));
        let [bu, bv, bw] = beam(scene, u, v);
        *plane = [bu, bv, bw, nyquist, power, pitch, u / POSITION_SCALE_MM, v / POSITION_SCALE_MM]
            .map(|x| x as f32);
    }
    for k in 0..PLANES {
        stack.data.extend(planes.iter().map(|plane| plane[k]));
    }
    stack
}

/// The numbers that are the same all over: Nyquist velocity, power, pitch
fn settings(scene: &Scene) -> [f64; 3] {
    let power = match scene.power {
        PowerUse::Present => 1.0,
        PowerUse::Absent => 0.0,
    };
    [libm::log(scene.nyquist_m_s / USUAL), power, libm::log(scene.pitch_mm / USUAL)]
}

/// The beam's direction at a point of the plane, along u, v and w; zeros where it is unknown
fn beam(scene: &Scene, u: f64, v: f64) -> [f64; 3] {
    let Some([au, av, aw]) = scene.apex_mm else { return [0.0; 3] };
    let along = [u - au, v - av, -aw];
    let length = along.iter().map(|a| a * a).sum::<f64>().sqrt();
    if length > 0.0 { along.map(|a| a / length) } else { [0.0; 3] }
}

/// Sums over the outline
struct Pooled {
    /// Sum of the shares
    pixels: f64,
    /// The same as an area
    area_mm2: f64,
    /// Centroid along u and v, mm
    centre_mm: [f64; 2],
}

impl Pooled {
    fn over(inside: &[f64], pitch_mm: f64) -> Self {
        let (mut pixels, mut u, mut v) = (0.0, 0.0, 0.0);
        let middle = (SIDE as f64 - 1.0) / 2.0;
        for (i, p) in inside.iter().enumerate() {
            pixels += p;
            u += p * ((i % SIDE) as f64 - middle);
            v += p * ((i / SIDE) as f64 - middle);
        }
        let centre_mm = [u, v].map(|sum| sum / (pixels + 1.0) * pitch_mm);
        Self { pixels, area_mm2: pixels * pitch_mm * pitch_mm, centre_mm }
    }
}

/// What the head is told beside the features
fn extras(scene: &Scene, pooled: &Pooled) -> [f32; EXTRAS] {
    let [nyquist, power, pitch] = settings(scene);
    let [bu, bv, bw] = beam(scene, 0.0, 0.0);
    let across = (bu * bu + bv * bv).sqrt();
    let [u, v] = pooled.centre_mm.map(|centre| centre / POSITION_SCALE_MM);
    let area = libm::log(pooled.area_mm2 + LEAST_MM2) / 4.0;
    [nyquist, power, pitch, bw, across, u, v, area].map(|x| x as f32)
}

/// The mean of each picture
fn means(stack: &Stack) -> Vec<f32> {
    let pixels = stack.side * stack.side;
    let mean = |picture: &[f32]| picture.iter().map(|f| f64::from(*f)).sum::<f64>() / pixels as f64;
    stack.data.chunks_exact(pixels).map(|picture| mean(picture) as f32).collect()
}

impl Linear {
    fn over(&self, numbers: &[f32], activation: Activation) -> Vec<f32> {
        self.weights
            .chunks_exact(numbers.len())
            .zip(&self.bias)
            .map(|(row, bias)| {
                let sum = row.iter().zip(numbers).fold(*bias, |sum, (w, x)| sum + w * x);
                if activation == Activation::Rectified { sum.max(0.0) } else { sum }
            })
            .collect()
    }
}

fn sigmoid(logit: f64) -> f64 {
    1.0 / (1.0 + libm::exp(-logit))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The patches of the reference: samples by a multiplicative hash of their index, as in `network.py`
    fn patch(case: usize) -> Patch {
        let kind = SLICES * PIXELS;
        let samples = (0..KINDS * kind)
            .map(|i| {
                let hashed = ((i + case * 1_000_003) as u64 * 2_654_435_761 % (1 << 32)) >> 16;
                let value = hashed as f32 / 65536.0;
                match (case, i / kind) {
                    (0, _) | (1, 3) => 0.0,
                    (_, 0 | 1) => value * 2.0 - 1.0,
                    _ => value,
                }
            })
            .collect();
        let scene = Scene {
            pitch_mm: 0.5 + 0.2 * case as f64,
            nyquist_m_s: 0.4 + 0.1 * case as f64,
            apex_mm: (case > 0).then_some([10.0 * case as f64, -5.0, -80.0]),
            power: if case == 2 { PowerUse::Present } else { PowerUse::Absent },
        };
        Patch::from_samples(scene, samples).unwrap()
    }

    fn numbers(reading: &Reading) -> Vec<f64> {
        let mut numbers = vec![reading.log_area, reading.log_spread];
        numbers.extend(reading.lean.into_iter().chain(reading.offset_mm));
        numbers.push(reading.orifice);
        numbers.push(reading.inside.data().iter().sum());
        for y in (0..SIDE).step_by(13) {
            numbers.extend((0..SIDE).step_by(11).map(|x| reading.inside.at(x, y)));
        }
        numbers
    }

    #[test]
    fn readings_are_those_of_pytorch() {
        // Reference: the same weights run by PyTorch in f32, `examples/train/network.py`.
        let references =
            [&include_bytes!("plain-reference.bin")[..], &include_bytes!("stretched-reference.bin")[..]];
        for (weights, reference) in Weights::shipped().iter().zip(references) {
            let reference: Vec<f64> = reference
                .as_chunks::<4>()
                .0
                .iter()
                .map(|bytes| f64::from(f32::from_le_bytes(*bytes)))
                .collect();
            let ours: Vec<f64> = (0..3).flat_map(|case| numbers(&read_with(weights, &patch(case)))).collect();
            assert_eq!(ours.len(), reference.len());
            for (i, (ours, theirs)) in ours.iter().zip(&reference).enumerate() {
                assert!(
                    (ours - theirs).abs() < 1e-4 * theirs.abs().max(1.0),
                    "number {i}: {ours}, PyTorch {theirs}"
                );
            }
        }
    }

    #[test]
    fn any_thread_reads_the_same_bits() {
        let patch = patch(2);
        let here = numbers(&read(&patch));
        let there = std::thread::scope(|scope| scope.spawn(|| numbers(&read(&patch))).join().unwrap());
        assert_eq!(here, there);
    }
}
