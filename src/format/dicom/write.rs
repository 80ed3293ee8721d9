//! A `Volume4` as a DICOM Enhanced US Volume object.
//!
//! Frames lie time, then data type, then slice. The bytes depend on the volume and the options
//! alone: identifiers come from the content, no clock is read, and the file names no patient. What
//! the standard requires and a volume does not know (indices of output, the transducer's kind, the
//! view) is filled with the values below, which say so where they can.

use std::io::{self, Write};
use std::path::Path;

use dicom_core::VR;
use dicom_core::value::PrimitiveValue;
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use dicom_transfer_syntax_registry::entries;
use nalgebra::Vector3;
use rayon::prelude::*;

use super::codec;
use super::coding::FrameSize;
use super::file::syntax_uid;
use super::identity::Content;
use super::set::{Set, code};
use super::{ASSUMED_PREFIX, Syntax};
use crate::format::{FormatError, atomic};
use crate::space::direction;
use crate::unit::Seconds;
use crate::volume::{ChannelKind, Cycle, PowerScale, Volume4};

/// Identifies this writer in a file's meta information; a constant of our own
const IMPLEMENTATION_UID: &str = "2.25.151706934561407224817021318527105731621";
const IMPLEMENTATION_VERSION: &str = "NARROWS_0_1";

/// The date of a volume whose date is not given: plainly not one of an acquisition
pub(super) const NO_DATE: &str = "19000101000000";

/// How a volume is written
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WriteOptions {
    /// How pixels are stored
    pub syntax: Syntax,
    /// When it was acquired, `YYYYMMDDHHMMSS` with an optional fraction; 1900-01-01 where not given
    pub acquired: Option<String>,
}

/// Why a volume cannot be written
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// Channels of different widths in one object
    #[error("the {kind} channel has {found} bits, the others {expected}: one object holds one width")]
    MixedBits {
        /// The channel that differs
        kind: ChannelKind,
        /// Its bits
        found: u32,
        /// Bits of the first channel
        expected: u32,
    },
    /// Nothing to write
    #[error("the volume has no channels")]
    NoChannels,
    /// More than the format can address
    #[error("{what} is too large for the format: {value}")]
    TooLarge {
        /// What
        what: &'static str,
        /// How much it is
        value: u64,
    },
    /// A picture whose pixels are not as many as its sides say
    #[error("a picture of {columns} by {rows} pixels cannot be made of {bytes} bytes")]
    Pixels {
        /// Pixels in a row
        columns: usize,
        /// Rows
        rows: usize,
        /// Bytes given
        bytes: usize,
    },
    /// A date that is none
    #[error("the acquisition date \"{0}\" is not of the form YYYYMMDDHHMMSS")]
    Date(String),
    /// The header cannot be encoded
    #[error("the header cannot be encoded: {0}")]
    Header(String),
    /// The system refused
    #[error("{0}")]
    Io(#[from] io::Error),
}

impl WriteError {
    /// What the user may do about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::MixedBits { .. } => "bring the channels to one width first",
            Self::NoChannels => "nothing to write: open a volume with channels",
            Self::TooLarge { .. } => "crop the volume, or choose a compressed syntax such as jpeg-ls",
            Self::Pixels { .. } => "give three bytes a pixel, and at least one pixel",
            Self::Date(_) => "give it as, for example, 20260131093000",
            Self::Header(_) => "choose another syntax, and report this",
            Self::Io(_) => "check the folder, your right to write there and the free space",
        }
    }
}

/// Writes a volume: all of the file or nothing
///
/// # Errors
/// [`FormatError::Write`], [`FormatError::Save`].
pub fn write(volume: &Volume4, path: &Path, options: &WriteOptions) -> Result<(), FormatError> {
    atomic::write(path, |out| write_to(volume, out, options)).map_err(|error: WriteError| match error {
        WriteError::Io(source) => FormatError::Save { path: path.to_owned(), source },
        error => FormatError::Write { path: path.to_owned(), source: Box::new(error) },
    })
}

/// The bytes of the file that [`write()`] makes
///
/// # Errors
/// See [`WriteError`].
pub fn write_bytes(volume: &Volume4, options: &WriteOptions) -> Result<Vec<u8>, WriteError> {
    let mut bytes = Vec::new();
    write_to(volume, &mut bytes, options)?;
    Ok(bytes)
}

fn write_to(volume: &Volume4, out: &mut dyn Write, options: &WriteOptions) -> Result<(), WriteError> {
    let size = frame_size(volume)?;
    let content = Content::of(volume);
    let header = header(volume, size, &content, options)?;
    preamble_and_meta(
        uids::ENHANCED_US_VOLUME_STORAGE,
        &content.uid("instance"),
        syntax_uid(options.syntax),
        out,
    )?;
    let elements = encoded(&header)?;
    match options.syntax {
        Syntax::ExplicitLittle => {
            out.write_all(&elements)?;
            native(volume, size, out)
        }
        Syntax::Deflated => {
            let mut counted = Counted { out, written: 0 };
            let mut deflate =
                flate2::write::DeflateEncoder::new(&mut counted, flate2::Compression::default());
            deflate.write_all(&elements)?;
            native(volume, size, &mut deflate)?;
            deflate.finish()?;
            if counted.written % 2 == 1 {
                counted.write_all(&[0])?;
            }
            Ok(())
        }
        Syntax::Rle | Syntax::JpegLs => {
            out.write_all(&elements)?;
            encapsulated(volume, size, options.syntax, out)
        }
    }
}

/// The start of every file: preamble, signature, file meta information
fn preamble_and_meta(
    class: &str,
    instance: &str,
    syntax: &str,
    out: &mut dyn Write,
) -> Result<(), WriteError> {
    out.write_all(&[0; 128])?;
    out.write_all(b"DICM")?;
    let meta = FileMetaTableBuilder::new()
        .media_storage_sop_class_uid(class)
        .media_storage_sop_instance_uid(instance)
        .transfer_syntax(syntax)
        .implementation_class_uid(IMPLEMENTATION_UID)
        .implementation_version_name(IMPLEMENTATION_VERSION)
        .build()
        .map_err(|error| WriteError::Header(error.to_string()))?;
    meta.write(&mut *out).map_err(|error| WriteError::Header(error.to_string()))
}

/// A data set in explicit little-endian; characters as the data set's own character set says
fn encoded(set: &InMemDicomObject) -> Result<Vec<u8>, WriteError> {
    let mut elements = Vec::new();
    set.write_dataset_with_ts(&mut elements, &entries::EXPLICIT_VR_LITTLE_ENDIAN.erased())
        .map_err(|error| WriteError::Header(error.to_string()))?;
    Ok(elements)
}

/// The start of a file up to its pixels, whose syntax is explicit little-endian outside of them
pub(super) fn meta_and_header(
    set: &InMemDicomObject,
    class: &str,
    instance: &str,
    syntax: &str,
    out: &mut Vec<u8>,
) -> Result<(), WriteError> {
    preamble_and_meta(class, instance, syntax, out)?;
    out.extend(encoded(set)?);
    Ok(())
}

/// A whole file that has no pixels
pub(super) fn part10(set: &InMemDicomObject, class: &str, instance: &str) -> Result<Vec<u8>, WriteError> {
    let mut out = Vec::new();
    meta_and_header(set, class, instance, syntax_uid(Syntax::ExplicitLittle), &mut out)?;
    Ok(out)
}

/// Counts the bytes that pass
struct Counted<'a> {
    out: &'a mut dyn Write,
    written: u64,
}

impl Write for Counted<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.out.write(bytes)?;
        self.written += written as u64;
        Ok(written)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// Size and width of all frames
fn frame_size(volume: &Volume4) -> Result<FrameSize, WriteError> {
    let [columns, rows, slices] = volume.grid.shape();
    let first = volume.channels().first().ok_or(WriteError::NoChannels)?;
    let bits = first.samples().bits();
    for channel in volume.channels() {
        let found = channel.samples().bits();
        if found != bits {
            return Err(WriteError::MixedBits { kind: channel.kind(), found, expected: bits });
        }
    }
    let side = |what, side: usize| {
        u16::try_from(side).map_err(|_| WriteError::TooLarge { what, value: side as u64 })
    };
    let frames = slices.saturating_mul(volume.frames()).saturating_mul(volume.channels().len());
    if i32::try_from(frames).is_err() {
        return Err(WriteError::TooLarge { what: "the number of frames", value: frames as u64 });
    }
    Ok(FrameSize {
        rows: side("a column", rows)?,
        columns: side("a row", columns)?,
        bits,
        ..FrameSize::default()
    })
}

/// Native Pixel Data: the element's header, then every frame
fn native(volume: &Volume4, size: FrameSize, out: &mut dyn Write) -> Result<(), WriteError> {
    let total = volume.stored_bytes() as u64;
    let length = u32::try_from(total + total % 2)
        .ok()
        .filter(|length| *length < u32::MAX - 1)
        .ok_or(WriteError::TooLarge { what: "uncompressed pixel data", value: total })?;
    out.write_all(&[0xE0, 0x7F, 0x10, 0x00])?;
    out.write_all(if size.bits == 8 { b"OB\0\0" } else { b"OW\0\0" })?;
    out.write_all(&length.to_le_bytes())?;
    for time in 0..volume.frames() {
        for channel in volume.channels() {
            out.write_all(&channel.samples().frame(time).le_bytes())?;
        }
    }
    if total % 2 == 1 {
        out.write_all(&[0])?;
    }
    Ok(())
}

/// Encapsulated Pixel Data: an offset table where its 32 bits reach, then a fragment a frame
fn encapsulated(
    volume: &Volume4,
    size: FrameSize,
    syntax: Syntax,
    out: &mut dyn Write,
) -> Result<(), WriteError> {
    let mut coded: Vec<Vec<u8>> = Vec::new();
    for time in 0..volume.frames() {
        for channel in volume.channels() {
            let codes = channel.samples().frame(time);
            let bytes = codes.le_bytes();
            let batch: Vec<Vec<u8>> = bytes
                .par_chunks_exact(size.bytes())
                .map(|pixels| match syntax {
                    Syntax::Rle => codec::rle_encode(pixels, size),
                    _ => codec::jpeg_ls_encode(pixels, size),
                })
                .collect();
            coded.extend(batch);
        }
    }
    for frame in &mut coded {
        if frame.len() % 2 == 1 {
            frame.push(0);
        }
    }
    let mut offsets = Vec::with_capacity(coded.len() * 4);
    let mut at = 0u64;
    let mut reaches = true;
    for frame in &coded {
        match u32::try_from(at) {
            Ok(offset) => offsets.extend(offset.to_le_bytes()),
            Err(_) => reaches = false,
        }
        at += 8 + frame.len() as u64;
    }
    if !reaches {
        offsets.clear();
    }
    out.write_all(&[0xE0, 0x7F, 0x10, 0x00])?;
    out.write_all(b"OB\0\0\xFF\xFF\xFF\xFF")?;
    for item in std::iter::once(&offsets).chain(&coded) {
        out.write_all(&[0xFE, 0xFF, 0x00, 0xE0])?;
        let length = u32::try_from(item.len())
            .map_err(|_| WriteError::TooLarge { what: "a compressed frame", value: item.len() as u64 })?;
        out.write_all(&length.to_le_bytes())?;
        out.write_all(item)?;
    }
    out.write_all(&[0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0])?;
    Ok(())
}

/// What gating the volume knows of decides how frames are timed
#[derive(Clone, Copy, PartialEq, Eq)]
enum Gating {
    /// Trigger delays from the R wave
    Cardiac,
    /// Offsets in time
    Free,
}

fn header(
    volume: &Volume4,
    size: FrameSize,
    content: &Content,
    options: &WriteOptions,
) -> Result<InMemDicomObject, WriteError> {
    let acquired = options.acquired.as_deref().unwrap_or(NO_DATE);
    let date_like = acquired.len() >= 14
        && acquired.len() <= 21
        && acquired.bytes().enumerate().all(|(at, b)| if at == 14 { b == b'.' } else { b.is_ascii_digit() });
    if !date_like {
        return Err(WriteError::Date(acquired.to_owned()));
    }
    let (date, time) = acquired.split_at(8);
    let timeline = &volume.timeline;
    let gating = if timeline.rr.is_some() || timeline.gated_beats.is_some() || !timeline.beats_rr.is_empty() {
        Gating::Cardiac
    } else {
        Gating::Free
    };
    let [_, _, slices] = volume.grid.shape();
    let frames = slices * volume.frames() * volume.channels().len();
    let duration_s =
        timeline.rr.map_or(timeline.times().last().map_or(0.0, |last| last.get().abs()), Seconds::get);
    let study = content.uid("study");
    let reference = content.uid("frame of reference");
    let volume_reference = content.uid("volume frame of reference");
    let organization = content.uid("dimension organization");
    let middle = if size.bits == 8 { 128.0 } else { 32768.0 };

    let mut set = Set::default()
        // SOP Common, Patient, General Study, General Series.
        .text(tags::SOP_CLASS_UID, VR::UI, uids::ENHANCED_US_VOLUME_STORAGE)
        .text(tags::SOP_INSTANCE_UID, VR::UI, &content.uid("instance"))
        .empty(tags::PATIENT_NAME, VR::PN)
        .empty(tags::PATIENT_ID, VR::LO)
        .empty(tags::PATIENT_BIRTH_DATE, VR::DA)
        .empty(tags::PATIENT_SEX, VR::CS)
        .text(tags::STUDY_INSTANCE_UID, VR::UI, &study)
        .text(tags::STUDY_DATE, VR::DA, date)
        .text(tags::STUDY_TIME, VR::TM, time)
        .empty(tags::REFERRING_PHYSICIAN_NAME, VR::PN)
        .empty(tags::STUDY_ID, VR::SH)
        .empty(tags::ACCESSION_NUMBER, VR::SH)
        .text(tags::MODALITY, VR::CS, "US")
        .text(tags::SERIES_INSTANCE_UID, VR::UI, &content.uid("series"))
        .text(tags::SERIES_NUMBER, VR::IS, "1")
        // Frames of reference and synchronization.
        .text(tags::FRAME_OF_REFERENCE_UID, VR::UI, &reference)
        .empty(tags::POSITION_REFERENCE_INDICATOR, VR::LO)
        .text(tags::VOLUME_FRAME_OF_REFERENCE_UID, VR::UI, &volume_reference)
        .fd(tags::VOLUME_TO_TRANSDUCER_MAPPING_MATRIX, &transducer_from_volume(volume))
        .text(tags::VOLUME_TO_TRANSDUCER_RELATIONSHIP, VR::CS, "FIXED")
        .text(tags::SYNCHRONIZATION_FRAME_OF_REFERENCE_UID, VR::UI, &content.uid("synchronization"))
        .text(tags::SYNCHRONIZATION_TRIGGER, VR::CS, "NO TRIGGER")
        .text(tags::ACQUISITION_TIME_SYNCHRONIZED, VR::CS, "N")
        // Equipment.
        .text(tags::MANUFACTURER, VR::LO, "narrows")
        .text(tags::MANUFACTURER_MODEL_NAME, VR::LO, "narrows writer")
        .text(tags::DEVICE_SERIAL_NUMBER, VR::LO, "0")
        .text(tags::SOFTWARE_VERSIONS, VR::LO, env!("CARGO_PKG_VERSION"))
        // General Image and acquisition.
        .text(tags::INSTANCE_NUMBER, VR::IS, "1")
        .empty(tags::PATIENT_ORIENTATION, VR::CS)
        .text(tags::CONTENT_DATE, VR::DA, date)
        .text(tags::CONTENT_TIME, VR::TM, time)
        .text(tags::ACQUISITION_DATE_TIME, VR::DT, acquired)
        .fd(tags::ACQUISITION_DURATION, &[duration_s])
        .text(tags::IMAGE_TYPE, VR::CS, "ORIGINAL\\PRIMARY\\VOLUME\\NONE")
        .text(tags::BURNED_IN_ANNOTATION, VR::CS, "NO")
        .text(
            tags::LOSSY_IMAGE_COMPRESSION,
            VR::CS,
            if volume.provenance.lossy.is_some() { "01" } else { "00" },
        )
        .text(tags::PRESENTATION_LUT_SHAPE, VR::CS, "IDENTITY")
        .put(tags::RESCALE_INTERCEPT, VR::DS, "0")
        .put(tags::RESCALE_SLOPE, VR::DS, "1")
        .text(tags::POSITION_MEASURING_DEVICE_USED, VR::CS, "RIGID")
        .put(tags::MECHANICAL_INDEX, VR::DS, "0")
        .put(tags::BONE_THERMAL_INDEX, VR::DS, "0")
        .put(tags::CRANIAL_THERMAL_INDEX, VR::DS, "0")
        .put(tags::SOFT_TISSUE_THERMAL_INDEX, VR::DS, "0")
        .put(tags::DEPTH_OF_SCAN_FIELD, VR::IS, depth_mm(volume).round().min(1e9).to_string())
        .fd(tags::DEPTHS_OF_FOCUS, &[depth_mm(volume)])
        .code(tags::TRANSDUCER_SCAN_PATTERN_CODE_SEQUENCE, "125242", "DCM", "Volume scan pattern")
        .code(
            tags::TRANSDUCER_GEOMETRY_CODE_SEQUENCE,
            "130808",
            "DCM",
            "Planar matrix ultrasound transducer geometry",
        )
        .code(tags::TRANSDUCER_BEAM_STEERING_CODE_SEQUENCE, "125259", "DCM", "Phased beam steering")
        .code(tags::TRANSDUCER_APPLICATION_CODE_SEQUENCE, "125262", "DCM", "Transesophageal Transducer")
        .code(tags::ANATOMIC_REGION_SEQUENCE, "80891009", "SCT", "Heart")
        .code(tags::VIEW_CODE_SEQUENCE, "261665006", "SCT", "Unknown")
        // Pixels.
        .us(tags::SAMPLES_PER_PIXEL, 1)
        .text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "MONOCHROME2")
        .us(tags::ROWS, size.rows)
        .us(tags::COLUMNS, size.columns)
        .us(tags::BITS_ALLOCATED, size.bits as u16)
        .us(tags::BITS_STORED, size.bits as u16)
        .us(tags::HIGH_BIT, size.bits as u16 - 1)
        .us(tags::PIXEL_REPRESENTATION, 0)
        .text(tags::NUMBER_OF_FRAMES, VR::IS, &frames.to_string())
        // Dimensions: time, position, data type.
        .text(
            tags::DIMENSION_ORGANIZATION_TYPE,
            VR::CS,
            if timeline.frames() > 1 { "3D_TEMPORAL" } else { "3D" },
        )
        .item(
            tags::DIMENSION_ORGANIZATION_SEQUENCE,
            Set::default().text(tags::DIMENSION_ORGANIZATION_UID, VR::UI, &organization),
        );
    let time_dimension = match gating {
        Gating::Cardiac => (tags::NOMINAL_CARDIAC_TRIGGER_DELAY_TIME, tags::CARDIAC_SYNCHRONIZATION_SEQUENCE),
        Gating::Free => (tags::TEMPORAL_POSITION_TIME_OFFSET, tags::TEMPORAL_POSITION_SEQUENCE),
    };
    let dimensions = [
        time_dimension,
        (tags::IMAGE_POSITION_VOLUME, tags::PLANE_POSITION_VOLUME_SEQUENCE),
        (tags::DATA_TYPE, tags::IMAGE_DATA_TYPE_SEQUENCE),
    ];
    set = set.items(
        tags::DIMENSION_INDEX_SEQUENCE,
        dimensions
            .map(|(pointer, group)| {
                Set::default()
                    .text(tags::DIMENSION_ORGANIZATION_UID, VR::UI, &organization)
                    .at(tags::DIMENSION_INDEX_POINTER, pointer)
                    .at(tags::FUNCTIONAL_GROUP_POINTER, group)
            })
            .into(),
    );
    set = if let Some(apex) = volume.apex {
        set.text(tags::ULTRASOUND_ACQUISITION_GEOMETRY, VR::CS, "APEX")
            .fd(tags::APEX_POSITION, &apex.to_array())
    } else {
        let mut identity = [0.0; 16];
        for i in 0..4 {
            identity[i * 5] = 1.0;
        }
        set.text(tags::ULTRASOUND_ACQUISITION_GEOMETRY, VR::CS, "PATIENT")
            .text(tags::PATIENT_FRAME_OF_REFERENCE_SOURCE, VR::CS, "TABLE")
            .text(tags::TABLE_FRAME_OF_REFERENCE_UID, VR::UI, &reference)
            .fd(tags::VOLUME_TO_TABLE_MAPPING_MATRIX, &identity)
    };
    if gating == Gating::Cardiac {
        set = set.text(tags::CARDIAC_SYNCHRONIZATION_TECHNIQUE, VR::CS, "REALTIME").text(
            tags::CARDIAC_SIGNAL_SOURCE,
            VR::CS,
            "ECG",
        );
        // Conditional in the standard; a volume gated over beats of unknown length goes without.
        let mean = timeline.beats_rr.iter().map(|rr| rr.get()).sum::<f64>() / timeline.beats_rr.len() as f64;
        if let Some(rr) = timeline.rr.map(Seconds::get).or(mean.is_finite().then_some(mean)) {
            set = set.fd(tags::CARDIAC_RR_INTERVAL_SPECIFIED, &[rr * 1000.0]);
        }
        let beats =
            timeline.gated_beats.or_else(|| u32::try_from(timeline.beats_rr.len()).ok().filter(|n| *n > 0));
        if let Some(beats) = beats {
            set = set.text(tags::INTERVALS_ACQUIRED, VR::IS, &beats.to_string()).text(
                tags::INTERVALS_REJECTED,
                VR::IS,
                "0",
            );
        }
    }
    if let Some(lossy) = &volume.provenance.lossy {
        // What was lost once stays lost, however pixels are stored now.
        if let Some(ratio) = lossy.ratio {
            set = set.ds(tags::LOSSY_IMAGE_COMPRESSION_RATIO, &[ratio]);
        }
        let code = |c: &char| c.is_ascii_uppercase() || c.is_ascii_digit() || *c == '_';
        let method: String = lossy.method.chars().filter(code).take(16).collect();
        if !method.is_empty() {
            set = set.text(tags::LOSSY_IMAGE_COMPRESSION_METHOD, VR::CS, &method);
        }
    }
    set = set.items(tags::ACQUISITION_CONTEXT_SEQUENCE, context(volume));
    if !volume.provenance.assumed.is_empty() {
        let mut comments = ASSUMED_PREFIX.to_owned();
        for line in &volume.provenance.assumed {
            // LT holds 10240 characters of the default repertoire.
            if comments.len() + line.len() + 2 > 10_000 {
                break;
            }
            comments.push_str("\r\n");
            comments
                .extend(line.chars().map(|c| if c.is_ascii() && !c.is_ascii_control() { c } else { '?' }));
        }
        set = set.text(tags::IMAGE_COMMENTS, VR::LT, &comments);
    }
    set = set.item(tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE, shared(volume, middle));
    set = set
        .items(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE, per_frame(volume, gating, acquired, duration_s));
    Ok(set.build())
}

/// Numbers that have no attribute: the Nyquist velocity, the R-R intervals of the single beats
fn context(volume: &Volume4) -> Vec<Set> {
    let number = |value: f64, concept: Set, units: Set| {
        Set::default()
            .text(tags::VALUE_TYPE, VR::CS, "NUMERIC")
            .item(tags::CONCEPT_NAME_CODE_SEQUENCE, concept)
            .ds(tags::NUMERIC_VALUE, &[value])
            .item(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, units)
    };
    let mut items = Vec::new();
    if volume.channel(ChannelKind::Velocity).is_some() {
        items.push(number(
            volume.velocity_scale.nyquist().get() * 100.0,
            code("59130-5", "LN", "Alias velocity"),
            code("cm/s", "UCUM", "centimeter/second"),
        ));
    }
    for rr in &volume.timeline.beats_rr {
        let concept = code("122182", "DCM", "R-R interval");
        items.push(number(rr.get() * 1000.0, concept, code("ms", "UCUM", "millisecond")));
    }
    items
}

/// The functional groups all frames share
fn shared(volume: &Volume4, middle: f64) -> Set {
    let [dx, dy, dz] = volume.grid.spacing_mm();
    let [x, y, _] = volume.grid.axes();
    let orientation: Vec<f64> = x.iter().chain(y.iter()).copied().collect();
    let set = Set::default()
        .item(
            tags::PIXEL_MEASURES_SEQUENCE,
            Set::default()
                .ds(tags::PIXEL_SPACING, &[dy, dx])
                .ds(tags::SLICE_THICKNESS, &[dz])
                .ds(tags::SPACING_BETWEEN_SLICES, &[dz]),
        )
        .item(
            tags::PLANE_ORIENTATION_VOLUME_SEQUENCE,
            Set::default().fd(tags::IMAGE_ORIENTATION_VOLUME, &orientation),
        )
        .item(
            tags::FRAME_VOILUT_SEQUENCE,
            Set::default().ds(tags::WINDOW_CENTER, &[middle]).ds(tags::WINDOW_WIDTH, &[middle * 2.0]),
        )
        .item(
            tags::US_IMAGE_DESCRIPTION_SEQUENCE,
            Set::default()
                .text(tags::FRAME_TYPE, VR::CS, "ORIGINAL\\PRIMARY\\VOLUME\\NONE")
                .text(tags::VOLUMETRIC_PROPERTIES, VR::CS, "VOLUME")
                .text(tags::VOLUME_BASED_CALCULATION_TECHNIQUE, VR::CS, "NONE"),
        );
    if volume.apex.is_some() {
        return set;
    }
    set.item(
        tags::PLANE_ORIENTATION_SEQUENCE,
        Set::default().ds(tags::IMAGE_ORIENTATION_PATIENT, &orientation),
    )
}

/// The functional groups of each frame, in the order time, data type, slice
fn per_frame(volume: &Volume4, gating: Gating, acquired: &str, duration_s: f64) -> Vec<Set> {
    let [_, _, slices] = volume.grid.shape();
    let normal = volume.grid.axes()[2].into_inner();
    let step = volume.grid.spacing_mm()[2];
    let origin = volume.grid.origin();
    let timeline = &volume.timeline;
    let frame_ms = timeline.interval().map_or(duration_s, Seconds::get) * 1000.0;
    let mut frames = Vec::new();
    for (t, time) in timeline.times().iter().enumerate() {
        for (k, channel) in volume.channels().iter().enumerate() {
            for slice in 0..slices {
                let position = origin.moved(normal * (step * slice as f64)).to_array();
                let index = [t as u32 + 1, slice as u32 + 1, k as u32 + 1];
                let mut set = Set::default()
                    .item(
                        tags::FRAME_CONTENT_SEQUENCE,
                        Set::default()
                            .put(
                                tags::DIMENSION_INDEX_VALUES,
                                VR::UL,
                                PrimitiveValue::U32(index.as_slice().into()),
                            )
                            .text(tags::FRAME_ACQUISITION_DATE_TIME, VR::DT, acquired)
                            .text(tags::FRAME_REFERENCE_DATE_TIME, VR::DT, acquired)
                            .fd(tags::FRAME_ACQUISITION_DURATION, &[frame_ms]),
                    )
                    .item(
                        tags::PLANE_POSITION_VOLUME_SEQUENCE,
                        Set::default().fd(tags::IMAGE_POSITION_VOLUME, &position),
                    )
                    .item(tags::IMAGE_DATA_TYPE_SEQUENCE, data_type(volume, channel.kind()))
                    .item(tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE, mapping(volume, channel.kind()));
                set = match gating {
                    Gating::Cardiac => {
                        let delay = time.get() * 1000.0;
                        let group = Set::default().fd(tags::NOMINAL_CARDIAC_TRIGGER_DELAY_TIME, &[delay]);
                        let group = match timeline.rr {
                            Some(rr) => group.fd(tags::RR_INTERVAL_TIME_NOMINAL, &[rr.get() * 1000.0]),
                            None => group,
                        };
                        set.item(tags::CARDIAC_SYNCHRONIZATION_SEQUENCE, group)
                    }
                    Gating::Free => set.item(
                        tags::TEMPORAL_POSITION_SEQUENCE,
                        Set::default().fd(tags::TEMPORAL_POSITION_TIME_OFFSET, &[time.get()]),
                    ),
                };
                if volume.apex.is_none() {
                    set = set.item(
                        tags::PLANE_POSITION_SEQUENCE,
                        Set::default().ds(tags::IMAGE_POSITION_PATIENT, &position),
                    );
                }
                frames.push(set);
            }
        }
    }
    frames
}

/// What the codes of a channel are
fn data_type(volume: &Volume4, kind: ChannelKind) -> Set {
    let name = match kind {
        ChannelKind::Tissue => "TISSUE_INTENSITY",
        ChannelKind::Velocity => "FLOW_VELOCITY",
        ChannelKind::Power => "FLOW_POWER",
        ChannelKind::Variance => "FLOW_VARIANCE",
    };
    let velocity = kind == ChannelKind::Velocity;
    let cyclic = velocity && volume.velocity_scale.cycle() == Cycle::Full;
    let set = Set::default().text(tags::DATA_TYPE, VR::CS, name).text(
        tags::ALIASED_DATA_TYPE,
        VR::CS,
        if cyclic { "YES" } else { "NO" },
    );
    if velocity { set.us(tags::ZERO_VELOCITY_PIXEL_VALUE, volume.velocity_scale.zero_code()) } else { set }
}

/// What the codes of a channel mean
fn mapping(volume: &Volume4, kind: ChannelKind) -> Set {
    let bits = volume.channel(kind).map_or(8, |channel| channel.samples().bits());
    let last = ((1u32 << bits) - 1) as u16;
    let plain = || code("1", "UCUM", "no units");
    let (label, slope, intercept, units) = match (kind, volume.power_scale) {
        (ChannelKind::Tissue, _) => ("TISSUE", 1.0, 0.0, plain()),
        (ChannelKind::Variance, _) => ("VARIANCE", 1.0, 0.0, plain()),
        (ChannelKind::Velocity, _) => {
            let slope = volume.velocity_scale.step().get() * 100.0;
            let zero = f64::from(volume.velocity_scale.zero_code());
            ("VELOCITY", slope, -slope * zero, code("cm/s", "UCUM", "centimeter/second"))
        }
        (ChannelKind::Power, PowerScale::Linear { zero_code }) => ("POWER", 1.0, -zero_code, plain()),
        (ChannelKind::Power, PowerScale::Decibel { decibel_per_code, decibel_at_zero }) => {
            ("POWER", decibel_per_code, decibel_at_zero, code("dB", "UCUM", "decibel"))
        }
    };
    Set::default()
        .us(tags::REAL_WORLD_VALUE_FIRST_VALUE_MAPPED, 0)
        .us(tags::REAL_WORLD_VALUE_LAST_VALUE_MAPPED, last)
        .fd(tags::REAL_WORLD_VALUE_SLOPE, &[slope])
        .fd(tags::REAL_WORLD_VALUE_INTERCEPT, &[intercept])
        .text(tags::LUT_LABEL, VR::SH, label)
        .text(tags::LUT_EXPLANATION, VR::LO, label)
        .item(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, units)
}

/// Millimetres from the apex, else from the first voxel, to the middle of the grid, doubled
fn depth_mm(volume: &Volume4) -> f64 {
    let from = volume.apex.unwrap_or(volume.grid.origin());
    2.0 * volume.grid.middle().from(from).norm()
}

/// The rigid map that puts the apex at the transducer's origin and its +Y along the middle beam
fn transducer_from_volume(volume: &Volume4) -> [f64; 16] {
    let apex = volume.apex.map_or(Vector3::zeros(), |apex| apex.0.coords);
    let beam = volume.apex.and_then(|apex| direction(volume.grid.middle().from(apex)));
    let beam = beam.unwrap_or(volume.grid.axes()[2]).into_inner();
    let [x_axis, y_axis, _] = volume.grid.axes();
    let aside = [x_axis, y_axis].map(|axis| axis.into_inner() - beam * beam.dot(&axis));
    let aside = if aside[0].norm() >= aside[1].norm() { aside[0] } else { aside[1] };
    let x = aside / aside.norm();
    let rows = [x, beam, x.cross(&beam)];
    let mut matrix = [0.0; 16];
    for (i, row) in rows.iter().enumerate() {
        for j in 0..3 {
            matrix[i * 4 + j] = row[j];
        }
        matrix[i * 4 + 3] = -row.dot(&apex);
    }
    matrix[15] = 1.0;
    matrix
}
