//! `narrows practice`: a set of simulated cases, and what learners made of them.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};

use super::convert::Storage;
use super::documents::{cannot, document};
use super::progress::Progress;
use super::{Exit, Failure, output};
use crate::format::dicom::WriteOptions;
use crate::format::{self, OpenOptions, atomic};
use crate::job::Watch;
use crate::phantom::{self, PhantomError, Recipe};
use crate::report::study::{practice_files, practice_text, write_bundle};
use crate::review::{self, AttemptError, LIST_FILE, SavedReview};
use crate::study::list::{is_sealed_with, key_text};
use crate::study::practice::{
    self, KEY_SCHEMA, KeyCase, LIST_SCHEMA, MadeCase, PracticeError, PracticeKey, PracticeList, SHIPPED,
    STANDING, Scores,
};

/// The command that makes a set
const MAKER: &str = "narrows practice make";

#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Simulate cases under plain numbers, with a list for learners and a sealed key
    Make(Make),
    /// Split the error of saved reviews into its causes, and show progress
    Score(Score),
}

#[derive(Debug, Args)]
struct Make {
    /// A folder of recipes (.toml) [default: the eight cases that ship with the program]
    recipes: Option<PathBuf>,
    /// New folder for the learners: volumes and practice.json; the key goes to DIR.key.json
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Put the cases in a random order; without it the easiest comes first
    #[arg(long, value_name = "NUMBER")]
    seed: Option<u64>,
    /// How pixels are stored
    #[arg(long, value_enum, default_value_t)]
    syntax: Storage,
}

#[derive(Debug, Args)]
struct Score {
    /// One review, a learner's folder of reviews, or a folder with one folder a learner
    reviews: PathBuf,
    /// The key of the set
    #[arg(long, value_name = "KEY")]
    key: PathBuf,
    /// Where the volumes of the set lie [default: the key's name without .key.json]
    #[arg(long, value_name = "DIR")]
    volumes: Option<PathBuf>,
    /// The table to write (.csv), a row a reading; beside it NAME.learners.csv, NAME.json, NAME.svg,
    /// NAME.png, and NAME.manifest.json, the list of them
    #[arg(long, value_name = "TABLE")]
    out: Option<PathBuf>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    match &arguments.verb {
        Verb::Make(arguments) => make_set(arguments),
        Verb::Score(arguments) => score(arguments),
    }
}

fn make_set(arguments: &Make) -> Result<Exit, Failure> {
    let recipes = recipes(arguments.recipes.as_deref())?;
    let folder: PathBuf = arguments.out.components().collect();
    let key_path = review::key_path(&folder);
    if folder.file_name().is_none() {
        return Err(Failure::usage(
            format!("this is no name for a new folder: {}", arguments.out.display()),
            "give the name of a folder that is not there yet with --out",
        ));
    }
    for path in [&folder, &key_path] {
        // A set made anew under the same name would part learners from their key.
        if path.exists() {
            return Err(Failure::usage(
                format!("this is there already: {}", path.display()),
                "give another name with --out",
            ));
        }
    }
    let parent = match folder.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    };
    fs::create_dir_all(&parent).map_err(|error| cannot("make the folder", &parent, &error))?;
    // Made aside and moved when whole.
    let aside = atomic::aside(&folder).map_err(|error| cannot("make a folder in", &parent, &error))?;
    let grades: Vec<u8> = recipes.iter().map(|(_, recipe)| practice::described(recipe).grade).collect();
    let options = WriteOptions { syntax: arguments.syntax.into(), ..WriteOptions::default() };
    let progress = Progress::start();
    let quiet = Watch::new(progress.watch().token().clone(), |_, _, _| {});
    let mut made = Vec::new();
    for (place, at) in practice::order(&grades, arguments.seed).into_iter().enumerate() {
        progress.watch().step("simulating", place, recipes.len())?;
        let (name, recipe) = &recipes[at];
        let (volume, truth) = phantom::simulate(recipe, &quiet).map_err(|error| of_recipe(name, error))?;
        let file = format!("case-{}.dcm", place + 1);
        let path = aside.folder.path().join(&file);
        format::save(&volume, &path, &options)?;
        made.push(MadeCase { file, blake3: format::hash(&path)?, recipe: name.clone(), truth });
    }
    drop(progress);
    let (list, key) = practice::make(made, arguments.seed);
    let mut text = serde_json::to_string_pretty(&list)?;
    text.push('\n');
    output::write(&aside.folder.path().join(LIST_FILE), text.as_bytes())?;
    let ready = output::prepare(&key_path, key_text(&key).as_bytes())?;
    fs::rename(aside.folder.path(), &folder).map_err(|error| cannot("make the folder", &folder, &error))?;
    ready.put()?;
    output::say(&format!(
        "{} cases: {}; keep {} away from the learners",
        key.cases.len(),
        folder.display(),
        key_path.display()
    ));
    output::say(STANDING);
    Ok(Exit::Done)
}

/// Recipes and their file names: those of a folder by name, or those that ship
fn recipes(folder: Option<&Path>) -> Result<Vec<(String, Recipe)>, Failure> {
    let read = |name: &str, text: &str| match Recipe::from_toml(text) {
        Ok(recipe) => Ok((name.to_owned(), recipe)),
        Err(error) => Err(of_recipe(name, error)),
    };
    let Some(folder) = folder else {
        return SHIPPED.iter().map(|(name, text)| read(name, text)).collect();
    };
    let listed = fs::read_dir(folder).map_err(|error| cannot("read the folder", folder, &error))?;
    let mut paths: Vec<PathBuf> = listed
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml") && path.is_file())
        .collect();
    paths.sort();
    if paths.is_empty() {
        return Err(Failure::usage(
            format!("no recipe was found in {}", folder.display()),
            "give a folder with recipes in TOML, or none for the cases that ship",
        ));
    }
    paths
        .iter()
        .map(|path| {
            let text = fs::read_to_string(path).map_err(|error| cannot("read the recipe", path, &error))?;
            read(&path.file_name().unwrap_or_default().to_string_lossy(), &text)
        })
        .collect()
}

fn of_recipe(name: &str, error: PhantomError) -> Failure {
    let failure = Failure::from(error);
    Failure { error: format!("{name}: {}", failure.error), ..failure }
}

fn score(arguments: &Score) -> Result<Exit, Failure> {
    let key: PracticeKey = document(&arguments.key, KEY_SCHEMA, MAKER)?;
    let folder = arguments.volumes.clone().unwrap_or_else(|| {
        let name = arguments.key.file_name().unwrap_or_default().to_string_lossy();
        arguments.key.with_file_name(name.strip_suffix(".key.json").unwrap_or(&name))
    });
    check_seal(&folder, &arguments.key)?;
    let table = arguments.out.as_deref().map(table_name).transpose()?;
    let (found, mut notes) = review::saved_below(&arguments.reviews)?;
    let mut by_case: BTreeMap<usize, Vec<SavedReview>> = BTreeMap::new();
    let all = found.len();
    for found in found {
        match key.cases.iter().position(|case| case.blake3 == found.review.source.blake3) {
            Some(at) => by_case.entry(at).or_default().push(found),
            None => notes.push(format!("{} is of no volume of this set, and is passed over", found.name)),
        }
    }
    let progress = Progress::start();
    let quiet = Watch::new(progress.watch().token().clone(), |_, _, _| {});
    let mut attempts = Vec::new();
    let mut done = 0;
    for (at, readings) in by_case {
        let case = &key.cases[at];
        // Each volume is opened once, whoever read it.
        let volume = volume_of(case, &folder)?;
        for found in readings {
            progress.watch().step("scoring", done, all)?;
            done += 1;
            attempts.push(review::scored(found, case, &volume, &quiet)?);
        }
    }
    drop(progress);
    if attempts.is_empty() {
        for note in &notes {
            output::say(&format!("note: {note}"));
        }
        return Err(Failure::usage(
            format!("no review of this set was found: {}", arguments.reviews.display()),
            "give the reviews that were saved of the volumes of this set, as NAME.review.json",
        ));
    }
    let scores = Scores::of(attempts, notes);
    output::print(&practice_text(&scores))?;
    if let Some((into, stem)) = table {
        let written = write_bundle(practice_files(&scores, &stem, 1.6)?, &into)?;
        let names: Vec<String> = written.iter().map(|path| path.display().to_string()).collect();
        output::say(&format!("wrote {}", names.join(", ")));
    }
    Ok(Exit::Done)
}

/// The folder of a table and its name without the ending
fn table_name(path: &Path) -> Result<(PathBuf, String), Failure> {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    match name.strip_suffix(".csv") {
        Some(stem) if !stem.is_empty() => {
            let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty());
            Ok((parent.unwrap_or(Path::new(".")).to_owned(), stem.to_owned()))
        }
        _ => Err(Failure::usage(
            format!("this is no name for a table: {}", path.display()),
            "give a name that ends in .csv with --out",
        )),
    }
}

/// Holds the key against the list beside the volumes, where it is there
fn check_seal(folder: &Path, key: &Path) -> Result<(), Failure> {
    let path = folder.join(LIST_FILE);
    if !path.is_file() {
        output::say(&format!(
            "note: no {LIST_FILE} in {}: the seal of the key was not checked",
            folder.display()
        ));
        return Ok(());
    }
    let list: PracticeList = document(&path, LIST_SCHEMA, MAKER)?;
    let text = fs::read_to_string(key).map_err(|error| cannot("read", key, &error))?;
    if is_sealed_with(&list.key_blake3, &text) {
        return Ok(());
    }
    Err(Failure::usage(
        format!("the key is not the one that the list was sealed with: {}", key.display()),
        "give the key file as it was written; even a changed space breaks the seal",
    ))
}

fn volume_of(case: &KeyCase, folder: &Path) -> Result<crate::volume::Volume4, Failure> {
    let path = folder.join(&case.file);
    let volume = format::open(&path, &OpenOptions::default()).map_err(|error| {
        let failure = Failure::from(error);
        Failure { hint: Some("say where the volumes of the set lie with --volumes".into()), ..failure }
    })?;
    if volume.provenance.blake3 == case.blake3 {
        return Ok(volume);
    }
    Err(Failure::usage(
        format!("the volume is not the one that the key is for: {}", path.display()),
        "give the volumes as they were made, or make the set anew",
    ))
}

impl From<AttemptError> for Failure {
    fn from(error: AttemptError) -> Self {
        match error {
            AttemptError::Measure(error) => error.into(),
            AttemptError::Score(error) => error.into(),
        }
    }
}

impl From<PracticeError> for Failure {
    fn from(error: PracticeError) -> Self {
        match error {
            PracticeError::Cancelled(cancelled) => cancelled.into(),
            PracticeError::NoVelocity | PracticeError::Frame { .. } | PracticeError::Truth { .. } => {
                Self::usage(
                    error.to_string(),
                    "give key, volumes and reviews of one set, as they were written",
                )
            }
        }
    }
}
