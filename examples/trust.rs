//! How often the trust check accuses: random simulated acquisitions, clean and spoilt on purpose.
//!
//! `cargo run --release --example trust` prints, for each way of spoiling, the share of volumes in which
//! each finding is worse than adequate. Clean volumes must not be accused of what was not done to
//! them; spoilt ones must be. Each volume is one frame, so what concerns time is left out.
//!
//! Clean are the population's recipes on flows for testing without any of its faults.
//!
//! Options: `--seeds FROM..TO` (default 5000..5040; recipes below 1000 were used for the limits), `--only WORD`
//! (ways whose name holds it), `--list yes`.

use std::collections::BTreeMap;

use narrows::job::Watch;
use narrows::measure::{Options, measure};
use narrows::phantom::flow::FlowUse;
use narrows::phantom::{Fault, Recipe, random_recipe, simulate};
use narrows::trust::Verdict;
use narrows::volume::{ChannelKind, Volume4};

/// A way of spoiling a recipe, and the finding that should tell
struct Way {
    name: &'static str,
    expected: Option<&'static str>,
    spoil: fn(&mut Recipe),
}

const WAYS: &[Way] = &[
    Way { name: "clean", expected: None, spoil: |_| () },
    Way { name: "clean, no power", expected: Some("channels"), spoil: no_power },
    Way { name: "beats shifted 0.7 mm", expected: Some("stitch"), spoil: |r| shifted(r, 0.7) },
    Way { name: "beats shifted 1.5 mm", expected: Some("stitch"), spoil: |r| shifted(r, 1.5) },
    Way { name: "beats shifted 2.5 mm", expected: Some("stitch"), spoil: |r| shifted(r, 2.5) },
    Way { name: "gain at the noise", expected: Some("colour-gain"), spoil: |r| r.doppler.gain = 0.02 },
    Way { name: "gain 0.08", expected: Some("colour-gain"), spoil: |r| r.doppler.gain = 0.08 },
    Way { name: "gain 0.80", expected: Some("colour-gain"), spoil: |r| r.doppler.gain = 0.80 },
    Way { name: "gain 0.95", expected: Some("colour-gain"), spoil: |r| r.doppler.gain = 0.95 },
    Way {
        name: "gain at the noise, no power",
        expected: Some("colour-gain"),
        spoil: |r| {
            r.doppler.gain = 0.02;
            no_power(r);
        },
    },
    Way {
        name: "gain 0.95, no power",
        expected: Some("colour-gain"),
        spoil: |r| {
            r.doppler.gain = 0.95;
            no_power(r);
        },
    },
    Way { name: "beam at 65 degrees", expected: Some("beam-angle"), spoil: |r| r.scan.beam_angle_deg = 68.0 },
    Way { name: "Nyquist 0.25 m/s", expected: Some("nyquist"), spoil: |r| r.doppler.nyquist_m_s = 0.25 },
    Way { name: "jet at the border", expected: Some("colour-box"), spoil: at_the_border },
    Way { name: "no room upstream", expected: Some("convergence"), spoil: no_room },
    Way {
        name: "uneven rhythm",
        expected: Some("rhythm"),
        spoil: |r| r.beat.beats_rr_s = vec![0.7, 0.95, 0.85],
    },
];

fn no_power(recipe: &mut Recipe) {
    recipe.store.channels.retain(|kind| *kind != ChannelKind::Power);
}

/// Four beats, two of them shifted by so much, in different directions
fn shifted(recipe: &mut Recipe, mm: f64) {
    let turn = recipe.seed as f64;
    let (s, c) = libm::sincos(turn);
    recipe.beat.gated_beats = 4;
    recipe.beat.shift_mm =
        vec![[0.0; 3], [0.3 * mm, 0.7 * mm * c, 0.65 * mm], [0.0; 3], [-0.3 * mm, 0.65 * mm, 0.7 * mm * s]];
}

fn at_the_border(recipe: &mut Recipe) {
    let half = recipe.grid.shape[0] as f64 / 2.0 * recipe.grid.voxel_mm[0];
    recipe.grid.offset_mm = [half - 1.0, 0.0, 0.0];
}

fn no_room(recipe: &mut Recipe) {
    // The grid ends a little upstream of the plate; which end that is depends on the view.
    let half = recipe.grid.shape[2] as f64 / 2.0 * recipe.grid.voxel_mm[2];
    let upstream = if recipe.scan.view == narrows::phantom::View::Transoesophageal { 1.0 } else { -1.0 };
    recipe.grid.offset_mm = [0.0, 0.0, upstream * (3.0 - half)];
}

fn main() {
    let mut seeds = 5000..5040u64;
    let (mut list, mut only) = (false, String::new());
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let text = arguments.next().unwrap_or_default();
        let ends: Vec<u64> = text.split("..").filter_map(|t| t.parse().ok()).collect();
        match (argument.as_str(), &ends[..]) {
            ("--seeds", [from, to]) => seeds = *from..*to,
            ("--list", _) => list = true,
            ("--only", _) => only = text,
            _ => {
                eprintln!(
                    "error: options are --seeds FROM..TO, --only WORD and --list yes, not {argument:?} {text:?}"
                );
                std::process::exit(2);
            }
        }
    }
    println!("seeds {}..{}", seeds.start, seeds.end);
    for way in WAYS.iter().filter(|way| way.name.contains(&only)) {
        let mut counts: BTreeMap<String, usize> = BTreeMap::new();
        let (mut total, mut caught) = (0, 0);
        for seed in seeds.clone() {
            let drawn = random_recipe(seed, FlowUse::Testing).expect("the library can be read");
            if Fault::ALL.iter().any(|fault| fault.is_in(&drawn)) {
                continue;
            }
            let mut recipe = drawn.single_frame();
            (way.spoil)(&mut recipe);
            let (volume, _) = simulate(&recipe, &Watch::silent()).expect("the spoilt recipe is valid");
            let codes = accused(&volume);
            total += 1;
            caught += usize::from(way.expected.is_some_and(|code| codes.iter().any(|(c, _)| c == code)));
            if list {
                println!("  {} {seed} {codes:?}", way.name);
            }
            for (code, _) in codes {
                *counts.entry(code).or_default() += 1;
            }
        }
        let told = way.expected.map_or_else(String::new, |code| {
            format!("caught by {code} in {:.0} %;", 100.0 * f64::from(caught as u32) / f64::from(total))
        });
        let counts: Vec<String> = counts.iter().map(|(code, n)| format!("{code} {n}/{total}")).collect();
        println!("{:<28} {told} {}", way.name, counts.join(", "));
    }
}

/// Findings that are not adequate, without those about time, with their values
fn accused(volume: &Volume4) -> Vec<(String, Option<f64>)> {
    let results = measure(volume, &Options::default(), &Watch::silent()).expect("it has velocity");
    let mut codes: Vec<(String, Option<f64>)> = results
        .trust
        .findings
        .into_iter()
        .filter(|f| f.verdict != Verdict::Adequate && f.code != "volume-rate")
        .map(|f| (f.code, f.value))
        .collect();
    codes.sort_by(|a, b| a.0.cmp(&b.0));
    codes.dedup_by(|a, b| a.0 == b.0);
    codes
}
