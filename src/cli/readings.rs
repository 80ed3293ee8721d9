//! `narrows readings`: a sealed list for readers, and the table of what they read.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::cohort::listed;
use super::documents::{cannot, document};
use super::{Exit, Failure, output};
use crate::format;
use crate::outline::Outline;
use crate::report::table::quoted;
use crate::review::{self, Drawn, JetId, Review};
use crate::study::list::{KEY_SCHEMA, LIST_SCHEMA, ReadingKey, ReadingList, is_sealed_with, key_text, make};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Put volumes into a sealed random order under opaque names
    Make(Make),
    /// Turn the readers' saved reviews into the table for `narrows agree`
    Collect(Collect),
}

#[derive(Debug, Args)]
struct Make {
    /// A folder of volumes, or a text file with one path a line
    source: PathBuf,
    /// The list for the readers (.json); the key goes to NAME.key.json, the volumes under their opaque
    /// names to NAME-volumes/READER
    #[arg(long, value_name = "LIST")]
    out: PathBuf,
    /// Names of the readers, separated by commas
    #[arg(long, value_name = "NAMES", value_delimiter = ',', required = true)]
    readers: Vec<String>,
    /// How often each volume is read by each reader
    #[arg(long, value_name = "NUMBER", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=9))]
    repeats: u32,
    /// Start of the random numbers: a long number that the readers do not know
    #[arg(long, value_name = "NUMBER")]
    seed: u64,
}

#[derive(Debug, Args)]
struct Collect {
    /// The list that was made
    list: PathBuf,
    /// Its key
    #[arg(long, value_name = "KEY")]
    key: PathBuf,
    /// Folder with one folder a reader, each with the reviews NAME.review.json
    #[arg(long, value_name = "DIR")]
    reviews: PathBuf,
    /// The table to write (.csv)
    #[arg(long, value_name = "TABLE")]
    out: PathBuf,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    match &arguments.verb {
        Verb::Make(arguments) => make_list(arguments),
        Verb::Collect(arguments) => collect(arguments),
    }
}

fn make_list(arguments: &Make) -> Result<Exit, Failure> {
    let readers: Vec<String> = arguments.readers.iter().map(|reader| reader.trim().to_owned()).collect();
    let plain =
        |name: &String| !name.is_empty() && name.chars().all(|c| c.is_alphanumeric() || c == '-' || c == '_');
    let distinct: BTreeSet<&String> = readers.iter().collect();
    if !readers.iter().all(plain) || distinct.len() != readers.len() {
        return Err(Failure::usage(
            "the readers' names are not usable",
            "give each reader a name of its own, of letters, digits, - and _: it becomes a folder",
        ));
    }
    let found = listed(&arguments.source)?;
    if found.is_empty() {
        return Err(Failure::usage(
            format!("no volume was found in {}", arguments.source.display()),
            "give a folder with volumes, or a list of paths",
        ));
    }
    let volumes: Vec<(String, String)> = found
        .iter()
        .map(|entry| Ok((entry.name.clone(), format::hash_files(&entry.files)?)))
        .collect::<Result<_, Failure>>()?;
    let (list, key) = make(&volumes, &readers, arguments.repeats, arguments.seed);
    let key_path = arguments.out.with_extension("key.json");
    let folder = arguments.out.with_extension("").to_string_lossy().into_owned() + "-volumes";
    let folder = PathBuf::from(folder);
    for path in [&arguments.out, &key_path, &folder] {
        // A list made anew under the same name would part readers from their readings.
        if path.exists() {
            return Err(Failure::usage(
                format!("this is there already: {}", path.display()),
                "give another name with --out",
            ));
        }
    }
    for item in &key.items {
        let Some(from) = found.iter().find(|entry| entry.name == item.volume) else { continue };
        let own = folder.join(&item.reader);
        fs::create_dir_all(&own).map_err(|error| cannot("make the folder", &own, &error))?;
        // The parts of one volume keep together in a folder.
        let several = from.files.len() > 1;
        if several {
            let folder = own.join(&item.id);
            fs::create_dir_all(&folder).map_err(|error| cannot("make the folder", &folder, &error))?;
        }
        for (number, file) in from.files.iter().enumerate() {
            let ending = file.extension().map(|e| format!(".{}", e.to_string_lossy())).unwrap_or_default();
            let to = if several {
                own.join(&item.id).join(format!("{}{ending}", number + 1))
            } else {
                own.join(format!("{}{ending}", item.id))
            };
            // A second name for the same bytes where the disk allows it, else a copy.
            if fs::hard_link(file, &to).is_err() {
                fs::copy(file, &to).map_err(|error| cannot("copy the volume to", &to, &error))?;
            }
        }
    }
    let mut text = serde_json::to_string_pretty(&list)?;
    text.push('\n');
    output::write(&key_path, key_text(&key).as_bytes())?;
    output::write(&arguments.out, text.as_bytes())?;
    output::say(&format!(
        "{} readings of {} volumes by {} readers: {}; keep {} away from the readers",
        key.items.len(),
        volumes.len(),
        readers.len(),
        arguments.out.display(),
        key_path.display()
    ));
    output::say(
        "note: names are hidden, what stands inside a file is not: take identities out of the volumes first",
    );
    Ok(Exit::Done)
}

fn collect(arguments: &Collect) -> Result<Exit, Failure> {
    let list: ReadingList = document(&arguments.list, LIST_SCHEMA, "narrows readings make")?;
    let key: ReadingKey = document(&arguments.key, KEY_SCHEMA, "narrows readings make")?;
    let text = fs::read_to_string(&arguments.key).map_err(|error| cannot("read", &arguments.key, &error))?;
    if !is_sealed_with(&list.key_blake3, &text) {
        return Err(Failure::usage(
            format!("the key is not the one that the list was sealed with: {}", arguments.key.display()),
            "give the key file as it was written; even a changed space breaks the seal",
        ));
    }
    let head = ["volume", "reader", "repeat", "value", "frame", "tracings", "drawn", "review", "remark"];
    let mut rows: Vec<[String; 9]> = vec![head.map(str::to_owned)];
    let mut absent = 0;
    for item in &key.items {
        let path = arguments.reviews.join(&item.reader).join(format!("{}.review.json", item.id));
        let mut row = [
            item.volume.clone(),
            item.reader.clone(),
            item.repeat.to_string(),
            String::new(),
            String::new(),
            String::new(),
            String::new(),
            item.id.clone(),
            String::new(),
        ];
        if path.is_file() {
            let review = review::load(&path).map_err(|error| {
                Failure::usage(error.to_string(), "move that review away to count the reading as missing")
            })?;
            if review.source.blake3 != item.blake3 {
                return Err(Failure::usage(
                    format!("the review is of another volume than its name says: {}", path.display()),
                    "move it away, or to its own name",
                ));
            }
            match reading(&review) {
                Some(found) => {
                    row[3] = found.area_mm2.to_string();
                    row[4] = found.frame.to_string();
                    row[5] = found.tracings.to_string();
                    found.drawn.clone_into(&mut row[6]);
                }
                None => "the reader kept no tracing".clone_into(&mut row[8]),
            }
        } else {
            "there is no review".clone_into(&mut row[8]);
        }
        absent += usize::from(row[3].is_empty());
        rows.push(row);
    }
    let lines =
        rows.iter().map(|row| row.iter().map(|cell| quoted(cell)).collect::<Vec<_>>().join(",") + "\n");
    output::write(&arguments.out, lines.collect::<String>().as_bytes())?;
    output::say(&format!(
        "{} readings, {absent} of them missing: {}; next: narrows agree {} --unit mm2 --out DIR",
        key.items.len(),
        arguments.out.display(),
        arguments.out.display()
    ));
    Ok(Exit::Done)
}

/// What one review says: the displayed area inside the reader's own tracings
struct Found {
    area_mm2: f64,
    frame: usize,
    tracings: usize,
    drawn: &'static str,
}

/// The frame in which the kept tracings of all jets, set-aside ones left out, enclose most
///
/// The area is as displayed: the correction for blooming is the program's, the same for all readers, and no
/// part of their agreement. `None` without a tracing that counts.
fn reading(review: &Review) -> Option<Found> {
    let mut frames: BTreeMap<usize, (f64, Vec<Drawn>)> = BTreeMap::new();
    for tracing in &review.work.tracings {
        let set_aside = tracing.jet != JetId::Free && review.work.dismissed.contains(&tracing.jet);
        if set_aside || review.work.fault(tracing).is_some() {
            continue;
        }
        if let Ok(outline) = Outline::new(tracing.points()) {
            let at = frames.entry(tracing.frame).or_default();
            at.0 += outline.area().get();
            at.1.push(tracing.drawn);
        }
    }
    let (frame, (area_mm2, drawn)) =
        frames.into_iter().max_by(|a, b| a.1.0.total_cmp(&b.1.0).then(b.0.cmp(&a.0)))?;
    let words = match drawn[0] {
        first if drawn.iter().any(|other| *other != first) => "in several ways",
        Drawn::Proposed => "by the program, kept",
        Drawn::Corrected => "by the program, corrected",
        Drawn::ByHand => "by hand",
    };
    Some(Found { area_mm2, frame, tracings: drawn.len(), drawn: words })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::{Command, Session, Source};

    #[test]
    fn the_largest_frame_of_kept_tracings_counts() {
        let mut session = Session::new(Review::new(Source { frames: 2, ..Source::default() }));
        assert!(reading(session.review()).is_none());
        let square = |side: f64| vec![[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]];
        let beside = square(2.0).into_iter().map(|[x, y]| [x + 5.0, y]).collect();
        let add = |points| Command::AddTracing { points, drawn: Drawn::ByHand, threshold: None };
        session.apply(add(beside)).unwrap();
        session.apply(add(square(3.0))).unwrap();
        let found = reading(session.review()).unwrap();
        assert_eq!((found.area_mm2, found.frame, found.tracings, found.drawn), (13.0, 0, 2, "by hand"));
    }
}
