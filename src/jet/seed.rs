//! Where to start looking: connected bodies of incoherent flow.

use nalgebra::{Matrix3, SymmetricEigen, Vector3};

use crate::space::{Direction, VolumePoint, VoxelPoint, direction};

use super::Signal;

/// A body of incoherent flow
#[derive(Clone, Debug)]
pub(super) struct Seed {
    /// Its centre
    pub centre: VolumePoint,
    /// The direction in which it is longest (either sense)
    pub long_axis: Direction,
    /// Longest over second-longest extent
    pub elongation: f64,
    /// Its volume, mm3
    pub volume_mm3: f64,
}

/// Haste above which a voxel counts as incoherent
const INCOHERENT: f32 = 0.35;
/// Strength below which a voxel's haste is noise
const STRONG: f32 = 0.45;
/// Bodies smaller than this are speckle, mm3
const SMALLEST_MM3: f64 = 25.0;

/// The bodies of incoherent flow of one frame, the largest first
pub(super) fn seeds(signal: &Signal) -> Vec<Seed> {
    let shape = signal.grid().shape();
    let [nx, ny, nz] = shape;
    let haste = signal.haste_field().data();
    let strength = signal.strength_field().data();
    let mut free: Vec<bool> =
        haste.iter().zip(strength).map(|(h, s)| *h > INCOHERENT && *s > STRONG).collect();
    let mut found = Vec::new();
    let mut stack = Vec::new();
    for start in 0..free.len() {
        if !free[start] {
            continue;
        }
        let mut members = Vec::new();
        free[start] = false;
        stack.push(start);
        while let Some(i) = stack.pop() {
            members.push(i);
            let (x, y, z) = (i % nx, (i / nx) % ny, i / (nx * ny));
            let mut visit = |ok: bool, j: usize| {
                if ok && free[j] {
                    free[j] = false;
                    stack.push(j);
                }
            };
            visit(x > 0, i.wrapping_sub(1));
            visit(x + 1 < nx, i + 1);
            visit(y > 0, i.wrapping_sub(nx));
            visit(y + 1 < ny, i + nx);
            visit(z > 0, i.wrapping_sub(nx * ny));
            visit(z + 1 < nz, i + nx * ny);
        }
        let volume_mm3 = members.len() as f64 * signal.grid().voxel_mm3();
        if volume_mm3 >= SMALLEST_MM3 {
            members.sort_unstable();
            found.extend(body(signal, &members, volume_mm3));
        }
    }
    found.sort_by(|a: &Seed, b: &Seed| b.volume_mm3.total_cmp(&a.volume_mm3));
    found
}

fn body(signal: &Signal, members: &[usize], volume_mm3: f64) -> Option<Seed> {
    let [nx, ny, _] = signal.grid().shape();
    let place = |i: usize| {
        let voxel = VoxelPoint::new((i % nx) as f64, ((i / nx) % ny) as f64, (i / (nx * ny)) as f64);
        signal.grid().volume_from_voxel(voxel).0.coords
    };
    let n = members.len() as f64;
    let mean = members.iter().map(|i| place(*i)).sum::<Vector3<f64>>() / n;
    let scatter = members
        .iter()
        .map(|i| {
            let d = place(*i) - mean;
            d * d.transpose()
        })
        .sum::<Matrix3<f64>>()
        / n;
    let eigen = SymmetricEigen::new(scatter);
    let mut order = [0, 1, 2];
    order.sort_by(|a, b| eigen.eigenvalues[*b].total_cmp(&eigen.eigenvalues[*a]));
    let long_axis = direction(eigen.eigenvectors.column(order[0]).into_owned())?;
    let elongation = (eigen.eigenvalues[order[0]].max(0.0) / eigen.eigenvalues[order[1]].max(1e-9)).sqrt();
    Some(Seed { centre: VolumePoint(mean.into()), long_axis, elongation, volume_mm3 })
}
