//! How results leave the program: stdout, and files that appear whole or not at all.

use std::borrow::Cow;
use std::fmt::Write as _;
use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use super::Failure;
use crate::format::{self, atomic};

/// Text without what a terminal would obey: a name in a file may hold anything
///
/// Control characters, and those that turn the direction of writing, are shown as `\u001b`, which says the same
/// inside a JSON document.
pub(super) fn shown(text: &str) -> Cow<'_, str> {
    let obeyed = |c: char| {
        (c.is_control() && c != '\n' && c != '\t')
            || matches!(c, '\u{61C}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
    };
    if !text.contains(obeyed) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if obeyed(c) {
            let _ = write!(out, "\\u{:04x}", u32::from(c));
        } else {
            out.push(c);
        }
    }
    Cow::Owned(out)
}

/// Prints a result; a reader that has gone away is not an error
pub(super) fn print(text: &str) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    match out.write_all(shown(text).as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(Failure::usage(format!("cannot write to stdout: {error}"), "check where the output goes"))
        }
        _ => Ok(()),
    }
}

/// Says something on stderr; where nobody listens, nothing is said
pub(super) fn say(text: &str) {
    let _ = writeln!(io::stderr(), "{}", shown(text));
}

/// Bytes ready beside their final name
pub(super) struct Ready {
    file: atomic::Ready,
    path: PathBuf,
}

/// Writes bytes beside the final name, where they vanish unless put in place
pub(super) fn prepare(path: &Path, bytes: &[u8]) -> Result<Ready, Failure> {
    let file =
        atomic::prepare(path, |out| out.write_all(bytes)).map_err(|error| cannot_write(path, &error))?;
    Ok(Ready { file, path: path.to_owned() })
}

impl Ready {
    /// Moves the bytes to their final name
    pub(super) fn put(self) -> Result<(), Failure> {
        let path = self.path;
        self.file.put().map_err(|error| cannot_write(&path, &error))
    }
}

/// Writes a file: all of it or nothing
pub(super) fn write(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    if path.is_dir() {
        return Err(Failure::usage(
            format!("cannot write the file: a folder has that name: {}", path.display()),
            "give the name of a file",
        ));
    }
    prepare(path, bytes)?.put()
}

/// Writes a document to `-` (stdout) or a file
pub(super) fn deliver<P: AsRef<Path>>(target: &Path, text: &str, inputs: &[P]) -> Result<(), Failure> {
    if target == Path::new("-") {
        return print(text);
    }
    inputs.iter().try_for_each(|input| refuse_input(input.as_ref(), target))?;
    write(target, text.as_bytes())
}

/// Refuses to write over the file that is being read, or the files of the folder
pub(super) fn refuse_input(input: &Path, output: &Path) -> Result<(), Failure> {
    let inside = input.is_dir()
        && output.exists()
        && format::search(input).is_ok_and(|found| found.files.iter().any(|file| same_file(file, output)));
    if inside || same_file(input, output) {
        return Err(Failure::usage(
            format!("the output would replace the file being read: {}", output.display()),
            "give the output another name",
        ));
    }
    Ok(())
}

/// Refuses a single file inside the report's folder: the folder knows its own files, and would take this one for
/// a stranger's or for one of its own that was changed
pub(super) fn refuse_inside(folder: &Path, file: &Path) -> Result<(), Failure> {
    let real = |path: &Path| fs::canonicalize(path).or_else(|_| std::path::absolute(path));
    let places = (real(folder), real(atomic::folder_of(file)));
    if matches!(places, (Ok(folder), Ok(place)) if place.starts_with(&folder)) {
        return Err(Failure::usage(
            format!("this would lie in the report's own folder: {}", file.display()),
            "the folder holds it already, or give it a place beside the folder",
        ));
    }
    Ok(())
}

fn same_file(a: &Path, b: &Path) -> bool {
    let (Ok(a), Ok(b)) = (fs::canonicalize(a), fs::canonicalize(b)) else { return false };
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt as _;
        if let (Ok(a), Ok(b)) = (fs::metadata(&a), fs::metadata(&b)) {
            return (a.dev(), a.ino()) == (b.dev(), b.ino());
        }
    }
    a == b
}

fn cannot_write(path: &Path, error: &io::Error) -> Failure {
    Failure::usage(
        format!("cannot write the file: {error}: {}", path.display()),
        "check the folder, your right to write there and the free space",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_a_terminal_obeys_is_printed() {
        assert_eq!(shown("plain\n\tétude"), "plain\n\tétude");
        assert_eq!(
            shown("a\u{1b}[2Jb\u{9b}c\u{7f}\r\u{202e}d"),
            "a\\u001b[2Jb\\u009bc\\u007f\\u000d\\u202ed"
        );
        // A document stays the same document.
        let json = serde_json::to_string("x\u{9b}\u{7f}\u{1b}").unwrap();
        assert_eq!(serde_json::from_str::<String>(&shown(&json)).unwrap(), "x\u{9b}\u{7f}\u{1b}");
    }

    #[test]
    fn a_file_is_whole_or_absent() {
        let temp = tempfile::tempdir().unwrap();
        let path = temp.path().join("a.json");
        drop(prepare(&path, b"half").unwrap());
        assert_eq!(fs::read_dir(temp.path()).unwrap().count(), 0);
        write(&path, b"whole").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"whole");
        assert!(write(temp.path(), b"x").is_err());
        assert!(write(&temp.path().join("no/such/folder/a"), b"x").is_err());
    }

    #[test]
    fn the_input_is_known_by_any_name() {
        let temp = tempfile::tempdir().unwrap();
        let (a, b) = (temp.path().join("a"), temp.path().join("b"));
        fs::write(&a, "x").unwrap();
        assert!(refuse_input(&a, &b).is_ok());
        assert!(refuse_input(&a, &temp.path().join("./a")).is_err());
        fs::hard_link(&a, &b).unwrap();
        assert!(cfg!(not(unix)) || refuse_input(&a, &b).is_err());
    }
    #[test]
    fn no_single_file_goes_into_the_folder_of_the_report() {
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().join("k");
        for there in [false, true] {
            if there {
                fs::create_dir(&folder).unwrap();
            }
            for name in ["k/report.pdf", "k/./x.json", "k/figures/a.svg"] {
                assert!(refuse_inside(&folder, &temp.path().join(name)).is_err(), "{name} {there}");
            }
            for name in ["report.pdf", "kk/report.pdf", "k.pdf"] {
                assert!(refuse_inside(&folder, &temp.path().join(name)).is_ok(), "{name} {there}");
            }
        }
        #[cfg(unix)]
        {
            let other = temp.path().join("other");
            std::os::unix::fs::symlink(&folder, &other).unwrap();
            assert!(refuse_inside(&other, &folder.join("report.pdf")).is_err());
        }
    }
}
