//! Damaged files: each gives an error with a hint; none a panic, none memory out of proportion.
//!
//! A counting allocator stands under the whole test: what a file declares must not decide how much
//! is allocated, only what it holds. Mutations are seeded, so a failure can be repeated.

#![allow(clippy::unwrap_used)] // helpers of tests are tests too

use std::alloc::{GlobalAlloc, Layout, System};
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use narrows::format::dicom::{Syntax, WriteOptions, write_bytes};
use narrows::format::{self, FormatError, HashWhen, OpenOptions, read_bytes, shared};
use narrows::space::{Grid, VolumePoint};
use narrows::unit::{MetresPerSecond, Seconds};
use narrows::volume::{
    Channel, ChannelKind, PowerScale, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4,
};
use rand_core::Rng as _;
use rand_pcg::Pcg64;

#[path = "damage/arrays.rs"]
mod arrays;
#[path = "damage/memory.rs"]
mod memory;

struct Counting;

static NOW: AtomicUsize = AtomicUsize::new(0);
static PEAK: AtomicUsize = AtomicUsize::new(0);

// SAFETY: every call goes to the system's allocator unchanged; only numbers are kept beside.
#[allow(unsafe_code)]
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        let now = NOW.fetch_add(layout.size(), Ordering::Relaxed) + layout.size();
        PEAK.fetch_max(now, Ordering::Relaxed);
        // SAFETY: the caller's promise is passed on.
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        NOW.fetch_sub(layout.size(), Ordering::Relaxed);
        // SAFETY: the caller's promise is passed on.
        unsafe { System.dealloc(at, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// One test at a time: the allocator counts for all threads
static ALONE: Mutex<()> = Mutex::new(());

/// The most memory a damaged copy of a file of `length` bytes may take beyond the copy itself: a header
/// turned into a tree, decoded pixels, and 4 MiB for codecs and error texts.
fn bound(length: usize) -> usize {
    16 * length + (4 << 20)
}

fn volume(bits: u32) -> Volume4 {
    let grid = Grid::axis_aligned([33, 29, 4], [0.5, 0.6, 0.7], [1.0, 2.0, 30.0]).unwrap();
    let times = (0..2).map(|frame| Seconds::new(0.05 * f64::from(frame))).collect();
    let mut timeline = Timeline::new(times).unwrap();
    timeline.rr = Some(Seconds::new(0.8));
    timeline.gated_beats = Some(4);
    timeline.beats_rr = vec![Seconds::new(0.8), Seconds::new(0.81)];
    let mut random = Pcg64::new(5, 6);
    let count = grid.voxels() * 2;
    let zero = if bits == 8 { 128 } else { 32768 };
    let scale = VelocityScale::full_cycle(bits, zero, MetresPerSecond::new(0.6)).unwrap();
    let power = PowerScale::Decibel { decibel_per_code: 0.25, decibel_at_zero: -40.0 };
    let channels = [ChannelKind::Tissue, ChannelKind::Velocity, ChannelKind::Power]
        .map(|kind| {
            let samples = if bits == 8 {
                let codes = (0..count).map(|at| ((at / 7) as u64 ^ (random.next_u64() % 5)) as u8).collect();
                Samples::from_u8(codes, 2, grid.voxels())
            } else {
                let codes: Vec<u16> =
                    (0..count).map(|at| ((at / 7) as u64 ^ (random.next_u64() % 500)) as u16).collect();
                Samples::from_u16(&codes, 2, grid.voxels())
            };
            Channel::new(Scale::of(kind, scale, power), samples.unwrap())
        })
        .into();
    let apex = Some(VolumePoint::new(0.0, 0.0, 0.0));
    Volume4::new(grid, timeline, apex, Provenance::default(), channels).unwrap()
}

fn file(bits: u32, syntax: Syntax) -> Vec<u8> {
    write_bytes(&volume(bits), &WriteOptions { syntax, ..WriteOptions::default() }).unwrap()
}

const SYNTAXES: [Syntax; 4] = [Syntax::ExplicitLittle, Syntax::Rle, Syntax::JpegLs, Syntax::Deflated];

/// Reads, and looks at what came of it: memory within the bound, an error with its texts
fn probe(bytes: Vec<u8>, what: &str) -> Result<Volume4, FormatError> {
    let length = bytes.len();
    let bytes = shared(bytes);
    let options = OpenOptions { hash: HashWhen::Later, ..OpenOptions::default() };
    watched(length, what, "damaged.dcm", || read_bytes(&bytes, "damaged.dcm", &options))
}

/// Looks at what comes of reading `length` bytes from a file of this name
fn watched(
    length: usize,
    what: &str,
    name: &str,
    read: impl FnOnce() -> Result<Volume4, FormatError>,
) -> Result<Volume4, FormatError> {
    let before = NOW.load(Ordering::Relaxed);
    PEAK.store(before, Ordering::Relaxed);
    let read = read();
    let taken = PEAK.load(Ordering::Relaxed).saturating_sub(before);
    assert!(taken <= bound(length), "{what}: {taken} bytes allocated for a file of {length}");
    match &read {
        Ok(volume) => {
            // What was accepted can be looked at, everywhere.
            for channel in volume.channels() {
                for frame in 0..volume.frames() {
                    assert_eq!(channel.samples().frame(frame).len(), volume.grid.voxels(), "{what}");
                }
            }
        }
        Err(error) => {
            assert!(!error.hint().is_empty(), "{what}");
            let text = error.to_string();
            assert!(text.len() > 10 && text.len() < 600 && text.ends_with(name), "{what}: {text}");
        }
    }
    read
}

#[test]
fn truncated_at_every_percent() {
    let _alone = ALONE.lock();
    for bits in [8, 16] {
        for syntax in SYNTAXES {
            let whole = file(bits, syntax);
            probe(whole.clone(), "whole").unwrap();
            for percent in 0..100 {
                let cut = whole[..whole.len() * percent / 100].to_vec();
                let read = probe(cut, &format!("{bits} bits {syntax:?} cut at {percent} %"));
                assert!(read.is_err(), "{bits} bits {syntax:?} cut at {percent} % was accepted");
            }
        }
    }
}

#[test]
fn truncated_at_every_byte_of_the_header() {
    let _alone = ALONE.lock();
    let whole = file(8, Syntax::ExplicitLittle);
    for length in 0..whole.len().min(6000) {
        assert!(probe(whole[..length].to_vec(), &format!("cut at byte {length}")).is_err());
    }
}

#[test]
fn flipped_bytes_and_bits() {
    let _alone = ALONE.lock();
    let mut random = Pcg64::new(2026, 11);
    let (mut accepted, mut refused) = (0, 0);
    for syntax in SYNTAXES {
        let whole = file(8, syntax);
        for round in 0..1200 {
            let mut bytes = whole.clone();
            let hits = 1 + random.next_u64() as usize % 3;
            for _ in 0..hits {
                // Mostly the header, where the meaning is.
                let reach = if round % 4 == 0 { bytes.len() } else { bytes.len().min(9000) };
                let at = 132 + random.next_u64() as usize % (reach - 132);
                bytes[at] = match random.next_u64() % 4 {
                    0 => 0,
                    1 => 0xFF,
                    2 => random.next_u64() as u8,
                    _ => bytes[at] ^ (1 << (random.next_u64() % 8)),
                };
            }
            match probe(bytes, &format!("{syntax:?} round {round}")) {
                Ok(_) => accepted += 1,
                Err(_) => refused += 1,
            }
        }
    }
    // Both must happen, or the damage was not where it matters.
    assert!(accepted > 100 && refused > 500, "{accepted} accepted, {refused} refused");
}

#[test]
fn what_is_accepted_can_be_written_and_read_again() {
    let _alone = ALONE.lock();
    let mut random = Pcg64::new(31, 17);
    let whole = file(8, Syntax::ExplicitLittle);
    let mut compared = 0;
    for round in 0..2500 {
        let mut bytes = whole.clone();
        for _ in 0..2 {
            let at = 132 + random.next_u64() as usize % 8000;
            bytes[at] = random.next_u64() as u8;
        }
        let what = format!("round {round}");
        let Ok(volume) = probe(bytes, &what) else { continue };
        let syntax = SYNTAXES[round % 4];
        let written = write_bytes(&volume, &WriteOptions { syntax, ..WriteOptions::default() }).unwrap();
        let again = probe(written, &what).unwrap_or_else(|error| panic!("{what}: {error}"));
        assert_eq!(volume.grid.shape(), again.grid.shape());
        assert_eq!(volume.timeline.frames(), again.timeline.frames());
        assert_eq!(volume.channels().len(), again.channels().len());
        for (first, second) in volume.channels().iter().zip(again.channels()) {
            assert_eq!(first.kind(), second.kind());
            for frame in 0..volume.frames() {
                let (first, second) = (first.samples().frame(frame), second.samples().frame(frame));
                assert!((0..first.len()).all(|at| first.at(at) == second.at(at)), "{what}");
            }
        }
        compared += 1;
    }
    assert!(compared > 100, "{compared} compared");
}

#[test]
fn every_header_word_set_to_extremes() {
    let _alone = ALONE.lock();
    let whole = file(8, Syntax::ExplicitLittle);
    // Up to the second frame's groups: from there on they repeat.
    let end = whole.len().min(7000);
    for at in (132..end - 8).step_by(2) {
        for value in [[0xFF; 4], [0, 0, 0, 0x80], [0xFF, 0xFF, 0xFF, 0x7F], [0; 4]] {
            let mut bytes = whole.clone();
            bytes[at..at + 4].copy_from_slice(&value);
            let _ = probe(bytes, &format!("{value:?} at {at}"));
        }
    }
}

#[test]
fn parts_cut_out_doubled_and_exchanged() {
    let _alone = ALONE.lock();
    let mut random = Pcg64::new(77, 13);
    for syntax in SYNTAXES {
        let whole = file(16, syntax);
        for round in 0..300 {
            let mut pick = |limit: usize| random.next_u64() as usize % limit.max(1);
            let from = 132 + pick(whole.len() - 132);
            let length = 1 + pick(64.min(whole.len() - from));
            let part = whole[from..from + length].to_vec();
            let mut bytes = whole.clone();
            match round % 3 {
                0 => drop(bytes.drain(from..from + length)),
                1 => drop(bytes.splice(from..from, part)),
                _ => {
                    let to = 132 + pick(whole.len() - 132 - length);
                    bytes[to..to + length].copy_from_slice(&part);
                }
            }
            let _ = probe(bytes, &format!("{syntax:?} round {round}"));
        }
    }
}

/// Replaces the value of the first element with this tag, explicit VR with a short length
fn set(bytes: &mut [u8], tag: [u8; 4], value: &[u8]) {
    let at = bytes.windows(4).position(|window| window == tag).unwrap();
    let length = usize::from(u16::from_le_bytes([bytes[at + 6], bytes[at + 7]]));
    assert!(value.len() <= length);
    bytes[at + 8..at + 8 + length].fill(b' ');
    bytes[at + 8..at + 8 + value.len()].copy_from_slice(value);
}

#[test]
fn declared_sizes_do_not_decide_memory() {
    let _alone = ALONE.lock();
    let whole = file(8, Syntax::ExplicitLittle);
    let frames = [0x28, 0, 0x08, 0];
    let at = whole.windows(4).position(|window| window == frames).unwrap();
    let mut huge = whole[..at].to_vec();
    huge.extend([0x28, 0, 0x08, 0, b'I', b'S', 10, 0]);
    huge.extend(b"2147483648");
    let old = usize::from(u16::from_le_bytes([whole[at + 6], whole[at + 7]]));
    huge.extend(&whole[at + 8 + old..]);
    let text = probe(huge, "2^31 frames").unwrap_err().to_string();
    assert!(text.contains("2147483648 frames are declared, but 24 are described"), "{text}");
    for tag in [[0x28, 0, 0x10, 0], [0x28, 0, 0x11, 0]] {
        for syntax in SYNTAXES {
            let mut bytes = file(8, Syntax::ExplicitLittle);
            set(&mut bytes, tag, &[0xFF, 0xFF]);
            assert!(probe(bytes, "65535 rows or columns").unwrap_err().to_string().contains("pixel data"));
            let mut bytes = file(8, syntax);
            if syntax != Syntax::Deflated {
                set(&mut bytes, tag, &[0xFF, 0xFF]);
                assert!(probe(bytes, "65535 rows or columns, compressed").is_err());
            }
        }
    }
}

#[test]
fn a_small_deflated_file_cannot_ask_for_gigabytes() {
    use std::io::Write as _;
    let _alone = ALONE.lock();
    let whole = file(8, Syntax::Deflated);
    // Keep the preamble and the meta information; then inflate to 256 MiB of a single long text.
    let native = file(8, Syntax::ExplicitLittle);
    let meta = 128 + 4 + 12 + u32::from_le_bytes([whole[140], whole[141], whole[142], whole[143]]) as usize;
    let native_meta =
        128 + 4 + 12 + u32::from_le_bytes([native[140], native[141], native[142], native[143]]) as usize;
    let pixels = native.windows(4).rposition(|window| window == [0xE0, 0x7F, 0x10, 0x00]).unwrap();
    let mut deflate = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::best());
    deflate.write_all(&native[native_meta..pixels]).unwrap();
    deflate.write_all(&[0xE0, 0x7F, 0x10, 0x00, b'O', b'B', 0, 0]).unwrap();
    deflate.write_all(&(256u32 << 20).to_le_bytes()).unwrap();
    for _ in 0..256 {
        deflate.write_all(&vec![0; 1 << 20]).unwrap();
    }
    let mut bomb = whole[..meta].to_vec();
    bomb.extend(deflate.finish().unwrap());
    let text = probe(bomb, "bomb").unwrap_err().to_string();
    assert!(text.contains("pixel data should have"), "{text}");
}

/// The volume with this stream in the place of each frame, under this transfer syntax
fn with_streams(stream: &[u8], syntax: &str) -> Vec<u8> {
    let whole = file(8, Syntax::JpegLs);
    let pixels = whole.windows(4).rposition(|window| window == [0xE0, 0x7F, 0x10, 0x00]).unwrap();
    let mut bytes = whole[..pixels + 12].to_vec();
    let own = bytes.windows(22).position(|window| window == b"1.2.840.10008.1.2.4.80").unwrap();
    bytes[own..own + 22].copy_from_slice(syntax.as_bytes());
    bytes.extend([0xFE, 0xFF, 0x00, 0xE0, 0, 0, 0, 0]);
    for _ in 0..24 {
        bytes.extend([0xFE, 0xFF, 0x00, 0xE0]);
        bytes.extend((stream.len() as u32).to_le_bytes());
        bytes.extend(stream);
    }
    bytes.extend([0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0]);
    bytes
}

#[test]
fn streams_of_codecs_that_are_only_read() {
    // One picture of 33 x 29, written by libjpeg and by OpenJPEG.
    let _alone = ALONE.lock();
    let mut random = Pcg64::new(4, 50);
    for (stream, syntax) in [
        (include_bytes!("damage/tile.jpg").as_slice(), "1.2.840.10008.1.2.4.50"),
        (include_bytes!("damage/tile.j2k").as_slice(), "1.2.840.10008.1.2.4.90"),
    ] {
        probe(with_streams(stream, syntax), syntax).unwrap();
        for length in 0..stream.len() {
            let cut = probe(with_streams(&stream[..length], syntax), &format!("{syntax} cut at {length}"));
            // A stream that misses its end alone has all of its pixels.
            assert!(cut.is_err() || length + 2 >= stream.len(), "{syntax} cut at {length} was accepted");
        }
        for round in 0..500 {
            let mut bytes = stream.to_vec();
            for _ in 0..=random.next_u64() % 3 {
                let at = random.next_u64() as usize % bytes.len();
                bytes[at] = random.next_u64() as u8;
            }
            let _ = probe(with_streams(&bytes, syntax), &format!("{syntax} round {round}"));
        }
    }
}

#[test]
fn what_is_no_volume_is_told_so() {
    let _alone = ALONE.lock();
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let open = |path: &Path| format::open(path, &OpenOptions::default()).unwrap_err();
    let write = |name: &str, bytes: &[u8]| std::fs::write(path(name), bytes).unwrap();
    write("empty.dcm", b"");
    write("note.txt", b"a note, not a volume\n");
    write("picture.dcm", b"\x89PNG\r\n\x1a\n and more");
    write("noise.dcm", &[0x81; 700]);
    let mut other = file(8, Syntax::ExplicitLittle);
    for at in 0..other.len() - 27 {
        if other[at..].starts_with(b"1.2.840.10008.5.1.4.1.1.6.2") {
            other[at + 24..at + 27].copy_from_slice(b"4\0\0");
        }
    }
    write("class.dcm", &other);
    for (name, words) in [
        ("missing.dcm", "cannot read the file"),
        ("empty.dcm", "is empty"),
        ("note.txt", "is a text"),
        ("picture.dcm", "is a picture"),
        ("noise.dcm", "unknown kind"),
        (".", "no volume was found"),
        ("class.dcm", "the object class is MR Image (1.2.840.10008.5.1.4.1.1.4), not Enhanced US Volume"),
    ] {
        let error = open(&path(name));
        let text = error.to_string();
        assert!(text.contains(words), "{name}: {text}");
        assert!(text.contains(folder.path().to_str().unwrap()), "{name}: {text}");
        assert!(!error.hint().is_empty());
    }
    assert!(matches!(format::hash(&path("missing.dcm")), Err(FormatError::Read { .. })));
}

#[test]
fn inspection_tells_also_what_cannot_be_measured() {
    let _alone = ALONE.lock();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cut.dcm");
    let whole = file(8, Syntax::ExplicitLittle);
    std::fs::write(&path, &whole).unwrap();
    let seen = format::inspect(&[&path], &OpenOptions::default()).unwrap();
    assert_eq!((seen.problem, seen.grid), (None, Some([33, 29, 4])));
    assert_eq!(seen.blake3, format::hash(&path).unwrap());
    std::fs::write(&path, &whole[..whole.len() - 100]).unwrap();
    let seen = format::inspect(&[&path], &OpenOptions::default()).unwrap();
    assert_eq!(seen.grid, Some([33, 29, 4]));
    let text = seen.to_string();
    assert!(text.contains("problem     the pixel data should have") && text.contains("hint"), "{text}");
    let back: format::Inspection = serde_json::from_str(&serde_json::to_string(&seen).unwrap()).unwrap();
    assert_eq!(back, seen);
}

#[test]
fn a_volume_without_velocity_opens_and_says_so() {
    let _alone = ALONE.lock();
    let made = volume(8);
    let tissue = vec![made.channel(ChannelKind::Tissue).unwrap().clone()];
    let made = Volume4::new(made.grid, made.timeline.clone(), made.apex, Provenance::default(), tissue);
    let bytes = write_bytes(&made.unwrap(), &WriteOptions::default()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("grey.dcm");
    std::fs::write(&path, &bytes).unwrap();
    let back = probe(bytes, "no velocity").unwrap();
    // Nothing is made up in its place.
    assert_eq!(back.velocity_scale(), None);
    assert!(!back.provenance.assumed.iter().any(|line| line.contains("velocity")));
    let seen = format::inspect(&[&path], &OpenOptions::default()).unwrap();
    assert_eq!((seen.nyquist_m_s, seen.velocity_limits_m_s), (None, None));
    assert!(seen.notes.missing.iter().any(|line| line.contains("a velocity channel")));
}
