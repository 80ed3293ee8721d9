//! JPEG baseline (ITU-T T.81, process 1): read, for tissue and colours; never written, since it loses codes.
//!
//! The decoder's plain integer paths are used on every machine, so that the same file gives the same codes.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::coding::{FrameSize, Pixel};
use super::jpeg_ls::{Stated, frame_header, segments};

/// The image header (SOF0) of a stream, where it has one of process 1
pub(super) fn stated(data: &[u8]) -> Option<Stated> {
    segments(data).find_map(|segment| match segment {
        (0xC0, body) => frame_header(body),
        _ => None,
    })
}

/// Decodes a frame of exactly this size; colours come out as red, green, blue
///
/// # Errors
/// Says in words what is wrong with the frame.
pub(super) fn decode(data: &[u8], size: FrameSize, out: &mut [u8]) -> Result<(), String> {
    // A stream may be padded to an even length.
    if !data.strip_suffix(&[0]).unwrap_or(data).ends_with(&[0xFF, 0xD9]) {
        return Err("its end is cut off".to_owned());
    }
    let options = DecoderOptions::new_safe()
        .set_use_unsafe(false)
        .set_strict_mode(true)
        .set_max_width(usize::from(size.columns))
        .set_max_height(usize::from(size.rows))
        .jpeg_set_out_colorspace(if size.pixel == Pixel::Code { ColorSpace::Luma } else { ColorSpace::RGB });
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(data), options);
    decoder.decode_headers().map_err(|error| error.to_string())?;
    // Three components without a mark of their own are taken for luminance and colour; the object knows better.
    if matches!(size.pixel, Pixel::Rgb(_)) && decoder.input_colorspace() == Some(ColorSpace::YCbCr) {
        decoder.set_options(options.jpeg_set_out_colorspace(ColorSpace::YCbCr));
    }
    if decoder.output_buffer_size() != Some(out.len()) {
        return Err("it holds another number of samples".to_owned());
    }
    decoder.decode_into(out).map_err(|error| error.to_string())
}

/// By how many codes quantisation moves the samples of the first component, in the root mean square
///
/// A coefficient that is rounded to steps of `q` is off by `q / sqrt(12)`, and the transform is orthonormal
/// (T.81 annex A.3.3), so that by Parseval samples are off by the mean over their coefficients. Coefficients
/// rounded to zero are off by less: the number is an upper estimate away from edges.
pub(super) fn loss(data: &[u8]) -> Option<f64> {
    let frame = segments(data).find(|(marker, _)| *marker == 0xC0)?.1;
    let wanted = *frame.get(8)?;
    let mut squares = None;
    for (_, mut body) in segments(data).filter(|(marker, _)| *marker == 0xDB) {
        while let Some((head, rest)) = body.split_first() {
            let bytes = if head >> 4 == 0 { 1 } else { 2 };
            let (table, after) = rest.split_at_checked(64 * bytes)?;
            if head & 15 == wanted {
                let step = |q: &[u8]| q.iter().fold(0.0, |value, byte| 256.0 * value + f64::from(*byte));
                squares = Some(table.chunks_exact(bytes).map(|q| step(q) * step(q)).sum::<f64>());
            }
            body = after;
        }
    }
    squares.map(|squares| (squares / 64.0 / 12.0).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_loss_is_that_of_the_table() {
        // One table of steps of 12, and a frame whose component 0 uses it: 12 / sqrt(12).
        let mut data = vec![0xFF, 0xD8, 0xFF, 0xDB, 0, 67, 0];
        data.extend([12; 64]);
        data.extend([0xFF, 0xC0, 0, 11, 8, 0, 16, 0, 16, 1, 1, 0x11, 0, 0xFF, 0xDA, 0, 8, 1, 1, 0, 0, 63, 0]);
        assert!((loss(&data).unwrap() - 12f64.sqrt()).abs() < 1e-12);
        let found = stated(&data).unwrap();
        assert_eq!((found.width, found.height, found.bits, found.components), (16, 16, 8, 1));
        assert_eq!(loss(&data[..40]), None);
    }
}
