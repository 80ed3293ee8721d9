//! How pixels are coded, and how large a frame is.

/// How pixels are coded
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Coding {
    /// As they are
    Native,
    /// Run lengths
    Rle,
    /// JPEG baseline, which always loses something
    Jpeg,
    /// JPEG-LS; `Lossy` may have changed codes
    JpegLs(Loss),
    /// JPEG 2000
    Jpeg2000(Loss),
}

impl Coding {
    /// Whether it may have changed codes, and its name in Lossy Image Compression Method (PS3.3 C.7.6.1.1.5.1)
    pub(super) fn lossy(self) -> Option<&'static str> {
        match self {
            Self::Jpeg => Some("ISO_10918_1"),
            Self::JpegLs(Loss::Possible) => Some("ISO_14495_1"),
            Self::Jpeg2000(Loss::Possible) => Some("ISO_15444_1"),
            Self::Native | Self::Rle | Self::JpegLs(Loss::None) | Self::Jpeg2000(Loss::None) => None,
        }
    }
}

/// Whether a syntax keeps every code
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Loss {
    /// Every code is as acquired
    None,
    /// Codes may have been changed
    Possible,
}

/// What a pixel is made of
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Pixel {
    /// One sample, a code
    #[default]
    Code,
    /// Red, green, blue
    Rgb(Planes),
    /// Luminance and two differences of colour (YBR_FULL, YBR_FULL_422)
    Ybr(Planes),
}

/// How the three samples of a pixel lie in native frames
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Planes {
    /// Beside each other
    Together,
    /// One plane after the other
    Apart,
}

/// Size of a frame
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct FrameSize {
    /// Rows
    pub(super) rows: u16,
    /// Columns
    pub(super) columns: u16,
    /// Bits of a sample, 8 or 16
    pub(super) bits: u32,
    /// What a pixel is made of
    pub(super) pixel: Pixel,
}

impl FrameSize {
    /// Samples of a pixel
    pub(super) fn components(self) -> usize {
        if self.pixel == Pixel::Code { 1 } else { 3 }
    }

    /// Samples of a frame
    pub(super) fn samples(self) -> usize {
        usize::from(self.rows) * usize::from(self.columns) * self.components()
    }

    /// Bytes of a frame
    pub(super) fn bytes(self) -> usize {
        self.samples() * (self.bits as usize / 8)
    }
}
