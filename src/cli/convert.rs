//! `narrows convert`: a volume written again, in another format or stored otherwise.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::{Exit, Failure, input, output};
use crate::format;
use crate::format::dicom::{Identity, Origin, SourceInstance, Syntax, WriteOptions};
use crate::report::table::quoted;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The volume to read; of one in several files all of them, or their folder
    #[arg(required = true, value_name = "INPUT")]
    inputs: Vec<PathBuf>,
    /// The file to write; its name says the format: .dcm, .nii, .nii.gz, .nrrd, .nhdr, .mha, .mhd.
    /// What the open formats cannot carry goes to OUTPUT.narrows.json
    output: PathBuf,
    /// How pixels are stored; every way keeps every code
    #[arg(long, value_enum, default_value_t)]
    syntax: Storage,
    /// Leave patient, study and dates empty and replace all identifiers; without it a DICOM file keeps those of
    /// its source
    #[arg(long)]
    deidentify: bool,
    /// Write which identifier replaced which into this table (.csv): it names the patient again
    #[arg(long, value_name = "FILE", requires = "deidentify")]
    uid_map: Option<PathBuf>,
    #[command(flatten)]
    known: input::Known,
}

/// How pixels are stored
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(super) enum Storage {
    /// As they are; opens fastest
    #[default]
    Explicit,
    /// Run lengths (DICOM)
    Rle,
    /// JPEG-LS, the smallest (DICOM)
    JpegLs,
    /// The whole DICOM data set, or the samples of a .nrrd, .nhdr, .mha or .mhd file, deflated
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
    let Arguments { inputs: from, output: to, syntax, known, deidentify, uid_map } = arguments;
    let identity = if *deidentify { Identity::Removed } else { Identity::Kept };
    let source = SourceInstance::of_files(from)?;
    let origin = Origin { source: source.clone(), identity };
    let options = WriteOptions { syntax: (*syntax).into(), origin: Some(origin), ..WriteOptions::default() };
    let written = format::files_written(to, &options)?;
    for part in format::files_read(from)? {
        for file in written.iter().chain(uid_map) {
            output::refuse_input(&part, file)?;
        }
    }
    let volume = input::open(from, known)?;
    format::save(&volume, to, &options)?;
    if let Some(map) = uid_map {
        output::write(map, identifiers(&source, identity).as_bytes())?;
    }
    if identity == Identity::Kept && source.names_somebody() && !format::keeps_identity(to) {
        output::say("note: not carried over: patient and study, for which the format has no place");
    }
    for what in &volume.provenance.left_out {
        output::say(&format!("note: not carried over: {what}"));
    }
    output::say(&format!("wrote {}", list(&written)));
    Ok(Exit::Done)
}

/// The table of which identifier replaced which
pub(super) fn identifiers(source: &SourceInstance, identity: Identity) -> String {
    let mut out = String::from("source_uid,replaced_by\n");
    for [from, to] in source.identifiers(identity) {
        let _ = writeln!(out, "{},{}", quoted(&from), quoted(&to));
    }
    out
}

/// Names of files, as people list them
pub(super) fn list(files: &[PathBuf]) -> String {
    let names: Vec<String> = files.iter().rev().map(|file| file.display().to_string()).collect();
    match &names[..] {
        [first @ .., last] if !first.is_empty() => format!("{} and {last}", first.join(", ")),
        names => names.join(""),
    }
}
