//! The header of a volume that is written: all elements before its pixels.
//!
//! What the standard requires and a volume does not know (indices of output, the transducer's kind, the view)
//! is that of the object the volume was read from; without one it is filled with the values below, which
//! say so where they can.

use dicom_core::VR;
use dicom_core::value::PrimitiveValue;
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use nalgebra::Vector3;

use super::coding::FrameSize;
use super::identity::Content;
use super::set::{Set, code};
use super::source::{Identity, Known, SourceInstance, own_equipment};
use super::write::{NO_DATE, WriteError, WriteOptions};
use super::{ASSUMED_PREFIX, TOLD_PREFIX};
use crate::space::direction;
use crate::unit::Seconds;
use crate::volume::{Channel, Cycle, Lossy, PowerScale, Provenance, Scale, Volume4};

/// What gating the volume knows of decides how frames are timed
#[derive(Clone, Copy, PartialEq, Eq)]
enum Gating {
    /// Trigger delays from the R wave
    Cardiac,
    /// Offsets in time
    Free,
}

/// Whether a volume is written for the first time, or again from another DICOM object
#[derive(Clone, Copy, PartialEq, Eq)]
enum Made {
    First,
    Again,
}

impl Made {
    /// Image Type and Frame Type
    fn image_type(self) -> &'static str {
        match self {
            Self::First => "ORIGINAL\\PRIMARY\\VOLUME\\NONE",
            Self::Again => "DERIVED\\PRIMARY\\VOLUME\\NONE",
        }
    }
}

/// The header of a volume
///
/// # Errors
/// [`WriteError::Date`].
pub(super) fn header(
    volume: &Volume4,
    size: FrameSize,
    content: &Content,
    options: &WriteOptions,
) -> Result<InMemDicomObject, WriteError> {
    check_date(options.acquired.as_ref())?;
    let origin = options.origin.as_ref();
    let again = origin.is_some_and(|origin| origin.source.known == Known::Instance);
    let made = if again { Made::Again } else { Made::First };
    let told = origin.and_then(|origin| origin.source.acquired(origin.identity));
    // A date that nobody tells is plainly none where it must be there, and left out elsewhere.
    let acquired = options.acquired.as_deref().or(told);
    let frames_acquired = acquired.or((made == Made::First).then_some(NO_DATE));
    let acquired = acquired.unwrap_or(NO_DATE);
    let stamp = |acquired: &str| {
        let digits = acquired.split(['+', '-']).next().unwrap_or_default();
        let (date, time) = digits.split_at(digits.len().min(8));
        [date.to_owned(), if time.is_empty() { "000000".to_owned() } else { time.to_owned() }]
    };
    let own_content = origin.and_then(|origin| origin.source.content(origin.identity));
    let [date, time] = own_content.map_or_else(|| stamp(acquired), |told| told.map(str::to_owned));
    let timeline = &volume.timeline;
    let gating = if timeline.rr.is_some() || timeline.gated_beats.is_some() || !timeline.beats_rr.is_empty() {
        Gating::Cardiac
    } else {
        Gating::Free
    };
    let duration_s =
        timeline.rr.map_or(timeline.times().last().map_or(0.0, |last| last.get().abs()), Seconds::get);
    let of_source = |of: fn(&SourceInstance, Identity) -> String| {
        origin
            .filter(|origin| origin.source.known == Known::Instance)
            .map(|origin| of(&origin.source, origin.identity))
    };
    let reference =
        of_source(SourceInstance::frame_reference).unwrap_or_else(|| content.uid("frame of reference"));
    let volume_reference =
        of_source(SourceInstance::reference).unwrap_or_else(|| content.uid("volume frame of reference"));
    let middle = if size.bits == 8 { 128.0 } else { 32768.0 };

    let mut set = patient_and_study(content, options, &date, &time)
        // SOP Common, General Series.
        .text(tags::SOP_CLASS_UID, VR::UI, uids::ENHANCED_US_VOLUME_STORAGE)
        .text(tags::SOP_INSTANCE_UID, VR::UI, &content.uid("instance"))
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
        // General Image and acquisition.
        .text(tags::INSTANCE_NUMBER, VR::IS, "1")
        .empty(tags::PATIENT_ORIENTATION, VR::CS)
        .text(tags::CONTENT_DATE, VR::DA, &date)
        .text(tags::CONTENT_TIME, VR::TM, &time)
        .text(tags::ACQUISITION_DATE_TIME, VR::DT, acquired)
        .fd(tags::ACQUISITION_DURATION, &[duration_s])
        .text(tags::IMAGE_TYPE, VR::CS, made.image_type())
        .and(image(volume))
        .and(pixels(volume, size))
        .and(dimensions(volume, gating, &content.uid("dimension organization")))
        .and(geometry(volume, &reference))
        .and(loss(volume));
    set = set.and(equipment(options));
    if let Some(origin) = origin {
        set = set.and(origin.source.acquisition(origin.identity));
    }
    if made == Made::Again {
        set = set.items(tags::SOURCE_IMAGE_SEQUENCE, source_images(options));
    }
    if gating == Gating::Cardiac {
        set = set.and(synchronization(volume, made));
    }
    set = set.items(tags::ACQUISITION_CONTEXT_SEQUENCE, context(volume, made));
    let mut provenance = volume.provenance.clone();
    if options.identity_removed() {
        provenance.leave_out_told();
    }
    let comments = comments(&provenance);
    if !comments.is_empty() {
        set = set.text(tags::IMAGE_COMMENTS, VR::LT, &comments);
    }
    set = set.item(tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE, shared(volume, middle, options, made));
    set = set.items(
        tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE,
        per_frame(volume, gating, frames_acquired, duration_s),
    );
    Ok(set.build())
}

/// A typed date is as DICOM writes dates, or refused
fn check_date(acquired: Option<&String>) -> Result<(), WriteError> {
    let date_like = |text: &str| {
        (14..=21).contains(&text.len())
            && text.bytes().enumerate().all(|(at, b)| if at == 14 { b == b'.' } else { b.is_ascii_digit() })
    };
    match acquired.filter(|text| !date_like(text)) {
        None => Ok(()),
        Some(text) => Err(WriteError::Date(text.clone())),
    }
}

/// What every such image says of itself and of how it was acquired
fn image(volume: &Volume4) -> Set {
    Set::default()
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
}

fn pixels(volume: &Volume4, size: FrameSize) -> Set {
    let [_, _, slices] = volume.grid.shape();
    let frames = slices * volume.frames() * volume.channels().len();
    Set::default()
        .us(tags::SAMPLES_PER_PIXEL, 1)
        .text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "MONOCHROME2")
        .us(tags::ROWS, size.rows)
        .us(tags::COLUMNS, size.columns)
        .us(tags::BITS_ALLOCATED, size.bits as u16)
        .us(tags::BITS_STORED, size.bits as u16)
        .us(tags::HIGH_BIT, size.bits as u16 - 1)
        .us(tags::PIXEL_REPRESENTATION, 0)
        .text(tags::NUMBER_OF_FRAMES, VR::IS, &frames.to_string())
}

/// Dimensions: time, position, data type
fn dimensions(volume: &Volume4, gating: Gating, organization: &str) -> Set {
    let time_dimension = match gating {
        Gating::Cardiac => (tags::NOMINAL_CARDIAC_TRIGGER_DELAY_TIME, tags::CARDIAC_SYNCHRONIZATION_SEQUENCE),
        Gating::Free => (tags::TEMPORAL_POSITION_TIME_OFFSET, tags::TEMPORAL_POSITION_SEQUENCE),
    };
    let dimensions = [
        time_dimension,
        (tags::IMAGE_POSITION_VOLUME, tags::PLANE_POSITION_VOLUME_SEQUENCE),
        (tags::DATA_TYPE, tags::IMAGE_DATA_TYPE_SEQUENCE),
    ];
    Set::default()
        .text(
            tags::DIMENSION_ORGANIZATION_TYPE,
            VR::CS,
            if volume.timeline.frames() > 1 { "3D_TEMPORAL" } else { "3D" },
        )
        .item(
            tags::DIMENSION_ORGANIZATION_SEQUENCE,
            Set::default().text(tags::DIMENSION_ORGANIZATION_UID, VR::UI, organization),
        )
        .items(
            tags::DIMENSION_INDEX_SEQUENCE,
            dimensions
                .map(|(pointer, group)| {
                    Set::default()
                        .text(tags::DIMENSION_ORGANIZATION_UID, VR::UI, organization)
                        .at(tags::DIMENSION_INDEX_POINTER, pointer)
                        .at(tags::FUNCTIONAL_GROUP_POINTER, group)
                })
                .into(),
        )
}

/// Where the volume lies
fn geometry(volume: &Volume4, reference: &str) -> Set {
    if let Some(apex) = volume.apex {
        Set::default()
            .text(tags::ULTRASOUND_ACQUISITION_GEOMETRY, VR::CS, "APEX")
            .fd(tags::APEX_POSITION, &apex.to_array())
    } else {
        let mut identity = [0.0; 16];
        for i in 0..4 {
            identity[i * 5] = 1.0;
        }
        Set::default()
            .text(tags::ULTRASOUND_ACQUISITION_GEOMETRY, VR::CS, "PATIENT")
            .text(tags::PATIENT_FRAME_OF_REFERENCE_SOURCE, VR::CS, "TABLE")
            .text(tags::TABLE_FRAME_OF_REFERENCE_UID, VR::UI, reference)
            .fd(tags::VOLUME_TO_TABLE_MAPPING_MATRIX, &identity)
    }
}

/// What is told of the beats that a gated volume was put together from
fn synchronization(volume: &Volume4, made: Made) -> Set {
    let timeline = &volume.timeline;
    let mut set = Set::default().text(tags::CARDIAC_SYNCHRONIZATION_TECHNIQUE, VR::CS, "REALTIME").text(
        tags::CARDIAC_SIGNAL_SOURCE,
        VR::CS,
        "ECG",
    );
    if made != Made::First {
        return set;
    }
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
    set
}

/// What was lost once stays lost, however pixels are stored now
fn loss(volume: &Volume4) -> Set {
    let mut set = Set::default();
    let Some(lossy) = &volume.provenance.lossy else { return set };
    if let Some(ratio) = lossy.ratio {
        set = set.ds(tags::LOSSY_IMAGE_COMPRESSION_RATIO, &[ratio]);
    }
    let method = Lossy::named(&lossy.method);
    if !method.is_empty() {
        set = set.text(tags::LOSSY_IMAGE_COMPRESSION_METHOD, VR::CS, &method);
    }
    set
}

/// Image Comments that list what was assumed: sentences of the program, then those in the words of others
fn comments(provenance: &Provenance) -> String {
    let plain = |line: &String| {
        let plain = |c: char| if c.is_ascii() && !c.is_ascii_control() { c } else { '?' };
        line.trim().chars().map(plain).collect::<String>()
    };
    // LT holds 10240 characters of the default repertoire.
    let mut room = 9_900_usize;
    let mut block = |prefix: &str, lines: Vec<&String>| {
        let fits = |line: &String| {
            room = room.saturating_sub(line.len() + 2);
            room > 0
        };
        let lines: Vec<String> =
            lines.into_iter().map(plain).filter(|line| !line.is_empty()).take_while(fits).collect();
        (!lines.is_empty()).then(|| format!("{prefix} {}\r\n{}", seal(&lines), lines.join("\r\n")))
    };
    let (told, own) = provenance.assumed.iter().partition(|line| provenance.told.contains(line));
    let blocks = [block(ASSUMED_PREFIX, own), block(TOLD_PREFIX, told)];
    blocks.into_iter().flatten().collect::<Vec<_>>().join("\r\n")
}

/// Patient and study: those of the source, or of nobody
fn patient_and_study(content: &Content, options: &WriteOptions, date: &str, time: &str) -> Set {
    if let Some(origin) = &options.origin {
        return origin.source.patient_and_study(origin.identity);
    }
    Set::default()
        .empty(tags::PATIENT_NAME, VR::PN)
        .empty(tags::PATIENT_ID, VR::LO)
        .empty(tags::PATIENT_BIRTH_DATE, VR::DA)
        .empty(tags::PATIENT_SEX, VR::CS)
        .text(tags::STUDY_INSTANCE_UID, VR::UI, &content.uid("study"))
        .text(tags::STUDY_DATE, VR::DA, date)
        .text(tags::STUDY_TIME, VR::TM, time)
        .empty(tags::REFERRING_PHYSICIAN_NAME, VR::PN)
        .empty(tags::STUDY_ID, VR::SH)
        .empty(tags::ACCESSION_NUMBER, VR::SH)
}

/// The device that acquired the volume, and the program as one that worked on it; the program alone where
/// it made the volume or no device is known
fn equipment(options: &WriteOptions) -> Set {
    let own = || own_equipment(Set::default());
    let Some(origin) = &options.origin else { return own() };
    let Some(device) = origin.source.equipment(origin.identity) else { return own() };
    let purpose = match origin.identity {
        Identity::Removed => code("109104", "DCM", "De-identifying Equipment"),
        Identity::Kept => code("109103", "DCM", "Modifying Equipment"),
    };
    let program = own().item(tags::PURPOSE_OF_REFERENCE_CODE_SEQUENCE, purpose).text(
        tags::CONTRIBUTION_DESCRIPTION,
        VR::ST,
        DERIVATION,
    );
    device.item(tags::CONTRIBUTING_EQUIPMENT_SEQUENCE, program)
}

/// What was done to a volume that is written again
const DERIVATION: &str = "Read and stored again: the same codes, in the order time, data type, slice";

/// The instances that a volume was read from
fn source_images(options: &WriteOptions) -> Vec<Set> {
    let purpose = || code("121322", "DCM", "Source image for image processing operation");
    let items = options.origin.iter().flat_map(|origin| origin.source.reference_items(origin.identity));
    items.map(|item| item.item(tags::PURPOSE_OF_REFERENCE_CODE_SEQUENCE, purpose())).collect()
}

/// What was done to it
fn derivation(options: &WriteOptions) -> Set {
    // No code of the standard says that nothing but the way of storing was changed.
    Set::default()
        .text(tags::DERIVATION_DESCRIPTION, VR::ST, DERIVATION)
        .code(tags::DERIVATION_CODE_SEQUENCE, "stored-again", "99NARROWS", "Stored again, codes unchanged")
        .items(tags::SOURCE_IMAGE_SEQUENCE, source_images(options))
}

/// What shows that lines were written by this program and by nobody else: a part of their hash
pub(super) fn seal<S: AsRef<str>>(lines: &[S]) -> String {
    let mut hasher = blake3::Hasher::new();
    for line in lines {
        hasher.update(line.as_ref().trim().as_bytes());
        hasher.update(b"\n");
    }
    hasher.finalize().to_hex()[..16].to_owned()
}

/// The number of gated beats in the Acquisition Context: a code of our own, for lack of one
pub(super) const GATED_BEATS: [&str; 3] = ["gated-beats", "99NARROWS", "Number of gated beats"];

/// Numbers that have no attribute: the Nyquist velocity, the R-R intervals of the single beats
fn context(volume: &Volume4, made: Made) -> Vec<Set> {
    let number = |value: f64, concept: Set, units: Set| {
        Set::default()
            .text(tags::VALUE_TYPE, VR::CS, "NUMERIC")
            .item(tags::CONCEPT_NAME_CODE_SEQUENCE, concept)
            .ds(tags::NUMERIC_VALUE, &[value])
            .item(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, units)
    };
    let mut items = Vec::new();
    if let Some(scale) = volume.velocity_scale() {
        items.push(number(
            scale.nyquist().get() * 100.0,
            code("59130-5", "LN", "Alias velocity"),
            code("cm/s", "UCUM", "centimeter/second"),
        ));
    }
    for rr in &volume.timeline.beats_rr {
        let concept = code("122182", "DCM", "R-R interval");
        items.push(number(rr.get() * 1000.0, concept, code("ms", "UCUM", "millisecond")));
    }
    // A derived object has no Intervals Acquired.
    if let Some(beats) = volume.timeline.gated_beats.filter(|_| made == Made::Again) {
        let [value, scheme, meaning] = GATED_BEATS;
        items.push(number(f64::from(beats), code(value, scheme, meaning), code("1", "UCUM", "no units")));
    }
    items
}

/// The functional groups all frames share
fn shared(volume: &Volume4, middle: f64, options: &WriteOptions, made: Made) -> Set {
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
                .text(tags::FRAME_TYPE, VR::CS, made.image_type())
                .text(tags::VOLUMETRIC_PROPERTIES, VR::CS, "VOLUME")
                .text(tags::VOLUME_BASED_CALCULATION_TECHNIQUE, VR::CS, "NONE"),
        );
    let set = match made {
        Made::First => set,
        Made::Again => set.item(tags::DERIVATION_IMAGE_SEQUENCE, derivation(options)),
    };
    if volume.apex.is_some() {
        return set;
    }
    set.item(
        tags::PLANE_ORIENTATION_SEQUENCE,
        Set::default().ds(tags::IMAGE_ORIENTATION_PATIENT, &orientation),
    )
}

/// The functional groups of each frame, in the order time, data type, slice
fn per_frame(volume: &Volume4, gating: Gating, acquired: Option<&str>, duration_s: f64) -> Vec<Set> {
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
                let mut content = Set::default()
                    .put(tags::DIMENSION_INDEX_VALUES, VR::UL, PrimitiveValue::U32(index.as_slice().into()))
                    .fd(tags::FRAME_ACQUISITION_DURATION, &[frame_ms]);
                if let Some(acquired) = acquired {
                    content = content.text(tags::FRAME_ACQUISITION_DATE_TIME, VR::DT, acquired).text(
                        tags::FRAME_REFERENCE_DATE_TIME,
                        VR::DT,
                        acquired,
                    );
                }
                let mut set = Set::default()
                    .item(tags::FRAME_CONTENT_SEQUENCE, content)
                    .item(
                        tags::PLANE_POSITION_VOLUME_SEQUENCE,
                        Set::default().fd(tags::IMAGE_POSITION_VOLUME, &position),
                    )
                    .item(tags::IMAGE_DATA_TYPE_SEQUENCE, data_type(channel))
                    .item(tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE, mapping(channel));
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
fn data_type(channel: &Channel) -> Set {
    let (name, velocity) = match channel.scale() {
        Scale::Tissue => ("TISSUE_INTENSITY", None),
        Scale::Velocity(scale) => ("FLOW_VELOCITY", Some(scale)),
        Scale::Power(_) => ("FLOW_POWER", None),
        Scale::Variance => ("FLOW_VARIANCE", None),
    };
    let cyclic = velocity.is_some_and(|scale| scale.cycle() == Cycle::Full);
    let set = Set::default().text(tags::DATA_TYPE, VR::CS, name).text(
        tags::ALIASED_DATA_TYPE,
        VR::CS,
        if cyclic { "YES" } else { "NO" },
    );
    match velocity {
        Some(scale) => set.us(tags::ZERO_VELOCITY_PIXEL_VALUE, scale.zero_code()),
        None => set,
    }
}

/// What the codes of a channel mean
fn mapping(channel: &Channel) -> Set {
    let last = ((1u32 << channel.samples().bits()) - 1) as u16;
    let plain = || code("1", "UCUM", "no units");
    let (label, slope, intercept, units) = match channel.scale() {
        Scale::Tissue => ("TISSUE", 1.0, 0.0, plain()),
        Scale::Variance => ("VARIANCE", 1.0, 0.0, plain()),
        Scale::Velocity(scale) => {
            let slope = scale.step().get() * 100.0;
            let zero = f64::from(scale.zero_code());
            ("VELOCITY", slope, -slope * zero, code("cm/s", "UCUM", "centimeter/second"))
        }
        Scale::Power(PowerScale::Linear { zero_code }) => ("POWER", 1.0, -zero_code, plain()),
        Scale::Power(PowerScale::Decibel { decibel_per_code, decibel_at_zero }) => {
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
