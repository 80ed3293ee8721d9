//! One frame at a time through a pixel codec.
//!
//! RLE (PS3.5 annex G) and JPEG-LS are ours, both ways; JPEG baseline is read by `zune-jpeg`, JPEG 2000 by
//! `openjp2` through the dicom-rs registry. A code stream states its own size: it is compared with
//! the object's before the codec sees the bytes, so a damaged stream cannot ask for memory. A
//! codec that panics is caught and becomes an error of the frame.

use std::borrow::Cow;
use std::panic::{AssertUnwindSafe, catch_unwind};

use dicom_encoding::adapters::{PixelDataObject, RawPixelData};
use dicom_encoding::transfer_syntax::TransferSyntaxIndex as _;
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;

use super::coding::{Coding, FrameSize, Loss};
use super::{jpeg, jpeg_ls};
use crate::volume::VelocityLoss;

/// Whether a coded frame can hold a frame of this size, by what it says itself
///
/// # Errors
/// Says in words what does not fit.
pub(super) fn plausible(data: &[u8], coding: Coding, size: FrameSize) -> Result<(), String> {
    if size.components() > 1 && !matches!(coding, Coding::Native | Coding::Jpeg) {
        return Err("colours are decoded from JPEG baseline only".to_owned());
    }
    match coding {
        Coding::Native => Ok(()),
        Coding::Jpeg => {
            let found = jpeg::stated(data);
            stated(found.map(|found| (found.width, found.height, found.bits, found.components)), size)
        }
        Coding::Rle => {
            // Two bytes become at most 128.
            let most = data.len().saturating_sub(64).saturating_mul(64);
            if most < size.bytes() {
                return Err(format!(
                    "{} bytes of run lengths cannot hold {} bytes",
                    data.len(),
                    size.bytes()
                ));
            }
            Ok(())
        }
        Coding::JpegLs(_) => {
            let found = jpeg_ls::stated(data);
            stated(found.map(|found| (found.width, found.height, found.bits, found.components)), size)
        }
        Coding::Jpeg2000(_) => {
            if size.samples() > LARGEST_WAVELET {
                return Err(format!(
                    "{} x {} samples are more than are decoded of a frame in JPEG 2000",
                    size.columns, size.rows
                ));
            }
            stated(jpeg_2000_size(data), size)?;
            jpeg_2000_coding(data)
                .ok_or_else(|| "its coding style asks for more than a frame needs".to_owned())
        }
    }
}

/// Frames of JPEG 2000 with more samples are refused, for what the decoder keeps of each; no volume has slices of
/// 2048 x 2048 (our own choice)
const LARGEST_WAVELET: usize = 1 << 22;
/// Bytes that decoding may take for all frames at once
const ROOM: usize = 256 << 20;
/// Bytes that decoders take for a sample: codes of 32 bits, transforms, the result (a generous estimate)
const BYTES_A_SAMPLE: usize = 16;

/// What storing a frame may have done to its codes, by what it says itself; `None`: nothing
pub(super) fn loss(data: &[u8], coding: Coding) -> Option<VelocityLoss> {
    match coding {
        Coding::Native | Coding::Rle | Coding::Jpeg2000(Loss::None) => None,
        Coding::Jpeg => {
            Some(jpeg::loss(data).map_or(VelocityLoss::Unknown, |codes| VelocityLoss::About { codes }))
        }
        Coding::JpegLs(_) => match jpeg_ls::near(data) {
            Some(0) => None,
            Some(near) => Some(VelocityLoss::AtMost { codes: f64::from(near) }),
            None => Some(VelocityLoss::Unknown),
        },
        Coding::Jpeg2000(Loss::Possible) => Some(VelocityLoss::Unknown),
    }
}

/// How many frames of a size are decoded side by side
pub(super) fn at_once(size: FrameSize) -> usize {
    (ROOM / (BYTES_A_SAMPLE * size.samples()).max(1)).clamp(1, 1 << 12)
}

/// What a code stream says of itself: width, height, bits, components
type Stated = (u32, u32, u32, u32);

fn stated(found: Option<Stated>, size: FrameSize) -> Result<(), String> {
    let Some((width, height, bits, components)) = found else {
        return Err("no image header was found in it".to_owned());
    };
    let expected = (u32::from(size.columns), u32::from(size.rows), size.bits, size.components() as u32);
    if (width, height, bits, components) != expected {
        return Err(format!(
            "it holds {width} x {height} samples of {bits} bits in {components} components, expected {} x {} of {} \
             bits in {}",
            size.columns,
            size.rows,
            size.bits,
            size.components()
        ));
    }
    Ok(())
}

/// The image and tile size (SIZ) of a JPEG 2000 code stream, ITU-T T.800 annex A.5.1
///
/// Streams of more than one tile a frame are taken only where tiles are no larger than the image.
fn jpeg_2000_size(data: &[u8]) -> Option<Stated> {
    (data.get(..4)? == [0xFF, 0x4F, 0xFF, 0x51]).then_some(())?;
    let word = |at: usize| data.get(at..)?.first_chunk::<4>().map(|b| u32::from_be_bytes(*b));
    let (width, height) = (word(8)?.checked_sub(word(16)?)?, word(12)?.checked_sub(word(20)?)?);
    let (tile_width, tile_height) = (word(24)?, word(28)?);
    if tile_width == 0 || tile_height == 0 {
        return None;
    }
    // A flood of tiny tiles costs memory without holding pixels.
    if u64::from(width / tile_width.min(width.max(1))) * u64::from(height / tile_height.min(height.max(1)))
        > 4096
    {
        return None;
    }
    let components = u32::from(u16::from_be_bytes(*data.get(40..)?.first_chunk::<2>()?));
    let depth = *data.get(42)?;
    if data.get(43..45)? != [1, 1] {
        return None;
    }
    Some((width, height, u32::from(depth & 0x7F) + 1, components))
}

/// Whether the coding style (COD) of a JPEG 2000 code stream is one of a picture, ITU-T T.800 annex A.6.1
///
/// Layers and precincts cost memory each, whatever they hold: streams of many tiny ones are not decoded.
fn jpeg_2000_coding(data: &[u8]) -> Option<()> {
    const MOST_LAYERS: u16 = 256;
    const SMALLEST_PRECINCT: u8 = 4; // 16 samples a side
    let mut at = 2;
    loop {
        let marker = data.get(at..)?.first_chunk::<2>()?;
        let length = usize::from(u16::from_be_bytes(*data.get(at + 2..)?.first_chunk::<2>()?));
        match marker {
            // The first tile begins: a stream without a coding style is none.
            [0xFF, 0x90] => return None,
            [0xFF, 0x52] => {
                let style = data.get(at + 4..at + 2 + length)?;
                let layers = u16::from_be_bytes([*style.get(2)?, *style.get(3)?]);
                // At the smallest resolution, which comes first, a precinct may be smaller.
                let precincts = if style.first()? & 1 == 1 { style.get(11..)? } else { &[] };
                let wide = |sides: &u8| sides & 15 >= SMALLEST_PRECINCT && sides >> 4 >= SMALLEST_PRECINCT;
                return (layers <= MOST_LAYERS && precincts.iter().all(wide)).then_some(());
            }
            [0xFF, _] if length >= 2 => at += 2 + length,
            _ => return None,
        }
    }
}

/// Decodes one frame into `out`, which has exactly its size; 16-bit samples little-endian
///
/// # Errors
/// Says in words what is wrong with the frame.
pub(super) fn decode(data: &[u8], coding: Coding, size: FrameSize, out: &mut [u8]) -> Result<(), String> {
    plausible(data, coding, size)?;
    match coding {
        Coding::Native => Err("native pixels are not decoded".to_owned()),
        Coding::Jpeg => guarded(|| jpeg::decode(data, size, out))?,
        Coding::Rle => rle_decode(data, size, out),
        Coding::JpegLs(_) => {
            let columns = usize::from(size.columns);
            let bytes = size.bits as usize / 8;
            jpeg_ls::decode(data, |row, samples| {
                let line = &mut out[row * columns * bytes..][..columns * bytes];
                for (slot, sample) in line.chunks_exact_mut(bytes).zip(samples) {
                    slot.copy_from_slice(&sample.to_le_bytes()[..bytes]);
                }
            })
            .map_err(str::to_owned)
        }
        Coding::Jpeg2000(_) => {
            let syntax = TransferSyntaxRegistry
                .get(dicom_dictionary_std::uids::JPEG2000_LOSSLESS)
                .and_then(|syntax| syntax.pixel_data_reader())
                .ok_or_else(|| "JPEG 2000 is not compiled in".to_owned())?;
            let mut pixels = Vec::new();
            let one = OneFrame { data, size };
            guarded(|| syntax.decode_frame(&one, 0, &mut pixels))?.map_err(|error| error.to_string())?;
            copy(&pixels, out)
        }
    }
}

fn copy(pixels: &[u8], out: &mut [u8]) -> Result<(), String> {
    if pixels.len() != out.len() {
        return Err(format!("it decodes to {} bytes, expected {}", pixels.len(), out.len()));
    }
    out.copy_from_slice(pixels);
    Ok(())
}

/// Runs a codec; a panic in it becomes an error and stays off the terminal
fn guarded<T>(codec: impl FnOnce() -> T) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(codec)).map_err(|_| "the codec gave up on it".to_owned())
}

/// One coded frame in the shape the registry's codecs ask for
struct OneFrame<'a> {
    data: &'a [u8],
    size: FrameSize,
}

impl PixelDataObject for OneFrame<'_> {
    fn transfer_syntax_uid(&self) -> &str {
        dicom_dictionary_std::uids::JPEG2000_LOSSLESS
    }
    fn rows(&self) -> Option<u16> {
        Some(self.size.rows)
    }
    fn cols(&self) -> Option<u16> {
        Some(self.size.columns)
    }
    fn samples_per_pixel(&self) -> Option<u16> {
        Some(1)
    }
    fn bits_allocated(&self) -> Option<u16> {
        Some(self.size.bits as u16)
    }
    fn bits_stored(&self) -> Option<u16> {
        Some(self.size.bits as u16)
    }
    fn photometric_interpretation(&self) -> Option<&str> {
        Some("MONOCHROME2")
    }
    fn number_of_frames(&self) -> Option<u32> {
        Some(1)
    }
    fn number_of_fragments(&self) -> Option<u32> {
        Some(1)
    }
    fn fragment(&self, fragment: usize) -> Option<Cow<'_, [u8]>> {
        (fragment == 0).then_some(Cow::Borrowed(self.data))
    }
    fn offset_table(&self) -> Option<Cow<'_, [u32]>> {
        Some(Cow::Borrowed(&[0]))
    }
    fn raw_pixel_data(&self) -> Option<RawPixelData> {
        None
    }
}

/// Encodes one frame as JPEG-LS without loss
pub(super) fn jpeg_ls_encode(pixels: &[u8], size: FrameSize) -> Vec<u8> {
    let samples: Vec<u16> = if size.bits == 8 {
        pixels.iter().map(|sample| u16::from(*sample)).collect()
    } else {
        pixels.as_chunks::<2>().0.iter().map(|pair| u16::from_le_bytes(*pair)).collect()
    };
    jpeg_ls::encode(&samples, usize::from(size.columns), usize::from(size.rows), size.bits)
}

/// Decodes a frame of run lengths: a header of segment offsets, then one segment a byte plane,
/// the most significant byte first
fn rle_decode(data: &[u8], size: FrameSize, out: &mut [u8]) -> Result<(), String> {
    let bytes_per_sample = size.bits as usize / 8;
    let word = |at: usize| data.get(at..)?.first_chunk::<4>().map(|b| u32::from_le_bytes(*b) as usize);
    let segments = word(0).ok_or("its header is cut off")?;
    if segments != bytes_per_sample {
        return Err(format!("it has {segments} segments, expected {bytes_per_sample}"));
    }
    let samples = out.len() / bytes_per_sample;
    for segment in 0..segments {
        let begin = word(4 + 4 * segment).ok_or("its header is cut off")?;
        let end = if segment + 1 < segments { word(8 + 4 * segment).unwrap_or(0) } else { data.len() };
        let coded = data.get(begin..end).ok_or("a segment reaches past its end")?;
        // Little-endian samples: the first segment is the highest byte.
        let mut slots = out.iter_mut().skip(bytes_per_sample - 1 - segment).step_by(bytes_per_sample);
        let mut written = 0;
        let mut coded = coded.iter().copied();
        while written < samples {
            let head =
                coded.next().ok_or_else(|| format!("a segment ends at sample {written} of {samples}"))?;
            let (run, value) = match head {
                0..=127 => (usize::from(head) + 1, None),
                128 => continue,
                129..=255 => (257 - usize::from(head), Some(coded.next().ok_or("a run has no value")?)),
            };
            // Some encoders let the last run pad the segment: what is past the frame is left.
            for _ in 0..run.min(samples - written) {
                let value = match value {
                    Some(value) => value,
                    None => coded.next().ok_or("a literal run is cut off")?,
                };
                if let Some(slot) = slots.next() {
                    *slot = value;
                }
            }
            written += run.min(samples - written);
        }
    }
    Ok(())
}

/// Encodes a frame as run lengths, each row on its own as the standard asks
pub(super) fn rle_encode(pixels: &[u8], size: FrameSize) -> Vec<u8> {
    let bytes_per_sample = size.bits as usize / 8;
    let columns = usize::from(size.columns);
    let mut coded = vec![0u8; 64];
    coded[0] = bytes_per_sample as u8;
    let mut row_plane = vec![0u8; columns];
    for segment in 0..bytes_per_sample {
        let begin = (coded.len() as u32).to_le_bytes();
        coded[4 + 4 * segment..8 + 4 * segment].copy_from_slice(&begin);
        for row in pixels.chunks_exact(columns * bytes_per_sample) {
            let plane = row.iter().skip(bytes_per_sample - 1 - segment).step_by(bytes_per_sample);
            for (slot, value) in row_plane.iter_mut().zip(plane) {
                *slot = *value;
            }
            rle_row(&row_plane, &mut coded);
        }
        if coded.len() % 2 == 1 {
            coded.push(0);
        }
    }
    coded
}

/// Encodes a picture of red, green, blue bytes as run lengths, a segment a colour
pub(crate) fn rle_encode_rgb(rgb: &[u8], columns: usize) -> Vec<u8> {
    let mut coded = vec![0u8; 64];
    coded[0] = 3;
    let mut row_plane = vec![0u8; columns];
    for colour in 0..3 {
        let begin = (coded.len() as u32).to_le_bytes();
        coded[4 + 4 * colour..8 + 4 * colour].copy_from_slice(&begin);
        for row in rgb.chunks_exact(3 * columns) {
            for (slot, value) in row_plane.iter_mut().zip(row.iter().skip(colour).step_by(3)) {
                *slot = *value;
            }
            rle_row(&row_plane, &mut coded);
        }
        if coded.len() % 2 == 1 {
            coded.push(0);
        }
    }
    coded
}

/// Packs one row: runs of three or more as runs, the rest as literals
fn rle_row(row: &[u8], coded: &mut Vec<u8>) {
    let run_at = |at: usize| row[at..].iter().take(128).take_while(|value| **value == row[at]).count();
    let mut at = 0;
    while at < row.len() {
        let run = run_at(at);
        if run >= 3 || at + run == row.len() && run == 2 {
            coded.extend([(257 - run) as u8, row[at]]);
            at += run;
            continue;
        }
        let start = at;
        while at < row.len() && at - start < 128 && run_at(at) < 3 {
            at += 1;
        }
        coded.push((at - start - 1) as u8);
        coded.extend_from_slice(&row[start..at]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_core::Rng as _;

    fn noisy(bytes: usize, seed: u64) -> Vec<u8> {
        let mut random = rand_pcg::Pcg64::new(u128::from(seed), 5);
        let mut pixels = vec![0u8; bytes];
        let mut at = 0;
        while at < bytes {
            let word = random.next_u64();
            let run = (word as usize % 9) * (word as usize >> 8 & 31) + 1;
            let end = (at + run).min(bytes);
            pixels[at..end].fill((word >> 32) as u8);
            at = end;
        }
        pixels
    }

    #[test]
    fn frames_come_back_from_every_codec() {
        for (rows, columns, bits) in
            [(1, 1, 8), (7, 300, 8), (33, 64, 16), (64, 65, 8), (2, 1, 16), (5, 129, 8)]
        {
            let size = FrameSize { rows, columns, bits, ..FrameSize::default() };
            for seed in 0..8 {
                let pixels = noisy(size.bytes(), seed);
                let mut back = vec![0; pixels.len()];
                decode(&rle_encode(&pixels, size), Coding::Rle, size, &mut back).unwrap();
                assert_eq!(pixels, back, "{size:?}");
                let coded = jpeg_ls_encode(&pixels, size);
                back.fill(7);
                decode(&coded, Coding::JpegLs(Loss::None), size, &mut back).unwrap();
                assert_eq!(pixels, back, "{size:?}");
            }
        }
    }

    #[test]
    fn the_standard_example_of_packed_bits() {
        // PackBits, as PS3.5 annex G.3 describes it: 0xFE 0xAA = three times AA, 0x02 = three literals.
        let size = FrameSize { rows: 1, columns: 24, bits: 8, ..FrameSize::default() };
        let mut coded = vec![0u8; 64];
        (coded[0], coded[4]) = (1, 64);
        coded.extend([
            0xFE, 0xAA, 0x02, 0x80, 0x00, 0x2A, 0xFD, 0xAA, 0x03, 0x80, 0x00, 0x2A, 0x22, 0xF7, 0xAA,
        ]);
        let mut back = vec![0; 24];
        decode(&coded, Coding::Rle, size, &mut back).unwrap();
        let expected = [
            0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0xAA, 0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0x22, 0xAA, 0xAA,
            0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA,
        ];
        assert_eq!(back, expected);
    }

    #[test]
    fn a_stream_of_another_size_is_refused_before_decoding() {
        let size = FrameSize { rows: 16, columns: 16, bits: 8, ..FrameSize::default() };
        let mut coded = jpeg_ls_encode(&noisy(256, 1), size);
        let sof = coded.windows(2).position(|pair| pair == [0xFF, 0xF7]).unwrap();
        coded[sof + 5..sof + 9].fill(0xFF);
        let refused = decode(&coded, Coding::JpegLs(Loss::None), size, &mut [0; 256]).unwrap_err();
        assert!(refused.contains("65535 x 65535"), "{refused}");
    }
}
