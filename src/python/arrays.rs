//! numpy arrays in and out, without a copy where samples lie together.

use numpy::ndarray::{ArrayView4, Dim};
use numpy::{Element as NumpyElement, PyArray2, PyArray4, PyArrayMethods as _};
use numpy::{PyUntypedArray, PyUntypedArrayMethods as _};
use pyo3::prelude::*;
use std::sync::Arc;

use super::faults::Fault;
use super::work::run;
use crate::format::array::Element;
use crate::job::Watch;
use crate::numeric::Image;
use crate::volume::{Codes, Samples, SharedBytes};

/// The memory of a numpy array, kept alive by the array
struct Lent {
    /// Never used, only held
    _array: Py<PyAny>,
    first: *const u8,
    length: usize,
}

// SAFETY: the bytes are only read, and the array that owns them is held; its reference count is changed by pyo3 alone,
// which puts that off where the thread does not hold the interpreter's lock.
#[allow(unsafe_code)]
unsafe impl Send for Lent {}
// SAFETY: as above.
#[allow(unsafe_code)]
unsafe impl Sync for Lent {}

impl AsRef<[u8]> for Lent {
    #[allow(unsafe_code)]
    fn as_ref(&self) -> &[u8] {
        // SAFETY: `lend` took pointer and length from a contiguous array that lives as long as `_array`; numpy moves
        // no memory of an array that has another reference. Whoever writes into the array meanwhile changes what is
        // read, as with a mapped file; the package's documentation forbids it. Any byte is a valid code.
        unsafe { std::slice::from_raw_parts(self.first, self.length) }
    }
}

/// The bytes, type and shape of an array that lies together; the Python side has seen to that
pub(super) fn lend(array: &Bound<'_, PyAny>) -> Result<(SharedBytes, Element, [usize; 4]), Fault> {
    let wrong = |what: &str| Fault::new("ArrayError", format!("an array {what}"), "");
    let untyped = array.cast::<PyUntypedArray>().map_err(|_| wrong("was expected"))?;
    let found = first::<u8>(array, Element::U8)
        .or_else(|| first::<u16>(array, Element::U16))
        .or_else(|| first::<i8>(array, Element::I8))
        .or_else(|| first::<i16>(array, Element::I16))
        .or_else(|| first::<f32>(array, Element::F32))
        .or_else(|| first::<f64>(array, Element::F64));
    let Some((first, element)) = found else {
        return Err(wrong(
            "[time, z, y, x] of 8- or 16-bit integers, or of 32- or 64-bit reals, was expected",
        ));
    };
    let shape: [usize; 4] = untyped.shape().try_into().map_err(|_| wrong("of four axes was expected"))?;
    if !untyped.is_c_contiguous() {
        return Err(wrong("that lies together was expected"));
    }
    let length = shape.iter().product::<usize>() * element.bytes();
    if length == 0 {
        return Ok((crate::format::shared(Vec::new()), element, shape));
    }
    let lent = Lent { _array: array.clone().unbind(), first, length };
    Ok((Arc::new(lent), element, shape))
}

/// Where an array of this type begins
fn first<T: NumpyElement>(array: &Bound<'_, PyAny>, element: Element) -> Option<(*const u8, Element)> {
    let array = array.cast::<PyArray4<T>>().ok()?;
    Some((array.data().cast::<u8>().cast_const(), element))
}

/// The codes of a channel as `[frame, z, y, x]`, read-only: a view held by `owner` where they lie together
pub(super) fn codes<'py>(
    owner: &Bound<'py, PyAny>,
    samples: &Samples,
    shape: [usize; 3],
) -> PyResult<Bound<'py, PyAny>> {
    let [nx, ny, nz] = shape;
    let shape = [samples.frames(), nz, ny, nx];
    let array = match (samples.bits(), samples.together()) {
        (8, Some(bytes)) => view(owner, bytes, shape)?,
        (16, Some(bytes))
            if cfg!(target_endian = "little") && bytemuck::try_cast_slice::<u8, u16>(bytes).is_ok() =>
        {
            view(owner, bytemuck::cast_slice::<u8, u16>(bytes), shape)?
        }
        (bits, _) => {
            let py = owner.py();
            let frames = || (0..samples.frames()).map(|frame| samples.frame(frame));
            if bits == 8 {
                let bytes =
                    move |_: &Watch| Ok(frames().flat_map(|codes| codes.le_bytes().into_owned()).collect());
                copied::<u8>(py, run(py, None, bytes)?, shape)?
            } else {
                let words = move |_: &Watch| Ok(frames().flat_map(|codes| wide(&codes)).collect());
                copied::<u16>(py, run(py, None, words)?, shape)?
            }
        }
    };
    array.getattr("flags")?.setattr("writeable", false)?;
    Ok(array)
}

fn wide(codes: &Codes<'_>) -> Vec<u16> {
    (0..codes.len()).map(|index| codes.at(index)).collect()
}

fn view<'py, T: NumpyElement>(
    owner: &Bound<'py, PyAny>,
    codes: &[T],
    shape: [usize; 4],
) -> PyResult<Bound<'py, PyAny>> {
    let lent = ArrayView4::from_shape(Dim(shape), codes)
        .map_err(|_| Fault::internal("samples do not fill their grid").raise(owner.py()))?;
    #[allow(unsafe_code)]
    // SAFETY: the codes belong to the volume that `owner` holds and never lets go, and numpy holds `owner`.
    let array = unsafe { PyArray4::borrow_from_array(&lent, owner.clone()) };
    Ok(array.into_any())
}

/// An array of its own
pub(super) fn copied<T: NumpyElement>(
    py: Python<'_>,
    all: Vec<T>,
    shape: impl Into<Vec<usize>>,
) -> PyResult<Bound<'_, PyAny>> {
    let flat = numpy::PyArray1::from_vec(py, all);
    Ok(flat.reshape(shape.into())?.into_any())
}

/// A picture as `[v, u]`
pub(super) fn picture<'py>(py: Python<'py>, image: &Image<f64>) -> PyResult<Bound<'py, PyArray2<f64>>> {
    numpy::PyArray1::from_slice(py, image.data()).reshape([image.height(), image.width()])
}
