//! From a file to the bytes of its samples: mapped where they are raw, unpacked where they are not.
//!
//! A declared size never decides how much is allocated. A raw file must hold what its header
//! declares; a packed one must be able to (deflate packs at most 1032 to 1, see the zlib technical
//! notes) and may not ask for more than [`limits`] grants it. Then memory grows with what really comes
//! out, up to the declared size and no further.

use std::io::Read;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

use super::ArrayError;
use flate2::bufread::GzDecoder;

use super::layout::{Packing, Place};
use crate::format::limits::{self, Held};
use crate::format::{Notes, map};
use crate::volume::SharedBytes;

/// Deflate cannot pack tighter than this
const TIGHTEST: usize = 1032;

/// Bytes in which the samples lie, and where they begin
pub(super) struct Found {
    pub(super) bytes: SharedBytes,
    pub(super) start: usize,
    /// The detached file, which the numbers depend on as well
    pub(super) beside: Option<SharedBytes>,
}

/// Finds `needed` bytes of samples
///
/// `path` is the header's own, where it has one: detached samples are looked for in its folder only.
///
/// # Errors
/// [`ArrayError::Short`], [`ArrayError::Unpack`], [`ArrayError::TooLarge`], [`ArrayError::Detached`].
pub(super) fn find(
    bytes: &SharedBytes,
    path: Option<&Path>,
    place: &Place,
    packing: Packing,
    needed: usize,
    notes: &mut Notes,
) -> Result<Found, ArrayError> {
    let (whole, beside) = match place {
        Place::Beside { name, .. } => {
            let file = beside_path(path, name)?;
            let mapped = map::map(&file)
                .map_err(|error| ArrayError::Detached { name: name.clone(), message: error.to_string() })?;
            (mapped.clone(), Some(mapped))
        }
        Place::Here(_) | Place::Inside(_) | Place::AtTheEnd { .. } => (bytes.clone(), None),
    };
    let all = (*whole).as_ref();
    if let Place::Inside(start) = *place {
        let unpacked = unpack(all, packing, start.saturating_add(needed), notes)?;
        return Ok(Found { bytes: Arc::new(unpacked), start, beside });
    }
    let start = match place {
        Place::Inside(start) | Place::Here(start) | Place::Beside { skip: Some(start), .. } => *start,
        Place::AtTheEnd { header } => all.len().saturating_sub(needed).max(*header),
        Place::Beside { skip: None, .. } => all.len().saturating_sub(needed),
    };
    if packing == Packing::Raw {
        let available = all.len().saturating_sub(start);
        if needed > available || all.len() < needed {
            return Err(ArrayError::Short { needed, available: available.min(all.len()) });
        }
        if available > needed {
            notes.observed.push(format!("{} bytes after the samples were left aside", available - needed));
        }
        return Ok(Found { bytes: whole, start, beside });
    }
    let unpacked = unpack(all.get(start..).unwrap_or_default(), packing, needed, notes)?;
    Ok(Found { bytes: Arc::new(unpacked), start: 0, beside })
}

/// The path of a file named in a header: a bare name, in the header's own folder
pub(super) fn beside_path(path: Option<&Path>, name: &str) -> Result<PathBuf, ArrayError> {
    let bare = matches!(Path::new(name).components().collect::<Vec<_>>()[..], [Component::Normal(_)]);
    // A backslash parts folders on another system.
    if !bare || name.contains(['\\', '/', '\0']) {
        return Err(ArrayError::Outside { name: name.chars().take(80).collect() });
    }
    let path = path.ok_or_else(|| ArrayError::Detached {
        name: name.to_owned(),
        message: "there is no folder to look in".to_owned(),
    })?;
    Ok(path.with_file_name(name))
}

/// Unpacks exactly `needed` bytes
pub(super) fn unpack(
    packed: &[u8],
    packing: Packing,
    needed: usize,
    notes: &mut Notes,
) -> Result<Vec<u8>, ArrayError> {
    if needed / TIGHTEST > packed.len() {
        return Err(ArrayError::Short { needed, available: packed.len().saturating_mul(TIGHTEST) });
    }
    let limit = limits::most_unpacked(packed.len());
    if needed > limit {
        return Err(ArrayError::Unpacked { needed, packed: packed.len(), limit });
    }
    let mut decoder = decoder(packed, packing);
    let mut out = Vec::new();
    let fault = |error: std::io::Error| ArrayError::Unpack { message: error.to_string() };
    if limits::read_to(&mut decoder, &mut out, needed).map_err(fault)? == Held::Less {
        return Err(ArrayError::Short { needed, available: out.len() });
    }
    // The next read checks the sum at the end of the stream.
    if decoder.read(&mut [0]).map_err(fault)? > 0 {
        notes
            .observed
            .push("the packed samples go on after the declared size; the rest was left aside".into());
    }
    Ok(out)
}

/// The first bytes of a gzip stream, as many as there are up to `length`
pub(super) fn peek(packed: &[u8], length: usize) -> Vec<u8> {
    let mut out = Vec::new();
    let mut decoder = decoder(packed, Packing::Gzip).take(length as u64);
    let mut part = [0; 4096];
    // Damage after the part asked for is found when the rest is read.
    while let Ok(count @ 1..) = decoder.read(&mut part) {
        out.extend_from_slice(&part[..count]);
    }
    out
}

/// The members of a gzip file one after the other; zeros behind the last are padding, as the gzip program
/// takes them
struct Gunzip<'a>(GzDecoder<&'a [u8]>);

impl Read for Gunzip<'_> {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        loop {
            let count = self.0.read(out)?;
            let rest = *self.0.get_ref();
            if count > 0 || out.is_empty() || rest.iter().all(|byte| *byte == 0) {
                return Ok(count);
            }
            self.0 = GzDecoder::new(rest);
        }
    }
}

fn decoder(packed: &[u8], packing: Packing) -> Box<dyn Read + '_> {
    // Writers that say zlib have been seen to write gzip.
    if packing == Packing::Gzip || packed.starts_with(&[0x1F, 0x8B]) {
        Box::new(Gunzip(GzDecoder::new(packed)))
    } else {
        Box::new(flate2::read::ZlibDecoder::new(packed))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_bare_names_are_looked_for() {
        let path = Some(Path::new("/data/a.nhdr"));
        assert_eq!(beside_path(path, "a.raw").unwrap(), Path::new("/data/a.raw"));
        for name in ["", ".", "..", "/etc/passwd", "../a.raw", "b/a.raw", "b\\a.raw", "a\0b", "./a.raw"] {
            assert!(matches!(beside_path(path, name), Err(ArrayError::Outside { .. })), "{name:?}");
        }
        assert!(matches!(beside_path(None, "a.raw"), Err(ArrayError::Detached { .. })));
    }

    #[test]
    fn members_follow_each_other_and_zeros_may_follow_the_last() {
        use std::io::Write as _;
        let member = |bytes: &[u8]| {
            let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
            gz.write_all(bytes).unwrap();
            gz.finish().unwrap()
        };
        let read = |parts: &[&[u8]]| unpack(&parts.concat(), Packing::Gzip, 6, &mut Notes::default());
        let (one, two, none) = (member(b"abc"), member(b"def"), member(b""));
        for parts in [
            vec![&one[..], &two],
            vec![&one, &none, &two],
            vec![&one, &two, &[0; 1000]],
            vec![&one, &two, &[0]],
        ] {
            assert_eq!(read(&parts).unwrap(), b"abcdef");
        }
        assert!(matches!(read(&[&one, &two, b"\0\0x"]), Err(ArrayError::Unpack { .. })));
        assert!(matches!(read(&[&one, &[0; 9], &two]), Err(ArrayError::Unpack { .. })));
        assert!(matches!(read(&[&one, &[0; 9]]), Err(ArrayError::Short { .. })));
    }

    #[test]
    fn a_bomb_is_cut_at_the_declared_size() {
        use std::io::Write as _;
        let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
        gz.write_all(&vec![0; 1 << 24]).unwrap();
        let bomb = gz.finish().unwrap();
        let mut notes = Notes::default();
        let out = unpack(&bomb, Packing::Gzip, 1000, &mut notes).unwrap();
        assert!(out.len() == 1000 && out.capacity() < 4096);
        assert_eq!(notes.observed.len(), 1);
        let declared = bomb.len() * 2000;
        assert!(matches!(unpack(&bomb, Packing::Gzip, declared, &mut notes), Err(ArrayError::Short { .. })));
        assert!(matches!(
            unpack(&bomb, Packing::Gzip, (1 << 24) + 1, &mut notes),
            Err(ArrayError::Short { .. })
        ));
        let mut wrong = bomb.clone();
        let last = wrong.len() - 6;
        wrong[last] ^= 1;
        assert!(matches!(unpack(&wrong, Packing::Gzip, 1 << 24, &mut notes), Err(ArrayError::Unpack { .. })));
    }
}
