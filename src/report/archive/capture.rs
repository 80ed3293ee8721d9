//! A picture as a DICOM Secondary Capture: a figure that any archive can show.
//!
//! Pixels are run-length coded, without loss. Who and what is said as in `format::dicom::source`.

use std::io::Write as _;

use dicom_core::VR;
use dicom_dictionary_std::{tags, uids};

use crate::format::dicom::codec;
use crate::format::dicom::identity::Content;
use crate::format::dicom::source::{Identity, Known, SourceInstance};
use crate::format::dicom::write::{WriteError, meta_and_header};

/// A picture to be stored
#[derive(Clone, Debug)]
pub(super) struct Picture<'a> {
    /// Pixels in a row
    pub width: u16,
    /// Rows
    pub height: u16,
    /// Red, green, blue of each pixel, top row first
    pub rgb: &'a [u8],
    /// What it shows, in a few words
    pub title: &'a str,
    /// Its number among the pictures of the report, from 1
    pub number: u32,
}

/// The bytes of a Secondary Capture object
///
/// # Errors
/// [`WriteError::Pixels`] where the pixels are not as many as the sides say, [`WriteError::Header`].
pub(super) fn secondary_capture(
    picture: &Picture<'_>,
    source: &SourceInstance,
    identity: Identity,
) -> Result<Vec<u8>, WriteError> {
    let (columns, rows) = (usize::from(picture.width), usize::from(picture.height));
    if columns * rows == 0 || picture.rgb.len() != 3 * columns * rows {
        return Err(WriteError::Pixels { columns, rows, bytes: picture.rgb.len() });
    }
    let hash = blake3::hash(picture.rgb).to_hex();
    let title = picture.title;
    let content = Content::of_words("capture", &format!("{}\0{hash}\0{title}\0{identity:?}", source.words()));
    let series = Content::of_words("captures", source.words()).uid("series");
    let mut set = source
        .modules(identity)
        .text(tags::SOP_CLASS_UID, VR::UI, uids::SECONDARY_CAPTURE_IMAGE_STORAGE)
        .text(tags::SOP_INSTANCE_UID, VR::UI, &content.uid("instance"))
        .text(tags::MODALITY, VR::CS, "OT")
        .text(tags::SERIES_INSTANCE_UID, VR::UI, &series)
        .text(tags::SERIES_NUMBER, VR::IS, "9002")
        .text(tags::SERIES_DESCRIPTION, VR::LO, "Vena contracta figures")
        .text(tags::BODY_PART_EXAMINED, VR::CS, "HEART")
        .text(tags::CONVERSION_TYPE, VR::CS, "WSD")
        .text(tags::INSTANCE_NUMBER, VR::IS, &picture.number.to_string())
        .empty(tags::PATIENT_ORIENTATION, VR::CS)
        .text(tags::IMAGE_TYPE, VR::CS, "DERIVED\\SECONDARY")
        .text(tags::DERIVATION_DESCRIPTION, VR::ST, title)
        .text(tags::BURNED_IN_ANNOTATION, VR::CS, "NO")
        .text(tags::LOSSY_IMAGE_COMPRESSION, VR::CS, "00")
        .us(tags::SAMPLES_PER_PIXEL, 3)
        .text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "RGB")
        .us(tags::PLANAR_CONFIGURATION, 0)
        .us(tags::ROWS, picture.height)
        .us(tags::COLUMNS, picture.width)
        .us(tags::BITS_ALLOCATED, 8)
        .us(tags::BITS_STORED, 8)
        .us(tags::HIGH_BIT, 7)
        .us(tags::PIXEL_REPRESENTATION, 0);
    if source.known == Known::Instance {
        set = set.items(tags::SOURCE_IMAGE_SEQUENCE, source.reference_items(identity));
    }
    let mut out = Vec::new();
    meta_and_header(
        &set.build(),
        uids::SECONDARY_CAPTURE_IMAGE_STORAGE,
        &content.uid("instance"),
        uids::RLE_LOSSLESS,
        &mut out,
    )?;
    let mut coded = codec::rle_encode_rgb(picture.rgb, columns);
    if coded.len() % 2 == 1 {
        coded.push(0);
    }
    let length = u32::try_from(coded.len())
        .map_err(|_| WriteError::TooLarge { what: "a picture", value: coded.len() as u64 })?;
    out.write_all(&[0xE0, 0x7F, 0x10, 0x00])?;
    out.write_all(b"OB\0\0\xFF\xFF\xFF\xFF")?;
    // An empty offset table, one fragment, the end.
    out.write_all(&[0xFE, 0xFF, 0x00, 0xE0, 0, 0, 0, 0])?;
    out.write_all(&[0xFE, 0xFF, 0x00, 0xE0])?;
    out.write_all(&length.to_le_bytes())?;
    out.write_all(&coded)?;
    out.write_all(&[0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0])?;
    Ok(out)
}
