//! How right the measurement is: simulated acquisitions with known truth, measured and compared.
//!
//! `cargo run --release --example accuracy` prints the table over the test seeds. None of them was
//! used while the method was tuned (those lie below 1000, from 6000 to 6799 and from 20000 to
//! 20799).
//!
//! Options: `--seeds FROM..TO`, `--velocity-only` (no power channel), `--list` (a line a jet),
//! `--figure FILE.svg|FILE.png` (errors and coverage as a picture), `--json` (nothing but a JSON line a
//! volume: truth, recipe and result, for statistics elsewhere).

mod case;
mod figure;
mod tally;

use narrows::job::Watch;
use narrows::measure::{Options, Results, measure};
use narrows::phantom::{Truth, random_recipe, simulate};
use narrows::report::png_from_svg;
use narrows::volume::ChannelKind;
use rayon::prelude::*;

use tally::Tally;

struct Wanted {
    seeds: std::ops::Range<u64>,
    velocity_only: bool,
    list: bool,
    json: bool,
    figure: Option<String>,
}

fn main() {
    let wanted = match wanted(std::env::args().skip(1)) {
        Ok(wanted) => wanted,
        Err(error) => {
            eprintln!("error: {error}");
            std::process::exit(2);
        }
    };
    let mut tally = Tally::default();
    if wanted.list {
        println!("{}", case::Case::HEAD);
    }
    // A handful at a time, so that lines come early and in order.
    let all: Vec<u64> = wanted.seeds.clone().collect();
    for some in all.chunks(2 * rayon::current_num_threads()) {
        let measured: Vec<(u64, Truth, Results)> =
            some.par_iter().map(|seed| one(*seed, wanted.velocity_only)).collect();
        for (seed, truth, results) in &measured {
            if wanted.json {
                println!("{}", as_json(*seed, truth, results));
                continue;
            }
            let lines = tally.add(*seed, truth, results);
            if wanted.list {
                print!("{lines}");
            }
        }
    }
    if wanted.json {
        return;
    }
    let only = if wanted.velocity_only { ", velocity only" } else { "" };
    let title = format!("seeds {}..{}{only}", wanted.seeds.start, wanted.seeds.end);
    println!("{title}");
    print!("{}", tally.summary());
    if let Some(path) = wanted.figure {
        if let Err(error) = write(&path, &figure::draw(&tally, &title)) {
            eprintln!("error: {path} could not be written: {error}");
            std::process::exit(2);
        }
        println!("figure: {path}");
    }
}

fn one(seed: u64, velocity_only: bool) -> (u64, Truth, Results) {
    let mut recipe = random_recipe(seed).single_frame();
    if velocity_only {
        recipe.store.channels.retain(|kind| *kind != ChannelKind::Power);
    }
    let (volume, truth) = simulate(&recipe, &Watch::silent()).expect("the population is valid");
    let results = measure(&volume, &Options::default(), &Watch::silent()).expect("it has velocity");
    (seed, truth, results)
}

fn write(path: &str, svg: &str) -> Result<(), Box<dyn std::error::Error>> {
    let picture = std::path::Path::new(path).extension().is_some_and(|e| e.eq_ignore_ascii_case("png"));
    if picture {
        std::fs::write(path, png_from_svg(svg, 1.0)?)?;
    } else {
        std::fs::write(path, svg)?;
    }
    Ok(())
}

fn wanted(mut arguments: impl Iterator<Item = String>) -> Result<Wanted, String> {
    let mut wanted =
        Wanted { seeds: 5000..5080, velocity_only: false, list: false, json: false, figure: None };
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--velocity-only" => wanted.velocity_only = true,
            "--list" => wanted.list = true,
            "--json" => wanted.json = true,
            "--figure" => wanted.figure = Some(arguments.next().ok_or("--figure wants a file name")?),
            "--seeds" => {
                let text = arguments.next().unwrap_or_default();
                let ends: Vec<u64> = text.split("..").filter_map(|t| t.parse().ok()).collect();
                let [from, to] = ends[..] else {
                    return Err(format!("--seeds wants FROM..TO, not {text:?}"));
                };
                wanted.seeds = from..to;
            }
            other => return Err(format!("unknown option {other:?}")),
        }
    }
    Ok(wanted)
}

fn as_json(seed: u64, truth: &Truth, results: &Results) -> serde_json::Value {
    serde_json::json!({
        "seed": seed,
        "doppler": truth.recipe.doppler,
        "scan": truth.recipe.scan,
        "blur_mm": truth.blur_mm,
        "truth": truth.jets,
        "found": results.jets,
        "findings": results.trust.findings,
    })
}
