//! DICOM Enhanced US Volume Storage: the standard's own home for a gated colour Doppler volume.
//!
//! Reading keeps native pixels where they lie in the (mapped) file and takes the order of frames
//! from their Dimension Index Values alone. Writing lays frames out as time, then data type, then
//! slice, so that each volume of each channel is one contiguous stretch, which reading lends
//! without a copy.
//!
//! `tree` parses the header into windows on the bytes, `coding` and `head` say how pixels are coded and
//! how many there are, `file` knows the outer layer, `parts` which instances make one volume, `groups`
//! with `extents` orders the frames, `geometry` lays them out, `mapping` and `scales` give codes a
//! meaning, `checks` looks at what validators of the standard do not, `pixels`, `codec`, `jpeg` and `jpeg_ls`
//! fetch the samples, `read` puts it together, `write` and `identity` go the other way.
//! `source` describes the study that a file belongs to, its text turned to Unicode by `characters` and, where nobody
//! is to be named, held against the `terms` of the standard; `set` holds the elements of whatever is written, `header` those of a volume.

mod characters;
mod checks;
mod classes;
pub(crate) mod codec;
mod coding;
mod extents;
mod file;
mod geometry;
mod groups;
mod head;
mod header;
pub(crate) mod identity;
mod jpeg;
mod jpeg_ls;
mod mapping;
mod parts;
mod pixels;
pub(in crate::format) mod read;
mod scales;
pub(crate) mod set;
pub(crate) mod source;
mod terms;
mod tree;
pub(crate) mod write;

#[cfg(test)]
pub(crate) mod tests;

pub(in crate::format) use file::{Peek, is_dicom, peek};
pub use source::{Identity, Instance, Known, SourceInstance};
pub use write::{Origin, WriteError, WriteOptions, write, write_bytes};

use dicom_core::Tag;

use crate::space::GridError;
use crate::volume::{SamplesError, ScaleError, TimelineError, VolumeError};

/// The name of the format in a volume's provenance
pub const FORMAT: &str = "DICOM Enhanced US Volume";

/// Starts Image Comments that list what was assumed
pub(super) const ASSUMED_PREFIX: &str = "Assumed on conversion:";
/// Goes on with the sentences in the words of others
pub(super) const TOLD_PREFIX: &str = "Told by the file before:";

/// How the writer stores pixels; all keep every code
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Syntax {
    /// As they are; can be mapped, opens fastest
    #[default]
    ExplicitLittle,
    /// Run lengths
    Rle,
    /// JPEG-LS, the smallest
    JpegLs,
    /// The whole data set deflated; must be inflated at once to be read
    Deflated,
}

/// Why a file is not a volume that can be used
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DicomError {
    /// The file ends too early
    #[error("{what} at byte {at} needs {needed} bytes, but only {available} are there")]
    Truncated {
        /// What was being read
        what: String,
        /// Where it starts
        at: usize,
        /// How many bytes it needs
        needed: usize,
        /// How many there are
        available: usize,
    },
    /// The data set breaks the encoding rules
    #[error("the data set cannot be parsed at byte {at}: {message}")]
    Syntax {
        /// Where
        at: usize,
        /// What the parser said
        message: String,
    },
    /// Sequences are nested beyond reason
    #[error("sequences are nested deeper than {deepest} at byte {at}")]
    TooDeep {
        /// Where
        at: usize,
        /// The limit
        deepest: usize,
    },
    /// The deflated data set is damaged
    #[error("the deflated data set cannot be inflated: {message}")]
    Deflate {
        /// What the decoder said
        message: String,
    },
    /// The file meta information names no transfer syntax
    #[error("the file meta information names no transfer syntax")]
    NoTransferSyntax,
    /// A transfer syntax that is not read
    #[error("the transfer syntax {uid} is not supported")]
    TransferSyntax {
        /// Its UID
        uid: String,
    },
    /// Another object class
    #[error("the object class is {} ({uid}), not Enhanced US Volume", name.unwrap_or("unknown"))]
    WrongClass {
        /// Its UID
        uid: String,
        /// Its name, where known
        name: Option<&'static str>,
    },
    /// A required attribute is not there, or not a usable number
    #[error("{name} {tag} is missing or unusable")]
    Missing {
        /// Its name
        name: &'static str,
        /// Its tag
        tag: Tag,
    },
    /// A required attribute of a frame is not there
    #[error("{name} {tag} is missing or unusable in frame {frame}")]
    MissingInFrame {
        /// Frame, from 1
        frame: usize,
        /// Its name
        name: &'static str,
        /// Its tag
        tag: Tag,
    },
    /// An attribute has a value nothing can be made of
    #[error("{name} has an unusable value: {found}")]
    Value {
        /// Its name
        name: &'static str,
        /// What was found
        found: String,
    },
    /// An attribute that must be the same in all frames of a channel is not
    #[error("{name} changes at frame {frame}")]
    Varies {
        /// Its name
        name: &'static str,
        /// First frame where it differs, from 1
        frame: usize,
    },
    /// Pixels laid out in a way the object class does not allow
    #[error("the pixel layout is not supported: {what}")]
    Layout {
        /// What it is
        what: String,
    },
    /// No rows or no columns
    #[error("the volume has no voxels: {rows} rows, {columns} columns")]
    NoVoxels {
        /// Rows
        rows: u32,
        /// Columns
        columns: u32,
    },
    /// No frames
    #[error("the volume has no frames")]
    NoFrames,
    /// A part of a volume without the others
    #[error("{}", parts::told(given, *total, missing))]
    PartsMissing {
        /// Numbers of the parts there are, rising
        given: Vec<u32>,
        /// How many there should be, where a part says so
        total: Option<u32>,
        /// Runs of numbers that are missing, first and last
        missing: Vec<[u32; 2]>,
    },
    /// The same part of a volume twice
    #[error("part {number} was given twice")]
    PartTwice {
        /// Its number
        number: u32,
    },
    /// Parts of a volume that contradict each other
    #[error("the parts of the volume disagree about {what}")]
    PartsDisagree {
        /// What about
        what: &'static str,
    },
    /// The list of frames is not as long as declared
    #[error("{declared} frames are declared, but {listed} are described")]
    FrameCount {
        /// Number of Frames
        declared: u32,
        /// Items of the Per-frame Functional Groups Sequence
        listed: usize,
    },
    /// A frame without its full set of Dimension Index Values
    #[error("frame {frame} has {found} dimension index values, expected {expected}")]
    IndexValues {
        /// Frame, from 1
        frame: usize,
        /// How many it has
        found: usize,
        /// How many dimensions there are
        expected: usize,
    },
    /// A further dimension that takes more than one value
    #[error("dimension {dimension} is none of time, position and data type, and takes several values")]
    ExtraDimension {
        /// Which, from 1
        dimension: usize,
    },
    /// Two frames claim one place in the order
    #[error(
        "frames {first} and {frame} have the same dimension index values (time {time}, position {place}, {data_type})"
    )]
    DuplicateIndex {
        /// The later frame, from 1
        frame: usize,
        /// The earlier one
        first: usize,
        /// Index value of the time
        time: u32,
        /// Index value of the position
        place: u32,
        /// Data type
        data_type: String,
    },
    /// A place in the order has no frame
    #[error("no frame of the {found} has time {time}, position {place} of {data_type}")]
    MissingFrame {
        /// Index value of the time
        time: u32,
        /// Index value of the position
        place: u32,
        /// Data type
        data_type: String,
        /// Frames there are
        found: usize,
    },
    /// Index values and facts disagree: typically dimensions in a wrong order
    #[error(
        "the dimension index values put frames {with} and {frame} at the same {what}, but their {what} differs: are \
         the dimensions in the order they are declared in?"
    )]
    IndexDisagrees {
        /// The later frame, from 1
        frame: usize,
        /// The earlier one
        with: usize,
        /// Position, time or data type
        what: &'static str,
    },
    /// Two index values stand for one data type
    #[error("two dimension index values stand for the data type {data_type}")]
    TypeTwice {
        /// Data type
        data_type: String,
    },
    /// Slices are not evenly spaced
    #[error(
        "slice {slice} lies {found_mm:.4} mm along the normal, expected {expected_mm:.4}: slices are uneven"
    )]
    UnevenSlices {
        /// Slice, from 1
        slice: usize,
        /// Where it lies
        found_mm: f64,
        /// Where it should
        expected_mm: f64,
    },
    /// Slices are shifted sideways
    #[error("slice {slice} is shifted {aside_mm:.4} mm sideways from the normal through the first")]
    SlicesAside {
        /// Slice, from 1
        slice: usize,
        /// By how much
        aside_mm: f64,
    },
    /// The Volume to Transducer Mapping Matrix is not rigid
    #[error("the Volume to Transducer Mapping Matrix is not rigid: off by {off:.4}")]
    NotRigid {
        /// Largest deviation of an entry from a rotation's
        off: f64,
    },
    /// The grid is unusable
    #[error("{source}")]
    Grid {
        /// Why
        source: GridError,
    },
    /// The times are unusable
    #[error("{source}")]
    Timeline {
        /// Why
        source: TimelineError,
    },
    /// The velocity scale is unusable
    #[error("{source}")]
    Scale {
        /// Why
        source: ScaleError,
    },
    /// Velocity is not in a unit of velocity
    #[error("the velocity mapping is in \"{units}\", which is not a velocity")]
    Units {
        /// Their UCUM code
        units: String,
    },
    /// Velocity as a Doppler shift, without what turns it into a velocity
    #[error("the velocity mapping is a Doppler shift, and the file does not state {missing}")]
    Shift {
        /// What is missing
        missing: &'static str,
    },
    /// A mapping from codes to values that is no straight line
    #[error("the real-world mapping of the {channel} {what}")]
    Mapping {
        /// Which channel
        channel: &'static str,
        /// What it is
        what: String,
    },
    /// Zero Velocity Pixel Value and the mapping disagree
    #[error(
        "the Zero Velocity Pixel Value is {zero}, but the real-world mapping puts zero at code {mapped:.2}"
    )]
    ZeroDisagrees {
        /// Zero Velocity Pixel Value
        zero: u32,
        /// Where the mapping crosses zero
        mapped: f64,
    },
    /// Nobody says the Nyquist velocity
    #[error("the file does not state the Nyquist velocity, and its velocity codes do not imply it")]
    Nyquist,
    /// None of the data types can be used
    #[error("there is no channel that can be used among the data types {found}")]
    NoChannels {
        /// The data types found
        found: String,
    },
    /// Pixel Data is shorter than declared
    #[error("the pixel data should have {needed} bytes, but {available} are there")]
    PixelLength {
        /// Rows x columns x frames x bytes of a sample
        needed: usize,
        /// What the file holds
        available: usize,
    },
    /// Fragments do not add up to frames
    #[error("{fragments} fragments of pixel data do not make {frames} frames")]
    Fragments {
        /// Fragments found
        fragments: usize,
        /// Frames declared
        frames: usize,
    },
    /// A frame cannot be decoded
    #[error("the compressed pixels of frame {frame} cannot be decoded: {message}")]
    Decode {
        /// Frame, from 1
        frame: usize,
        /// What the codec said
        message: String,
    },
    /// More elements and items than a header can need
    #[error("there are more than {most} elements and items before byte {at}")]
    TooMany {
        /// Where
        at: usize,
        /// The limit
        most: usize,
    },
    /// More memory than so small a file may ask for
    #[error("{what} would take {bytes} bytes, more than {limit}")]
    TooLarge {
        /// What
        what: &'static str,
        /// Its size
        bytes: usize,
        /// The limit
        limit: usize,
    },
    /// Colours without a velocity bar
    #[error("the pixels are colours, not velocities")]
    Colour,
    /// A velocity bar for velocities
    #[error("a velocity bar was given, but the pixels are no colours")]
    BarUnused,
    /// A velocity bar that does not fit
    #[error("{message}")]
    Bar {
        /// Why
        message: String,
    },
    /// The samples are unusable
    #[error("{source}")]
    Samples {
        /// Why
        source: SamplesError,
    },
    /// The parts do not form a volume
    #[error("{source}")]
    Volume {
        /// Why
        source: VolumeError,
    },
}

impl DicomError {
    /// What the user may do about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::PixelLength { needed, available } if available > needed => {
                "header and pixels do not belong together: export it again"
            }
            Self::Truncated { .. } | Self::PixelLength { .. } => {
                "the file seems to be cut off: copy or export it again and compare the sizes"
            }
            Self::Samples { .. }
            | Self::Syntax { .. }
            | Self::TooDeep { .. }
            | Self::TooMany { .. }
            | Self::Deflate { .. }
            | Self::NoTransferSyntax => "the file seems to be damaged: copy or export it again",
            Self::TransferSyntax { .. } => {
                "export it as Explicit or Implicit VR Little Endian, Deflated, RLE, JPEG-LS, JPEG 2000 or JPEG baseline"
            }
            Self::WrongClass { .. } => {
                "a volume to measure is an Enhanced US Volume object: export the 3D colour acquisition itself, not a \
                 picture, clip or report made from it"
            }
            Self::Nyquist => {
                "read the Nyquist limit off the colour bar of the acquisition and give it in m/s: --nyquist 0.6"
            }
            Self::Mapping { .. } => {
                "export it with one linear mapping, a slope and an intercept for all codes"
            }
            Self::Units { .. } | Self::Shift { .. } => {
                "if the codes cover one full cycle, give the Nyquist limit in m/s: --nyquist 0.6"
            }
            Self::IndexValues { .. }
            | Self::ExtraDimension { .. }
            | Self::DuplicateIndex { .. }
            | Self::MissingFrame { .. }
            | Self::IndexDisagrees { .. }
            | Self::TypeTwice { .. }
            | Self::FrameCount { .. } => {
                "the file does not say unambiguously where each frame belongs; nothing is guessed: export it again"
            }
            Self::PartsMissing { .. } => {
                "give all parts together, or the folder that holds them; where parts were lost, export the volume again"
            }
            Self::PartTwice { .. } | Self::PartsDisagree { .. } => {
                "give the parts of one export only, each once: parts of two exports cannot be mixed"
            }
            Self::UnevenSlices { .. } | Self::SlicesAside { .. } | Self::NotRigid { .. } => {
                "areas cannot be trusted on this geometry: export the volume again on a regular Cartesian grid"
            }
            Self::Grid { source } => source.hint(),
            Self::ZeroDisagrees { .. }
            | Self::Varies { .. }
            | Self::Timeline { .. }
            | Self::Volume { .. } => {
                "the file contradicts itself: ask whoever wrote it for a corrected export"
            }
            Self::Scale { .. } | Self::Value { .. } => {
                "no measurement has such a value: ask whoever wrote the file for a corrected export"
            }
            Self::NoVoxels { .. } | Self::NoFrames => {
                "there is nothing to measure in it: export the acquisition again"
            }
            Self::NoChannels { .. } => "export the volume with its tissue, velocity and power data",
            Self::Missing { .. } | Self::MissingInFrame { .. } => {
                "measuring needs it: export the volume with all of its attributes and pixels, or correct the file"
            }
            Self::Layout { .. } => {
                "only unsigned codes of 8 or 16 bits, one a pixel, or colours of 8 bits are read, stored as their transfer syntax says"
            }
            Self::Fragments { .. } | Self::Decode { .. } => {
                "copy the file again; if a new copy gives the same, export it uncompressed"
            }
            Self::Colour => {
                "export the volume with its velocities, or give the velocity bar that coloured it: --velocity-bar bar.toml"
            }
            Self::BarUnused => "leave out --velocity-bar",
            Self::Bar { .. } => "check that bar, volume and Nyquist velocity belong together",
            Self::TooLarge { .. } => {
                "if the file is in order, export it uncompressed: then nothing need be unpacked"
            }
        }
    }
}
