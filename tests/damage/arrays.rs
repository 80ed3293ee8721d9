//! The same for the open formats: a single channel in memory, and whole volumes on disk with all that
//! belongs to them.

use std::path::{Path, PathBuf};

use narrows::format::array::Sidecar;
use narrows::format::dicom::{Syntax, WriteOptions};
use narrows::format::{FormatError, HashWhen, OpenOptions, open, read_bytes, save, shared};
use narrows::unit::MetresPerSecond;
use narrows::volume::{Channel, ChannelKind, Provenance, Samples, Volume4};
use rand_core::Rng as _;
use rand_pcg::Pcg64;

use super::{ALONE, volume, watched};

/// A name, how it is written, and where damage hits the header
const WAYS: [(&str, Syntax, usize); 6] = [
    ("a.nii", Syntax::ExplicitLittle, 348),
    ("a.nii.gz", Syntax::ExplicitLittle, usize::MAX),
    ("a.nrrd", Syntax::ExplicitLittle, 420),
    ("b.nrrd", Syntax::Deflated, 420),
    ("a.mha", Syntax::ExplicitLittle, 420),
    ("b.mha", Syntax::Deflated, 420),
];

fn options() -> OpenOptions {
    OpenOptions { nyquist: Some(MetresPerSecond::new(0.6)), hash: HashWhen::Later, ..OpenOptions::default() }
}

/// The velocity channel of the made volume alone: it can be read without a sidecar
fn velocity() -> Volume4 {
    let whole = volume(8);
    let channel = whole.channel(ChannelKind::Velocity).unwrap().clone();
    Volume4::new(whole.grid, whole.timeline, None, Provenance::default(), vec![channel]).unwrap()
}

fn bytes_of(volume: &Volume4, name: &str, syntax: Syntax) -> Vec<u8> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    save(volume, &path, &WriteOptions { syntax, ..WriteOptions::default() }).unwrap();
    std::fs::read(&path).unwrap()
}

fn probe(bytes: Vec<u8>, what: &str) -> Result<Volume4, FormatError> {
    let length = bytes.len();
    let bytes = shared(bytes);
    watched(length, what, "damaged", || read_bytes(&bytes, "damaged", &options()))
}

#[test]
fn arrays_truncated_at_every_percent() {
    let _alone = ALONE.lock();
    for (name, syntax, _) in WAYS {
        let whole = bytes_of(&velocity(), name, syntax);
        probe(whole.clone(), name).unwrap();
        for percent in 1..100 {
            let cut = whole[..whole.len() * percent / 100].to_vec();
            assert!(probe(cut, name).is_err(), "{name} {syntax:?} cut at {percent} % was accepted");
        }
        for length in 1..whole.len().min(600) {
            assert!(probe(whole[..length].to_vec(), name).is_err(), "{name} cut at byte {length}");
        }
    }
}

#[test]
fn arrays_with_flipped_bytes() {
    let _alone = ALONE.lock();
    let mut random = Pcg64::new(2026, 12);
    let (mut accepted, mut refused) = (0, 0);
    for (name, syntax, header) in WAYS {
        let whole = bytes_of(&velocity(), name, syntax);
        let reach = whole.len().min(header);
        for round in 0..4000 {
            let mut bytes = whole.clone();
            for _ in 0..=random.next_u64() % 3 {
                let at = random.next_u64() as usize % reach;
                bytes[at] = match random.next_u64() % 6 {
                    0 => 0,
                    1 => 0xFF,
                    2 => random.next_u64() as u8,
                    // Digits, signs and blanks keep a text header readable, and lying.
                    3 => b"0123456789"[random.next_u64() as usize % 10],
                    4 => b"- .,e()\n"[random.next_u64() as usize % 8],
                    _ => bytes[at] ^ (1 << (random.next_u64() % 8)),
                };
            }
            match probe(bytes, &format!("{name} {syntax:?} round {round}")) {
                Ok(_) => accepted += 1,
                Err(_) => refused += 1,
            }
        }
    }
    assert!(accepted > 1000 && refused > 5000, "{accepted} accepted, {refused} refused");
}

#[test]
fn nifti_fields_set_to_extremes() {
    let _alone = ALONE.lock();
    let whole = bytes_of(&velocity(), "a.nii", Syntax::ExplicitLittle);
    for at in 0..344 {
        for value in [
            [0xFF; 4],
            [0, 0, 0, 0x80],
            [0xFF, 0xFF, 0xFF, 0x7F],
            [0; 4],
            f32::NAN.to_le_bytes(),
            f32::INFINITY.to_le_bytes(),
            f32::MAX.to_le_bytes(),
            (-1f32).to_le_bytes(),
            [0xFF, 0x7F, 0xFF, 0x7F],
        ] {
            let mut bytes = whole.clone();
            bytes[at..at + 4].copy_from_slice(&value);
            let _ = probe(bytes, &format!("{value:?} at {at}"));
        }
    }
}

#[test]
fn a_small_gzip_file_cannot_ask_for_gigabytes() {
    use std::io::Write as _;
    let _alone = ALONE.lock();
    // 32767 x 32767 x 200 voxels declared; the stream would give 256 MiB of them.
    let mut head = bytes_of(&velocity(), "a.nii", Syntax::ExplicitLittle)[..352].to_vec();
    for (at, size) in [(40, 3i16), (42, 32767), (44, 32767), (46, 200)] {
        head[at..at + 2].copy_from_slice(&size.to_le_bytes());
    }
    let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    gz.write_all(&head).unwrap();
    for _ in 0..256 {
        gz.write_all(&vec![0; 1 << 20]).unwrap();
    }
    let bomb = gz.finish().unwrap();
    let text = probe(bomb, "bomb").unwrap_err().to_string();
    assert!(text.contains("are declared") || text.contains("too large"), "{text}");
    // A stream much longer than declared is not unpacked to its end.
    let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    gz.write_all(&bytes_of(&velocity(), "a.nii", Syntax::ExplicitLittle)).unwrap();
    for _ in 0..256 {
        gz.write_all(&vec![0; 1 << 20]).unwrap();
    }
    probe(gz.finish().unwrap(), "long stream").unwrap();
}

/// Opens a file on disk, watched for what all files of its folder hold
fn probe_file(path: &Path, what: &str) -> Result<Volume4, FormatError> {
    let folder = path.parent().unwrap();
    let length = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().metadata().unwrap().len() as usize)
        .sum();
    let name = path.file_name().unwrap().to_str().unwrap();
    let options = OpenOptions { hash: HashWhen::Later, ..OpenOptions::default() };
    watched(length, what, name, || open(path, &options))
}

#[test]
fn every_part_of_a_volume_truncated() {
    let _alone = ALONE.lock();
    for (name, syntax) in [
        ("a.nii", Syntax::ExplicitLittle),
        ("a.nii.gz", Syntax::ExplicitLittle),
        ("a.nrrd", Syntax::Deflated),
        ("a.nhdr", Syntax::ExplicitLittle),
        ("b.nhdr", Syntax::Deflated),
        ("a.mha", Syntax::ExplicitLittle),
        ("a.mhd", Syntax::ExplicitLittle),
        ("b.mhd", Syntax::Deflated),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(name);
        save(&volume(16), &path, &WriteOptions { syntax, ..WriteOptions::default() }).unwrap();
        probe_file(&path, name).unwrap();
        let parts: Vec<PathBuf> =
            std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().path()).collect();
        assert_eq!(parts.len(), if name.ends_with("hdr") || name.ends_with("mhd") { 3 } else { 2 });
        for part in parts {
            let whole = std::fs::read(&part).unwrap();
            for percent in 0..100 {
                std::fs::write(&part, &whole[..whole.len() * percent / 100]).unwrap();
                let what = format!("{name}: {} cut at {percent} %", part.display());
                // A detached header may lose its last, empty line; no number depends on it.
                let read = probe_file(&path, &what);
                assert!(read.is_err(), "{what} was accepted");
            }
            std::fs::remove_file(&part).unwrap();
            assert!(probe_file(&path, name).is_err());
            std::fs::write(&part, &whole).unwrap();
        }
        probe_file(&path, name).unwrap();
    }
}

#[test]
fn sidecars_with_flipped_bytes() {
    let _alone = ALONE.lock();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.nrrd");
    save(&volume(8), &path, &WriteOptions::default()).unwrap();
    let beside = Sidecar::path_of(&path);
    let whole = std::fs::read(&beside).unwrap();
    let mut random = Pcg64::new(4, 44);
    let (mut accepted, mut refused) = (0, 0);
    for round in 0..3000 {
        let mut bytes = whole.clone();
        for _ in 0..=random.next_u64() % 2 {
            let at = random.next_u64() as usize % bytes.len();
            bytes[at] = match random.next_u64() % 4 {
                0 => random.next_u64() as u8,
                1 => b"0123456789"[random.next_u64() as usize % 10],
                2 => b"-.e,]}"[random.next_u64() as usize % 6],
                _ => b' ',
            };
        }
        std::fs::write(&beside, bytes).unwrap();
        match probe_file(&path, &format!("round {round}")) {
            Ok(_) => accepted += 1,
            Err(_) => refused += 1,
        }
    }
    assert!(accepted > 100 && refused > 1000, "{accepted} accepted, {refused} refused");
}

#[test]
fn what_is_accepted_of_an_array_can_be_written_again() {
    let _alone = ALONE.lock();
    let mut random = Pcg64::new(6, 66);
    let folder = tempfile::tempdir().unwrap();
    let mut compared = 0;
    for (name, syntax, header) in [WAYS[0], WAYS[2], WAYS[4]] {
        let whole = bytes_of(&velocity(), name, syntax);
        for round in 0..150 {
            let mut bytes = whole.clone();
            let at = random.next_u64() as usize % header;
            bytes[at] = random.next_u64() as u8;
            let what = format!("{name} round {round}");
            let Ok(first) = probe(bytes, &what) else { continue };
            let target = folder.path().join(["x.nii", "x.nrrd", "x.mha", "x.nhdr", "x.mhd"][round % 5]);
            save(&first, &target, &WriteOptions::default()).unwrap();
            let second = open(&target, &OpenOptions::default()).unwrap_or_else(|e| panic!("{what}: {e}"));
            assert_eq!(first.grid.shape(), second.grid.shape(), "{what}");
            assert_eq!(first.timeline, second.timeline, "{what}");
            assert_eq!(first.velocity_scale(), second.velocity_scale(), "{what}");
            for frame in 0..first.frames() {
                let (a, b) = (codes(&first, frame), codes(&second, frame));
                assert_eq!(a, b, "{what}");
            }
            compared += 1;
        }
    }
    assert!(compared > 60, "{compared} compared");
}

fn codes(volume: &Volume4, frame: usize) -> Vec<u16> {
    let samples: &Samples = Channel::samples(&volume.channels()[0]);
    let frame = samples.frame(frame);
    (0..frame.len()).map(|at| frame.at(at)).collect()
}
