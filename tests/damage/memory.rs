//! Small files that ask for much: each is refused, or read in less than a gigabyte.

use std::io::Write as _;
use std::sync::atomic::Ordering;
use std::time::Instant;

use narrows::format::dicom::Syntax;
use narrows::format::{FormatError, HashWhen, OpenOptions, read_bytes, shared};
use narrows::unit::MetresPerSecond;
use narrows::volume::Volume4;
use rand_core::Rng as _;
use rand_pcg::Pcg64;

use super::{ALONE, NOW, PEAK, file};

const MOST: usize = 1_000_000_000;

/// Reads a file of at most ten megabytes, watched
fn read(bytes: Vec<u8>, what: &str) -> Result<Volume4, FormatError> {
    assert!(bytes.len() <= 10_000_000, "{what}: {} bytes", bytes.len());
    let bytes = shared(bytes);
    let options = OpenOptions {
        nyquist: Some(MetresPerSecond::new(0.6)),
        hash: HashWhen::Later,
        ..OpenOptions::default()
    };
    let before = NOW.load(Ordering::Relaxed);
    PEAK.store(before, Ordering::Relaxed);
    let began = Instant::now();
    let read = read_bytes(&bytes, "x", &options);
    let taken = PEAK.load(Ordering::Relaxed).saturating_sub(before);
    assert!(taken < MOST, "{what}: {taken} bytes allocated");
    // Far more than it takes, even on a loaded machine; it took half a minute before.
    assert!(began.elapsed().as_secs() < 20, "{what}: {:?}", began.elapsed());
    read
}

/// A deflated DICOM file whose data set is what `fill` writes
fn deflated(fill: impl FnOnce(&mut dyn std::io::Write)) -> Vec<u8> {
    let whole = file(8, Syntax::Deflated);
    let length = u32::from_le_bytes(whole[140..144].try_into().unwrap()) as usize;
    let mut deflate = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::fast());
    fill(&mut deflate);
    let mut bytes = whole[..144 + length].to_vec();
    bytes.extend(deflate.finish().unwrap());
    bytes
}

/// The class of the object, so that it is looked at
const CLASS: &[u8] = b"\x08\0\x16\0UI\x1c\x001.2.840.10008.5.1.4.1.1.6.2\0";

#[test]
fn deflated_headers_are_bounded_in_bytes_items_and_depth() {
    let _alone = ALONE.lock();
    // A gigabyte of one text, of empty elements, of empty items, of items in items.
    let text = deflated(|out| {
        out.write_all(CLASS).unwrap();
        for _ in 0..1024 {
            out.write_all(b"\x09\0\x10\0UT\0\0\0\0\x10\0").unwrap();
            out.write_all(&vec![b' '; 1 << 20]).unwrap();
        }
    });
    let error = read(text, "text").unwrap_err().to_string();
    assert!(error.contains("the header would take"), "{error}");
    let elements = deflated(|out| {
        out.write_all(CLASS).unwrap();
        let many = b"\x09\0\x10\0LO\0\0".repeat(1 << 17);
        for _ in 0..1024 {
            out.write_all(&many).unwrap();
        }
    });
    let error = read(elements, "elements").unwrap_err().to_string();
    assert!(error.contains("elements and items"), "{error}");
    // An item of one element each, as many as there may be: the dearest that is still a header.
    let items = deflated(|out| {
        out.write_all(CLASS).unwrap();
        out.write_all(b"\x00\x52\x30\x92SQ\0\0\xff\xff\xff\xff").unwrap();
        let many = b"\xfe\xff\0\xe0\x08\0\0\0\x09\0\x10\0LO\0\0".repeat(1 << 16);
        for _ in 0..31 {
            out.write_all(&many).unwrap();
        }
        out.write_all(b"\xfe\xff\xdd\xe0\0\0\0\0").unwrap();
    });
    let error = read(items, "items").unwrap_err().to_string();
    assert!(error.contains("Rows"), "{error}");
    let nested = deflated(|out| {
        out.write_all(CLASS).unwrap();
        let many = b"\x00\x52\x30\x92SQ\0\0\xff\xff\xff\xff\xfe\xff\0\xe0\xff\xff\xff\xff".repeat(1 << 16);
        for _ in 0..512 {
            out.write_all(&many).unwrap();
        }
    });
    let error = read(nested, "nested").unwrap_err().to_string();
    assert!(error.contains("nested deeper"), "{error}");
}

#[test]
fn arrays_that_pack_tighter_than_any_volume_are_refused() {
    let _alone = ALONE.lock();
    // Eight megabytes that declare 300 frames of 300 x 300 x 300, and could by the limits of deflate hold them.
    let head = |kind: &str, sizes: &str| {
        format!(
            "NRRD0004\ntype: {kind}\ndimension: 4\nsizes: {sizes}\nspacings: 1 1 1 0.03\nencoding: gzip\n\n"
        )
        .into_bytes()
    };
    let mut random = Pcg64::new(8, 8);
    let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::none());
    for _ in 0..1_000_000 {
        gz.write_all(&random.next_u64().to_le_bytes()).unwrap();
    }
    let mut bytes = head("uint8", "300 300 300 300");
    bytes.extend(gz.finish().unwrap());
    let error = read(bytes, "300^4").unwrap_err();
    assert!(error.to_string().contains("would be unpacked to 8100000000"), "{error}");
    assert!(error.hint().contains("raw"));
    // The dearest that is read: as much as may be unpacked, and a copy of it, since it is signed.
    let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    for _ in 0..256 {
        gz.write_all(&vec![1; 1 << 20]).unwrap();
    }
    let mut bytes = head("int8", "1024 1024 32 8");
    bytes.extend(gz.finish().unwrap());
    assert_eq!(read(bytes, "256 MiB").unwrap().grid.voxels(), 32 << 20);
}

#[test]
fn coded_frames_that_pack_tighter_than_any_volume_are_refused() {
    let _alone = ALONE.lock();
    // 24 frames of 4096 x 2900 equal pixels in run lengths: 9 MB that decode to 570.
    let whole = file(16, Syntax::Rle);
    let pixels = whole.windows(4).rposition(|window| window == [0xE0, 0x7F, 0x10, 0x00]).unwrap();
    let mut bytes = whole[..pixels + 12].to_vec();
    for (tag, side) in [([0x28, 0, 0x10, 0], 4096u16), ([0x28, 0, 0x11, 0], 2900)] {
        super::set(&mut bytes, tag, &side.to_le_bytes());
    }
    let runs = [0x81, 0].repeat(4096 * 2900 / 128);
    let mut frame = vec![0u8; 64];
    (frame[0], frame[4]) = (2, 64);
    frame[8..12].copy_from_slice(&(64 + runs.len() as u32).to_le_bytes());
    frame.extend([&runs[..], &runs[..]].concat());
    bytes.extend([0xFE, 0xFF, 0x00, 0xE0, 0, 0, 0, 0]);
    for _ in 0..24 {
        bytes.extend([0xFE, 0xFF, 0x00, 0xE0]);
        bytes.extend((frame.len() as u32).to_le_bytes());
        bytes.extend(&frame);
    }
    bytes.extend([0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0]);
    let error = read(bytes, "runs").unwrap_err();
    assert!(error.to_string().contains("the decoded pixels would take 570163200 bytes"), "{error}");
    // Fragments counted twice by an offset table that does not rise.
    let mut bytes = whole[..pixels + 12].to_vec();
    bytes.extend([0xFE, 0xFF, 0x00, 0xE0, 96, 0, 0, 0]);
    bytes.extend([0; 96]);
    for _ in 0..30 {
        bytes.extend([0xFE, 0xFF, 0x00, 0xE0, 0, 0, 1, 0]);
        bytes.extend(vec![0; 1 << 16]);
    }
    bytes.extend([0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0]);
    let error = read(bytes, "overlapping").unwrap_err().to_string();
    assert!(error.contains("30 fragments"), "{error}");
}
