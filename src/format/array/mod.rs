//! Open formats that hold an array and a small header: NIfTI-1, NRRD, MetaImage.
//!
//! They carry samples and where the voxels are, and little else. What a colour Doppler volume is beyond
//! that (what a velocity code means, which channel is which, times, apex) stands in a sidecar beside
//! the file, see [`Sidecar`]. Without one, a single channel with a Nyquist velocity given is
//! taken as velocity, and told so; anything less is an error that names what is missing. Colour-coded
//! volumes are turned back to velocities with their velocity bar, see [`VelocityBar`].
//!
//! `layout` is the neutral header that `nifti`, `nrrd` and `meta_image` fill (the last two with
//! `text`), `bytes` finds the samples, `codes` makes codes of them, `bar` and `colour` read colours,
//! `scales` says what codes mean, `read` puts it together, `write` goes the other way.

mod bar;
mod bytes;
mod channels;
mod codes;
mod colour;
mod layout;
mod memory;
mod meta_image;
mod nifti;
mod nrrd;
pub(in crate::format) mod read;
mod scales;
mod sidecar;
mod text;
pub(in crate::format) mod write;

#[cfg(test)]
mod tests;

pub(in crate::format) use bar::read_colours;
pub use bar::{BarError, VelocityBar};
pub use layout::Element;
pub use memory::{ArrayChannel, Gaps, from_arrays};
pub use sidecar::{GridWords, PowerWords, SCHEMA, Sidecar, VelocityWords};

use crate::space::GridError;
use crate::volume::{ChannelKind, SamplesError, ScaleError, TimelineError, VolumeError};

/// Why an array file is not a volume that can be used, or a volume cannot be written as one
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ArrayError {
    /// A field of the header is not there
    #[error("the header lacks {name}")]
    Lacks {
        /// Its name
        name: &'static str,
    },
    /// A field of the header has a value nothing can be made of
    #[error("{name} in the header has an unusable value: {found}")]
    Value {
        /// Its name
        name: &'static str,
        /// What was found
        found: String,
    },
    /// A line of the header is not understood
    #[error("the header cannot be read at line {line}: {message}")]
    Header {
        /// Which, from 1; 0 where lines could not be counted
        line: usize,
        /// What is wrong
        message: String,
    },
    /// Something the format allows and this program does not read
    #[error("{what} is not supported")]
    Unsupported {
        /// What
        what: String,
    },
    /// Samples of another type
    #[error("samples {found} are not supported")]
    Element {
        /// Their type
        found: String,
    },
    /// Axes that are not those of a volume
    #[error("the axes are not those of a volume: {message}")]
    Axes {
        /// What is wrong
        message: String,
    },
    /// An axis has no entries
    #[error("the volume has no voxels: {sizes:?}")]
    NoVoxels {
        /// Sizes of the axes
        sizes: Vec<usize>,
    },
    /// More than can be handled
    #[error("{what} is too large: {value}")]
    TooLarge {
        /// What
        what: &'static str,
        /// How much it is
        value: String,
    },
    /// Packed samples that would take more memory than so small a file may ask for
    #[error("{packed} bytes would be unpacked to {needed}, more than {limit}")]
    Unpacked {
        /// What the header declares
        needed: usize,
        /// What the file holds
        packed: usize,
        /// The most that may come out of it
        limit: usize,
    },
    /// Fewer bytes than declared
    #[error("{needed} bytes are declared, but at most {available} are there")]
    Short {
        /// What the header declares
        needed: usize,
        /// What the file holds
        available: usize,
    },
    /// Packed samples are damaged
    #[error("the packed samples cannot be unpacked: {message}")]
    Unpack {
        /// What the decoder said
        message: String,
    },
    /// The header names a file that is not simply beside it
    #[error("the samples should be in \"{name}\", which is not the name of a file beside the header")]
    Outside {
        /// What it names
        name: String,
    },
    /// The file with the samples cannot be opened
    #[error("the file with the samples, \"{name}\", cannot be used: {message}")]
    Detached {
        /// Its name
        name: String,
        /// Why
        message: String,
    },
    /// The sidecar cannot be used
    #[error("the sidecar cannot be used: {message}")]
    Sidecar {
        /// Why
        message: String,
    },
    /// The file does not say what is needed, and nobody else does
    #[error("neither the file nor a sidecar says {}", missing.join(", nor "))]
    Missing {
        /// What is missing
        missing: Vec<&'static str>,
        /// Name of the sidecar that could say it
        sidecar: String,
    },
    /// The sidecar names another number of channels
    #[error("the sidecar lists {listed} channels, but the file holds {found}")]
    Channels {
        /// In the sidecar
        listed: usize,
        /// In the file
        found: usize,
    },
    /// The sidecar has another number of times
    #[error("the sidecar lists {listed} times, but the file holds {found} frames")]
    Times {
        /// In the sidecar
        listed: usize,
        /// In the file
        found: usize,
    },
    /// Sidecar and header put the voxels elsewhere
    #[error("the grid in the sidecar lies up to {off_mm:.4} mm from that in the header")]
    GridDisagrees {
        /// Largest distance of a corner
        off_mm: f64,
    },
    /// Real velocities that do not fit one cycle
    #[error(
        "velocities run from {low:.4} to {high:.4} m/s, more than the cycle of a Nyquist velocity of {nyquist:.4} m/s"
    )]
    Velocities {
        /// The lowest
        low: f64,
        /// The highest
        high: f64,
        /// The Nyquist velocity
        nyquist: f64,
    },
    /// The Nyquist velocity is none
    #[error("the Nyquist velocity is not usable: {0} m/s")]
    Nyquist(f64),
    /// Colours without a velocity bar
    #[error("the voxels are colours, not velocities")]
    Colour,
    /// A velocity bar that does not fit
    #[error("{message}")]
    Bar {
        /// Why
        message: String,
    },
    /// Channels of different widths in one array
    #[error("the {kind} channel has {found} bits, the others {expected}: one array holds one width")]
    MixedBits {
        /// The channel that differs
        kind: ChannelKind,
        /// Its bits
        found: u32,
        /// Bits of the first channel
        expected: u32,
    },
    /// Nothing to write, or nothing to make a volume of
    #[error("the volume has no channels")]
    NoChannels,
    /// A number that must have been meant in another unit
    #[error("{what}, {found} {unit}, cannot be meant")]
    Unit {
        /// Of what
        what: &'static str,
        /// The number
        found: f64,
        /// In which unit it was taken
        unit: ArrayUnit,
    },
    /// Samples that are no numbers
    #[error("{count} samples of the {kind} channel are no finite numbers")]
    NotNumbers {
        /// Of which channel
        kind: ChannelKind,
        /// How many
        count: usize,
    },
    /// The grid is unusable
    #[error("{0}")]
    Grid(#[from] GridError),
    /// The times are unusable
    #[error("{0}")]
    Timeline(#[from] TimelineError),
    /// The velocity scale is unusable
    #[error("{0}")]
    Scale(#[from] ScaleError),
    /// The samples are unusable
    #[error("{0}")]
    Samples(#[from] SamplesError),
    /// The parts do not form a volume
    #[error("{0}")]
    Volume(#[from] VolumeError),
    /// The system refused
    #[error("{0}")]
    Io(#[from] std::io::Error),
}

/// A unit in which numbers are given with arrays
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ArrayUnit {
    /// mm
    Millimetres,
    /// s
    Seconds,
    /// m/s
    MetresPerSecond,
}

impl std::fmt::Display for ArrayUnit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Millimetres => "mm",
            Self::Seconds => "s",
            Self::MetresPerSecond => "m/s",
        })
    }
}

impl ArrayError {
    /// What the user may do about it
    pub fn hint(&self) -> String {
        match self {
            Self::Missing { sidecar, missing } => {
                let first = if missing.iter().all(|what| *what == scales::NYQUIST) {
                    "give the Nyquist velocity of a velocity volume in m/s, --nyquist 0.6, or "
                } else if missing.contains(&scales::COLOURS) {
                    "give the velocity bar of colours, --velocity-bar bar.toml, or "
                } else {
                    ""
                };
                format!(
                    "{first}write what it is into {sidecar} beside the file; `narrows schema sidecar` and \
                     docs/formats.md say how"
                )
            }
            Self::Short { .. } | Self::Unpack { .. } => {
                "the file seems to be cut off or damaged: copy or export it again".to_owned()
            }
            Self::Lacks { .. } | Self::Value { .. } | Self::Header { .. } | Self::NoVoxels { .. } => {
                "the header seems to be damaged: write the file again".to_owned()
            }
            Self::Unsupported { .. } | Self::Element { .. } | Self::Axes { .. } => {
                "save it as one raw or gzip file of 8 or 16-bit integers or reals: x, y, z, then time, then channels"
                    .to_owned()
            }
            Self::TooLarge { .. } => "crop the volume, or choose another format".to_owned(),
            Self::Unpacked { .. } => {
                "if the file is in order, save it raw: then nothing need be unpacked".to_owned()
            }
            Self::Outside { .. } => {
                "only a file in the header's own folder is read: put both together and name it without a folder".into()
            }
            Self::Detached { .. } => "put the file with the samples beside its header".to_owned(),
            Self::Sidecar { .. } => {
                "correct the sidecar or take it away; `narrows schema sidecar` gives its form".to_owned()
            }
            Self::Channels { .. } | Self::Times { .. } | Self::GridDisagrees { .. } => {
                "the sidecar does not belong to this file: correct it, or take it away".to_owned()
            }
            Self::Velocities { .. } => {
                "check the Nyquist velocity, and that velocities are in m/s (or give m_s_per_step in the sidecar)"
                    .to_owned()
            }
            Self::Nyquist(_) => "give the Nyquist velocity in m/s: --nyquist 0.6".to_owned(),
            Self::Scale(_) => "correct what the sidecar says of velocity".to_owned(),
            Self::Colour => {
                "give the velocity bar that coloured them: --velocity-bar bar.toml; docs/formats.md says how".into()
            }
            Self::Bar { .. } => "check that bar, volume and Nyquist velocity belong together".to_owned(),
            Self::MixedBits { .. } => "bring the channels to one width first".to_owned(),
            Self::NoChannels => "nothing to write: open a volume with channels".to_owned(),
            Self::Unit { .. } => "lengths are in mm, times in s, velocities in m/s".to_owned(),
            Self::NotNumbers { .. } => "fill them, or say that they are no colour".to_owned(),
            Self::Grid(fault) => fault.hint().to_owned(),
            Self::Timeline(_) => "give the times of the frames in the sidecar, rising".to_owned(),
            Self::Samples(_) | Self::Volume(_) => {
                "header and samples contradict each other: write the file again".to_owned()
            }
            Self::Io(_) => "check the folder, your right to write there and the free space".to_owned(),
        }
    }
}

/// The three formats
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::format) enum Format {
    /// NIfTI-1
    Nifti,
    /// NRRD
    Nrrd,
    /// MetaImage
    MetaImage,
}

impl Format {
    /// Which format the bytes are in, by their content
    pub(in crate::format) fn of(all: &[u8]) -> Option<Self> {
        if nrrd::is_nrrd(all) {
            Some(Self::Nrrd)
        } else if nifti::is_nifti(all) {
            Some(Self::Nifti)
        } else if meta_image::is_meta_image(all) {
            Some(Self::MetaImage)
        } else {
            None
        }
    }

    /// Its name
    pub(in crate::format) fn name(self) -> &'static str {
        match self {
            Self::Nifti => nifti::FORMAT,
            Self::Nrrd => nrrd::FORMAT,
            Self::MetaImage => meta_image::FORMAT,
        }
    }

    fn parse(self, all: &[u8], notes: &mut crate::format::Notes) -> Result<layout::Header, ArrayError> {
        match self {
            Self::Nifti => nifti::parse(all, notes),
            Self::Nrrd => nrrd::parse(all, notes),
            Self::MetaImage => meta_image::parse(all, notes),
        }
    }
}
