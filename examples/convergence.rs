//! How right the flow convergence and the regurgitant volume are: simulated acquisitions with known flow,
//! measured and compared.
//!
//! `cargo run --release --example convergence` prints the errors of the flow through the surfaces of equal
//! speed and of the hemispheric formula, over random recipes on solved flows
//! for testing. With `--beats yes` whole beats are measured instead of one frame each, and the
//! regurgitant volume is compared with the one that was put in.
//!
//! Options: `--seeds FROM..TO`, `--list yes` (a line a jet), `--beats yes`, `--voxel-mm SIDE` (the same recipes
//! with voxels of another size), `--roundness POWER` (with velocities of another course, 1 a half-sine).

use narrows::beat::ContinuousWave;
use narrows::job::Watch;
use narrows::measure::results::{Counted, JetResult};
use narrows::measure::{Options, measure};
use narrows::numeric::stats::quantile;
use narrows::phantom::flow::FlowUse;
use narrows::phantom::{JetTruth, Recipe, Truth, TruthShape, random_recipe, simulate};
use narrows::unit::{MetresPerSecond, Seconds};
use rayon::prelude::*;

struct Wanted {
    seeds: std::ops::Range<u64>,
    list: bool,
    beats: bool,
    voxel_mm: Option<f64>,
    roundness: Option<f64>,
}

impl Wanted {
    fn recipe(&self, seed: u64) -> Recipe {
        let mut recipe = random_recipe(seed, FlowUse::Testing).expect("the library can be read");
        if let Some(voxel) = self.voxel_mm {
            let grid = &mut recipe.grid;
            grid.shape =
                std::array::from_fn(|a| (grid.shape[a] as f64 * grid.voxel_mm[a] / voxel).round() as usize);
            grid.voxel_mm = [voxel; 3];
        }
        if let Some(roundness) = self.roundness {
            recipe.flow.wave.roundness = roundness;
        }
        recipe
    }
}

fn main() {
    let mut wanted = Wanted { seeds: 5000..5040, list: false, beats: false, voxel_mm: None, roundness: None };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let text = arguments.next().unwrap_or_default();
        let ends: Vec<u64> = text.split("..").filter_map(|t| t.parse().ok()).collect();
        match (argument.as_str(), &ends[..]) {
            ("--seeds", [from, to]) => wanted.seeds = *from..*to,
            ("--list", _) => wanted.list = true,
            ("--beats", _) => wanted.beats = true,
            ("--voxel-mm", _) if text.parse::<f64>().is_ok_and(|side| (0.2..=2.0).contains(&side)) => {
                wanted.voxel_mm = text.parse().ok();
            }
            ("--roundness", _) if text.parse::<f64>().is_ok_and(|power| (0.0..=4.0).contains(&power)) => {
                wanted.roundness = text.parse().ok();
            }
            _ => {
                eprintln!(
                    "error: options are --seeds FROM..TO, --list yes, --beats yes, --voxel-mm SIDE (0.2 to 2) and \
                     --roundness POWER (0 to 4), not {argument:?} {text:?}"
                );
                std::process::exit(2);
            }
        }
    }
    if wanted.beats { beats(&wanted) } else { flows(&wanted) }
}

/// One jet's flow in one frame
struct Case {
    shape: TruthShape,
    alone: bool,
    beam_deg: f64,
    error: f64,
    half: f64,
    hemisphere: Option<f64>,
    held: bool,
    line: String,
}

/// What a volume tells: the jets with a flow, and why the others have none
#[derive(Default)]
struct Told {
    cases: Vec<Case>,
    reasons: Vec<String>,
}

fn flow_of(wanted: &Wanted, seed: u64) -> Told {
    let recipe = wanted.recipe(seed).single_frame();
    let (volume, truth) = simulate(&recipe, &Watch::silent()).expect("the population is valid");
    let results = measure(&volume, &Options::default(), &Watch::silent()).expect("it has velocity");
    let mut told = Told::default();
    for jet in &truth.jets {
        let frame = &jet.frames[0];
        if !frame.present {
            continue;
        }
        let far = |found: &JetResult| {
            (0..3).map(|i| (found.neck_mm[i] - frame.neck_mm[i]).powi(2)).sum::<f64>().sqrt()
        };
        let near = results.jets.iter().min_by(|a, b| far(a).total_cmp(&far(b))).filter(|j| far(j) < 6.0);
        let Some(found) = near else { continue };
        match case(seed, jet, &truth, found) {
            Some(case) => told.cases.push(case),
            None => {
                told.reasons
                    .push(format!("{seed}: {}", found.convergence.reason.clone().unwrap_or_default()));
            }
        }
    }
    told
}

fn case(seed: u64, jet: &JetTruth, truth: &Truth, found: &JetResult) -> Option<Case> {
    let frame = &jet.frames[0];
    let zone = &found.convergence;
    let flow = zone.flow_ml_s?;
    let off = |flow: f64| 100.0 * (flow / frame.flow_ml_s - 1.0);
    let each: Vec<String> = zone
        .surfaces
        .iter()
        .map(|s| {
            let mark = if s.counted == Counted::Yes { "/" } else { "x" };
            format!("{:.2}:{:+.0}{mark}{:.0}", s.speed_m_s, off(s.flow_ml_s), s.seen_percent)
        })
        .collect();
    let line = format!(
        "{seed} {:?} of {} beam {:.0} Q {:.0} {:+.1} % half {:.1} % spread {:.1} hemi {:+.0} up {:.1} agreed {:.1} area {:.0} depth {:.0} | {}",
        jet.shape,
        truth.jets.len(),
        frame.beam_angle_deg,
        frame.flow_ml_s,
        off(flow.value),
        50.0 * (flow.high - flow.low) / flow.value,
        zone.spread_percent.unwrap_or(f64::NAN),
        zone.hemisphere.map_or(f64::NAN, |h| off(h.flow_ml_s)),
        zone.upstream_mm.unwrap_or(f64::NAN),
        zone.agreement_percent.unwrap_or(f64::NAN),
        frame.effective_area_mm2,
        truth.recipe.scan.depth_mm,
        each.join(" ")
    );
    Some(Case {
        shape: jet.shape,
        alone: truth.jets.iter().filter(|jet| jet.frames[0].present).count() == 1,
        beam_deg: frame.beam_angle_deg,
        error: off(flow.value),
        half: 50.0 * (flow.high - flow.low) / flow.value,
        hemisphere: zone.hemisphere.map(|h| off(h.flow_ml_s)),
        held: flow.low <= frame.flow_ml_s && frame.flow_ml_s <= flow.high,
        line,
    })
}

fn flows(wanted: &Wanted) {
    let seeds: Vec<u64> = wanted.seeds.clone().collect();
    let all: Vec<Told> = seeds.par_iter().map(|seed| flow_of(wanted, *seed)).collect();
    let cases: Vec<&Case> = all.iter().flat_map(|told| &told.cases).collect();
    let reasons: Vec<&String> = all.iter().flat_map(|told| &told.reasons).collect();
    if wanted.list {
        for case in &cases {
            println!("{}", case.line);
        }
    }
    let (from, to) = (wanted.seeds.start, wanted.seeds.end);
    println!("seeds {from}..{to}: {} of {} jets with a flow", cases.len(), cases.len() + reasons.len());
    println!("                       n    bias  |err|  |err|   held   half   hemisphere: bias  |err|");
    println!("                               %   50 %   90 %      %      %                  %   50 %");
    let table = |name: &str, choose: &dyn Fn(&Case) -> bool| {
        let some: Vec<&&Case> = cases.iter().filter(|case| choose(case)).collect();
        if some.is_empty() {
            return;
        }
        let errors: Vec<f64> = some.iter().map(|c| c.error).collect();
        let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        let halves: Vec<f64> = some.iter().map(|c| c.half).collect();
        let half: Vec<f64> = some.iter().filter_map(|c| c.hemisphere).collect();
        let half_sizes: Vec<f64> = half.iter().map(|e| e.abs()).collect();
        println!(
            "{name:<20} {:4}  {:+6.1}  {:5.1}  {:5.1}  {:5.1}  {:5.1}             {:+6.1}  {:5.1}",
            some.len(),
            quantile(&errors, 0.5),
            quantile(&sizes, 0.5),
            quantile(&sizes, 0.9),
            100.0 * some.iter().filter(|c| c.held).count() as f64 / some.len() as f64,
            quantile(&halves, 0.5),
            quantile(&half, 0.5),
            quantile(&half_sizes, 0.5),
        );
    };
    table("one jet", &|c| c.alone);
    table("- round", &|c| c.alone && c.shape == TruthShape::Round);
    table("- elliptical", &|c| c.alone && c.shape == TruthShape::Elliptical);
    table("- crescent", &|c| c.alone && c.shape == TruthShape::Crescent);
    table("- beam up to 20 deg", &|c| c.alone && c.beam_deg <= 20.0);
    table("- beam 20 to 35 deg", &|c| c.alone && c.beam_deg > 20.0 && c.beam_deg <= 35.0);
    table("- beam over 35 deg", &|c| c.alone && c.beam_deg > 35.0);
    table("two jets, each", &|c| !c.alone);
    for reason in reasons {
        println!("no flow, seed {reason}");
    }
}

/// Errors of one beat's regurgitant volume in percent, and whether its interval held: with the integral
/// of the velocity typed in, then with its peak and duration
struct Beat {
    seed: u64,
    jets: usize,
    found: usize,
    truth_ml: f64,
    by: [(f64, bool); 2],
    /// Power of the envelope, its standard deviation and the frames that told it
    power: Option<(f64, f64, usize)>,
}

/// Velocity-time integral of the whole of systole, m: what a continuous-wave spectrum shows while any
/// orifice is open all the time
fn integral_m(recipe: &Recipe) -> f64 {
    let wave = &recipe.flow.wave;
    let steps = 2000;
    let mean = (0..steps)
        .map(|i| {
            let arch = libm::sin(std::f64::consts::PI * (f64::from(i) + 0.5) / f64::from(steps));
            libm::pow(arch, wave.roundness)
        })
        .sum::<f64>()
        / f64::from(steps);
    wave.peak_m_s * mean * recipe.beat.systole_duration_s
}

fn beat_of(wanted: &Wanted, seed: u64) -> Beat {
    let recipe = wanted.recipe(seed);
    let (volume, truth) = simulate(&recipe, &Watch::silent()).expect("the population is valid");
    let duration = Some(Seconds::new(recipe.beat.systole_duration_s));
    let integral = ContinuousWave { vti_m: Some(integral_m(&recipe)), duration, ..ContinuousWave::default() };
    let peak = MetresPerSecond::new(recipe.flow.wave.peak_m_s);
    let arch = ContinuousWave { peak: Some(peak), duration, ..ContinuousWave::default() };
    let mut found = 0;
    let mut power = None;
    let by = [integral, arch].map(|continuous_wave| {
        let options = Options { continuous_wave, ..Options::default() };
        let results = measure(&volume, &options, &Watch::silent()).expect("it has velocity");
        found = results.jets.len();
        power = results.total.cw_envelope.map(|used| (used.power, used.power_error, used.frames));
        results.total.regurgitant_volume_ml.map_or((-100.0, false), |volume| {
            let truth = truth.regurgitant_volume_ml;
            (100.0 * (volume.value / truth - 1.0), volume.low <= truth && truth <= volume.high)
        })
    });
    Beat { seed, jets: truth.jets.len(), found, truth_ml: truth.regurgitant_volume_ml, by, power }
}

fn beats(wanted: &Wanted) {
    let seeds: Vec<u64> = wanted.seeds.clone().collect();
    let all: Vec<Beat> = seeds.par_iter().map(|seed| beat_of(wanted, *seed)).collect();
    if wanted.list {
        for beat in &all {
            let (power, error, frames) = beat.power.unwrap_or_default();
            println!(
                "{} {} jets of {}, {:.1} ml: {:+.1} % with the integral, {:+.1} % with peak and duration; power \
                 {power:.2} +- {error:.2} from {frames} frames",
                beat.seed, beat.found, beat.jets, beat.truth_ml, beat.by[0].0, beat.by[1].0
            );
        }
    }
    println!("seeds {}..{}, whole beats", wanted.seeds.start, wanted.seeds.end);
    println!("regurgitant volume with        n    bias  |err|  |err|   held");
    println!("                                       %   50 %   90 %      %");
    for (i, name) in ["the integral typed in", "peak and duration"].into_iter().enumerate() {
        let errors: Vec<f64> = all.iter().map(|beat| beat.by[i].0).collect();
        let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        println!(
            "{name:<28} {:4}  {:+6.1}  {:5.1}  {:5.1}  {:5.1}",
            all.len(),
            quantile(&errors, 0.5),
            quantile(&sizes, 0.5),
            quantile(&sizes, 0.9),
            100.0 * all.iter().filter(|beat| beat.by[i].1).count() as f64 / all.len() as f64,
        );
    }
}
