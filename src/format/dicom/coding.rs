//! How pixels are coded, and how large a frame is.

/// How pixels are coded
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Coding {
    /// As they are
    Native,
    /// Run lengths
    Rle,
    /// JPEG-LS; `Lossy` may have changed codes
    JpegLs(Loss),
    /// JPEG 2000
    Jpeg2000(Loss),
}

/// Whether a syntax keeps every code
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Loss {
    /// Every code is as acquired
    None,
    /// Codes may have been changed
    Possible,
}

/// Size of a frame
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct FrameSize {
    /// Rows
    pub(super) rows: u16,
    /// Columns
    pub(super) columns: u16,
    /// Bits of a sample, 8 or 16
    pub(super) bits: u32,
}

impl FrameSize {
    /// Samples of a frame
    pub(super) fn samples(self) -> usize {
        usize::from(self.rows) * usize::from(self.columns)
    }

    /// Bytes of a frame
    pub(super) fn bytes(self) -> usize {
        self.samples() * (self.bits as usize / 8)
    }
}
