//! A volume into a file: the name says the format.

use std::path::{Path, PathBuf};

use super::FormatError;
use super::array::ArrayError;
use super::array::write::{Pack, Target, write};
use super::dicom::{self, Syntax, WriteOptions};
use crate::volume::Volume4;

/// What a name asks for
enum Asked {
    Dicom,
    Array(Target, Pack),
}

/// Writes a volume in the format that the name says: `.dcm` (or no extension), `.nii`, `.nii.gz`, `.nrrd`,
/// `.nhdr`, `.mha`, `.mhd`
///
/// Open formats get their sidecar beside them. [`Syntax::Deflated`] packs their samples.
///
/// # Errors
/// [`FormatError::Name`], [`FormatError::Write`], [`FormatError::WriteArray`], [`FormatError::Save`].
pub fn save(volume: &Volume4, path: &Path, options: &WriteOptions) -> Result<(), FormatError> {
    let (target, pack) = match asked(path, options.syntax)? {
        Asked::Dicom => return dicom::write(volume, path, options),
        Asked::Array(target, pack) => (target, pack),
    };
    let mut volume = volume.clone();
    if options.identity_removed() {
        volume.provenance.leave_out_told();
    }
    write(&volume, path, target, pack).map_err(|error| match error {
        ArrayError::Io(source) => FormatError::Save { path: path.to_owned(), source },
        source => FormatError::WriteArray { path: path.to_owned(), source: Box::new(source) },
    })
}

/// Whether a file of this name has a place for patient and study
pub fn keeps_identity(path: &Path) -> bool {
    matches!(asked(path, Syntax::default()), Ok(Asked::Dicom))
}

/// The files that [`save`] would write
///
/// # Errors
/// [`FormatError::Name`].
pub fn files_written(path: &Path, options: &WriteOptions) -> Result<Vec<PathBuf>, FormatError> {
    Ok(match asked(path, options.syntax)? {
        Asked::Dicom => vec![path.to_owned()],
        Asked::Array(target, pack) => target.files(path, pack),
    })
}

fn asked(path: &Path, syntax: Syntax) -> Result<Asked, FormatError> {
    let refuse = |message| Err(FormatError::Name { message, path: path.to_owned() });
    let name = path.file_name().map(|name| name.to_string_lossy().to_lowercase()).unwrap_or_default();
    let extension = name.rsplit_once('.').map(|(_, extension)| extension);
    let target = match extension {
        None | Some("dcm" | "dicom") => return Ok(Asked::Dicom),
        Some("nii") => Target::Nifti,
        Some("gz") if name.ends_with(".nii.gz") => Target::Nifti,
        Some("nrrd") => Target::Nrrd,
        Some("nhdr") => Target::NrrdDetached,
        Some("mha") => Target::MetaImage,
        Some("mhd") => Target::MetaImageDetached,
        Some(_) => return refuse("the name does not say in which format to write"),
    };
    match (syntax, target) {
        (Syntax::Rle | Syntax::JpegLs, _) => refuse("this way to store pixels is for DICOM only"),
        (_, Target::Nifti) if extension == Some("gz") => Ok(Asked::Array(target, Pack::Deflate)),
        (Syntax::Deflated, Target::Nifti) => {
            refuse("a deflated NIfTI file is one whose name ends in .nii.gz")
        }
        (Syntax::Deflated, _) => Ok(Asked::Array(target, Pack::Deflate)),
        (Syntax::ExplicitLittle, _) => Ok(Asked::Array(target, Pack::No)),
    }
}
