//! From a recipe to a solved flow: settling, averaging, and what comes out.

use crate::job::{Cancelled, Watch};

use super::field::Cell;
use super::geometry::Geometry;
use super::lattice::{CORE_SPEED, Lattice, SUMS};
use super::processor::Processor;
use super::recipe::{FlowRecipe, FlowRecipeError};
use super::truth::judged;
use super::{FlowHeader, SolvedFlow};

/// The blood is averaged every so many steps
const EVERY: usize = 16;
/// Most steps between two looks at progress, and the time that is aimed at, s
const STRIDE: usize = 256;
const STRIDE_S: f64 = 0.3;
/// Updates a second that a processor core is expected to make, for saying how long it will take: measured 1.4e7 on cores
/// of a data centre's virtual machine, less what walls and averages cost
const CORE_UPDATES: f64 = 1.2e7;

/// Where a flow is solved
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FlowDevice {
    /// On the graphics processor of this number, discrete ones first; on the processor where there is none. Adapters in
    /// software are left out: they take ten times as long as the processor itself (measured)
    Graphics(usize),
    /// On the processor
    Processor,
}

/// Why a flow was not solved
#[derive(Debug, thiserror::Error)]
pub enum FlowSolveError {
    /// The recipe cannot be solved
    #[error(transparent)]
    Recipe(#[from] FlowRecipeError),
    /// The graphics processor cannot do it
    #[error("the graphics adapter {adapter} cannot solve the flow: {reason}")]
    Graphics {
        /// Its name
        adapter: String,
        /// Why
        reason: String,
    },
    /// Speeds ran away
    #[error("the flow became unstable after {0} steps")]
    Unstable(usize),
    /// No jet comes out of the wall
    #[error("no jet was found behind the wall")]
    NoJet,
    /// The work was asked to stop
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// A solved flow and what it cost
pub struct Solved {
    /// The flow
    pub flow: SolvedFlow,
    /// What it was solved on
    pub device: String,
    /// Cell updates a second
    pub updates_per_s: f64,
}

/// What a recipe will cost
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlowCost {
    /// Cells
    pub cells: usize,
    /// Steps in all
    pub steps: usize,
}

impl FlowCost {
    /// Time that this takes on the processor, roughly, s
    pub fn processor_s(&self) -> f64 {
        let cores = std::thread::available_parallelism().map_or(1.0, |n| n.get() as f64);
        self.cells as f64 * self.steps as f64 / (CORE_UPDATES * cores)
    }
}

enum Machine<'a> {
    #[cfg(feature = "gpu")]
    Graphics(Box<super::graphics::Graphics>),
    Processor(Box<Processor<'a>>),
}

impl Machine<'_> {
    #[cfg_attr(
        not(feature = "gpu"),
        expect(clippy::unnecessary_wraps, reason = "a graphics device may fail")
    )]
    fn advance(&mut self, from: usize, steps: usize, averaging: bool) -> Result<usize, FlowSolveError> {
        let _ = from;
        match self {
            #[cfg(feature = "gpu")]
            Self::Graphics(graphics) => graphics.advance(steps, averaging.then_some(EVERY)),
            Self::Processor(processor) => {
                let mut samples = 0;
                for step in from..from + steps {
                    if averaging && step % EVERY == 0 {
                        processor.gather();
                        samples += 1;
                    }
                    processor.advance();
                }
                Ok(samples)
            }
        }
    }

    #[cfg_attr(
        not(feature = "gpu"),
        expect(clippy::unnecessary_wraps, reason = "a graphics device may fail")
    )]
    fn sums(&self) -> Result<Vec<f32>, FlowSolveError> {
        match self {
            #[cfg(feature = "gpu")]
            Self::Graphics(graphics) => graphics.sums(),
            Self::Processor(processor) => Ok(processor.sums.clone()),
        }
    }
}

/// What a flow will cost
///
/// # Errors
/// [`FlowRecipeError`] where it cannot be solved.
pub fn flow_cost(recipe: &FlowRecipe) -> Result<FlowCost, FlowRecipeError> {
    let lattice = Lattice::new(recipe, &Geometry::new(recipe)?)?;
    Ok(FlowCost { cells: lattice.count(), steps: lattice.steps(recipe).iter().sum() })
}

/// The name of the adapter that a flow would be solved on; `None` for the processor
pub fn flow_adapter(device: FlowDevice) -> Option<String> {
    #[cfg(feature = "gpu")]
    if let FlowDevice::Graphics(number) = device {
        return super::graphics::hardware().get(number).map(|adapter| adapter.get_info().name);
    }
    let _ = device;
    None
}

/// Solves a flow
///
/// # Errors
/// See [`FlowSolveError`].
pub fn solve(recipe: &FlowRecipe, device: FlowDevice, watch: &Watch) -> Result<Solved, FlowSolveError> {
    let geometry = Geometry::new(recipe)?;
    let lattice = Lattice::new(recipe, &geometry)?;
    let [settle, average] = lattice.steps(recipe);
    let (mut machine, name) = machine(&lattice, device)?;
    let began = std::time::Instant::now();
    let total = settle + average;
    let (mut done, mut samples, mut stride) = (0, 0, 1);
    while done < total {
        let averaging = done >= settle;
        let until = if averaging { total } else { settle };
        let steps = stride.min(until - done);
        let since = std::time::Instant::now();
        samples += machine.advance(done, steps, averaging)?;
        if since.elapsed().as_secs_f64() < STRIDE_S / 2.0 {
            stride = (2 * stride).min(STRIDE);
        }
        done += steps;
        watch.step(if averaging { "averaging the flow" } else { "settling the flow" }, done, total)?;
    }
    let seconds = began.elapsed().as_secs_f64();
    let sums = machine.sums()?;
    if sums.iter().any(|sum| !sum.is_finite()) || samples == 0 {
        return Err(FlowSolveError::Unstable(total));
    }
    let flow = harvested(recipe, &geometry, &lattice, &sums, samples)?;
    Ok(Solved { flow, device: name, updates_per_s: lattice.count() as f64 * total as f64 / seconds })
}

#[cfg_attr(not(feature = "gpu"), expect(clippy::unnecessary_wraps, reason = "a graphics device may fail"))]
fn machine(lattice: &Lattice, device: FlowDevice) -> Result<(Machine<'_>, String), FlowSolveError> {
    #[cfg(feature = "gpu")]
    if let FlowDevice::Graphics(number) = device
        && let Some(adapter) = super::graphics::hardware().get(number)
    {
        let graphics = super::graphics::Graphics::new(lattice, adapter)?;
        let name = graphics.adapter.clone();
        return Ok((Machine::Graphics(Box::new(graphics)), name));
    }
    let _ = device;
    Ok((Machine::Processor(Box::new(Processor::new(lattice))), String::from("the processor")))
}

/// The averages of one stored cell in m/s
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Average {
    /// Mean velocity over the whole cell, wall at rest
    pub(super) mean: [f64; 3],
    covariance: [f64; 6],
    wall: f64,
}

fn harvested(
    recipe: &FlowRecipe,
    geometry: &Geometry,
    lattice: &Lattice,
    sums: &[f32],
    samples: usize,
) -> Result<SolvedFlow, FlowSolveError> {
    let count = lattice.stored_count();
    let whole = lattice.ratio.pow(3) as f64;
    let mut averages: Vec<Average> = (0..count)
        .map(|i| {
            let blood = blood(lattice, i) as f64;
            if blood == 0.0 {
                return Average { wall: 1.0, ..Average::default() };
            }
            let of = |k: usize| f64::from(sums[k * count + i]) / (samples as f64 * blood) * lattice.speed_m_s;
            let mean = [of(0), of(1), of(2)];
            let second: [f64; SUMS - 3] = std::array::from_fn(|k| of(k + 3) * lattice.speed_m_s);
            let product = [(0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)];
            let covariance = std::array::from_fn(|k| second[k] - mean[product[k].0] * mean[product[k].1]);
            Average { mean: mean.map(|v| v * blood / whole), covariance, wall: 1.0 - blood / whole }
        })
        .collect();
    let cell_mm = lattice.cell_mm * lattice.ratio as f64;
    let frame = Frame { cells: lattice.stored, cell_mm, origin_mm: lattice.origin_mm };
    let judge = |averages: &[Average]| judged(&frame, averages, geometry, recipe.leaflet.thickness_mm);
    let (_, found) = judge(&averages).ok_or(FlowSolveError::NoJet)?;
    // Driven by a flow, the core's speed comes out as it may: the whole is scaled to the speed that was asked for.
    let factor = if recipe.fluid.flow_ml_s.is_some() { 1.0 } else { recipe.fluid.peak_m_s / found.core_m_s };
    if !(0.3..3.0).contains(&factor) || found.core_m_s > 4.0 * CORE_SPEED * lattice.speed_m_s {
        return Err(FlowSolveError::Unstable(samples * EVERY));
    }
    for average in &mut averages {
        average.mean = average.mean.map(|v| v * factor);
        average.covariance = average.covariance.map(|c| c * factor * factor);
    }
    let (planes, truth) = judge(&averages).ok_or(FlowSolveError::NoJet)?;
    let header = FlowHeader {
        name: recipe.name.clone(),
        purpose: recipe.purpose,
        recipe: toml::to_string(recipe).unwrap_or_default(),
        cell_mm,
        cells: lattice.stored,
        origin_mm: lattice.origin_mm,
        viscosity_mm2_s: recipe.fluid.viscosity_mm2_s * factor,
        planes,
        truth,
    };
    let cells = averages
        .iter()
        .map(|average| {
            Cell::new(
                average.mean.map(|v| v as f32),
                average.covariance.map(|c| c as f32),
                average.wall as f32,
            )
        })
        .collect();
    SolvedFlow::new(header, cells).ok_or(FlowSolveError::NoJet)
}

/// Cells of blood in a stored cell
fn blood(lattice: &Lattice, i: usize) -> usize {
    let [nx, ny, _] = lattice.cells;
    let [sx, sy, _] = lattice.stored;
    let at = [i % sx, i / sx % sy, i / (sx * sy)];
    let ratio = lattice.ratio;
    (0..ratio.pow(3))
        .filter(|part| {
            let part = [part % ratio, part / ratio % ratio, part / (ratio * ratio)];
            let [x, y, z] = [0, 1, 2].map(|a| lattice.first[a] + at[a] * ratio + part[a]);
            lattice.distance[x + nx * (y + ny * z)] > 0.0
        })
        .count()
}

/// Where stored cells lie
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    pub(super) cells: [usize; 3],
    pub(super) cell_mm: f64,
    pub(super) origin_mm: [f64; 3],
}
