//! What a file may ask for in memory: never more than its own size can answer for.
//!
//! Deflate packs up to 1032 to 1 and a run of equal pixels packs further still, so that a file of a few
//! kilobytes can declare gigabytes and even hold them. Volumes of ultrasound pack a few to one; one that is
//! mostly empty packs tighter but is small. So a small file may unpack to [`SMALL`], a large one to
//! [`RATIO`] times its size. Reading and measuring then take less than a gigabyte for any file of ten megabytes, where a
//! copy of what was unpacked is made on the way. Both numbers are our own choice.

use std::io::Read;

/// What any file may unpack to: 256 MiB
const SMALL: usize = 256 << 20;
/// Beyond that, bytes that may come out of one
const RATIO: usize = 25;
/// And never more than this: 16 GiB
pub(super) const LARGEST: usize = 1 << 34;

/// How many bytes may come out of so many
pub(super) fn most_unpacked(packed: usize) -> usize {
    packed.saturating_mul(RATIO).clamp(SMALL, LARGEST)
}

/// Whether a stream held as much as was asked for
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Held {
    /// It did
    All,
    /// It ended before
    Less,
}

/// Reads on until `out` holds `upto` bytes; what is reserved follows what has come out so far
///
/// # Errors
/// What the stream said.
pub(super) fn read_to(stream: &mut dyn Read, out: &mut Vec<u8>, upto: usize) -> std::io::Result<Held> {
    while out.len() < upto {
        let step = (upto - out.len()).min(out.len().max(1 << 16));
        out.reserve_exact(step);
        if stream.take(step as u64).read_to_end(out)? < step {
            return Ok(Held::Less);
        }
    }
    Ok(Held::All)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_out_follows_what_is_there() {
        assert_eq!(most_unpacked(0), SMALL);
        assert_eq!(most_unpacked(100 << 20), 2500 << 20);
        assert_eq!(most_unpacked(usize::MAX), LARGEST);
        // Unpacked and copied once, for ten megabytes.
        assert!(2 * most_unpacked(10_000_000) < 1_000_000_000);
        let mut out = Vec::new();
        assert_eq!(read_to(&mut std::io::repeat(7).take(100_000), &mut out, 1 << 40).unwrap(), Held::Less);
        assert!(out.len() == 100_000 && out.capacity() < 300_000);
        assert_eq!(read_to(&mut std::io::repeat(7), &mut out, 100_003).unwrap(), Held::All);
        assert_eq!(out.len(), 100_003);
    }
}
