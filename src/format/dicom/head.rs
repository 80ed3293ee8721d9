//! The few numbers that say how many pixels there are.

use dicom_core::Tag;
use dicom_dictionary_std::tags;

use super::DicomError;
use super::coding::{FrameSize, Pixel, Planes};
use super::tree::View;
use crate::format::Inspection;

/// Rows, columns, bits and number of frames, each checked before anything is made of it
///
/// # Errors
/// [`DicomError::Missing`], [`DicomError::NoVoxels`], [`DicomError::NoFrames`], [`DicomError::Layout`].
pub(super) fn head(root: View<'_>, seen: &mut Inspection) -> Result<(FrameSize, u32), DicomError> {
    let whole = |name, tag: Tag| root.whole(tag).ok_or(DicomError::Missing { name, tag });
    let rows = whole("Rows", tags::ROWS)?;
    let columns = whole("Columns", tags::COLUMNS)?;
    let frames = whole("Number of Frames", tags::NUMBER_OF_FRAMES)?;
    let bits = whole("Bits Allocated", tags::BITS_ALLOCATED)?;
    let stored = root.whole(tags::BITS_STORED).unwrap_or(bits);
    seen.rows_columns_frames = Some([rows, columns, frames]);
    if rows == 0 || columns == 0 {
        return Err(DicomError::NoVoxels { rows, columns });
    }
    if frames == 0 {
        return Err(DicomError::NoFrames);
    }
    let layout = |what: String| Err(DicomError::Layout { what });
    if ![8, 16].contains(&bits) || stored != bits {
        return layout(format!("{stored} bits stored in {bits}"));
    }
    let pixel = match (root.whole(tags::SAMPLES_PER_PIXEL).unwrap_or(1), bits) {
        (1, _) => Pixel::Code,
        (3, 8) => colour(root)?,
        (samples, _) => return layout(format!("{samples} samples of {bits} bits per pixel")),
    };
    if root.whole(tags::PIXEL_REPRESENTATION).unwrap_or(0) != 0 {
        return layout("signed pixels".to_owned());
    }
    let (Ok(rows), Ok(columns)) = (u16::try_from(rows), u16::try_from(columns)) else {
        return layout(format!("{rows} rows of {columns} columns"));
    };
    Ok((FrameSize { rows, columns, bits, pixel }, frames))
}

/// How three samples make a colour (PS3.3 C.7.6.3.1.2, C.7.6.3.1.3)
fn colour(root: View<'_>) -> Result<Pixel, DicomError> {
    let layout = |what: String| Err(DicomError::Layout { what });
    let planes = match root.whole(tags::PLANAR_CONFIGURATION).unwrap_or(0) {
        0 => Planes::Together,
        1 => Planes::Apart,
        other => return layout(format!("a planar configuration of {other}")),
    };
    match root.text(tags::PHOTOMETRIC_INTERPRETATION).unwrap_or_default() {
        "RGB" => Ok(Pixel::Rgb(planes)),
        "YBR_FULL" | "YBR_FULL_422" => Ok(Pixel::Ybr(planes)),
        other => layout(format!("colours as {}", other.chars().take(40).collect::<String>())),
    }
}

/// Whether native Pixel Data of this many bytes can hold what the header declares
///
/// # Errors
/// [`DicomError::PixelLength`], and those of the header.
pub(super) fn plausible(root: View<'_>, available: usize) -> Result<(), DicomError> {
    let (size, frames) = head(root, &mut Inspection::default())?;
    let needed = size.bytes().saturating_mul(frames as usize);
    if needed > available || available - needed > 1 {
        return Err(DicomError::PixelLength { needed, available });
    }
    Ok(())
}
