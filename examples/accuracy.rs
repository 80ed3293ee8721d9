//! How right the measurement is: simulated acquisitions with known truth, measured and compared.
//!
//! `cargo run --release --example accuracy` prints the table over the published test seeds, which
//! were not used while the method was tuned (those lie below 1000).
//!
//! Options: `--seeds FROM..TO`, `--velocity-only` (no power channel), `--list` (a line a jet).

use std::fmt::Write as _;

use narrows::job::Watch;
use narrows::measure::results::{JetResult, ShapeClass};
use narrows::measure::{Options, Results, measure};
use narrows::phantom::{JetTruth, JetTruthFrame, Truth, TruthShape, random_recipe, simulate};

/// One measured jet against its truth
struct Case {
    seed: u64,
    shape: TruthShape,
    truth_mm2: f64,
    found_mm2: f64,
    low: f64,
    high: f64,
    traced_mm2: f64,
    axis_deg: f64,
    level_mm: f64,
    aside_mm: f64,
    shape_right: bool,
    beam_deg: f64,
    gain: f64,
    sigma: f64,
}

#[derive(Default)]
struct Tally {
    cases: Vec<Case>,
    volumes: usize,
    count_right: usize,
    missed: usize,
    extra: usize,
}

fn main() {
    let mut seeds = 5000..5080u64;
    let (mut velocity_only, mut list) = (false, false);
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--velocity-only" => velocity_only = true,
            "--list" => list = true,
            "--seeds" => {
                let text = arguments.next().unwrap_or_default();
                let ends: Vec<u64> = text.split("..").filter_map(|t| t.parse().ok()).collect();
                let [from, to] = ends[..] else {
                    eprintln!("error: --seeds wants FROM..TO, not {text:?}");
                    std::process::exit(2);
                };
                seeds = from..to;
            }
            other => {
                eprintln!("error: unknown option {other:?}");
                std::process::exit(2);
            }
        }
    }
    let mut tally = Tally::default();
    if list {
        println!(
            "seed shape        truth  found    low   high traced   err%  axis level aside  beam gain sigma"
        );
    }
    for seed in seeds.clone() {
        let mut recipe = random_recipe(seed).single_frame();
        if velocity_only {
            recipe.store.channels.retain(|kind| *kind != narrows::volume::ChannelKind::Power);
        }
        let (volume, truth) = simulate(&recipe, &Watch::silent()).expect("the population is valid");
        let results = measure(&volume, &Options::default(), &Watch::silent()).expect("it has velocity");
        let before = tally.cases.len();
        tally.add(seed, &truth, &results);
        if list {
            for case in &tally.cases[before..] {
                println!("{}", case.line());
            }
            let jets = truth.jets.iter().filter(|j| j.frames[0].present).count();
            if jets != results.jets.len() {
                println!("{seed:4} found {} of {jets} jets", results.jets.len());
            }
        }
    }
    println!("seeds {}..{}{}", seeds.start, seeds.end, if velocity_only { ", velocity only" } else { "" });
    print!("{}", tally.summary());
}

impl Tally {
    fn add(&mut self, seed: u64, truth: &Truth, results: &Results) {
        self.volumes += 1;
        let present: Vec<(&JetTruth, &JetTruthFrame)> =
            truth.jets.iter().map(|j| (j, &j.frames[0])).filter(|(_, f)| f.present).collect();
        self.count_right += usize::from(present.len() == results.jets.len());
        let mut free: Vec<&JetResult> = results.jets.iter().collect();
        for (jet, frame) in present {
            let distance = |result: &JetResult| norm(sub(result.neck_mm, frame.neck_mm));
            let nearest = (0..free.len()).min_by(|a, b| distance(free[*a]).total_cmp(&distance(free[*b])));
            let Some(index) = nearest.filter(|i| distance(free[*i]) < 6.0) else {
                self.missed += 1;
                continue;
            };
            self.cases.push(case(seed, truth, jet, frame, free.remove(index)));
        }
        self.extra += free.len();
    }

    fn summary(&self) -> String {
        let mut text = String::new();
        let mut table = |name: &str, cases: &[&Case]| {
            if cases.is_empty() {
                return;
            }
            let errors: Vec<f64> = cases.iter().map(|c| 100.0 * (c.found_mm2 / c.truth_mm2 - 1.0)).collect();
            let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
            let held = cases.iter().filter(|c| c.low <= c.truth_mm2 && c.truth_mm2 <= c.high).count();
            let right = cases.iter().filter(|c| c.shape_right).count();
            let needed: Vec<f64> =
                cases.iter().map(|c| (c.found_mm2 - c.truth_mm2).abs() / c.half()).collect();
            let width: Vec<f64> = cases.iter().map(|c| 50.0 * (c.high - c.low) / c.truth_mm2).collect();
            let _ = writeln!(
                text,
                "{name:<22} {:4}  {:+6.1}  {:5.1}  {:5.1}   {:5.1}  {:5.1}  {:5.2}   {:5.2}  {:5.2}   {:5.1}  {:5.1}",
                cases.len(),
                quantile(&errors, 0.5),
                quantile(&sizes, 0.5),
                quantile(&sizes, 0.9),
                100.0 * held as f64 / cases.len() as f64,
                quantile(&width, 0.5),
                quantile(&needed, 0.95),
                quantile(&cases.iter().map(|c| c.axis_deg).collect::<Vec<_>>(), 0.5),
                quantile(&cases.iter().map(|c| c.level_mm.abs()).collect::<Vec<_>>(), 0.5),
                quantile(&cases.iter().map(|c| c.level_mm).collect::<Vec<_>>(), 0.5),
                100.0 * right as f64 / cases.len() as f64,
            );
        };
        let all: Vec<&Case> = self.cases.iter().collect();
        table("all", &all);
        for shape in [TruthShape::Round, TruthShape::Elliptical, TruthShape::Crescent] {
            let some: Vec<&Case> = all.iter().copied().filter(|c| c.shape == shape).collect();
            table(&format!("{shape:?}").to_lowercase(), &some);
        }
        for (name, low, high) in
            [("below 0.25 cm2", 0.0, 25.0), ("0.25 to 0.5 cm2", 25.0, 50.0), ("above 0.5 cm2", 50.0, 1e9)]
        {
            let some: Vec<&Case> =
                all.iter().copied().filter(|c| c.truth_mm2 >= low && c.truth_mm2 < high).collect();
            table(name, &some);
        }
        for (name, low, high) in
            [("beam 0 to 15 deg", 0.0, 15.0), ("beam 15 to 30 deg", 15.0, 30.0), ("beam over 30", 30.0, 91.0)]
        {
            let some: Vec<&Case> =
                all.iter().copied().filter(|c| c.beam_deg >= low && c.beam_deg < high).collect();
            table(name, &some);
        }
        let head = "                        n    bias  |err|  |err|   held   half  95 %/   axis  |lev|     lev  shape\n\
                    \x20                                 %    50 %   90 %      %  width%   half    deg     mm      mm      %\n";
        format!(
            "{head}{text}jets counted right in {} of {} volumes ({:.1} %); {} missed, {} extra\n",
            self.count_right,
            self.volumes,
            100.0 * self.count_right as f64 / self.volumes.max(1) as f64,
            self.missed,
            self.extra
        )
    }
}

fn case(seed: u64, truth: &Truth, jet: &JetTruth, frame: &JetTruthFrame, found: &JetResult) -> Case {
    let cosine = dot(jet.axis, found.axis).clamp(-1.0, 1.0);
    let offset = sub(found.neck_mm, frame.neck_mm);
    let level = dot(offset, jet.axis);
    let expected = match jet.shape {
        TruthShape::Round => ShapeClass::Round,
        TruthShape::Elliptical => ShapeClass::Elliptical,
        TruthShape::Crescent => ShapeClass::Crescent,
        TruthShape::Irregular => ShapeClass::Irregular,
    };
    Case {
        seed,
        shape: jet.shape,
        truth_mm2: frame.effective_area_mm2,
        found_mm2: found.vca_mm2.value,
        low: found.vca_mm2.low,
        high: found.vca_mm2.high,
        traced_mm2: found.traced_area_mm2,
        axis_deg: libm::acos(cosine).to_degrees(),
        level_mm: level,
        aside_mm: (norm(offset).powi(2) - level * level).max(0.0).sqrt(),
        shape_right: found.shape.class == expected,
        beam_deg: frame.beam_angle_deg,
        gain: truth.recipe.doppler.gain,
        sigma: truth.blur_mm[0],
    }
}

impl Case {
    /// Half the interval, mm2
    fn half(&self) -> f64 {
        f64::max((self.high - self.low) / 2.0, 1e-9)
    }

    fn line(&self) -> String {
        format!(
            "{:4} {:<11} {:6.1} {:6.1} {:6.1} {:6.1} {:6.1} {:+6.1} {:5.1} {:+5.2} {:5.2} {:5.1} {:4.2} {:5.2} {}{}",
            self.seed,
            format!("{:?}", self.shape).to_lowercase(),
            self.truth_mm2,
            self.found_mm2,
            self.low,
            self.high,
            self.traced_mm2,
            100.0 * (self.found_mm2 / self.truth_mm2 - 1.0),
            self.axis_deg,
            self.level_mm,
            self.aside_mm,
            self.beam_deg,
            self.gain,
            self.sigma,
            if self.low <= self.truth_mm2 && self.truth_mm2 <= self.high { "" } else { " outside" },
            if self.shape_right { "" } else { " shape" },
        )
    }
}

fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = share * (sorted.len() - 1) as f64;
    let (low, part) = (at as usize, at.fract());
    sorted[low] + (sorted[(low + 1).min(sorted.len() - 1)] - sorted[low]) * part
}

fn sub(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    std::array::from_fn(|i| a[i] - b[i])
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| a[i] * b[i]).sum()
}

fn norm(a: [f64; 3]) -> f64 {
    dot(a, a).sqrt()
}
