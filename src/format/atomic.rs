//! A file is written whole or not at all: beside its place, then renamed into it.

use std::io::Write as _;
use std::path::Path;

/// Writes through `fill` into a temporary file in the same folder, flushes it to the disk and
/// renames it to `path`; on any error nothing is left
///
/// # Errors
/// What `fill` or the system said.
pub(super) fn write<E: From<std::io::Error>>(
    path: &Path,
    fill: impl FnOnce(&mut dyn std::io::Write) -> Result<(), E>,
) -> Result<(), E> {
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
    let temporary = buffered.into_inner().map_err(std::io::IntoInnerError::into_error)?;
    temporary.as_file().sync_all()?;
    temporary.persist(path).map_err(|error| error.error)?;
    Ok(())
}
