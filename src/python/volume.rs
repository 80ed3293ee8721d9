//! A volume, opened or made of arrays.

use std::path::PathBuf;
use std::sync::Arc;

use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::arrays;
use super::faults::Fault;
use super::work::run;
use crate::format::array::{ArrayChannel, Gaps, Sidecar, from_arrays as make};
use crate::format::dicom::WriteOptions;
use crate::format::{self, OpenOptions, VelocityBar};
use crate::measure::told;
use crate::phantom::Truth;
use crate::volume::{ChannelKind, Volume4};

/// A volume with the files it came from
#[pyclass(frozen, name = "Volume", module = "narrows._narrows")]
pub(super) struct PyVolume {
    pub(super) volume: Arc<Volume4>,
    /// Empty where it came from none
    pub(super) files: Vec<PathBuf>,
    /// Of a simulated one
    pub(super) truth: Option<Arc<Truth>>,
}

/// The channel of a name
pub(super) fn kind(name: &str) -> Result<ChannelKind, Fault> {
    match name {
        "tissue" => Ok(ChannelKind::Tissue),
        "velocity" => Ok(ChannelKind::Velocity),
        "power" => Ok(ChannelKind::Power),
        "variance" => Ok(ChannelKind::Variance),
        _ => Err(Fault::option(
            format!("there is no channel of this name: {name}"),
            "channels are tissue, velocity, power and variance",
        )),
    }
}

/// A Nyquist velocity, where one is given
pub(super) fn nyquist(value: Option<f64>) -> Result<Option<crate::unit::MetresPerSecond>, Fault> {
    let checked = value.map(told::nyquist).transpose();
    checked.map_err(|message| Fault::option(message, "give nyquist_m_s in m/s"))
}

/// A baseline shift, where one is given
pub(super) fn baseline(value: Option<f64>) -> Result<Option<crate::unit::MetresPerSecond>, Fault> {
    let checked = value.map(told::baseline_shift).transpose();
    checked.map_err(|message| Fault::option(message, "give baseline_m_s in m/s"))
}

#[pyfunction]
#[pyo3(signature = (paths, nyquist_m_s, baseline_m_s, velocity_bar))]
pub(super) fn open(
    py: Python<'_>,
    paths: Vec<PathBuf>,
    nyquist_m_s: Option<f64>,
    baseline_m_s: Option<f64>,
    velocity_bar: Option<PathBuf>,
) -> PyResult<PyVolume> {
    run(py, None, move |_| {
        let bar = velocity_bar.as_deref().map(VelocityBar::open).transpose()?;
        let options = OpenOptions {
            nyquist: nyquist(nyquist_m_s)?,
            baseline_shift: baseline(baseline_m_s)?,
            velocity_bar: bar.map(Arc::new),
            ..OpenOptions::default()
        };
        let volume = Arc::new(format::open_all(&paths, &options)?);
        Ok(PyVolume { volume, files: paths, truth: None })
    })
}

/// A volume of arrays by channel; what they mean is a sidecar's JSON
#[pyfunction]
#[pyo3(signature = (channels, sidecar, name, nan_is_no_colour))]
pub(super) fn from_arrays(
    py: Python<'_>,
    channels: Vec<(String, Bound<'_, PyAny>)>,
    sidecar: &str,
    name: String,
    nan_is_no_colour: bool,
) -> PyResult<PyVolume> {
    let mut lent = Vec::new();
    for (channel, array) in &channels {
        let made = kind(channel).and_then(|kind| {
            let (bytes, element, shape) = arrays::lend(array)?;
            Ok(ArrayChannel { kind, bytes, element, shape })
        });
        lent.push(made.map_err(|fault| fault.raise(py))?);
    }
    let gaps = if nan_is_no_colour { Gaps::NoColour } else { Gaps::Refused };
    run(py, None, move |_| {
        let said = Sidecar::from_json(sidecar.as_bytes())?;
        let volume = Arc::new(make(&lent, &said, &name, gaps)?);
        Ok(PyVolume { volume, files: Vec::new(), truth: None })
    })
}

#[pymethods]
impl PyVolume {
    /// What the sidecar of a file would say: channels, scales, grid, times, apex
    fn sidecar(&self) -> String {
        Sidecar::of(&self.volume).to_json()
    }

    /// Shape and provenance
    fn facts<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let volume = &self.volume;
        let facts = PyDict::new(py);
        let [nx, ny, nz] = volume.grid.shape();
        facts.set_item("shape", (volume.frames(), nz, ny, nx))?;
        facts.set_item("file", &volume.provenance.file)?;
        facts.set_item("blake3", &volume.provenance.blake3)?;
        facts.set_item("format", &volume.provenance.format)?;
        facts.set_item("assumed", &volume.provenance.assumed)?;
        let scale = volume.velocity_scale();
        let limits = scale.map(|scale| scale.limits());
        facts.set_item("nyquist_m_s", scale.map(|scale| scale.nyquist().get()))?;
        facts.set_item("velocity_limits_m_s", limits.map(|(low, high)| (low.get(), high.get())))?;
        facts.set_item("files", &self.files)?;
        Ok(facts)
    }

    /// The codes of a channel, `[frame, z, y, x]`, read-only; `None` where the volume lacks it
    fn codes<'py>(slf: &Bound<'py, Self>, channel: &str) -> PyResult<Option<Bound<'py, PyAny>>> {
        let kind = kind(channel).map_err(|fault| fault.raise(slf.py()))?;
        let volume = &slf.get().volume;
        let Some(channel) = volume.channel(kind) else { return Ok(None) };
        arrays::codes(slf.as_any(), channel.samples(), volume.grid.shape()).map(Some)
    }

    /// The displayed velocity of these frames as `[frame, z, y, x]`, m/s, NaN where there is no colour
    fn velocity_m_s<'py>(&self, py: Python<'py>, frames: Vec<usize>) -> PyResult<Option<Bound<'py, PyAny>>> {
        let (volume, wanted) = (&self.volume, &frames);
        let velocities = run(py, None, move |_| {
            let Some((samples, scale)) = volume.velocity() else { return Ok(None) };
            let mut all: Vec<f32> = Vec::with_capacity(wanted.len() * samples.voxels());
            for frame in wanted {
                if *frame >= samples.frames() {
                    return Err(Fault::option(
                        format!("there is no frame {frame}"),
                        "frames are counted from 0",
                    ));
                }
                let codes = samples.frame(*frame);
                all.extend((0..codes.len()).map(|index| match codes.at(index) {
                    code if code == scale.zero_code() => f32::NAN,
                    code => scale.velocity(code).get() as f32,
                }));
            }
            Ok(Some(all))
        })?;
        let [nx, ny, nz] = self.volume.grid.shape();
        velocities.map(|all| arrays::copied(py, all, [frames.len(), nz, ny, nx])).transpose()
    }

    /// What is true of a simulated volume, JSON; `None` of any other
    fn truth(&self, py: Python<'_>) -> PyResult<Option<String>> {
        let told = self.truth.as_deref().map(serde_json::to_string).transpose();
        told.map_err(|error| Fault::internal(error.to_string()).raise(py))
    }

    /// The same volume with what is true of it, JSON
    fn with_truth(&self, py: Python<'_>, truth: &str) -> PyResult<Self> {
        let truth = serde_json::from_str(truth).map_err(|error| Fault::from(error).raise(py))?;
        Ok(Self { volume: self.volume.clone(), files: self.files.clone(), truth: Some(Arc::new(truth)) })
    }

    /// Writes the volume in the format that the name says
    fn save(&self, py: Python<'_>, path: PathBuf) -> PyResult<()> {
        let volume = &self.volume;
        run(py, None, move |_| Ok(format::save(volume, &path, &WriteOptions::default())?))
    }
}
