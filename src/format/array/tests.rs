//! Volumes of random codes through every format and back, and headers by other hands.

use nalgebra::Vector3;

use super::*;
use crate::format::dicom::tests::{Made, assert_same, volume};
use crate::format::dicom::{Syntax, WriteOptions};
use crate::format::{
    FormatError, OpenOptions, files_read, files_written, hash, inspect, open, read_bytes, save, shared,
};
use crate::space::VolumePoint;
use crate::unit::MetresPerSecond;
use crate::volume::{Channel, ChannelKind, Codes, Cycle, PowerScale, VelocityScale, Volume4};

fn deflated() -> WriteOptions {
    WriteOptions { syntax: Syntax::Deflated, ..WriteOptions::default() }
}

/// Every way a volume can be written
fn ways() -> Vec<(&'static str, WriteOptions)> {
    let plain = WriteOptions::default;
    vec![
        ("a.nii", plain()),
        ("a.nii.gz", plain()),
        ("a.nrrd", plain()),
        ("b.nrrd", deflated()),
        ("c.nhdr", plain()),
        ("d.nhdr", deflated()),
        ("a.mha", plain()),
        ("b.mha", deflated()),
        ("e.mhd", plain()),
        ("f.mhd", deflated()),
        ("a.dcm", plain()),
    ]
}

/// The same but for the last digits that DICOM's cm/s cost
fn assert_all_but_digits(a: &Volume4, b: &Volume4) {
    let plain = |volume: &Volume4| {
        let mut volume = volume.clone();
        volume.provenance = crate::volume::Provenance::default();
        volume
    };
    assert_same(&plain(a), &plain(b));
}

#[test]
fn every_format_gives_back_what_it_was_given() {
    let folder = tempfile::tempdir().unwrap();
    for bits in [8, 16] {
        let made = volume(&Made { bits, ..Made::default() });
        for (name, options) in ways() {
            let path = folder.path().join(name);
            save(&made, &path, &options).unwrap();
            let back = open(&path, &OpenOptions::default()).unwrap();
            assert_all_but_digits(&made, &back);
            assert_eq!(back.provenance.blake3, hash(&path).unwrap());
            if name != "a.dcm" {
                let scales =
                    |volume: &Volume4| volume.channels().iter().map(Channel::scale).collect::<Vec<_>>();
                assert_eq!(scales(&back), scales(&made), "{name}");
                assert_eq!(back.timeline, made.timeline, "{name}");
                assert_eq!(back.apex, made.apex, "{name}");
            }
        }
    }
}

#[test]
fn every_format_becomes_every_other() {
    let folder = tempfile::tempdir().unwrap();
    let made = volume(&Made::default());
    let mut last = made.clone();
    // Twice around, so that each follows another one.
    let around: Vec<_> = ways().into_iter().chain(ways().into_iter().rev()).collect();
    for (name, options) in around {
        let path = folder.path().join(name);
        save(&last, &path, &options).unwrap();
        last = open(&path, &OpenOptions::default()).unwrap();
    }
    assert_all_but_digits(&made, &last);
    let near = (0..3).map(|i| (made.grid.origin().0[i] - last.grid.origin().0[i]).abs());
    assert!(near.fold(0.0, f64::max) < 1e-9);
    // What was assumed on the way is still told.
    assert!(last.provenance.assumed.iter().any(|line| line.contains("right-anterior-superior")));
}

#[test]
fn samples_of_raw_files_are_lent_not_copied() {
    let folder = tempfile::tempdir().unwrap();
    for bits in [8, 16] {
        let made = volume(&Made { bits, ..Made::default() });
        for name in ["a.nii", "a.nrrd", "c.nhdr", "a.mha", "e.mhd"] {
            let path = folder.path().join(name);
            save(&made, &path, &WriteOptions::default()).unwrap();
            let back = open(&path, &OpenOptions::default()).unwrap();
            for channel in back.channels() {
                let lent = match channel.samples().frame(1) {
                    Codes::U8(codes) => matches!(codes, std::borrow::Cow::Borrowed(_)),
                    Codes::U16(codes) => matches!(codes, std::borrow::Cow::Borrowed(_)),
                };
                assert!(lent, "{name}, {bits} bits");
            }
        }
    }
}

#[test]
fn every_file_that_is_written_is_told_and_nothing_else() {
    let made = volume(&Made::default());
    for (name, options) in ways() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(name);
        save(&made, &path, &options).unwrap();
        let mut found: Vec<_> =
            std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().path()).collect();
        let mut told = files_written(&path, &options).unwrap();
        let mut read = files_read(&[&path]).unwrap();
        found.sort();
        told.sort();
        read.sort();
        assert_eq!(found, told, "{name}");
        assert_eq!(found, read, "{name}");
    }
}

#[test]
fn names_that_say_no_format_are_refused() {
    let made = volume(&Made::default());
    let folder = tempfile::tempdir().unwrap();
    for (name, options) in [
        ("a.txt", WriteOptions::default()),
        ("a.gz", WriteOptions::default()),
        ("a.nii", deflated()),
        ("a.nrrd", WriteOptions { syntax: Syntax::JpegLs, ..WriteOptions::default() }),
    ] {
        let error = save(&made, &folder.path().join(name), &options).unwrap_err();
        assert!(matches!(error, FormatError::Name { .. }), "{name}: {error}");
        assert!(!error.hint().is_empty());
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

// ---- Headers by other hands ----

/// A NIfTI-1 file of a single channel, 3 x 2 x 2 voxels, with what a test wants changed
struct Nifti {
    bytes: Vec<u8>,
    big: bool,
}

impl Nifti {
    fn new(big: bool, datatype: i16, bits: i16, data: &[u8]) -> Self {
        let mut nifti = Self { bytes: vec![0; 352], big };
        nifti.int(0, 348);
        for (at, size) in [3i16, 3, 2, 2, 1, 1, 1, 1].into_iter().enumerate() {
            nifti.short(40 + 2 * at, size);
        }
        nifti.short(70, datatype);
        nifti.short(72, bits);
        for (at, side) in [1.0f32, 0.5, 0.75, 1.25, 0.04].into_iter().enumerate() {
            nifti.real(76 + 4 * at, side);
        }
        nifti.real(108, 352.0);
        nifti.bytes[123] = 2 | 8;
        nifti.short(252, 1);
        for (at, value) in [0.0f32, 0.0, 0.0, 10.0, 20.0, 30.0].into_iter().enumerate() {
            nifti.real(256 + 4 * at, value);
        }
        nifti.bytes[344..348].copy_from_slice(b"n+1\0");
        nifti.bytes.extend(data);
        nifti
    }
    fn put(&mut self, at: usize, mut bytes: Vec<u8>) {
        if self.big {
            bytes.reverse();
        }
        self.bytes[at..at + bytes.len()].copy_from_slice(&bytes);
    }
    fn int(&mut self, at: usize, value: i32) {
        self.put(at, value.to_le_bytes().into());
    }
    fn short(&mut self, at: usize, value: i16) {
        self.put(at, value.to_le_bytes().into());
    }
    fn real(&mut self, at: usize, value: f32) {
        self.put(at, value.to_le_bytes().into());
    }
    fn read(&self) -> Result<Volume4, FormatError> {
        read_nyquist(&self.bytes, Some(0.6))
    }
}

pub(super) fn read_nyquist(bytes: &[u8], nyquist: Option<f64>) -> Result<Volume4, FormatError> {
    let options = OpenOptions { nyquist: nyquist.map(MetresPerSecond::new), ..OpenOptions::default() };
    read_bytes(&shared(bytes.to_vec()), "x", &options)
}

pub(super) fn codes(volume: &Volume4) -> Vec<u16> {
    let frame = volume.channels()[0].samples().frame(0);
    (0..frame.len()).map(|at| frame.at(at)).collect()
}

#[test]
fn both_byte_orders_and_signs_give_the_same_velocities() {
    let signed: Vec<i16> = vec![-32768, -5, 0, 1, 300, 32767, 7, 8, 9, 10, 11, 12];
    let expected: Vec<u16> = signed.iter().map(|v| (i32::from(*v) + 32768) as u16).collect();
    for big in [false, true] {
        let data: Vec<u8> =
            signed.iter().flat_map(|v| if big { v.to_be_bytes() } else { v.to_le_bytes() }).collect();
        let volume = Nifti::new(big, 4, 16, &data).read().unwrap();
        assert_eq!(codes(&volume), expected);
        assert_eq!(volume.velocity_scale().unwrap().zero_code(), 32768);
        assert!(volume.velocity_scale().unwrap().velocity(expected[1]).get() < 0.0);
        // Right-anterior-superior (10, 20, 30) is left-posterior-superior (-10, -20, 30).
        assert_eq!(volume.grid.origin().to_array(), [-10.0, -20.0, 30.0]);
        assert_eq!(volume.grid.axes()[0].into_inner(), -Vector3::x());
        assert_eq!(volume.grid.spacing_mm(), [0.5, 0.75, 1.25]);
        assert!(volume.provenance.assumed.iter().any(|line| line.contains("x and y changed their sign")));
        assert!(volume.provenance.assumed.iter().any(|line| line.contains("taken as velocity")));
    }
}

#[test]
fn a_mirrored_grid_is_numbered_from_its_last_slice() {
    let data: Vec<u8> = (1..=12).collect();
    let mut nifti = Nifti::new(false, 2, 8, &data);
    // A negative pixdim[0] turns the third axis over.
    nifti.real(76, -1.0);
    let volume = nifti.read().unwrap();
    assert_eq!(codes(&volume), [7, 8, 9, 10, 11, 12, 1, 2, 3, 4, 5, 6]);
    assert_eq!(volume.grid.origin().to_array(), [-10.0, -20.0, 28.75]);
    let [x, y, z] = volume.grid.axes().map(nalgebra::Unit::into_inner);
    assert!(x.cross(&y).dot(&z) > 0.999);
}

#[test]
fn sform_and_qform_are_told_apart() {
    let data: Vec<u8> = (1..=12).collect();
    let mut nifti = Nifti::new(false, 2, 8, &data);
    nifti.short(254, 2);
    for (at, value) in
        [0.0f32, -0.75, 0.0, 1.0, 0.5, 0.0, 0.0, 2.0, 0.0, 0.0, 1.25, 3.0].into_iter().enumerate()
    {
        nifti.real(280 + 4 * at, value);
    }
    let volume = nifti.read().unwrap();
    assert_eq!(volume.grid.origin().to_array(), [-1.0, -2.0, 3.0]);
    assert_eq!(volume.grid.axes()[0].into_inner(), -Vector3::y());
    assert!(volume.provenance.assumed.iter().any(|line| line.contains("sform and qform")));
    nifti.short(252, 0);
    nifti.short(254, 0);
    let plain = nifti.read().unwrap();
    assert!(plain.provenance.assumed.iter().any(|line| line.contains("neither sform nor qform")));
    // A shear is no grid to measure on.
    nifti.short(254, 1);
    nifti.real(280, 0.4);
    assert!(nifti.read().unwrap_err().to_string().contains("not orthogonal"));
}

#[test]
fn a_quaternion_turns_as_the_standard_says() {
    // b = sin(45 deg), c = d = 0: a quarter turn about x (nifti1.h, quaternion representation).
    let mut nifti = Nifti::new(false, 2, 8, &[1; 12]);
    nifti.real(256, 0.5f32.sqrt());
    let [x, y, z] = nifti.read().unwrap().grid.axes().map(nalgebra::Unit::into_inner);
    // Right-anterior-superior: x to x, y to z, z to -y; then x and y change their sign.
    for (found, expected) in [(x, -Vector3::x()), (y, Vector3::z()), (z, Vector3::y())] {
        assert!((found - expected).norm() < 1e-6, "{found} {expected}");
    }
}

#[test]
fn real_velocities_are_taken_as_metres_per_second() {
    let values: Vec<f32> = vec![-0.6, -0.3, 0.0, 0.299, 0.5999, f32::NAN, 1e-9, 0.1, 0.2, -0.1, 0.4, 0.45];
    let data: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    let volume = Nifti::new(false, 16, 32, &data).read().unwrap();
    let scale = volume.velocity_scale().unwrap();
    for (code, value) in codes(&volume).into_iter().zip(&values) {
        let found = scale.velocity(code).get();
        if value.is_nan() {
            assert_eq!(code, scale.zero_code());
        } else {
            assert!((found - f64::from(*value)).abs() < 2e-5, "{value} became {found}");
            assert_eq!(code == scale.zero_code(), *value == 0.0);
        }
    }
    assert!(volume.provenance.assumed.iter().any(|line| line.contains("1 velocities are no numbers")));
    // Centimetres do not fit a cycle of metres, and that is said.
    let data: Vec<u8> = values.iter().flat_map(|v| (v * 100.0).to_le_bytes()).collect();
    let error = Nifti::new(false, 16, 32, &data).read().unwrap_err();
    assert!(error.to_string().contains("more than the cycle") && error.hint().contains("m/s"), "{error}");
    // A shifted baseline is seen in the data, and told.
    let data: Vec<u8> = values.iter().flat_map(|v| (v + 0.3).to_le_bytes()).collect();
    let volume = Nifti::new(false, 16, 32, &data).read().unwrap();
    assert!((volume.velocity_scale().unwrap().limits().0.get() + 0.3).abs() < 1e-4);
    assert!(volume.provenance.assumed.iter().any(|line| line.contains("baseline")));
}

#[test]
fn what_is_missing_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let kinds = vec![ChannelKind::Tissue, ChannelKind::Velocity];
    let made = volume(&Made { kinds, ..Made::default() });
    let path = folder.path().join("a.nrrd");
    save(&made, &path, &WriteOptions::default()).unwrap();
    std::fs::remove_file(Sidecar::path_of(&path)).unwrap();
    let error = open(&path, &OpenOptions::default()).unwrap_err();
    let text = error.to_string();
    assert!(text.contains("which channel is which, nor the velocity scale"), "{text}");
    assert!(error.hint().contains("a.nrrd.narrows.json"), "{}", error.hint());
    let seen = inspect(&[&path], &OpenOptions::default()).unwrap();
    assert_eq!(seen.grid, Some(made.grid.shape()));
    assert!(seen.problem.is_some());
    assert!(Nifti::new(false, 2, 8, &[0; 12]).read().is_ok());
    let error = read_nyquist(&Nifti::new(false, 2, 8, &[0; 12]).bytes, None).unwrap_err();
    assert!(error.to_string().contains("Nyquist") && error.hint().contains("--nyquist"), "{error}");
}

fn nrrd(head: &str, data: &[u8]) -> Vec<u8> {
    let mut bytes = format!("NRRD0005\n# made in a test\n{head}\n").into_bytes();
    bytes.extend(data);
    bytes
}

const NRRD: &str = "type: uint8\ndimension: 3\nsizes: 3 2 2\nspace: left-posterior-superior\n\
                    space directions: (0.5,0,0) (0,0.75,0) (0,0,1.25)\nspace origin: (1,2,3)\n\
                    space units: \"mm\" \"mm\" \"mm\"\nkinds: domain domain domain\nencoding: raw\n";

#[test]
fn nrrd_spaces_and_axes() {
    let data: Vec<u8> = (1..=12).collect();
    let read = |head: &str| read_nyquist(&nrrd(head, &data), Some(0.6));
    let plain = read(NRRD).unwrap();
    assert_eq!(plain.grid.origin(), VolumePoint::new(1.0, 2.0, 3.0));
    assert_eq!(codes(&plain), (1..=12).collect::<Vec<u16>>());
    let ras = read(&NRRD.replace("left-posterior", "right-anterior")).unwrap();
    assert_eq!(ras.grid.origin(), VolumePoint::new(-1.0, -2.0, 3.0));
    // Left-anterior-superior has the other hand: slices count from the last.
    let las = read(&NRRD.replace("left-posterior", "left-anterior")).unwrap();
    assert_eq!(las.grid.origin(), VolumePoint::new(1.0, -2.0, 4.25));
    assert_eq!(codes(&las)[0], 7);
    for (volume, word) in [(&ras, "x and y changed"), (&las, ": y changed")] {
        assert!(volume.provenance.assumed.iter().any(|line| line.contains(word)));
    }
    // Time may be the fastest axis, and gzip as well as raw.
    let first = NRRD
        .replace("dimension: 3", "dimension: 4")
        .replace("sizes: ", "sizes: 2 ")
        .replace("kinds: ", "kinds: time ")
        .replace("directions: ", "directions: none ")
        + "spacings: 40 nan nan nan\nunits: \"ms\" \"\" \"\" \"\"\naxis mins: 8 nan nan nan\n";
    let twice: Vec<u8> = (1..=12).flat_map(|code| [code, code + 100]).collect();
    let volume = read_nyquist(&nrrd(&first, &twice), Some(0.6)).unwrap();
    let times: Vec<f64> = volume.timeline.times().iter().map(|time| time.get()).collect();
    assert!((times[0] - 0.008).abs() < 1e-12 && (times[1] - 0.048).abs() < 1e-12, "{times:?}");
    assert_eq!(codes(&volume), (1..=12).collect::<Vec<u16>>());
    assert_eq!(volume.channels()[0].samples().frame(1).at(3), 104);
}

#[test]
fn a_bare_nrrd_header_is_filled_in_and_told() {
    let bare =
        "type: uint8\ndimension: 3\nsizes: 3 2 2\nspacings: 0.5 0.75 1.25\nencoding: raw\nbyte skip: -1\n";
    let mut data = vec![9; 5];
    data.extend(1..=12);
    let volume = read_nyquist(&nrrd(bare, &data), Some(0.6)).unwrap();
    assert_eq!(volume.grid.spacing_mm(), [0.5, 0.75, 1.25]);
    // The samples are the last bytes.
    assert_eq!(codes(&volume), (1..=12).collect::<Vec<u16>>());
    for word in ["first three axes", "without directions", "taken as velocity", "states no time"] {
        assert!(volume.provenance.assumed.iter().any(|line| line.contains(word)), "{word}");
    }
}

#[test]
fn nrrd_headers_that_cannot_be_used_are_told() {
    let data = [0u8; 12];
    for (from, to, word) in [
        ("sizes: 3 2 2", "sizes: 3 2", "sizes"),
        ("sizes: 3 2 2", "sizes: 3 2 0", "no voxels"),
        ("sizes: 3 2 2", "sizes: 3 2 -2", "sizes"),
        ("sizes: 3 2 2", "sizes: 3 2 18446744073709551615", "too large"),
        ("sizes: 3 2 2", "sizes: 3 2 3", "18 bytes are declared"),
        ("type: uint8", "type: int", "of the type int"),
        ("type: uint8\n", "", "lacks type"),
        ("type: uint8", "type: uint16", "lacks endian"),
        ("encoding: raw", "encoding: bzip2", "encoding bzip2"),
        ("encoding: raw", "encoding: gzip", "gzip header"),
        ("(0.5,0,0)", "(nan,0,0)", "the grid"),
        ("(0.5,0,0)", "(0,0,0)", "not a positive length"),
        ("(0.5,0,0)", "(0.5,0.1,0)", "not orthogonal"),
        ("(0.5,0,0)", "(0.5,0)", "space directions"),
        ("(0.5,0,0)", "none", "axes"),
        ("\"mm\" \"mm\" \"mm\"", "\"mm\" \"mm\" \"s\"", "space units"),
        ("left-posterior-superior", "left-inferior-superior", "space left-inferior-superior"),
        ("(0.5,0,0)", "(0.5,0,0,0.1)", "mixes space and time"),
        ("kinds: domain", "kinds: complex", "kind complex"),
        ("kinds: domain domain", "kinds: domain", "kinds"),
        ("encoding: raw", "encoding: raw\nencoding: raw", "twice"),
        ("encoding: raw", "encoding: raw\ndata file: ../a.raw", "beside"),
        ("encoding: raw", "encoding: raw\ndata file: a%d.raw 1 2 1", "several files"),
        ("encoding: raw", "encoding: raw\nrubbish", "rubbish"),
        ("encoding: raw", "encoding: raw\nbyte skip: 7", "12 bytes are declared"),
    ] {
        let head = NRRD.replacen(from, to, 1);
        assert_ne!(head, NRRD);
        let error = read_nyquist(&nrrd(&head, &data), Some(0.6)).unwrap_err();
        assert!(error.to_string().contains(word), "{to}: {error}");
        assert!(!error.hint().is_empty());
    }
}

pub(super) fn meta(head: &str, data: &[u8]) -> Vec<u8> {
    let mut bytes = head.as_bytes().to_vec();
    bytes.extend(data);
    bytes
}

pub(super) const META: &str = "ObjectType = Image\nNDims = 3\nBinaryData = True\nTransformMatrix = 0 1 0 -1 0 0 0 0 1\n\
                    Offset = 1 2 3\nElementSpacing = 0.5 0.75 1.25\nDimSize = 3 2 2\nElementType = MET_UCHAR\n\
                    ElementDataFile = LOCAL\n";

#[test]
fn meta_image_rows_are_directions() {
    let data: Vec<u8> = (1..=12).collect();
    let volume = read_nyquist(&meta(META, &data), Some(0.6)).unwrap();
    assert_eq!(
        volume.grid.axes().map(nalgebra::Unit::into_inner),
        [Vector3::y(), -Vector3::x(), Vector3::z()]
    );
    assert_eq!(codes(&volume), (1..=12).collect::<Vec<u16>>());
    let big = META
        .replace("MET_UCHAR", "MET_USHORT")
        .replace("BinaryData = True", "BinaryData = True\nElementByteOrderMSB = True");
    let wide: Vec<u8> = (1..=12).flat_map(|code| [code, 0]).collect();
    let volume = read_nyquist(&meta(&big, &wide), Some(0.6)).unwrap();
    assert_eq!(codes(&volume)[2], 3 * 256);
}

#[test]
fn meta_image_headers_that_cannot_be_used_are_told() {
    let data = [0u8; 12];
    for (from, to, word) in [
        ("NDims = 3", "NDims = 2", "NDims"),
        ("NDims = 3", "NDims = 3000000000", "NDims"),
        ("DimSize = 3 2 2", "DimSize = 3 2", "DimSize"),
        ("DimSize = 3 2 2", "DimSize = 3 2 999999", "are declared"),
        ("NDims = 3\n", "NDims = 3\nNDims = 3\n", "twice"),
        ("ElementSpacing = 0.5", "ElementSpacing = -0.5", "ElementSpacing"),
        ("ElementSpacing = 0.5", "ElementSpacing = nan", "ElementSpacing"),
        ("ElementSpacing = 0.5 0.75 1.25\n", "", "lacks ElementSpacing"),
        ("MET_UCHAR", "MET_LONG", "MET_LONG"),
        ("BinaryData = True", "BinaryData = False", "as text"),
        ("BinaryData = True", "CompressedData = True", "unpacked"),
        ("LOCAL", "/etc/passwd", "beside"),
        ("LOCAL", "LIST", "several files"),
        ("ObjectType = Image", "ObjectType = Mesh", "Mesh"),
        ("0 1 0 -1 0 0 0 0 1", "1 1 0 -1 0 0 0 0 1", "not orthogonal"),
        ("Offset = 1", "Offset = 1e300", "the grid"),
        ("NDims = 3", "NDims = 3\nElementNumberOfChannels = 99999", "ElementNumberOfChannels"),
    ] {
        let head = META.replacen(from, to, 1);
        assert_ne!(head, META);
        let error = read_nyquist(&meta(&head, &data), Some(0.6)).unwrap_err();
        assert!(error.to_string().contains(word), "{to}: {error}");
    }
}

#[test]
fn the_number_of_frames_does_not_decide_memory() {
    let head = "NDims = 4\nDimSize = 1 1 1 99999\nElementSpacing = 1 1 1 0.001\nElementType = MET_UCHAR\n\
                ElementDataFile = LOCAL\n";
    let error = read_nyquist(&meta(head, &vec![1; 99999]), Some(0.6)).unwrap_err();
    assert!(error.to_string().contains("number of frames"), "{error}");
}

#[test]
fn interleaved_channels_are_taken_apart() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.mha");
    let head = META.replace("NDims = 3", "NDims = 3\nElementNumberOfChannels = 2");
    let data: Vec<u8> = (1..=12).flat_map(|code| [code, code + 100]).collect();
    std::fs::write(&path, meta(&head, &data)).unwrap();
    let sidecar = r#"{"schema": "narrows/sidecar/1", "channels": ["power", "velocity"],
                      "velocity": {"nyquist_m_s": 0.6, "limits_m_s": [-0.3, 0.9]},
                      "power": {"scale": "decibel", "db_per_step": 0.25, "db_at_zero": -40}}"#;
    std::fs::write(Sidecar::path_of(&path), sidecar).unwrap();
    let volume = open(&path, &OpenOptions::default()).unwrap();
    let at = |kind, index| volume.channel(kind).unwrap().samples().frame(0).at(index);
    assert_eq!((at(ChannelKind::Power, 4), at(ChannelKind::Velocity, 4)), (5, 105));
    let full = VelocityScale::full_cycle(8, 64, MetresPerSecond::new(0.6)).unwrap();
    assert_eq!(volume.velocity_scale(), Some(full));
    let decibel = PowerScale::Decibel { decibel_per_code: 0.25, decibel_at_zero: -40.0 };
    assert_eq!(volume.power().unwrap().1, decibel);
    let mut said = Sidecar::from_json(sidecar.as_bytes()).unwrap();
    let refuse = |change: &dyn Fn(&mut Sidecar), word: &str| {
        let mut changed = said.clone();
        change(&mut changed);
        std::fs::write(Sidecar::path_of(&path), changed.to_json()).unwrap();
        let error = open(&path, &OpenOptions::default()).unwrap_err();
        assert!(error.to_string().contains(word), "{word}: {error}");
        assert!(!error.hint().is_empty());
    };
    refuse(&|s| s.channels.truncate(1), "lists 1 channels");
    refuse(&|s| s.times_s = vec![0.0, 0.1], "lists 2 times");
    refuse(&|s| s.schema = "narrows/sidecar/9".into(), "schema");
    refuse(&|s| s.channels = vec![ChannelKind::Power; 2], "twice");
    refuse(&|s| s.velocity.as_mut().unwrap().zero = Some(200.0), "limits_m_s says");
    refuse(&|s| s.velocity.as_mut().unwrap().zero = Some(3.5), "limits_m_s");
    refuse(&|s| s.velocity.as_mut().unwrap().nyquist_m_s = Some(-1.0), "nyquist_m_s");
    refuse(&|s| s.velocity.as_mut().unwrap().nyquist_m_s = Some(600.0), "Nyquist");
    refuse(&|s| s.velocity = None, "Nyquist");
    refuse(&|s| s.rr_s = Some(0.0), "R-R");
    let turned = GridWords {
        spacing_mm: [0.5, 0.75, 1.25],
        origin_mm: [1.0, 2.0, 3.0],
        axes: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
    };
    refuse(&|s| s.grid = Some(turned), "the grid in the sidecar");
    // Limits that are not a cycle apart are those of the first and the last code.
    said.velocity.as_mut().unwrap().limits_m_s = Some([-0.2, 0.31]);
    std::fs::write(Sidecar::path_of(&path), said.to_json()).unwrap();
    let open_scale = open(&path, &OpenOptions::default()).unwrap().velocity_scale().unwrap();
    assert!((open_scale.step().get() - 0.002).abs() < 1e-12 && open_scale.zero_code() == 100);
    assert_eq!(open_scale.cycle(), Cycle::Open);
    said.velocity.as_mut().unwrap().limits_m_s = Some([-0.3, 0.9]);
    said.velocity.as_mut().unwrap().baseline_shift_m_s = Some(0.3);
    std::fs::write(Sidecar::path_of(&path), said.to_json()).unwrap();
    assert!(open(&path, &OpenOptions::default()).is_ok());
    std::fs::write(Sidecar::path_of(&path), sidecar.replace("\"power\": {", "\"powr\": {")).unwrap();
    assert!(open(&path, &OpenOptions::default()).unwrap_err().to_string().contains("powr"));
}

#[test]
fn a_nyquist_velocity_with_a_shifted_baseline_is_enough() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.nii");
    std::fs::write(&path, &Nifti::new(false, 2, 8, &[7; 12]).bytes).unwrap();
    let said = r#"{"schema": "narrows/sidecar/1", "channels": ["velocity"],
                   "velocity": {"nyquist_m_s": 0.6, "baseline_shift_m_s": 0.3}}"#;
    std::fs::write(Sidecar::path_of(&path), said).unwrap();
    let scale = open(&path, &OpenOptions::default()).unwrap().velocity_scale().unwrap();
    assert_eq!(scale, VelocityScale::full_cycle(8, 64, MetresPerSecond::new(0.6)).unwrap());
    assert_eq!(scale.cycle(), Cycle::Full);
    assert!((scale.baseline_shift().get() - 0.3).abs() < 1e-12);
}

#[test]
fn colours_are_read_with_their_bar_only() {
    let folder = tempfile::tempdir().unwrap();
    let bar = folder.path().join("bar.toml");
    std::fs::write(
        &bar,
        "stops = [{m_s = -0.6, rgb = [0, 255, 255]}, {m_s = 0, rgb = [0, 0, 90]}, {m_s = 0, rgb = [90, 0, 0]}, \
         {m_s = 0.6, rgb = [255, 255, 0]}]",
    )
    .unwrap();
    // Toward, away, tissue, black, a strange colour, and toward again.
    let voxels: [[u8; 3]; 6] =
        [[173, 128, 0], [0, 128, 173], [90, 90, 90], [0, 0, 0], [0, 255, 0], [255, 255, 0]];
    let data: Vec<u8> = voxels.iter().chain(&voxels).flatten().copied().collect();
    let nifti = Nifti::new(false, 128, 24, &data);
    let error = nifti.read().unwrap_err();
    assert!(error.to_string().contains("colours") && error.hint().contains("--velocity-bar"), "{error}");
    let options = OpenOptions {
        velocity_bar: Some(std::sync::Arc::new(VelocityBar::open(&bar).unwrap())),
        ..OpenOptions::default()
    };
    let three = NRRD
        .replace("dimension: 3", "dimension: 4")
        .replace("sizes: ", "sizes: 3 ")
        .replace("kinds: ", "kinds: RGB-color ")
        .replace("directions: ", "directions: none ");
    let packed = META.replace("NDims = 3", "NDims = 3\nElementNumberOfChannels = 3");
    for bytes in [nifti.bytes, nrrd(&three, &data), meta(&packed, &data)] {
        let volume = read_bytes(&shared(bytes), "x", &options).unwrap();
        let at = |kind, index| volume.channel(kind).unwrap().samples().frame(0).at(index);
        let v = |index| volume.velocity_scale().unwrap().velocity(at(ChannelKind::Velocity, index)).get();
        assert!((v(0) - 0.3).abs() < 0.01 && (v(1) + 0.3).abs() < 0.01, "{} {}", v(0), v(1));
        assert_eq!((v(2), v(3), v(4)), (0.0, 0.0, 0.0));
        assert!((v(5) - 0.6).abs() < 0.01);
        assert_eq!((at(ChannelKind::Tissue, 0), at(ChannelKind::Tissue, 2)), (0, 90));
        let assumed = volume.provenance.assumed.join("\n");
        assert!(
            assumed.contains("6 coloured voxels") && assumed.contains("2 voxels are coloured but"),
            "{assumed}"
        );
    }
    let error = read_bytes(&shared(nrrd(NRRD, &[0; 12])), "x", &options).unwrap_err();
    assert!(error.to_string().contains("no colours"), "{error}");
}

#[test]
fn the_format_is_told_by_the_content() {
    assert_eq!(Format::of(&nrrd(NRRD, &[])), Some(Format::Nrrd));
    assert_eq!(Format::of(META.as_bytes()), Some(Format::MetaImage));
    assert_eq!(Format::of(&Nifti::new(true, 2, 8, &[]).bytes), Some(Format::Nifti));
    assert_eq!(Format::of(b"a note = a line\n"), None);
    assert_eq!(Format::of(b""), None);
    assert_eq!(Format::of(&[0x1F, 0x8B, 8, 0, 0]), None);
}
