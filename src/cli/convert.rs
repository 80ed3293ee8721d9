//! `narrows convert`: a volume written again, pixels stored otherwise.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::{Exit, Failure, input, output};
use crate::format::dicom::{self, Syntax, WriteOptions};
use crate::unit::MetresPerSecond;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The volume to read
    input: PathBuf,
    /// The DICOM file to write
    output: PathBuf,
    /// How pixels are stored; every way keeps every code
    #[arg(long, value_enum, default_value_t)]
    syntax: Storage,
    /// Nyquist velocity in m/s, where the file does not state it or states it wrongly
    #[arg(long, value_name = "M/S", value_parser = input::nyquist)]
    nyquist: Option<MetresPerSecond>,
}

/// How pixels are stored
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(super) enum Storage {
    /// As they are; opens fastest
    #[default]
    Explicit,
    /// Run lengths
    Rle,
    /// JPEG-LS, the smallest
    JpegLs,
    /// The whole data set deflated
    Deflated,
}

impl From<Storage> for Syntax {
    fn from(storage: Storage) -> Self {
        match storage {
            Storage::Explicit => Self::ExplicitLittle,
            Storage::Rle => Self::Rle,
            Storage::JpegLs => Self::JpegLs,
            Storage::Deflated => Self::Deflated,
        }
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let Arguments { input: from, output: to, syntax, nyquist } = arguments;
    output::refuse_input(from, to)?;
    let volume = input::open(from, *nyquist)?;
    dicom::write(&volume, to, &WriteOptions { syntax: (*syntax).into(), ..WriteOptions::default() })?;
    output::say(&format!("wrote {}", to.display()));
    Ok(Exit::Done)
}
