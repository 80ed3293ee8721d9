//! Phantoms, flows, and the statistics of a study.

use std::path::PathBuf;
use std::process::Command;
use std::sync::Arc;

use pyo3::prelude::*;
use pyo3::types::PyDict;
use serde::Serialize;
use serde_json::json;

use super::arrays;
use super::faults::Fault;
use super::measuring::{along, word};
use super::volume::{PyVolume, nyquist};
use super::work::run;
use crate::cohort::{self as cohorts, CohortOptions, Listed, MOST_WORKERS};
use crate::phantom::flow::{FlowError, SolvedFlow, library_flow};
use crate::phantom::{self as phantoms, Recipe, Truth, truth_beside};
use crate::report::study::{Journal, Known};
use crate::study::Table;
use crate::study::agree::{self as agreement, AgreeOptions, Readings, Repeats, TableSource};
use crate::study::cohort::{Rows, assemble};
use crate::study::sweep::{self as sweeps, Over, Remake, SweepOptions};

fn written(document: &impl Serialize) -> Result<String, Fault> {
    serde_json::to_string(document).map_err(|error| Fault::internal(error.to_string()))
}

/// A simulated volume; the recipe is JSON of what the TOML would say, or the TOML itself
#[pyfunction]
#[pyo3(signature = (recipe, *, toml, progress))]
pub(super) fn phantom(
    py: Python<'_>,
    recipe: &str,
    toml: bool,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<PyVolume> {
    run(py, progress.as_ref(), move |watch| {
        let text = if toml {
            recipe.to_owned()
        } else {
            let keys: serde_json::Value = serde_json::from_str(recipe)?;
            let hint = "a recipe is a dictionary of numbers, words, lists and dictionaries";
            ::toml::to_string(&keys).map_err(|error| Fault::new("PhantomError", error.to_string(), hint))?
        };
        let recipe = Recipe::from_toml(&text)?;
        let (volume, truth) = phantoms::simulate(&recipe, watch)?;
        Ok(PyVolume { volume: Arc::new(volume), files: Vec::new(), truth: Some(Arc::new(truth)) })
    })
}

/// The names of the library's flows
#[pyfunction]
pub(super) fn flow_names() -> Vec<String> {
    phantoms::flow::flow_names()
}

/// Header (JSON) and arrays of a solved flow, by its name in the library or its file
#[pyfunction]
#[pyo3(signature = (name, path))]
pub(super) fn flow(
    py: Python<'_>,
    name: Option<String>,
    path: Option<PathBuf>,
) -> PyResult<(String, Bound<'_, PyDict>)> {
    let (header, cells, mean, covariance, wall) = run(py, None, move |_| {
        let flow = match (name, path) {
            (_, Some(path)) => {
                let failed = |source| FlowError::File { source, path: path.display().to_string() };
                SolvedFlow::read(&std::fs::read(&path).map_err(failed)?)?
            }
            (name, None) => library_flow(&name.unwrap_or_default())?,
        };
        let cells = flow.header.cells;
        let count = cells.iter().product();
        let (mut mean, mut covariance) = (Vec::with_capacity(3 * count), Vec::with_capacity(6 * count));
        let mut wall = Vec::with_capacity(count);
        for cell in (0..count).filter_map(|index| flow.cell(index)) {
            mean.extend(cell.mean_m_s.map(|v| v as f32));
            covariance.extend(cell.covariance.map(|v| v as f32));
            wall.push(cell.wall as f32);
        }
        Ok((written(&flow.header)?, cells, mean, covariance, wall))
    })?;
    let [nu, nv, nw] = cells;
    let made = PyDict::new(py);
    made.set_item("mean_m_s", arrays::copied(py, mean, [nw, nv, nu, 3])?)?;
    made.set_item("covariance_m2_s2", arrays::copied(py, covariance, [nw, nv, nu, 6])?)?;
    made.set_item("wall", arrays::copied(py, wall, [nw, nv, nu])?)?;
    Ok((header, made))
}

/// One parameter varied: the document, JSON
#[pyfunction]
#[pyo3(signature = (volume, over, *, values, jet, stored, ap, truth, progress))]
pub(super) fn sweep(
    py: Python<'_>,
    volume: &PyVolume,
    over: &str,
    values: Vec<f64>,
    jet: usize,
    stored: bool,
    ap: Option<[f64; 3]>,
    truth: Option<String>,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<String> {
    run(py, progress.as_ref(), move |watch| {
        let over = word("the parameter", over, &Over::ALL.map(|over| (over.key(), over)))?;
        if jet == 0 {
            return Err(Fault::option("there is no jet 0", "1 is the largest"));
        }
        let given: Option<Truth> = truth.as_deref().map(serde_json::from_str).transpose()?;
        let beside = match volume.files.as_slice() {
            [file] if given.is_none() => truth_beside(file)?,
            _ => None,
        };
        let truth = given.as_ref().or(volume.truth.as_deref()).or(beside.as_ref());
        let options = SweepOptions {
            values,
            jet,
            remake: if stored { Remake::Never } else { Remake::Allowed },
            anterior_posterior: along(ap)?,
        };
        written(&sweeps::sweep(&volume.volume, truth, over, &options, watch)?)
    })
}

/// Agreement of readers out of a table of readings, CSV: the document, JSON
#[pyfunction]
#[pyo3(signature = (table, *, name, value, unit, repeats, grades, reference, severe, plan, seed))]
pub(super) fn agree(
    py: Python<'_>,
    table: &str,
    name: String,
    value: String,
    unit: String,
    repeats: &str,
    grades: Vec<String>,
    reference: Option<String>,
    severe: Option<f64>,
    plan: Option<f64>,
    seed: u64,
) -> PyResult<String> {
    run(py, None, move |_| {
        let readings = Readings::from_table(&Table::from_csv(table)?, &value, &grades)?;
        let source = TableSource {
            file: name,
            blake3: blake3::hash(table.as_bytes()).to_hex().to_string(),
            value: value.clone(),
            unit: unit.clone(),
        };
        let options = AgreeOptions {
            value,
            unit,
            repeats: word(
                "the rule for repeats",
                repeats,
                &[("first", Repeats::First), ("mean", Repeats::Mean)],
            )?,
            seed,
            reference,
            severe,
            half_width: plan,
            ..AgreeOptions::default()
        };
        written(&agreement::agree(&readings, source, &options)?)
    })
}

fn rows(table: &Rows) -> serde_json::Value {
    let columns: Vec<_> = table
        .columns
        .iter()
        .map(|(name, kind, unit, meaning)| json!([name, kind.word(), unit, meaning]))
        .collect();
    json!({ "columns": columns, "rows": table.rows })
}

/// The tables of a cohort, JSON; `command` starts a worker
#[pyfunction]
#[pyo3(signature = (paths, *, workers, nyquist_m_s, ap, journal, command, progress))]
pub(super) fn cohort(
    py: Python<'_>,
    paths: Vec<PathBuf>,
    workers: usize,
    nyquist_m_s: Option<f64>,
    ap: Option<[f64; 3]>,
    journal: Option<PathBuf>,
    command: Vec<String>,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<String> {
    run(py, progress.as_ref(), move |watch| {
        if workers == 0 || workers > usize::from(MOST_WORKERS) {
            return Err(Fault::option(
                format!("{workers} workers were asked for"),
                format!("1 to {MOST_WORKERS}: each already uses all cores for most of its work"),
            ));
        }
        let Listed { entries, others } = cohorts::all_entries(&paths)?;
        if entries.is_empty() {
            return Err(Fault::new(
                "StudyError",
                "no volume was found",
                "give a folder with volumes, or paths",
            ));
        }
        let options =
            CohortOptions { nyquist: nyquist(nyquist_m_s)?, anterior_posterior: along(ap)?, workers };
        let (journal, known) = match journal {
            Some(path) => Journal::open(&path).map(|(journal, known)| (Some(journal), known))?,
            None => (None, Known::default()),
        };
        let start = move || {
            let (program, arguments) = command.split_first().ok_or(std::io::ErrorKind::NotFound)?;
            let mut worker = Command::new(program);
            worker.args(arguments);
            Ok(worker)
        };
        let measured = cohorts::measure_all(&entries, &options, &start, journal, known, watch)?;
        let named = entries.iter().zip(&measured.outcomes);
        let tables =
            assemble(named.map(|(entry, (hash, outcome))| (entry.name.as_str(), hash.as_str(), outcome)));
        written(&json!({
            "jets": rows(&tables.jets),
            "volumes": rows(&tables.volumes),
            "passed_over": others,
            "fresh": measured.fresh,
        }))
    })
}

/// Works for a cohort until nobody asks any more; then the process ends
#[pyfunction]
pub(super) fn serve_cohort(py: Python<'_>) -> PyResult<()> {
    py.detach(|| Ok(cohorts::serve()?))
}
