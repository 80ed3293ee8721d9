//! One volume: its trust, its measurement, and what is made of the results.

use std::path::PathBuf;

use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict};

use super::arrays;
use super::faults::Fault;
use super::volume::{PyVolume, baseline, nyquist};
use super::work::run;
use crate::format::dicom::{Identity, SourceInstance};
use crate::measure::results::Trust;
use crate::measure::{Results, Told, measure as measured, told};
use crate::report::study::{Look, pair_figures, sweep_csv, sweep_figure as drawn_sweep};
use crate::report::{
    self as reports, Archive, AreaUnit, Paper, PaperOptions, PlainCut, ReportOptions,
    StructuredReportOptions, Subject, Valve, View, figure as figures, png_from_svg,
};
use crate::sample::{FlowSampler, FrameSampler, Raster, flow_cut, scalar_cut};
use crate::severity::{self, Criteria, Evidence, Item};
use crate::space::{Cut, Direction, VolumePoint, direction};
use crate::study::agree::Agreement;
use crate::study::sweep::Over;
use crate::unit::Mm;
use crate::volume::ChannelKind;

/// Most pixels along a side of a plane
const MOST_PIXELS: f64 = 4096.0;

/// A direction of any length
pub(super) fn along(given: Option<[f64; 3]>) -> Result<Option<Direction>, Fault> {
    let Some(given) = given else { return Ok(None) };
    let none =
        || Fault::option("a direction needs a length", "give three finite numbers x, y, z, not all zero");
    direction(nalgebra::Vector3::from(given)).map(Some).ok_or_else(none)
}

/// A word out of a list
pub(super) fn word<T: Copy>(what: &str, given: &str, words: &[(&str, T)]) -> Result<T, Fault> {
    let found = words.iter().find(|(name, _)| *name == given).map(|(_, value)| *value);
    found.ok_or_else(|| {
        let names: Vec<&str> = words.iter().map(|(name, _)| *name).collect();
        Fault::option(format!("{what} is not known: {given}"), format!("it is one of {}", names.join(", ")))
    })
}

fn unit(given: &str) -> Result<AreaUnit, Fault> {
    word("the unit", given, &[("mm2", AreaUnit::Mm2), ("cm2", AreaUnit::Cm2)])
}

#[pyfunction]
pub(super) fn trust(py: Python<'_>, volume: &PyVolume) -> PyResult<String> {
    let volume = &volume.volume;
    run(py, None, move |watch| {
        let trust = Trust::of_acquisition(volume, watch.token());
        serde_json::to_string(&trust).map_err(|error| Fault::internal(error.to_string()))
    })
}

/// Results as the command line prints them, and what was told, for the report
#[pyfunction]
#[pyo3(signature = (volume, *, ap, cw_peak, cw_vti, cw_duration, systole, evidence, criteria, criteria_text, nyquist_m_s, baseline_m_s, progress))]
pub(super) fn measure(
    py: Python<'_>,
    volume: &PyVolume,
    ap: Option<[f64; 3]>,
    cw_peak: Option<f64>,
    cw_vti: Option<f64>,
    cw_duration: Option<f64>,
    systole: Option<[f64; 2]>,
    evidence: Option<String>,
    criteria: Option<String>,
    criteria_text: Option<String>,
    nyquist_m_s: Option<f64>,
    baseline_m_s: Option<f64>,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<(String, Vec<[String; 2]>)> {
    let volume = &volume.volume;
    run(py, progress.as_ref(), move |watch| {
        let positive = |name: &str, value: Option<f64>| {
            let checked = value.map(told::positive).transpose();
            checked.map_err(|message| Fault::option(format!("{name} {message}"), "give it in ms"))
        };
        let of_item = |name: &str, item, value: Option<f64>| {
            let checked = value.map(|value| told::of_item(item, value)).transpose();
            checked.map_err(|message| Fault::option(format!("{name} {message}"), "check its unit"))
        };
        let systole = systole.map(told::systole).transpose();
        let told = Told {
            nyquist: nyquist(nyquist_m_s)?,
            baseline_shift: baseline(baseline_m_s)?,
            anterior_posterior: along(ap)?,
            cw_peak_m_s: of_item("cw_peak", Item::CwPeakMS, cw_peak)?,
            cw_vti_cm: of_item("cw_vti", Item::CwVtiCm, cw_vti)?,
            cw_duration_ms: positive("cw_duration", cw_duration)?,
            systole: systole.map_err(|message| {
                Fault::option(format!("systole is not understood: {message}"), "give systole=(50, 370)")
            })?,
        };
        let evidence = evidence.as_deref().map(Evidence::from_text).transpose()?.unwrap_or_default();
        let criteria = match (criteria, criteria_text) {
            (_, Some(text)) => Criteria::from_toml(&text)?,
            (Some(name), None) => Criteria::built_in(&name)?,
            (None, None) => Criteria::default(),
        };
        let results = measured(volume, &told.options(criteria, evidence), watch)?;
        Ok((reports::results_json(&results)?, told.settings()))
    })
}

/// One figure of one jet, SVG
#[pyfunction]
#[pyo3(signature = (volume, results, jet, view, frame, units))]
pub(super) fn figure(
    py: Python<'_>,
    volume: &PyVolume,
    results: &str,
    jet: usize,
    view: &str,
    frame: Option<usize>,
    units: &str,
) -> PyResult<String> {
    let volume = &volume.volume;
    run(py, None, move |_| {
        let view = word("the view", view, &View::ALL.map(|view| (view.name(), view)))?;
        let results: Results = serde_json::from_str(results)?;
        let Some(found) = results.jets.iter().find(|one| one.id == jet) else {
            let count = results.jets.len();
            return Err(Fault::option(
                format!("there is no jet {jet}, {count} found"),
                "results.jets lists them; choose one with jet=",
            ));
        };
        let subject = Subject::at_peak(volume, &results, found);
        let subject = Subject { frame: frame.unwrap_or(found.peak_frame), unit: unit(units)?, ..subject };
        Ok(figures::draw(view, &subject)?.finish())
    })
}

/// The grading on one scale, SVG; `None` where there is none
#[pyfunction]
pub(super) fn grading_figure(py: Python<'_>, results: &str, units: &str) -> PyResult<Option<String>> {
    run(py, None, move |_| {
        let (results, unit): (Results, _) = (serde_json::from_str(results)?, unit(units)?);
        let drawn = results.severity.as_ref().and_then(|grading| figures::grading(grading, unit));
        Ok(drawn.map(|svg| svg.finish()))
    })
}

/// An SVG as PNG
#[pyfunction]
pub(super) fn png<'py>(py: Python<'py>, svg: &str, scale: f32) -> PyResult<Bound<'py, PyBytes>> {
    let painted = run(py, None, move |_| Ok(png_from_svg(svg, scale)?))?;
    Ok(PyBytes::new(py, &painted))
}

/// A table of the report, or of a sweep, CSV
#[pyfunction]
pub(super) fn table(py: Python<'_>, results: &str, which: &str, units: &str) -> PyResult<String> {
    run(py, None, move |_| {
        if which == "sweep" {
            return Ok(sweep_csv(&serde_json::from_str(results)?));
        }
        let (results, unit): (Results, _) = (serde_json::from_str(results)?, unit(units)?);
        match which {
            "jets" => Ok(reports::table::jets(&results, unit)),
            "frames" => Ok(reports::table::frames(&results, unit)),
            "grading" => Ok(reports::table::grading(&results, unit)),
            _ => Err(Fault::option(
                format!("there is no table {which}"),
                "tables are jets, frames and grading",
            )),
        }
    })
}

/// The figure of a sweep, SVG
#[pyfunction]
pub(super) fn sweep_figure(py: Python<'_>, sweep: &str) -> PyResult<String> {
    run(py, None, move |_| Ok(drawn_sweep(&serde_json::from_str(sweep)?, Look::Page).finish()))
}

/// The figure of the first pair of readers, SVG; `None` where there is none
#[pyfunction]
pub(super) fn agreement_figure(py: Python<'_>, agreement: &str) -> PyResult<Option<String>> {
    run(py, None, move |_| {
        let found: Agreement = serde_json::from_str(agreement)?;
        Ok(pair_figures(&found).next().map(|svg| svg.finish()))
    })
}

/// Name and unit of what a sweep varies
#[pyfunction]
pub(super) fn sweep_words(py: Python<'_>, over: &str) -> PyResult<(&'static str, &'static str)> {
    let over = word("the parameter", over, &Over::ALL.map(|over| (over.key(), over)));
    over.map(Over::words).map_err(|fault| fault.raise(py))
}

/// Whether criteria are given as a file
#[pyfunction]
pub(super) fn is_criteria_file(given: &str) -> bool {
    severity::is_criteria_file(given)
}

/// Writes the report folder; where its page is
#[pyfunction]
#[pyo3(signature = (volume, results, settings, out, *, units, paper, reader, valve, keep_identity, progress))]
pub(super) fn report(
    py: Python<'_>,
    volume: &PyVolume,
    results: &str,
    settings: Vec<[String; 2]>,
    out: PathBuf,
    units: &str,
    paper: &str,
    reader: Option<String>,
    valve: Option<String>,
    keep_identity: bool,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<PathBuf> {
    let (files, volume) = (&volume.files, &volume.volume);
    run(py, progress.as_ref(), move |watch| {
        let results: Results = serde_json::from_str(results)?;
        let valves = [("mitral", Valve::Mitral), ("aortic", Valve::Aortic), ("tricuspid", Valve::Tricuspid)];
        let valve = valve.map(|valve| word("the valve", &valve, &valves)).transpose()?;
        let source = if files.is_empty() { None } else { Some(SourceInstance::of_files(files)?) };
        let archive = source.map(|source| Archive {
            source,
            options: StructuredReportOptions {
                identity: if keep_identity { Identity::Kept } else { Identity::Removed },
                reader: reader.clone(),
                valve,
            },
        });
        let paper = PaperOptions {
            paper: word("the paper", paper, &[("a4", Paper::A4), ("letter", Paper::Letter)])?,
            unit: unit(units)?,
            reader,
            settings,
        };
        let options = ReportOptions { paper, archive, watch: watch.clone(), ..ReportOptions::default() };
        Ok(reports::write_folder(&results, volume, &out, &options)?.page)
    })
}

/// Every channel on a plane, `[v, u]`, with the plane itself
#[pyfunction]
#[pyo3(signature = (volume, point, normal, roll_deg, frame, side_mm, pixel_mm))]
pub(super) fn plane<'py>(
    py: Python<'py>,
    volume: &PyVolume,
    point: [f64; 3],
    normal: [f64; 3],
    roll_deg: f64,
    frame: usize,
    side_mm: Option<f64>,
    pixel_mm: Option<f64>,
) -> PyResult<Bound<'py, PyDict>> {
    let volume = &volume.volume;
    let (flow, scalars, cut, raster) = run(py, None, move |_| {
        if frame >= volume.frames() {
            let frames = volume.frames();
            return Err(Fault::option(
                format!("there is no frame {frame}"),
                format!("frames are 0 to {}", frames - 1),
            ));
        }
        if !point.iter().chain([&roll_deg]).all(|number| number.is_finite()) {
            return Err(Fault::option("a point or roll is no finite number", "give mm and degrees"));
        }
        let side = side_mm.unwrap_or_else(|| PlainCut::whole_side(volume).get());
        let pixel = pixel_mm.unwrap_or_else(|| volume.grid.finest_mm());
        if !(side > 0.0 && side <= PlainCut::LONGEST_SIDE_MM && pixel > 0.0 && side / pixel <= MOST_PIXELS) {
            return Err(Fault::option(
                format!("a plane of {side} mm in pixels of {pixel} mm cannot be meant"),
                format!("a side has at most {} mm and {MOST_PIXELS} pixels", PlainCut::LONGEST_SIDE_MM),
            ));
        }
        let Some(normal) = along(Some(normal))? else { return Err(Fault::internal("no direction")) };
        let centre = VolumePoint::new(point[0], point[1], point[2]);
        let cut = Cut::perpendicular_to(centre, normal).rolled(roll_deg.to_radians());
        let raster = Raster::square(Mm::new(side), Mm::new(pixel));
        let sampler = |kind| FrameSampler::new(volume, kind, frame);
        let flow = FlowSampler::new(volume, frame).map(|sampler| flow_cut(&sampler, &cut, &raster));
        let scalars: Vec<_> = [ChannelKind::Tissue, ChannelKind::Power, ChannelKind::Variance]
            .into_iter()
            .filter_map(|kind| Some((kind, scalar_cut(&sampler(kind)?, &cut, &raster))))
            .collect();
        Ok((flow, scalars, cut, raster))
    })?;
    let made = PyDict::new(py);
    if let Some(flow) = &flow {
        made.set_item("velocity_m_s", arrays::picture(py, &flow.velocity)?)?;
        made.set_item("coherence", arrays::picture(py, &flow.coherence)?)?;
        made.set_item("coloured", arrays::picture(py, &flow.coloured)?)?;
    }
    for (kind, image) in &scalars {
        made.set_item(kind.to_string(), arrays::picture(py, image)?)?;
    }
    let us: Vec<f64> = (0..raster.width).map(|x| raster.cut_from_pixel(x as f64, 0.0).u).collect();
    let vs: Vec<f64> = (0..raster.height).map(|y| raster.cut_from_pixel(0.0, y as f64).v).collect();
    made.set_item("u_mm", us)?;
    made.set_item("v_mm", vs)?;
    let array = |direction: Direction| [direction.x, direction.y, direction.z];
    made.set_item("centre_mm", cut.centre().to_array())?;
    made.set_item("u", array(cut.u()))?;
    made.set_item("v", array(cut.v()))?;
    made.set_item("normal", array(cut.normal()))?;
    Ok(made)
}
