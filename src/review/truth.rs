//! The truth that a reading is scored against: the sealed key of the set that a volume belongs to, or the
//! truth that lies beside a simulated volume.

use std::io;
use std::path::{Path, PathBuf};

use crate::phantom::{PracticeRecipe, TruthError, truth_beside};
use crate::study::document::parse;
use crate::study::list::is_sealed_with;
use crate::study::practice::{KEY_SCHEMA, KeyCase, LIST_SCHEMA, PracticeKey, PracticeList};

/// The list of a practice set, beside its volumes
pub const LIST_FILE: &str = "practice.json";

/// Where the key of a set lies: `FOLDER.key.json`, beside the folder of the volumes
pub fn key_path(folder: &Path) -> PathBuf {
    let mut name = folder.file_name().unwrap_or_default().to_owned();
    name.push(".key.json");
    folder.with_file_name(name)
}

/// Why there is no truth to score against
#[derive(Debug, thiserror::Error)]
pub enum NoTruth {
    /// Nothing beside the volume says what is in it
    #[error("nothing beside this volume says what is truly in it")]
    None,
    /// The volume belongs to a set whose key was kept away
    #[error("the key of this practice set is not here: {}", .0.display())]
    KeptAway(PathBuf),
    /// The key is not the one that the list was sealed with
    #[error("the key is not the one that the list was sealed with: {}", .0.display())]
    Unsealed(PathBuf),
    /// A list or key cannot be read
    #[error("{message}: {}", path.display())]
    Unreadable {
        /// What is wrong
        message: String,
        /// The file
        path: PathBuf,
    },
    /// The truth beside the volume cannot be read
    #[error(transparent)]
    Truth(#[from] TruthError),
}

impl NoTruth {
    /// What to do about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::None => "practice is on volumes that `narrows practice make` or `narrows phantom` made",
            Self::KeptAway(_) => "save the review and hand it in: the teacher scores it with the key",
            Self::Unsealed(_) => {
                "put the key file there as it was written; even a changed space breaks the seal"
            }
            Self::Unreadable { .. } | Self::Truth(_) => "put the file there as it was written",
        }
    }
}

/// Whether a volume can be one to practise on: a set's list or a truth lies beside it
pub fn is_practice(volume: &Path) -> bool {
    let mut truth = volume.as_os_str().to_owned();
    truth.push(".truth.json");
    Path::new(&truth).is_file() || is_of_set(volume)
}

/// Whether a volume lies in a practice set: it is read blind
pub fn is_of_set(volume: &Path) -> bool {
    volume.with_file_name(LIST_FILE).is_file()
}

/// The key that a volume with this hash is scored with
///
/// A truth beside the volume is a key of one case.
///
/// # Errors
/// See [`NoTruth`].
pub fn key_of(volume: &Path, blake3: &str) -> Result<PracticeKey, NoTruth> {
    let folder = volume.parent().unwrap_or(Path::new(""));
    let folder = std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned());
    if let Some((list, _)) = document::<PracticeList>(&folder.join(LIST_FILE), LIST_SCHEMA)?
        && list.cases.iter().any(|case| case.blake3 == blake3)
    {
        let path = key_path(&folder);
        let Some((key, text)) = document::<PracticeKey>(&path, KEY_SCHEMA)? else {
            return Err(NoTruth::KeptAway(path));
        };
        if !is_sealed_with(&list.key_blake3, &text) {
            return Err(NoTruth::Unsealed(path));
        }
        return Ok(key);
    }
    let truth = truth_beside(volume)?.ok_or(NoTruth::None)?;
    let name = |part: Option<&std::ffi::OsStr>| part.unwrap_or_default().to_string_lossy().into_owned();
    let id = name(volume.file_stem());
    let case = KeyCase {
        id: id.clone(),
        file: name(volume.file_name()),
        blake3: blake3.to_owned(),
        recipe: String::new(),
        case: PracticeRecipe { title: id, grade: 4, teaches: String::new() },
        truth,
    };
    Ok(PracticeKey { schema: KEY_SCHEMA.to_owned(), seed: None, cases: vec![case] })
}

/// A document and its text; `None` where there is no such file
fn document<T: serde::de::DeserializeOwned>(
    path: &Path,
    schema: &str,
) -> Result<Option<(T, String)>, NoTruth> {
    let unreadable = |message: String| NoTruth::Unreadable { message, path: path.to_owned() };
    let text = match std::fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(unreadable(error.to_string())),
    };
    let read = parse(&text, schema).map_err(|error| unreadable(error.to_string()))?;
    Ok(Some((read, text)))
}
