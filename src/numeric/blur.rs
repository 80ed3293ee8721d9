//! Gaussian blur, one axis after the other.
//!
//! The kernel is the sampled Gaussian out to four standard deviations, normalised to one; each output
//! element is one sum in a fixed order. One thread: frames are spread over threads by whoever blurs
//! many, and a blur that waited for threads of its own would let them begin further frames, all of them
//! held in memory at once.

use std::ops::{AddAssign, Mul};

use super::Image;

/// What lies beyond the edge
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edge {
    /// The picture mirrored about its edge, the edge element twice: `c b a | a b c`
    Reflect,
    /// Zeros
    Zero,
}

impl Edge {
    /// The index inside `0..length` to read for an index that may lie beyond
    fn place(self, index: isize, length: usize) -> Option<usize> {
        let n = length as isize;
        if (0..n).contains(&index) {
            return Some(index as usize);
        }
        match self {
            Self::Zero => None,
            Self::Reflect => {
                let folded = index.rem_euclid(2 * n);
                Some((if folded < n { folded } else { 2 * n - 1 - folded }) as usize)
            }
        }
    }
}

/// Weights of a sampled Gaussian from `-r` to `r`, `r = round(4 sigma)`, sum 1; `[1]` where sigma is
/// not positive
pub fn gaussian_kernel(sigma: f64) -> Vec<f64> {
    if !(sigma > 0.0 && sigma.is_finite()) {
        return vec![1.0];
    }
    let radius = (4.0 * sigma + 0.5) as isize;
    let weights: Vec<f64> = (-radius..=radius)
        .map(|k| {
            let t = k as f64 / sigma;
            libm::exp(-0.5 * t * t)
        })
        .collect();
    let sum: f64 = weights.iter().sum();
    weights.into_iter().map(|w| w / sum).collect()
}

/// A picture blurred by standard deviations `[x, y]` in pixels
pub fn gaussian(image: &Image<f64>, sigma: [f64; 2], edge: Edge) -> Image<f64> {
    let shape = [image.width(), image.height(), 1];
    let data = blurred(image.data().to_vec(), shape, [sigma[0], sigma[1], 0.0].map(gaussian_kernel), edge);
    let mut out = Image::filled(image.width(), image.height(), 0.0);
    out.data_mut().copy_from_slice(&data);
    out
}

/// A three-dimensional array of `shape` `[x, y, z]`, x fastest, blurred by standard deviations
/// `[x, y, z]` in elements; `None` where the number of elements is not the product of the shape
pub fn gaussian_3d(data: Vec<f32>, shape: [usize; 3], sigma: [f64; 3], edge: Edge) -> Option<Vec<f32>> {
    let elements = shape.iter().try_fold(1usize, |n, side| n.checked_mul(*side))?;
    let kernels = sigma.map(|sigma| gaussian_kernel(sigma).into_iter().map(|weight| weight as f32).collect());
    (data.len() == elements).then(|| blurred(data, shape, kernels, edge))
}

fn blurred<T>(mut data: Vec<T>, shape: [usize; 3], kernels: [Vec<T>; 3], edge: Edge) -> Vec<T>
where
    T: Copy + Default + AddAssign + Mul<Output = T>,
{
    let [width, height, depth] = shape;
    if data.is_empty() {
        return data;
    }
    let plane = width * height;
    let mut other = vec![T::default(); data.len()];
    let [along, down, through] = kernels;
    if along.len() > 1 {
        let radius = (along.len() / 2) as isize;
        // The row with what lies beyond its ends, so that each weight meets a whole row at once.
        let mut longer = vec![T::default(); width + along.len() - 1];
        for (out, row) in other.chunks_mut(width).zip(data.chunks(width)) {
            for (at, value) in longer.iter_mut().enumerate() {
                *value = edge.place(at as isize - radius, width).map_or(T::default(), |at| row[at]);
            }
            out.fill(T::default());
            for (k, weight) in along.iter().enumerate() {
                for (sum, value) in out.iter_mut().zip(&longer[k..k + width]) {
                    *sum += *weight * *value;
                }
            }
        }
        std::mem::swap(&mut data, &mut other);
    }
    if down.len() > 1 {
        for (out, from) in other.chunks_mut(plane).zip(data.chunks(plane)) {
            for (y, row) in out.chunks_mut(width).enumerate() {
                add_rows(row, from, y, height, &down, edge);
            }
        }
        std::mem::swap(&mut data, &mut other);
    }
    if through.len() > 1 {
        for (z, out) in other.chunks_mut(plane).enumerate() {
            add_rows(out, &data, z, depth, &through, edge);
        }
        std::mem::swap(&mut data, &mut other);
    }
    data
}

/// `out = sum over k of kernel[k] * row (index + k - r)` of `from`, whose rows are as long as `out`
fn add_rows<T>(out: &mut [T], from: &[T], index: usize, rows: usize, kernel: &[T], edge: Edge)
where
    T: Copy + Default + AddAssign + Mul<Output = T>,
{
    let length = out.len();
    let radius = (kernel.len() / 2) as isize;
    out.fill(T::default());
    for (k, weight) in kernel.iter().enumerate() {
        if let Some(row) = edge.place(index as isize + k as isize - radius, rows) {
            for (sum, value) in out.iter_mut().zip(&from[row * length..(row + 1) * length]) {
                *sum += *weight * *value;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_becomes_a_gaussian_of_that_spread() {
        let mut point = Image::filled(41, 41, 0.0);
        point.set(20, 20, 1.0);
        let blurred = gaussian(&point, [2.0, 3.0], Edge::Zero);
        let sum: f64 = blurred.data().iter().sum();
        assert!((sum - 1.0).abs() < 1e-12);
        let mut spread = [0.0; 2];
        for y in 0..41 {
            for x in 0..41 {
                spread[0] += blurred.at(x, y) * (x as f64 - 20.0).powi(2);
                spread[1] += blurred.at(x, y) * (y as f64 - 20.0).powi(2);
            }
        }
        // Variances 4 and 9, less what four standard deviations cut off.
        assert!((spread[0] - 4.0).abs() < 0.01 && (spread[1] - 9.0).abs() < 0.02, "{spread:?}");
    }

    #[test]
    fn a_constant_stays_when_mirrored_and_fades_at_zeros() {
        let flat = vec![2.0; 5 * 4 * 3];
        let mirrored = gaussian_3d(flat.clone(), [5, 4, 3], [1.5, 2.5, 4.0], Edge::Reflect).unwrap();
        assert!(mirrored.iter().all(|v| (v - 2.0).abs() < 1e-6));
        let faded = gaussian_3d(flat.clone(), [5, 4, 3], [1.5, 2.5, 4.0], Edge::Zero).unwrap();
        assert!(faded.iter().all(|v| *v < 1.9));
        assert_eq!(gaussian_3d(flat.clone(), [5, 4, 4], [1.0; 3], Edge::Zero), None);
        assert_eq!(gaussian_3d(flat.clone(), [5, 4, 3], [0.0; 3], Edge::Zero), Some(flat));
    }
}
