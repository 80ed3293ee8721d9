//! How right the flow convergence is: simulated acquisitions with known flow, measured and compared.
//!
//! `cargo run --release --example convergence` prints the errors of the flow through the surfaces of equal
//! speed and of the hemispheric formula, over random recipes that were not used while the method was made
//! (those lie below 1000).
//!
//! Options: `--seeds FROM..TO`, `--list yes` (a line a jet).

use narrows::job::Watch;
use narrows::measure::results::JetResult;
use narrows::measure::{Options, measure};
use narrows::numeric::stats::quantile;
use narrows::phantom::{TruthShape, random_recipe, simulate};

struct Case {
    shape: TruthShape,
    beam_deg: f64,
    error: f64,
    hemisphere: Option<f64>,
    held: bool,
}

fn main() {
    let mut seeds = 5000..5040u64;
    let mut list = false;
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let text = arguments.next().unwrap_or_default();
        let ends: Vec<u64> = text.split("..").filter_map(|t| t.parse().ok()).collect();
        match (argument.as_str(), &ends[..]) {
            ("--seeds", [from, to]) => seeds = *from..*to,
            ("--list", _) => list = true,
            _ => {
                eprintln!("error: options are --seeds FROM..TO and --list yes, not {argument:?} {text:?}");
                std::process::exit(2);
            }
        }
    }
    let (mut cases, mut reasons, mut jets) = (Vec::new(), Vec::new(), 0);
    for seed in seeds.clone() {
        let recipe = random_recipe(seed).single_frame();
        let (volume, truth) = simulate(&recipe, &Watch::silent()).expect("the population is valid");
        let results = measure(&volume, &Options::default(), &Watch::silent()).expect("it has velocity");
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
            jets += 1;
            let zone = &found.convergence;
            let Some(flow) = zone.flow_ml_s else {
                reasons.push(format!("{seed}: {}", zone.reason.clone().unwrap_or_default()));
                continue;
            };
            let off = |flow: f64| 100.0 * (flow / frame.flow_ml_s - 1.0);
            if list {
                let each: Vec<String> = zone
                    .surfaces
                    .iter()
                    .map(|s| {
                        format!(
                            "{:.2}:{:+.0}{}{:.0} a{:+.0}",
                            s.speed_m_s,
                            off(s.flow_ml_s),
                            match s.counted {
                                narrows::measure::results::Counted::Yes => "/",
                                _ => "x",
                            },
                            s.seen_percent,
                            off(s.area_mm2 * s.speed_m_s)
                        )
                    })
                    .collect();
                println!(
                    "{seed} {:?} beam {:.0} Q {:.0} {:+.0} % hemi {:+.0} up {:.1} agreed {:.1} | {}",
                    jet.shape,
                    frame.beam_angle_deg,
                    frame.flow_ml_s,
                    off(flow.value),
                    zone.hemisphere.map_or(f64::NAN, |h| off(h.flow_ml_s)),
                    zone.upstream_mm.unwrap_or(f64::NAN),
                    zone.dealiasing.map_or(0.0, |d| d.agreed_percent),
                    each.join(" ")
                );
            }
            cases.push(Case {
                shape: jet.shape,
                beam_deg: frame.beam_angle_deg,
                error: off(flow.value),
                hemisphere: zone.hemisphere.map(|h| off(h.flow_ml_s)),
                held: flow.low <= frame.flow_ml_s && frame.flow_ml_s <= flow.high,
            });
        }
    }
    println!("seeds {}..{}: {} of {jets} jets with a flow", seeds.start, seeds.end, cases.len());
    println!("                       n    bias  |err|  |err|   held   hemisphere: bias  |err|");
    println!("                               %   50 %   90 %      %                  %   50 %");
    let table = |name: &str, choose: &dyn Fn(&Case) -> bool| {
        let some: Vec<&Case> = cases.iter().filter(|case| choose(case)).collect();
        if some.is_empty() {
            return;
        }
        let errors: Vec<f64> = some.iter().map(|c| c.error).collect();
        let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        let half: Vec<f64> = some.iter().filter_map(|c| c.hemisphere).collect();
        let half_sizes: Vec<f64> = half.iter().map(|e| e.abs()).collect();
        println!(
            "{name:<20} {:4}  {:+6.1}  {:5.1}  {:5.1}  {:5.1}             {:+6.1}  {:5.1}",
            some.len(),
            quantile(&errors, 0.5),
            quantile(&sizes, 0.5),
            quantile(&sizes, 0.9),
            100.0 * some.iter().filter(|c| c.held).count() as f64 / some.len() as f64,
            quantile(&half, 0.5),
            quantile(&half_sizes, 0.5),
        );
    };
    table("all", &|_| true);
    table("round", &|c| c.shape == TruthShape::Round);
    table("elliptical", &|c| c.shape == TruthShape::Elliptical);
    table("crescent", &|c| c.shape == TruthShape::Crescent);
    table("beam up to 20 deg", &|c| c.beam_deg <= 20.0);
    table("beam 20 to 35 deg", &|c| c.beam_deg > 20.0 && c.beam_deg <= 35.0);
    table("beam over 35 deg", &|c| c.beam_deg > 35.0);
    for reason in reasons {
        println!("no flow, seed {reason}");
    }
}
