//! Geometry that must hold before anything is measured: even slices, square axes, rigid maps.
//!
//! Validators of the standard do not look at these (PS3.3 states them in prose), so the reader
//! does. Tolerances are our own: 1 % of a slice step for positions, 1e-3 for a rotation.

use nalgebra::{Matrix3, Vector3};

use super::DicomError;
use crate::format::ABSURD;

/// Slices may stray from even steps by this share of a step
const UNEVEN_SHARE: f64 = 0.01;
/// Entries of a rotation may be off by this much
const RIGID: f64 = 1e-3;

/// Refuses numbers that are not finite or beyond [`ABSURD`]
///
/// # Errors
/// [`DicomError::Value`].
pub(super) fn sane<const N: usize>(name: &'static str, values: [f64; N]) -> Result<(), DicomError> {
    if values.iter().all(|value| value.abs() <= ABSURD) {
        return Ok(());
    }
    Err(DicomError::Value { name, found: format!("{values:?}") })
}

/// Even steps of slices along the normal
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Steps {
    /// Millimetres from slice to slice; negative where they run against the normal
    pub(super) step_mm: f64,
}

/// The step of slices at `places_mm` along `normal`; `None` for a single slice
///
/// # Errors
/// [`DicomError::UnevenSlices`], [`DicomError::SlicesAside`].
pub(super) fn steps(places_mm: &[[f64; 3]], normal: Vector3<f64>) -> Result<Option<Steps>, DicomError> {
    let last = places_mm.len() - 1;
    if last == 0 {
        return Ok(None);
    }
    let first = Vector3::from(places_mm[0]);
    let along = |place: &[f64; 3]| (Vector3::from(*place) - first).dot(&normal);
    let step_mm = along(&places_mm[last]) / last as f64;
    let tolerance = step_mm.abs() * UNEVEN_SHARE + 1e-6;
    for (slice, place) in places_mm.iter().enumerate() {
        let expected_mm = step_mm * slice as f64;
        let found_mm = along(place);
        if (found_mm - expected_mm).abs() > tolerance || step_mm.abs() < 1e-6 {
            return Err(DicomError::UnevenSlices { slice: slice + 1, found_mm, expected_mm });
        }
        let aside_mm = (Vector3::from(*place) - first - normal * found_mm).norm();
        if aside_mm > tolerance {
            return Err(DicomError::SlicesAside { slice: slice + 1, aside_mm });
        }
    }
    Ok(Some(Steps { step_mm }))
}

/// A rigid map as the standard lays it out: 16 numbers, row by row
///
/// # Errors
/// [`DicomError::NotRigid`] where it stretches, mirrors or is not a number.
pub(super) fn rigid(matrix: [f64; 16]) -> Result<(Matrix3<f64>, Vector3<f64>), DicomError> {
    let turn = Matrix3::from_fn(|row, column| matrix[row * 4 + column]);
    let shift = Vector3::new(matrix[3], matrix[7], matrix[11]);
    let off = (turn * turn.transpose() - Matrix3::identity()).abs().max();
    let last =
        [matrix[12], matrix[13], matrix[14], matrix[15] - 1.0].map(f64::abs).into_iter().fold(0.0, f64::max);
    let finite = matrix.iter().all(|entry| entry.is_finite());
    if !finite || off > RIGID || last > RIGID || turn.determinant() < 0.0 {
        return Err(DicomError::NotRigid { off: if finite { off.max(last) } else { f64::NAN } });
    }
    Ok((turn, shift))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_must_be_even_and_straight() {
        let z = Vector3::z();
        let even = [[1.0, 2.0, 3.0], [1.0, 2.0, 2.5], [1.0, 2.0, 2.0]];
        assert_eq!(steps(&even, z).unwrap().unwrap().step_mm, -0.5);
        assert_eq!(steps(&even[..1], z).unwrap(), None);
        let uneven = [[0.0; 3], [0.0, 0.0, 0.5], [0.0, 0.0, 1.2]];
        assert!(matches!(steps(&uneven, z), Err(DicomError::UnevenSlices { slice: 2, .. })));
        let aside = [[0.0; 3], [0.3, 0.0, 0.5], [0.0, 0.0, 1.0]];
        assert!(matches!(steps(&aside, z), Err(DicomError::SlicesAside { slice: 2, .. })));
        assert!(steps(&[[0.0; 3], [0.0; 3]], z).is_err());
    }

    #[test]
    fn a_map_must_be_rigid() {
        let mut matrix = [0.0; 16];
        for i in 0..4 {
            matrix[i * 5] = 1.0;
        }
        matrix[3] = 7.0;
        assert_eq!(rigid(matrix).unwrap().1, Vector3::new(7.0, 0.0, 0.0));
        let mut stretched = matrix;
        stretched[0] = 1.1;
        assert!(rigid(stretched).is_err());
        let mut mirrored = matrix;
        mirrored[0] = -1.0;
        assert!(rigid(mirrored).is_err());
        let mut broken = matrix;
        broken[7] = f64::NAN;
        assert!(rigid(broken).is_err());
    }
}
