//! A file is written whole or not at all: beside its place, then renamed into it.

use std::io::Write as _;
use std::path::{Path, PathBuf};

/// A file ready beside its place; it vanishes unless put there
pub(super) struct Ready {
    file: tempfile::NamedTempFile,
    path: PathBuf,
}

impl Ready {
    /// Renames it into its place
    ///
    /// # Errors
    /// What the system said; then nothing is left.
    pub(super) fn put(self) -> std::io::Result<()> {
        self.file.persist(&self.path).map_err(|error| error.error)?;
        Ok(())
    }
}

/// Writes through `fill` into a temporary file in the same folder and flushes it to the disk
///
/// # Errors
/// What `fill` or the system said; then nothing is left.
pub(super) fn prepare<E: From<std::io::Error>>(
    path: &Path,
    fill: impl FnOnce(&mut dyn std::io::Write) -> Result<(), E>,
) -> Result<Ready, E> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    builder.prefix(".narrows-").suffix(".part");
    #[cfg(unix)]
    {
        // An ordinary file, not a private one: the user's mask decides.
        use std::os::unix::fs::PermissionsExt as _;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    let temporary = builder.tempfile_in(folder)?;
    let mut buffered = std::io::BufWriter::with_capacity(1 << 20, temporary);
    fill(&mut buffered)?;
    buffered.flush()?;
    let file = buffered.into_inner().map_err(std::io::IntoInnerError::into_error)?;
    file.as_file().sync_all()?;
    Ok(Ready { file, path: path.to_owned() })
}

/// Writes through `fill` into a temporary file in the same folder, flushes it to the disk and
/// renames it to `path`; on any error nothing is left
///
/// # Errors
/// What `fill` or the system said.
pub(super) fn write<E: From<std::io::Error>>(
    path: &Path,
    fill: impl FnOnce(&mut dyn std::io::Write) -> Result<(), E>,
) -> Result<(), E> {
    Ok(prepare(path, fill)?.put()?)
}
