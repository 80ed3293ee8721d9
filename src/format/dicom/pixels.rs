//! From Pixel Data to samples: windows on the file where it is native, decoded frames otherwise.

use std::borrow::Cow;
use std::sync::Arc;

use rayon::prelude::*;

use super::codec;
use super::coding::{Coding, FrameSize};
use super::groups::Order;
use super::tree::PixelPlace;
use super::{DicomError, LARGEST_DECODED};
use crate::volume::{Samples, SharedBytes};

/// The samples of the kinds at these places of `order.kinds`
///
/// # Errors
/// [`DicomError::PixelLength`], [`DicomError::Fragments`], [`DicomError::Decode`],
/// [`DicomError::TooLarge`], [`DicomError::Samples`].
pub(super) fn samples(
    bytes: &SharedBytes,
    place: &PixelPlace,
    coding: Coding,
    size: FrameSize,
    order: &Order,
    frames: usize,
    wanted: &[usize],
    slices: &[usize],
) -> Result<Vec<Samples>, DicomError> {
    let (nt, nz) = (order.times_s.len(), order.places_mm.len());
    let voxels = usize::from(size.rows) * usize::from(size.columns) * nz;
    let make = |bytes: &SharedBytes, offset: &dyn Fn(usize, usize, usize) -> usize| {
        wanted
            .iter()
            .enumerate()
            .map(|(rank, kind)| {
                let planes = (0..nt)
                    .map(|time| slices.iter().map(|slice| offset(rank * nt + time, *kind, *slice)).collect())
                    .collect();
                Samples::from_shared(bytes.clone(), size.bits, voxels, planes)
                    .map_err(|source| DicomError::Samples { source })
            })
            .collect::<Result<Vec<_>, _>>()
    };
    match place {
        PixelPlace::Native(range) if coding == Coding::Native => {
            let needed = size.bytes().saturating_mul(frames);
            let available = (**bytes).as_ref().len().saturating_sub(range.start).min(range.len());
            if needed > available {
                return Err(DicomError::PixelLength { needed, available });
            }
            let start = range.start;
            make(bytes, &|row, kind, slice| start + order.frame(kind, row % nt, slice) * size.bytes())
        }
        PixelPlace::Native(_) => Err(DicomError::Layout {
            what: "native pixel data under a compressed transfer syntax".to_owned(),
        }),
        PixelPlace::Encapsulated(_) if coding == Coding::Native => Err(DicomError::Layout {
            what: "encapsulated pixel data under a native transfer syntax".to_owned(),
        }),
        PixelPlace::Encapsulated(start) => {
            let all = (**bytes).as_ref();
            let coded = fragments(all, *start, frames)?;
            let list: Vec<usize> = wanted
                .iter()
                .flat_map(|kind| (0..nt).map(move |time| (kind, time)))
                .flat_map(|(kind, time)| slices.iter().map(move |slice| order.frame(*kind, time, *slice)))
                .collect();
            let decoded = decode(&coded, coding, size, &list)?;
            let decoded: SharedBytes = Arc::new(decoded);
            let rank = |slice: usize| slices.iter().position(|s| *s == slice).unwrap_or(0);
            make(&decoded, &|row, _, slice| (row * nz + rank(slice)) * size.bytes())
        }
    }
}

/// Decodes the frames in `list`, one after the other in the result
fn decode(
    coded: &[Cow<'_, [u8]>],
    coding: Coding,
    size: FrameSize,
    list: &[usize],
) -> Result<Vec<u8>, DicomError> {
    let total = size.bytes().saturating_mul(list.len());
    if total > LARGEST_DECODED {
        return Err(DicomError::TooLarge { bytes: total, limit: LARGEST_DECODED });
    }
    let refuse = |frame: usize, message| DicomError::Decode { frame: frame + 1, message };
    for frame in list {
        codec::plausible(&coded[*frame], coding, size).map_err(|message| refuse(*frame, message))?;
    }
    let mut decoded = vec![0u8; total];
    let failures: Vec<DicomError> = decoded
        .par_chunks_exact_mut(size.bytes())
        .zip(list)
        .filter_map(|(out, frame)| {
            codec::decode(&coded[*frame], coding, size, out).err().map(|message| refuse(*frame, message))
        })
        .collect();
    failures.into_iter().next().map_or(Ok(decoded), Err)
}

/// The coded bytes of each frame, by the items of encapsulated Pixel Data (PS3.5 annex A.4)
fn fragments(bytes: &[u8], start: usize, frames: usize) -> Result<Vec<Cow<'_, [u8]>>, DicomError> {
    let mut items = Vec::new();
    let mut at = start;
    loop {
        let cut = || DicomError::Truncated {
            what: "the compressed pixel data".to_owned(),
            at,
            needed: 8,
            available: bytes.len().saturating_sub(at),
        };
        let head = bytes.get(at..).and_then(<[u8]>::first_chunk::<8>).ok_or_else(cut)?;
        let length = u32::from_le_bytes([head[4], head[5], head[6], head[7]]) as usize;
        match [head[0], head[1], head[2], head[3]] {
            [0xFE, 0xFF, 0x00, 0xE0] => {
                let end = (at + 8).saturating_add(length);
                if end > bytes.len() {
                    return Err(DicomError::Truncated {
                        what: "the compressed pixel data".to_owned(),
                        at: at + 8,
                        needed: length,
                        available: bytes.len() - at - 8,
                    });
                }
                items.push((at, &bytes[at + 8..end]));
                at = end;
            }
            [0xFE, 0xFF, 0xDD, 0xE0] => break,
            _ => {
                return Err(DicomError::Syntax {
                    at,
                    message: "expected a fragment of pixel data".to_owned(),
                });
            }
        }
    }
    let Some(((_, table), rest)) = items.split_first() else {
        return Err(DicomError::Fragments { fragments: 0, frames });
    };
    if rest.len() == frames {
        return Ok(rest.iter().map(|(_, data)| Cow::Borrowed(*data)).collect());
    }
    // Frames of several fragments: the offset table counts from the first fragment's item.
    let (offsets, _) = table.as_chunks::<4>();
    if rest.is_empty() || (offsets.len() != frames && frames != 1) {
        return Err(DicomError::Fragments { fragments: rest.len(), frames });
    }
    let origin = rest[0].0;
    let bound = |frame: usize| offsets.get(frame).map(|offset| origin + u32::from_le_bytes(*offset) as usize);
    (0..frames)
        .map(|frame| {
            let (low, high) = (bound(frame).unwrap_or(0), bound(frame + 1).unwrap_or(usize::MAX));
            let parts = rest.iter().filter(|(at, _)| (low..high).contains(at)).map(|(_, data)| *data);
            let joined: Vec<u8> = parts.flatten().copied().collect();
            if joined.is_empty() {
                return Err(DicomError::Fragments { fragments: rest.len(), frames });
            }
            Ok(Cow::Owned(joined))
        })
        .collect()
}
