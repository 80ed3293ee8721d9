//! `narrows flow`: a jet whose flow is solved.

use std::path::PathBuf;

use clap::Args;

use super::progress::Progress;
use super::{Exit, Failure, output};
use crate::phantom::flow::{FlowDevice, FlowRecipe, flow_adapter, flow_cost, solve};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The recipe, a TOML file; an empty one is a sharp round hole
    recipe: PathBuf,
    /// The flow to write
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Which graphics adapter, from 0, discrete ones first; adapters in software are left out
    #[arg(long, default_value_t = 0)]
    adapter: usize,
    /// Solve on the processor
    #[arg(long, conflicts_with = "adapter")]
    processor: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let Arguments { recipe: from, output: to, adapter, processor } = arguments;
    output::refuse_input(from, to)?;
    let text = std::fs::read_to_string(from).map_err(|error| {
        Failure::usage(
            format!("cannot read the recipe: {error}: {}", from.display()),
            "give a recipe in TOML, as text",
        )
    })?;
    let recipe = FlowRecipe::from_toml(&text)?;
    let device = if *processor { FlowDevice::Processor } else { FlowDevice::Graphics(*adapter) };
    let cost = flow_cost(&recipe)?;
    let progress = Progress::with_time_left();
    if flow_adapter(device).is_none() {
        eprintln!(
            "{}, {} steps on the processor: about {}",
            cells(cost.cells),
            cost.steps,
            time(cost.processor_s())
        );
    }
    let solved = solve(&recipe, device, progress.watch())?;
    output::prepare(to, &solved.flow.write()?)?.put()?;
    drop(progress);
    let truth = &solved.flow.header.truth;
    output::say(&format!(
        "wrote {}: effective area {:.2} mm2, contraction {:.3}, {:.1} ml/s at {:.2} m/s ({} at {:.2e} cells a second)",
        to.display(),
        truth.effective_mm2,
        truth.contraction,
        truth.flow_ml_s,
        truth.core_m_s,
        solved.device,
        solved.updates_per_s
    ));
    Ok(Exit::Done)
}

fn cells(count: usize) -> String {
    match count {
        ..100_000 => format!("{count} cells"),
        _ => format!("{:.1} million cells", count as f64 / 1e6),
    }
}

/// A time that is known roughly
fn time(seconds: f64) -> String {
    match seconds {
        ..90.0 => format!("{:.0} s", seconds.max(1.0)),
        ..5400.0 => format!("{:.0} minutes", seconds / 60.0),
        _ => format!("{:.1} hours", seconds / 3600.0),
    }
}
