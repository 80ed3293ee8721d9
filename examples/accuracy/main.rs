//! How right the measurement is: simulated acquisitions of solved flows, measured and compared.
//!
//! `cargo run --release --no-default-features --example accuracy` judges what is reported of whole
//! beats: the peak area (all jets, and each), the regurgitant volume and the velocity-weighted mean
//! (with the true velocity-time integral and duration typed in), on the library's flows for testing. No constant
//! is set on those; `--tuning` takes the flows for tuning instead.
//!
//! Options: `--seeds FROM..TO` (default 5000..5200), `--tuning`, `--velocity-only` (nothing but
//! velocity and tissue is stored), `--typed-peak` (the true peak of continuous-wave Doppler is typed
//! in), `--frames N` (frames over systole; 1 is the open moment), `--flows WORD` (only flows whose
//! names begin so), `--list` (a table for other programs on stdout, a line a judged number, tabs
//! between; the summary then goes to stderr).

mod case;
mod list;
mod strata;
mod table;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::ops::Range;

use narrows::job::Watch;
use narrows::measure::{Measurement, Options};
use narrows::phantom::flow::{FlowUse, library_flow_for};
use narrows::phantom::{ReadyFlow, Recipe, Truth, random_recipe, simulate_flow};
use narrows::unit::{MetresPerSecond, Seconds};
use narrows::volume::ChannelKind;
use rayon::prelude::*;

use case::Case;

struct Wanted {
    seeds: Range<u64>,
    purpose: FlowUse,
    /// How the names of the flows begin
    flows: String,
    stored: Stored,
    peak: Peak,
    frames: Option<usize>,
    printed: Printed,
}

#[derive(Clone, Copy, PartialEq)]
enum Stored {
    AsDrawn,
    VelocityOnly,
}

#[derive(Clone, Copy, PartialEq)]
enum Peak {
    Unknown,
    Typed,
}

#[derive(Clone, Copy, PartialEq)]
enum Printed {
    Summary,
    List,
}

fn main() -> anyhow::Result<()> {
    let wanted = wanted(std::env::args().skip(1))?;
    let mut by_flow: BTreeMap<String, Vec<Recipe>> = BTreeMap::new();
    for seed in wanted.seeds.clone() {
        let recipe = changed(random_recipe(seed, wanted.purpose)?, &wanted);
        let name = recipe.flow.solved.clone().unwrap_or_default();
        if name.starts_with(&wanted.flows) {
            by_flow.entry(name).or_default().push(recipe);
        }
    }
    let total: usize = by_flow.values().map(Vec::len).sum();
    let mut cases: Vec<Case> = Vec::new();
    // Few flows at a time, since each takes much memory: as many as keep all threads at work.
    let enough = 2 * rayon::current_num_threads();
    let mut waiting: Vec<(ReadyFlow, Vec<Recipe>)> = Vec::new();
    let mut names = by_flow.into_iter().peekable();
    while let Some((name, recipes)) = names.next() {
        waiting.push((ReadyFlow::new(&library_flow_for(&name, wanted.purpose)?), recipes));
        if names.peek().is_some() && waiting.iter().map(|(_, recipes)| recipes.len()).sum::<usize>() < enough
        {
            continue;
        }
        let all: Vec<(&ReadyFlow, &Recipe)> = waiting
            .iter()
            .flat_map(|(flow, recipes)| recipes.iter().map(move |recipe| (flow, recipe)))
            .collect();
        let some: anyhow::Result<Vec<Case>> =
            all.par_iter().map(|(flow, recipe)| judged(recipe, flow, wanted.peak)).collect();
        cases.extend(some?);
        waiting.clear();
        eprintln!("{} of {total}: {name}", cases.len());
    }
    cases.sort_by_key(|case| case.seed);
    let summary = table::summary(&cases, &title(&wanted));
    if wanted.printed == Printed::List {
        print!("{}", list::table(&cases));
        eprint!("{summary}");
    } else {
        print!("{summary}");
    }
    Ok(())
}

/// A recipe with what the options change of it
fn changed(mut recipe: Recipe, wanted: &Wanted) -> Recipe {
    if wanted.stored == Stored::VelocityOnly {
        recipe.store.channels = vec![ChannelKind::Tissue, ChannelKind::Velocity];
    }
    match wanted.frames {
        Some(1) => recipe = recipe.single_frame(),
        Some(frames) => {
            let beat = &mut recipe.beat;
            let share = (beat.first_s - beat.systole_onset_s) / beat.interval_s;
            beat.frames = frames;
            beat.interval_s = beat.systole_duration_s / (frames as f64 - 0.5);
            beat.first_s = beat.systole_onset_s + share * beat.interval_s;
        }
        None => {}
    }
    recipe
}

fn judged(recipe: &Recipe, flow: &ReadyFlow, peak: Peak) -> anyhow::Result<Case> {
    let silent = Watch::silent();
    let (volume, truth) = simulate_flow(recipe, flow, &silent)?;
    let mut options = Options::default();
    if peak == Peak::Typed {
        options.continuous_wave.peak = Some(MetresPerSecond::new(recipe.flow.wave.peak_m_s));
    }
    let found = Measurement::of(&volume, &options, &silent)?;
    let results = found.beat.results(&volume, found.trust.clone(), &options, Vec::new());
    // The same beat again, with the traced spectrum typed in.
    options.continuous_wave.vti_m = Some(integral(&truth));
    options.continuous_wave.duration = Some(Seconds::new(recipe.beat.systole_duration_s));
    let timed = found.beat.results(&volume, found.trust, &options, Vec::new());
    Ok(Case::of(&truth, &results, &timed))
}

/// True velocity-time integral of continuous-wave Doppler over the whole of systole, m: the midpoint rule
fn integral(truth: &Truth) -> f64 {
    let (wave, length) = (&truth.recipe.flow.wave, truth.recipe.beat.systole_duration_s);
    let steps = 2000;
    let at = |i| {
        libm::pow(libm::sin(std::f64::consts::PI * (f64::from(i) + 0.5) / f64::from(steps)), wave.roundness)
    };
    wave.peak_m_s * length * (0..steps).map(at).sum::<f64>() / f64::from(steps)
}

fn title(wanted: &Wanted) -> String {
    let mut title =
        format!("seeds {}..{} on flows for {}", wanted.seeds.start, wanted.seeds.end, wanted.purpose);
    if wanted.stored == Stored::VelocityOnly {
        title += ", velocity only";
    }
    if wanted.peak == Peak::Typed {
        title += ", peak velocity typed in";
    }
    if let Some(frames) = wanted.frames {
        let _ = write!(title, ", frames {frames}");
    }
    if !wanted.flows.is_empty() {
        let _ = write!(title, ", flows {}", wanted.flows);
    }
    title
}

fn wanted(mut arguments: impl Iterator<Item = String>) -> anyhow::Result<Wanted> {
    let mut wanted = Wanted {
        seeds: 5000..5200,
        purpose: FlowUse::Testing,
        flows: String::new(),
        stored: Stored::AsDrawn,
        peak: Peak::Unknown,
        frames: None,
        printed: Printed::Summary,
    };
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--tuning" => wanted.purpose = FlowUse::Tuning,
            "--velocity-only" => wanted.stored = Stored::VelocityOnly,
            "--typed-peak" => wanted.peak = Peak::Typed,
            "--flows" => wanted.flows = arguments.next().unwrap_or_default(),
            "--list" => wanted.printed = Printed::List,
            "--frames" => {
                let text = arguments.next().unwrap_or_default();
                wanted.frames = Some(
                    text.parse()
                        .ok()
                        .filter(|n| *n > 0)
                        .ok_or_else(|| anyhow::anyhow!("--frames wants a number from 1, not {text:?}"))?,
                );
            }
            "--seeds" => {
                let text = arguments.next().unwrap_or_default();
                let ends: Vec<u64> = text.split("..").filter_map(|t| t.parse().ok()).collect();
                let [from, to] = ends[..] else {
                    anyhow::bail!("--seeds wants FROM..TO, not {text:?}");
                };
                wanted.seeds = from..to;
            }
            other => anyhow::bail!("unknown option {other:?}"),
        }
    }
    Ok(wanted)
}
