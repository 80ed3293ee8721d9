//! A file's bytes without reading them: the one place where a file is mapped.

use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use super::FormatError;
use crate::volume::SharedBytes;

/// Maps a file
///
/// # Errors
/// [`FormatError::Read`], [`FormatError::NotAFile`], [`FormatError::Empty`].
pub(super) fn map(path: &Path) -> Result<SharedBytes, FormatError> {
    let refuse = |source| FormatError::Read { path: path.to_owned(), source };
    let told = std::fs::metadata(path).map_err(refuse)?;
    if !told.is_file() {
        return Err(FormatError::NotAFile { path: path.to_owned() });
    }
    if told.len() == 0 {
        return Err(FormatError::Empty { path: path.to_owned() });
    }
    let file = File::open(path).map_err(refuse)?;
    Ok(Arc::new(mapped(&file).map_err(refuse)?))
}

#[allow(unsafe_code)]
fn mapped(file: &File) -> std::io::Result<memmap2::Mmap> {
    // SAFETY: the map is read-only. Another process that writes into the file changes what is
    // read, and one that shortens it ends this process with a bus error; both are told in the
    // module's prose. Our own writer never does either: it replaces files by renaming.
    unsafe { memmap2::Mmap::map(file) }
}
