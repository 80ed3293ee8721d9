//! From Pixel Data to samples: windows on the file where it is native, decoded frames otherwise.

use std::borrow::Cow;
use std::sync::Arc;

use rayon::prelude::*;

use super::DicomError;
use super::codec;
use super::coding::{Coding, FrameSize, Pixel, Planes};
use super::groups::Order;
use super::tree::PixelPlace;
use crate::format::limits;
use crate::volume::{Samples, SharedBytes, VelocityLoss};

/// The Pixel Data of one instance
pub(super) struct Source<'a> {
    /// What `place` counts in
    pub(super) bytes: &'a SharedBytes,
    /// Where they are
    pub(super) place: &'a PixelPlace,
    /// How they are coded
    pub(super) coding: Coding,
    /// How many frames there are
    pub(super) frames: usize,
}

/// The samples of the kinds at these places of `order.kinds`, from instances whose frames follow each other
///
/// # Errors
/// [`DicomError::PixelLength`], [`DicomError::Fragments`], [`DicomError::Decode`],
/// [`DicomError::TooLarge`], [`DicomError::Samples`].
pub(super) fn samples(
    sources: &[Source<'_>],
    size: FrameSize,
    order: &Order,
    wanted: &[usize],
    slices: &[usize],
) -> Result<Vec<Samples>, DicomError> {
    let (nt, nz) = (order.times_s.len(), order.places_mm.len());
    let voxels = usize::from(size.rows) * usize::from(size.columns) * nz;
    let make = |bytes: &SharedBytes, offset: &dyn Fn(Option<usize>) -> usize| {
        let channel = |kind: &usize| {
            let planes = (0..nt)
                .map(|time| slices.iter().map(|slice| offset(order.frame(*kind, time, *slice))).collect())
                .collect();
            Samples::from_shared(bytes.clone(), size.bits, voxels, planes)
                .map_err(|source| DicomError::Samples { source })
        };
        wanted.iter().map(channel).collect::<Result<Vec<_>, _>>()
    };
    let mut list: Vec<Option<usize>> = wanted
        .iter()
        .flat_map(|kind| (0..nt).map(move |time| (kind, time)))
        .flat_map(|(kind, time)| slices.iter().map(move |slice| order.frame(*kind, time, *slice)))
        .collect();
    let blank = list.contains(&None);
    if let [source] = sources
        && !blank
        && let Frames::Native(start) = frames(source, size)?
    {
        return make(source.bytes, &|frame| start + frame.unwrap_or(0) * size.bytes());
    }
    // In the order in which they are looked at, each once.
    let mut list: Vec<usize> = list.drain(..).flatten().collect();
    let mut place = vec![usize::MAX; sources.iter().map(|source| source.frames).sum()];
    let mut count = 0;
    list.retain(|frame| {
        let first = place[*frame] == usize::MAX;
        if first {
            place[*frame] = count;
            count += 1;
        }
        first
    });
    let mut gathered = gather(sources, size, &list)?;
    // Where a kind has no frame, there is nothing: code 0, or no velocity, which covers all of the volume.
    let nothing = gathered.len();
    if blank {
        gathered.resize(nothing + size.bytes(), 0);
    }
    let gathered: SharedBytes = Arc::new(gathered);
    make(&gathered, &|frame| frame.map_or(nothing, |frame| place[frame] * size.bytes()))
}

/// The colours of a kind's frames, red, green, blue, frame after frame and slice after slice
///
/// # Errors
/// As [`samples`].
pub(super) fn colours(
    sources: &[Source<'_>],
    size: FrameSize,
    order: &Order,
    kind: usize,
    slices: &[usize],
) -> Result<Vec<u8>, DicomError> {
    let times = 0..order.times_s.len();
    let list: Vec<usize> = times
        .flat_map(|time| slices.iter().filter_map(move |slice| order.frame(kind, time, *slice)))
        .collect();
    let mut gathered = gather(sources, size, &list)?;
    if sources.iter().any(|source| source.coding == Coding::Native) {
        gathered.par_chunks_exact_mut(size.bytes()).for_each(|frame| native_colours(frame, size.pixel));
    }
    Ok(gathered)
}

/// Turns a native frame to red, green, blue beside each other
fn native_colours(frame: &mut [u8], pixel: Pixel) {
    if let Pixel::Rgb(Planes::Apart) | Pixel::Ybr(Planes::Apart) = pixel {
        let apart = frame.to_vec();
        let plane = frame.len() / 3;
        for (at, value) in apart.into_iter().enumerate() {
            frame[3 * (at % plane) + at / plane] = value;
        }
    }
    if let Pixel::Ybr(_) = pixel {
        // PS3.3 C.7.6.3.1.2: the full-range transform of ITU-R BT.601.
        for pixel in frame.as_chunks_mut::<3>().0 {
            let [y, b, r] = pixel.map(f64::from);
            let (b, r) = (b - 128.0, r - 128.0);
            let rgb = [y + 1.402 * r, y - 0.344_136 * b - 0.714_136 * r, y + 1.772 * b];
            *pixel = rgb.map(|value| value.round().clamp(0.0, 255.0) as u8);
        }
    }
}

/// What storing the frames of a kind did to its codes, the worst of them; `None`: nothing
pub(super) fn loss(
    sources: &[Source<'_>],
    size: FrameSize,
    order: &Order,
    kind: usize,
) -> Result<Option<VelocityLoss>, DicomError> {
    let mut worst: Option<VelocityLoss> = None;
    let rank = |loss: VelocityLoss| match loss {
        VelocityLoss::AtMost { codes } => (0, codes),
        VelocityLoss::About { codes } => (1, codes),
        VelocityLoss::Unknown => (2, 0.0),
    };
    let mut begin = 0;
    for source in sources {
        let own = begin..begin + source.frames;
        begin = own.end;
        let Frames::Coded(coded) = frames(source, size)? else { continue };
        for frame in order.frames(kind).filter(|frame| own.contains(frame)) {
            let found = codec::loss(&coded[frame - own.start], source.coding);
            if let Some(found) = found
                && worst.is_none_or(|worst| rank(worst) < rank(found))
            {
                worst = Some(found);
            }
        }
    }
    Ok(worst)
}

/// The frames of an instance as they stand
enum Frames<'a> {
    /// One after the other from this byte on
    Native(usize),
    /// Each coded
    Coded(Vec<Cow<'a, [u8]>>),
}

fn frames<'a>(source: &Source<'a>, size: FrameSize) -> Result<Frames<'a>, DicomError> {
    let all = (**source.bytes).as_ref();
    match (source.place, source.coding) {
        (PixelPlace::Native(range), Coding::Native) => {
            let needed = size.bytes().saturating_mul(source.frames);
            let available = all.len().saturating_sub(range.start).min(range.len());
            if needed > available {
                return Err(DicomError::PixelLength { needed, available });
            }
            Ok(Frames::Native(range.start))
        }
        (PixelPlace::Encapsulated(start), coding) if coding != Coding::Native => {
            Ok(Frames::Coded(fragments(all, *start, source.frames)?))
        }
        (PixelPlace::Native(_), _) => Err(DicomError::Layout {
            what: "native pixel data under a compressed transfer syntax".to_owned(),
        }),
        (PixelPlace::Encapsulated(_), _) => Err(DicomError::Layout {
            what: "encapsulated pixel data under a native transfer syntax".to_owned(),
        }),
    }
}

/// Copies or decodes the frames in `list`, one after the other in the result
fn gather(sources: &[Source<'_>], size: FrameSize, list: &[usize]) -> Result<Vec<u8>, DicomError> {
    let found = sources.iter().map(|source| frames(source, size)).collect::<Result<Vec<_>, _>>()?;
    let total = size.bytes().saturating_mul(list.len());
    // Frames that are coded hold what their bytes can; native ones are no larger than the file.
    let own = |(found, source): (&Frames<'_>, &Source<'_>)| match found {
        Frames::Native(_) => size.bytes().saturating_mul(source.frames),
        Frames::Coded(frames) => frames.iter().map(|frame| frame.len()).sum(),
    };
    let packed = found.iter().zip(sources).map(own).fold(0, usize::saturating_add);
    let limit = limits::most_unpacked(packed);
    if total > limit {
        return Err(DicomError::TooLarge { what: "the decoded pixels", bytes: total, limit });
    }
    let refuse = |frame: usize, message| DicomError::Decode { frame: frame + 1, message };
    // Instance and frame in it.
    let inside = |frame: usize| {
        let mut rest = frame;
        for (at, source) in sources.iter().enumerate() {
            if rest < source.frames {
                return (at, rest);
            }
            rest -= source.frames;
        }
        (sources.len(), rest)
    };
    for frame in list {
        let (at, own) = inside(*frame);
        if let Some(Frames::Coded(coded)) = found.get(at) {
            codec::plausible(&coded[own], sources[at].coding, size)
                .map_err(|message| refuse(*frame, message))?;
        }
    }
    let one = |out: &mut [u8], frame: usize| {
        let (at, own) = inside(frame);
        match found.get(at)? {
            Frames::Coded(coded) => codec::decode(&coded[own], sources[at].coding, size, out)
                .err()
                .map(|message| refuse(frame, message)),
            Frames::Native(start) => {
                let from = start + own * size.bytes();
                out.copy_from_slice(&(**sources[at].bytes).as_ref()[from..from + size.bytes()]);
                None
            }
        }
    };
    let mut gathered = vec![0u8; total];
    // As many at once as codecs can be given room for.
    let batch = codec::at_once(size);
    for (out, frames) in gathered.chunks_mut(size.bytes() * batch).zip(list.chunks(batch)) {
        let failures: Vec<DicomError> = out
            .par_chunks_exact_mut(size.bytes())
            .zip(frames)
            .filter_map(|(out, frame)| one(out, *frame))
            .collect();
        if let Some(failure) = failures.into_iter().next() {
            return Err(failure);
        }
    }
    Ok(gathered)
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
    let begins: Vec<usize> =
        offsets.iter().map(|offset| origin + u32::from_le_bytes(*offset) as usize).collect();
    // Frames that overlap would make many bytes out of few.
    if begins.windows(2).any(|pair| pair[0] >= pair[1]) {
        return Err(DicomError::Fragments { fragments: rest.len(), frames });
    }
    let place = |begin: usize| rest.partition_point(|(at, _)| *at < begin);
    (0..frames)
        .map(|frame| {
            let from = begins.get(frame).map_or(0, |begin| place(*begin));
            let to = begins.get(frame + 1).map_or(rest.len(), |begin| place(*begin));
            let parts = rest.get(from..to).unwrap_or_default();
            let joined: Vec<u8> = parts.iter().flat_map(|(_, data)| *data).copied().collect();
            if joined.is_empty() {
                return Err(DicomError::Fragments { fragments: rest.len(), frames });
            }
            Ok(Cow::Owned(joined))
        })
        .collect()
}
