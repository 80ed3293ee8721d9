//! How a report is written: paper, units, names, and the files beside the folder.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::convert::identifiers;
use super::{Failure, output};
use crate::format::dicom::{Identity, SourceInstance};
use crate::job::Watch;
use crate::measure::Results;
use crate::report::{
    self, Archive, AreaUnit, Paper, PaperOptions, ReportError, ReportOptions, StructuredReportOptions, Valve,
    structured_report,
};
use crate::volume::Volume4;

#[derive(Debug, Args)]
#[command(next_help_heading = "Report")]
pub(super) struct ReportArguments {
    /// Unit of areas in the page, the paper and the tables; the JSON is always in mm2
    #[arg(long, value_enum, default_value_t, value_name = "UNIT")]
    units: Units,
    /// Size of the paper
    #[arg(long, value_enum, default_value_t, value_name = "SIZE")]
    paper: Size,
    /// Who read, as the report shall name the reader
    #[arg(long, value_name = "NAME")]
    reader: Option<String>,
    /// What the report calls the volume; neither the names of files nor the hash of its bytes are told then
    #[arg(long, value_name = "TEXT")]
    pub(super) label: Option<String>,
    /// Which valve regurgitates; settles some codes of the structured report
    #[arg(long, value_enum, value_name = "VALVE")]
    valve: Option<Leaking>,
    /// Keep patient and study of the source in the DICOM files; without it they are left empty, and identifiers
    /// replaced
    #[arg(long)]
    keep_identity: bool,
    /// Write which identifier replaced which into this table (.csv): it names the patient again
    #[arg(long, value_name = "FILE", conflicts_with = "keep_identity")]
    uid_map: Option<PathBuf>,
    /// Write the report as one PDF here
    #[arg(long, value_name = "FILE")]
    pdf: Option<PathBuf>,
    /// Write the DICOM structured report here
    #[arg(long, value_name = "FILE")]
    sr: Option<PathBuf>,
}

/// Unit of areas
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(super) enum Units {
    /// Square millimetres
    Mm2,
    /// Square centimetres
    #[default]
    Cm2,
}

/// Size of the paper
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(super) enum Size {
    /// 210 by 297 mm
    #[default]
    A4,
    /// 8.5 by 11 inches
    Letter,
}

/// Which valve leaks
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Leaking {
    Mitral,
    Aortic,
    Tricuspid,
}

impl ReportArguments {
    /// How the report of a volume from these files is written
    ///
    /// Without files, as for a comparison, nothing is written for an archive.
    pub(super) fn options<P: AsRef<Path>>(
        &self,
        files: &[P],
        watch: &Watch,
    ) -> Result<ReportOptions, Failure> {
        let source = if files.is_empty() { None } else { Some(SourceInstance::of_files(files)?) };
        let archive = source.map(|source| Archive {
            source,
            options: StructuredReportOptions {
                identity: if self.keep_identity { Identity::Kept } else { Identity::Removed },
                reader: self.reader.clone(),
                valve: self.valve.map(|valve| match valve {
                    Leaking::Mitral => Valve::Mitral,
                    Leaking::Aortic => Valve::Aortic,
                    Leaking::Tricuspid => Valve::Tricuspid,
                }),
            },
        });
        let paper = PaperOptions {
            paper: match self.paper {
                Size::A4 => Paper::A4,
                Size::Letter => Paper::Letter,
            },
            unit: match self.units {
                Units::Mm2 => AreaUnit::Mm2,
                Units::Cm2 => AreaUnit::Cm2,
            },
            reader: self.reader.clone(),
            settings: Vec::new(),
        };
        Ok(ReportOptions { paper, archive, watch: watch.clone(), ..ReportOptions::default() })
    }

    /// The folder where none is given: NAME-report here, with the label in place of a name that it is to hide
    pub(super) fn default_folder(&self, name: &str, what: &str) -> PathBuf {
        let plain = |c: char| if c.is_alphanumeric() || matches!(c, '.' | '_' | '-') { c } else { '-' };
        let label = self.label.as_ref().map(|label| label.chars().map(plain).collect::<String>());
        let label = label.map(|label| label.trim_matches(['.', '-']).to_owned());
        let name = label.as_deref().map_or(name, |label| if label.is_empty() { "volume" } else { label });
        PathBuf::from(format!("{name}-{what}"))
    }

    /// Calls a volume by the label alone: a hash would lead back to its file, and sentences of others may name it
    pub(super) fn relabel(volume: &mut Volume4, label: String) {
        volume.provenance.file = label;
        volume.provenance.blake3.clear();
        volume.provenance.leave_out_told();
    }

    /// Whether files are wanted that need no folder
    pub(super) fn single_files(&self) -> bool {
        self.pdf.is_some() || self.sr.is_some()
    }

    /// Where the PDF goes
    pub(super) fn paper(&self) -> Option<&Path> {
        self.pdf.as_deref()
    }

    /// Where the structured report goes
    pub(super) fn structured_report(&self) -> Option<&Path> {
        self.sr.as_deref()
    }

    /// Refuses to write over the file being read
    pub(super) fn refuse(&self, input: &Path) -> Result<(), Failure> {
        self.files().try_for_each(|path| output::refuse_input(input, path))
    }

    /// Refuses to write single files, a document among them, into the folder of the report
    pub(super) fn refuse_in(&self, folder: Option<&Path>, json: Option<&Path>) -> Result<(), Failure> {
        let Some(folder) = folder else { return Ok(()) };
        self.files()
            .chain(json.filter(|json| *json != Path::new("-")))
            .try_for_each(|path| output::refuse_inside(folder, path))
    }

    fn files(&self) -> impl Iterator<Item = &Path> {
        self.pdf.iter().chain(&self.sr).chain(&self.uid_map).map(PathBuf::as_path)
    }

    /// Writes the files that need no folder
    pub(super) fn write_single(
        &self,
        results: &Results,
        volume: &Volume4,
        options: &ReportOptions,
    ) -> Result<(), Failure> {
        if let Some(path) = &self.pdf {
            output::write(path, &report::report_pdf(results, volume, options)?)?;
            output::say(&format!("wrote {}", path.display()));
        }
        if let (Some(path), Some(archive)) = (&self.sr, &options.archive) {
            let bytes =
                structured_report(results, &archive.source, &archive.options).map_err(ReportError::from)?;
            output::write(path, &bytes)?;
            output::say(&format!("wrote {}", path.display()));
        }
        if let (Some(path), Some(archive)) = (&self.uid_map, &options.archive) {
            output::write(path, identifiers(&archive.source, archive.options.identity).as_bytes())?;
            output::say(&format!("wrote {}", path.display()));
        }
        Ok(())
    }
}
