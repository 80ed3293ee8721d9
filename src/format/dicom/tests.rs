//! Volumes made of random codes, written and read back.

use nalgebra::Vector3;
use rand_core::Rng as _;
use rand_pcg::Pcg64;

use super::*;
use crate::format::{HashWhen, OpenOptions, read_bytes, shared};
use crate::space::{Grid, VolumePoint};
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::{
    Channel, ChannelKind, Cycle, PowerScale, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4,
};

/// What a made volume looks like
#[derive(Clone, Debug)]
pub(crate) struct Made {
    pub(crate) bits: u32,
    pub(crate) shape: [usize; 3],
    pub(crate) frames: usize,
    pub(crate) kinds: Vec<ChannelKind>,
    /// `None` for one that suits the bits
    pub(crate) velocity: Option<VelocityScale>,
    pub(crate) power: PowerScale,
    pub(crate) seed: u64,
}

impl Default for Made {
    fn default() -> Self {
        let kinds =
            vec![ChannelKind::Tissue, ChannelKind::Velocity, ChannelKind::Power, ChannelKind::Variance];
        let power = PowerScale::Decibel { decibel_per_code: 0.25, decibel_at_zero: -48.5 };
        Self { bits: 8, shape: [12, 10, 6], frames: 3, kinds, velocity: None, power, seed: 1 }
    }
}

/// A gated volume of random codes on an oblique grid
pub(crate) fn volume(made: &Made) -> Volume4 {
    let turn = nalgebra::Rotation3::from_euler_angles(0.3, -0.7, 1.1);
    let axes = [turn * Vector3::x(), turn * Vector3::y(), turn * Vector3::z()];
    let grid =
        Grid::new(made.shape, [0.43, 11.0 / 26.0, 0.61], VolumePoint::new(-3.1, 2.7, 41.0), axes).unwrap();
    let times = (0..made.frames).map(|frame| Seconds::new(0.013 + 0.037 * frame as f64)).collect();
    let mut timeline = Timeline::new(times).unwrap();
    timeline.rr = Some(Seconds::new(0.8213));
    timeline.gated_beats = Some(4);
    timeline.beats_rr = [0.82, 0.8371, 0.8, 1.0 / 1.3].map(Seconds::new).into();
    let mut random = Pcg64::new(u128::from(made.seed), 7);
    let voxels = grid.voxels();
    let zero = if made.bits == 8 { 90 } else { 20_000 };
    let usual = || VelocityScale::full_cycle(made.bits, zero, MetresPerSecond::new(0.617)).unwrap();
    let scale = made.velocity.unwrap_or_else(usual);
    let channels = made
        .kinds
        .iter()
        .map(|kind| {
            let codes: Vec<u16> = (0..voxels * made.frames).map(|_| random.next_u64() as u16).collect();
            let samples = if made.bits == 8 {
                Samples::from_u8(codes.iter().map(|code| *code as u8).collect(), made.frames, voxels)
            } else {
                Samples::from_u16(&codes, made.frames, voxels)
            };
            Channel::new(Scale::of(*kind, scale, made.power), samples.unwrap())
        })
        .collect();
    let apex = Some(VolumePoint::new(0.5, -0.25, 0.125));
    Volume4::new(grid, timeline, apex, Provenance::default(), channels).unwrap()
}

/// All that two volumes must share to be the same; reals to a few ulps of their size
pub(crate) fn assert_same(a: &Volume4, b: &Volume4) {
    let near = |x: f64, y: f64| (x - y).abs() <= 1e-12 * x.abs().max(y.abs()).max(1.0);
    let all = |x: &[f64], y: &[f64]| x.len() == y.len() && x.iter().zip(y).all(|(x, y)| near(*x, *y));
    assert_eq!(a.grid.shape(), b.grid.shape());
    assert!(all(&a.grid.spacing_mm(), &b.grid.spacing_mm()), "{:?} {:?}", a.grid, b.grid);
    assert!(all(&a.grid.origin().to_array(), &b.grid.origin().to_array()));
    assert!(
        a.grid
            .axes()
            .iter()
            .zip(b.grid.axes())
            .all(|(x, y)| (x.into_inner() - y.into_inner()).norm() < 1e-12)
    );
    assert_eq!(a.apex.is_some(), b.apex.is_some());
    if let (Some(x), Some(y)) = (a.apex, b.apex) {
        assert!(all(&x.to_array(), &y.to_array()));
    }
    let seconds = |times: &[Seconds]| times.iter().map(|time| time.get()).collect::<Vec<_>>();
    assert!(all(&seconds(a.timeline.times()), &seconds(b.timeline.times())));
    assert!(all(&seconds(&a.timeline.beats_rr), &seconds(&b.timeline.beats_rr)));
    assert_eq!(a.timeline.gated_beats, b.timeline.gated_beats);
    assert_eq!(a.timeline.rr.is_some(), b.timeline.rr.is_some());
    assert!(near(a.timeline.rr.map_or(0.0, Seconds::get), b.timeline.rr.map_or(0.0, Seconds::get)));
    assert_eq!(a.channels().len(), b.channels().len());
    for (x, y) in a.channels().iter().zip(b.channels()) {
        match (x.scale(), y.scale()) {
            (Scale::Velocity(s), Scale::Velocity(t)) => {
                assert_eq!((s.bits(), s.zero_code(), s.cycle()), (t.bits(), t.zero_code(), t.cycle()));
                assert!(near(s.step().get(), t.step().get()) && near(s.nyquist().get(), t.nyquist().get()));
            }
            (
                Scale::Power(PowerScale::Linear { zero_code: s }),
                Scale::Power(PowerScale::Linear { zero_code: t }),
            ) => assert!(near(s, t)),
            (s, t) => assert_eq!(s, t),
        }
        assert_eq!(x.samples().bits(), y.samples().bits());
        for frame in 0..a.frames() {
            let (x, y) = (x.samples().frame(frame), y.samples().frame(frame));
            assert_eq!(x.len(), y.len());
            assert!((0..x.len()).all(|at| x.at(at) == y.at(at)));
        }
    }
}

const SYNTAXES: [Syntax; 4] = [Syntax::ExplicitLittle, Syntax::Rle, Syntax::JpegLs, Syntax::Deflated];

fn options(syntax: Syntax) -> WriteOptions {
    WriteOptions { syntax, ..WriteOptions::default() }
}

fn reread(bytes: Vec<u8>) -> Volume4 {
    read_bytes(&shared(bytes), "made.dcm", &OpenOptions::default()).unwrap()
}

#[test]
fn every_syntax_and_width_comes_back() {
    for bits in [8, 16] {
        let made = volume(&Made { bits, ..Made::default() });
        for syntax in SYNTAXES {
            let bytes = write_bytes(&made, &options(syntax)).unwrap();
            let back = reread(bytes);
            assert_same(&made, &back);
            assert_eq!(
                back.provenance.assumed,
                ["the number of gated beats was taken from Intervals Acquired"]
            );
        }
    }
}

#[test]
fn native_frames_are_lent_not_copied() {
    for bits in [8, 16] {
        let bytes =
            write_bytes(&volume(&Made { bits, ..Made::default() }), &WriteOptions::default()).unwrap();
        let bytes = shared(bytes);
        let range = (*bytes).as_ref().as_ptr_range();
        let back = read_bytes(&bytes, "made.dcm", &OpenOptions::default()).unwrap();
        for channel in back.channels() {
            let first: *const u8 = match channel.samples().frame(1) {
                crate::volume::Codes::U8(std::borrow::Cow::Borrowed(codes)) => codes.as_ptr(),
                crate::volume::Codes::U16(std::borrow::Cow::Borrowed(codes)) => codes.as_ptr().cast(),
                _ => panic!("copied"),
            };
            assert!(range.contains(&first));
        }
    }
}

#[test]
fn the_same_volume_gives_the_same_bytes() {
    let made = volume(&Made::default());
    for syntax in SYNTAXES {
        let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        let few = rayon::ThreadPoolBuilder::new().num_threads(3).build().unwrap();
        let write = || write_bytes(&made, &options(syntax)).unwrap();
        assert!(one.install(write) == few.install(write));
    }
    let other = volume(&Made { seed: 2, ..Made::default() });
    let of = |v: &Volume4| identity::Content::of(v).uid("instance");
    assert_ne!(of(&made), of(&other));
    assert!(of(&made).len() <= 64 && of(&made).starts_with("2.25."));
}

#[test]
fn odd_shapes_and_single_channels_come_back() {
    for shape in [[1, 1, 1], [3, 5, 1], [7, 3, 5], [1, 9, 2]] {
        for kind in [ChannelKind::Velocity, ChannelKind::Tissue] {
            let made = volume(&Made { shape, frames: 1, kinds: vec![kind], ..Made::default() });
            for syntax in SYNTAXES {
                assert_same(&made, &reread(write_bytes(&made, &options(syntax)).unwrap()));
            }
        }
    }
}

#[test]
fn without_apex_or_gating_it_comes_back() {
    let (step, nyquist) = (MetresPerSecond::new(-0.004), MetresPerSecond::new(0.7));
    let mut made = volume(&Made {
        velocity: VelocityScale::new(8, 100, step, nyquist, Cycle::Open).ok(),
        power: PowerScale::Linear { zero_code: 3.5 },
        ..Made::default()
    });
    made.apex = None;
    (made.timeline.rr, made.timeline.gated_beats) = (None, None);
    made.timeline.beats_rr.clear();
    let back = reread(write_bytes(&made, &WriteOptions::default()).unwrap());
    assert_same(&made, &back);
    assert!(back.provenance.assumed.iter().any(|line| line.contains("not from an R wave")));
}

#[test]
fn assumptions_survive_writing() {
    let mut made = volume(&Made::default());
    made.provenance.assumed = vec!["the Nyquist velocity was given by the user".to_owned()];
    let once = reread(write_bytes(&made, &WriteOptions::default()).unwrap());
    let twice = reread(write_bytes(&once, &WriteOptions::default()).unwrap());
    assert_eq!(once.provenance.assumed[0], made.provenance.assumed[0]);
    assert_eq!(once.provenance.assumed, twice.provenance.assumed);
}

#[test]
fn the_hash_is_taken_when_asked() {
    let bytes = write_bytes(&volume(&Made::default()), &WriteOptions::default()).unwrap();
    let expected = blake3::hash(&bytes).to_hex().to_string();
    let at_once = read_bytes(&shared(bytes.clone()), "a/b.dcm", &OpenOptions::default()).unwrap();
    assert_eq!(at_once.provenance.blake3, expected);
    assert_eq!(at_once.provenance.file, "b.dcm");
    let later = OpenOptions { hash: HashWhen::Later, ..OpenOptions::default() };
    assert_eq!(read_bytes(&shared(bytes), "b.dcm", &later).unwrap().provenance.blake3, "");
}

#[test]
fn the_users_nyquist_overrides() {
    let made = volume(&Made::default());
    let bytes = write_bytes(&made, &WriteOptions::default()).unwrap();
    let given = OpenOptions { nyquist: Some(MetresPerSecond::new(0.5)), ..OpenOptions::default() };
    let back = read_bytes(&shared(bytes), "made.dcm", &given).unwrap();
    assert_eq!(back.velocity_scale().unwrap().nyquist().get(), 0.5);
    assert!(back.provenance.assumed.iter().any(|line| line.contains("given by the user")));
    assert!(back.provenance.assumed.iter().any(|line| line.contains("differ")));
}

#[test]
fn what_cannot_be_written_is_refused() {
    let made = volume(&Made::default());
    let voxels = made.grid.voxels();
    let wide = Samples::from_u16(&vec![1; voxels * 3], 3, voxels).unwrap();
    let channels = vec![
        made.channel(ChannelKind::Tissue).unwrap().clone(),
        Channel::new(Scale::Power(PowerScale::default()), wide),
    ];
    let mixed = Volume4::new(made.grid, made.timeline.clone(), None, Provenance::default(), channels);
    let refused = write_bytes(&mixed.unwrap(), &WriteOptions::default());
    assert!(matches!(refused, Err(WriteError::MixedBits { .. })));
    let dated = WriteOptions { acquired: Some("yesterday".to_owned()), ..WriteOptions::default() };
    assert!(matches!(write_bytes(&made, &dated), Err(WriteError::Date(_))));
}

#[test]
fn a_failed_write_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("out.dcm");
    let made = volume(&Made::default());
    let dated = WriteOptions { acquired: Some("yesterday".to_owned()), ..WriteOptions::default() };
    let error = write(&made, &path, &dated).unwrap_err();
    assert!(error.to_string().contains("yesterday") && !error.hint().is_empty());
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    write(&made, &path, &WriteOptions::default()).unwrap();
    assert_same(&made, &crate::format::open(&path, &OpenOptions::default()).unwrap());
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    let nowhere = write(&made, &folder.path().join("no/such/out.dcm"), &WriteOptions::default());
    assert!(matches!(nowhere, Err(crate::format::FormatError::Save { .. })));
}

/// A file cut into parts of so many frames each, as PS3.3 C.7.6.16 describes a concatenation
pub(crate) fn concatenation(file: &[u8], counts: &[usize]) -> Vec<Vec<u8>> {
    use dicom_core::value::DataSetSequence;
    use dicom_core::{DataElement, PrimitiveValue, VR};
    use dicom_dictionary_std::tags;
    let whole = dicom_object::from_reader(file).unwrap();
    let groups = whole.element(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE).unwrap().items().unwrap().to_vec();
    let pixels = whole.element(tags::PIXEL_DATA).unwrap().to_bytes().unwrap().into_owned();
    let length = pixels.len() / groups.len();
    let mut offset = 0;
    let mut parts = Vec::new();
    for (number, count) in counts.iter().enumerate() {
        let mut part = whole.clone();
        let text = |text: String| PrimitiveValue::from(text);
        let own = DataSetSequence::from(groups[offset..offset + count].to_vec());
        part.put(DataElement::new(tags::SOP_INSTANCE_UID, VR::UI, text(format!("2.25.77{number}"))));
        part.put(DataElement::new(tags::CONCATENATION_UID, VR::UI, text("2.25.4711".to_owned())));
        part.put(DataElement::new(
            tags::IN_CONCATENATION_NUMBER,
            VR::US,
            PrimitiveValue::from(number as u16 + 1),
        ));
        part.put(DataElement::new(
            tags::IN_CONCATENATION_TOTAL_NUMBER,
            VR::US,
            PrimitiveValue::from(counts.len() as u16),
        ));
        part.put(DataElement::new(
            tags::CONCATENATION_FRAME_OFFSET_NUMBER,
            VR::UL,
            PrimitiveValue::from(offset as u32),
        ));
        part.put(DataElement::new(tags::NUMBER_OF_FRAMES, VR::IS, text(count.to_string())));
        part.put(DataElement::new(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE, VR::SQ, own));
        let vr = if length.is_multiple_of(2) { VR::OW } else { VR::OB };
        let own = pixels[offset * length..(offset + count) * length].to_vec();
        part.put(DataElement::new(tags::PIXEL_DATA, vr, PrimitiveValue::from(own)));
        let mut bytes = Vec::new();
        part.write_all(&mut bytes).unwrap();
        parts.push(bytes);
        offset += count;
    }
    parts
}

#[test]
fn a_volume_in_parts_is_whole_or_refused() {
    use crate::format::{FormatError, Parts, hash, hash_files, inspect, open, open_all};
    let folder = tempfile::tempdir().unwrap();
    for bits in [8, 16] {
        let made = volume(&Made { bits, ..Made::default() });
        let file = write_bytes(&made, &WriteOptions::default()).unwrap();
        let at = folder.path().join(format!("of{bits}"));
        std::fs::create_dir(&at).unwrap();
        // Names in another order than the parts, and other things beside them.
        let paths: Vec<_> = concatenation(&file, &[25, 40, 7])
            .iter()
            .zip(["c.dcm", "a.dcm", "b"])
            .map(|(bytes, name)| {
                std::fs::write(at.join(name), bytes).unwrap();
                at.join(name)
            })
            .collect();
        std::fs::write(at.join("notes.txt"), "mine").unwrap();
        let options = OpenOptions::default();
        let whole = open(&at, &options).unwrap();
        assert_same(&made, &whole);
        assert_eq!(whole.provenance.file, "c.dcm and 2 more parts");
        let mut turned = paths.clone();
        turned.reverse();
        assert_same(&made, &open_all(&turned, &options).unwrap());
        // The hash is that of the parts in the order of the frames, whatever order they were given in.
        let all: Vec<u8> = paths.iter().flat_map(|path| std::fs::read(path).unwrap()).collect();
        let expected = blake3::hash(&all).to_hex().to_string();
        assert_eq!(whole.provenance.blake3, expected);
        assert_eq!(hash_files(&paths).unwrap(), expected);
        assert_eq!(hash(&paths[1]).unwrap(), expected);
        // A part alone, or with some of the others, is no volume.
        let error = open(&paths[1], &options).unwrap_err();
        assert!(error.to_string().contains("part 2 of 3 of a volume"), "{error}");
        assert!(error.to_string().contains("parts 1 and 3 are missing"), "{error}");
        assert!(error.hint().contains("all parts together"));
        let error = open_all(&paths[..2], &options).unwrap_err();
        assert!(error.to_string().contains("parts 1 and 2 of 3 of a volume were given: part 3 is missing"));
        let beside = OpenOptions { parts: Parts::Beside, ..OpenOptions::default() };
        assert_same(&made, &open(&paths[2], &beside).unwrap());
        let seen = inspect(&[&paths[0]], &options).unwrap();
        assert!(seen.problem.unwrap().error.contains("part 1 of 3"));
        // Another volume beside them makes the folder ambiguous, and tells which there are.
        std::fs::write(at.join("d.dcm"), &file).unwrap();
        let error = open(&at, &options).unwrap_err();
        assert!(matches!(error, FormatError::Several { count: 2, .. }), "{error}");
        assert!(
            error.to_string().contains("a.dcm and 2 more parts, d.dcm")
                || error.to_string().contains("c.dcm and 2 more parts, d.dcm"),
            "{error}"
        );
        // Parts of two exports are not mixed.
        let other = volume(&Made { bits, shape: [12, 10, 5], ..Made::default() });
        let other = write_bytes(&other, &WriteOptions::default()).unwrap();
        std::fs::write(&paths[1], &concatenation(&other, &[20, 33, 7])[1]).unwrap();
        let error = open_all(&paths, &options).unwrap_err();
        assert!(error.to_string().contains("disagree"), "{error}");
    }
    let nothing = tempfile::tempdir().unwrap();
    assert!(matches!(open(nothing.path(), &OpenOptions::default()), Err(FormatError::NoVolume { .. })));
}

/// A file with its header changed
fn changed(file: &[u8], change: impl FnOnce(&mut dicom_object::InMemDicomObject)) -> Vec<u8> {
    let mut object = dicom_object::from_reader(file).unwrap();
    change(&mut object);
    let mut bytes = Vec::new();
    object.write_all(&mut bytes).unwrap();
    bytes
}

#[test]
fn a_first_part_is_known_by_anything_it_says() {
    use dicom_core::{DataElement, PrimitiveValue, VR};
    use dicom_dictionary_std::tags;
    let file = write_bytes(&volume(&Made::default()), &WriteOptions::default()).unwrap();
    // Two of three times: a whole volume, but for what the part says.
    let first = concatenation(&file, &[48, 24]).remove(0);
    let read = |bytes: Vec<u8>| {
        read_bytes(&shared(bytes), "first.dcm", &OpenOptions::default()).map_err(|error| error.to_string())
    };
    let (uid, total) = (tags::CONCATENATION_UID, tags::IN_CONCATENATION_TOTAL_NUMBER);
    let (number, offset) = (tags::IN_CONCATENATION_NUMBER, tags::CONCATENATION_FRAME_OFFSET_NUMBER);
    for (gone, words) in [
        (vec![uid, total], "part 1 of a volume, not a whole one: it does not say of how many"),
        (vec![uid, total, offset], "part 1 of a volume, not a whole one: it does not say of how many"),
        (vec![uid, total, number], "In-concatenation Number"),
        (vec![total], "it does not say of how many"),
        (vec![uid], "part 2 is missing"),
    ] {
        let error = read(changed(&first, |part| {
            for tag in gone {
                part.remove_element(tag);
            }
        }));
        let error = error.unwrap_err();
        assert!(error.contains(words), "{error}");
    }
    let named_by_the_whole = changed(&first, |part| {
        for tag in [uid, total, number, offset] {
            part.remove_element(tag);
        }
        let source = tags::SOP_INSTANCE_UID_OF_CONCATENATION_SOURCE;
        part.put(DataElement::new(source, VR::UI, PrimitiveValue::from("2.25.9")));
    });
    assert!(read(named_by_the_whole).unwrap_err().contains("In-concatenation Number"));
    let only = changed(&first, |part| {
        part.remove_element(uid);
        part.put(DataElement::new(total, VR::US, PrimitiveValue::from(1_u16)));
    });
    assert_eq!(read(only).unwrap().frames(), 2);
}

#[test]
fn parts_are_of_one_patient_and_one_acquisition() {
    use crate::format::open_all;
    use dicom_core::{DataElement, PrimitiveValue, VR};
    use dicom_dictionary_std::tags;
    let folder = tempfile::tempdir().unwrap();
    let file = write_bytes(&volume(&Made::default()), &WriteOptions::default()).unwrap();
    let parts = concatenation(&file, &[40, 32]);
    let paths = [folder.path().join("a"), folder.path().join("b")];
    std::fs::write(&paths[0], &parts[0]).unwrap();
    for (tag, vr, value, words) in [
        (tags::PATIENT_ID, VR::LO, "P2", "the patient (Patient ID)"),
        (tags::PATIENT_NAME, VR::PN, "Doe^Jane", "the patient (Patient's Name)"),
        (tags::STUDY_INSTANCE_UID, VR::UI, "2.25.1", "the study"),
        (tags::FRAME_OF_REFERENCE_UID, VR::UI, "2.25.1", "the patient's frame of reference"),
        (tags::INTERVALS_ACQUIRED, VR::IS, "7", "Intervals Acquired"),
        (tags::DOPPLER_CORRECTION_ANGLE, VR::DS, "30", "Doppler Correction Angle"),
    ] {
        let other = changed(&parts[1], |part| {
            part.put(DataElement::new(tag, vr, PrimitiveValue::from(value)));
        });
        std::fs::write(&paths[1], other).unwrap();
        let error = open_all(&paths, &OpenOptions::default()).unwrap_err().to_string();
        assert!(error.contains("disagree about") && error.contains(words), "{error}");
    }
    std::fs::write(&paths[1], &parts[1]).unwrap();
    assert!(open_all(&paths, &OpenOptions::default()).is_ok());
}

#[test]
fn words_of_others_travel_apart_and_not_without_the_patient() {
    let mut made = volume(&Made::default());
    made.provenance.assumed = vec!["ours".to_owned(), "Doe^Jane came late".to_owned()];
    made.provenance.told = vec!["Doe^Jane came late".to_owned()];
    let back = reread(write_bytes(&made, &WriteOptions::default()).unwrap());
    assert_eq!(back.provenance.told, made.provenance.told);
    assert_eq!(back.provenance.assumed[..2], made.provenance.assumed);
    let origin = Some(Origin { source: SourceInstance::made_up("x"), identity: Identity::Removed });
    let bytes = write_bytes(&back, &WriteOptions { origin, ..WriteOptions::default() }).unwrap();
    assert!(!bytes.windows(4).any(|window| window == b"Doe^"));
    let nobody = reread(bytes).provenance;
    assert!(nobody.told.is_empty() && nobody.assumed[0] == "ours");
    assert!(nobody.assumed.iter().any(|line| line.ends_with("may name somebody: 1")));
}

#[test]
fn hints_fit_their_messages() {
    use crate::volume::TimelineError;
    let longer = DicomError::PixelLength { needed: 10, available: 20 };
    assert!(!longer.hint().contains("cut off"), "{}", longer.hint());
    assert!(DicomError::PixelLength { needed: 20, available: 10 }.hint().contains("cut off"));
    for error in [
        DicomError::Timeline { source: TimelineError::NotRising(1) },
        DicomError::Layout { what: "encapsulated pixel data under a native transfer syntax".into() },
        DicomError::Decode { frame: 1, message: "colours are decoded from JPEG baseline only".into() },
        DicomError::Value { name: "the Nyquist velocity", found: "NaN m/s".into() },
        DicomError::Missing { name: "Pixel Data", tag: dicom_dictionary_std::tags::PIXEL_DATA },
    ] {
        let hint = error.hint();
        for word in ["nothing to measure", "only unsigned samples", "are damaged", "contradicts itself: the"]
        {
            assert!(!hint.contains(word), "{error}: {hint}");
        }
    }
}

#[test]
fn assumptions_are_known_by_their_seal() {
    let mut made = volume(&Made::default());
    made.provenance.assumed = vec!["one thing; and é".to_owned(), "another".to_owned()];
    let bytes = write_bytes(&made, &WriteOptions::default()).unwrap();
    let back = reread(bytes.clone());
    assert_eq!(back.provenance.assumed[..2], ["one thing; and ?", "another"]);
    let at = bytes.windows(7).position(|window| window == b"another").unwrap();
    let mut edited = bytes;
    edited[at..at + 7].copy_from_slice(b"a name.");
    assert!(reread(edited).provenance.assumed.iter().all(|line| !line.contains("name")));
}
