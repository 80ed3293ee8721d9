//! `narrows shapes`: the shapes of a cohort's orifices, in groups.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::Args;

use super::{Exit, Failure, output};
use crate::report::study::{shapes_csv, shapes_files, write_bundle};
use crate::study::Table;
use crate::study::shapes::{ShapeOptions, shapes};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The table of jets that `narrows cohort` wrote, as CSV
    table: PathBuf,
    /// The groups: a column of a CSV table with a column `file` (TABLE:COLUMN)
    #[arg(long, value_name = "TABLE:COLUMN")]
    groups: Option<String>,
    /// Folder for page, figure, shapes.json and shapes.csv
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Start of the random numbers of the bootstrap
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let jets = read(&arguments.table)?;
    let groups = arguments.groups.as_deref().map(groups).transpose()?;
    let named = groups.as_ref().map(|(column, of)| (column.as_str(), of));
    let options = ShapeOptions { seed: arguments.seed, ..ShapeOptions::default() };
    let found = shapes(&jets, named, &options)?;
    for note in &found.notes {
        output::say(&format!("note: {note}"));
    }
    output::print(&shapes_csv(&found))?;
    if let Some(folder) = &arguments.out {
        let name = arguments.table.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        write_bundle(shapes_files(&found, &name, 1.6)?, folder)?;
        output::say(&format!("wrote {}", folder.join("index.html").display()));
    }
    Ok(Exit::Done)
}

/// A table of CSV text
fn read(path: &Path) -> Result<Table, Failure> {
    let text = std::fs::read_to_string(path).map_err(|error| {
        Failure::usage(
            format!("cannot read the table: {error}: {}", path.display()),
            "give a table as CSV text; docs/study.md shows each",
        )
    })?;
    Ok(Table::from_csv(&text)?)
}

/// `TABLE:COLUMN`: the column's name, and the group of every file
fn groups(text: &str) -> Result<(String, BTreeMap<String, String>), Failure> {
    let Some((path, column)) =
        text.rsplit_once(':').filter(|(path, column)| !path.is_empty() && !column.is_empty())
    else {
        return Err(Failure::usage(
            format!("the groups are not of the form TABLE:COLUMN: {text}"),
            "name a CSV table with a column `file`, a colon, and the column of the groups",
        ));
    };
    let table = read(Path::new(path))?;
    let (file, group) = (table.column("file")?, table.column(column)?);
    let mut of = BTreeMap::new();
    for row in 0..table.len() {
        let name = table.filled(row, file)?;
        if let Some(other) = of.insert(name.to_owned(), table.cell(row, group).to_owned())
            && other != table.cell(row, group)
        {
            return Err(Failure::usage(
                format!("the file `{name}` stands in two groups: {path}"),
                "give every file one group",
            ));
        }
    }
    Ok((column.to_owned(), of))
}
