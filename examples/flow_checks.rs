//! How right the solved flows are: the solver against closed forms and published tables, the library's contraction, and
//! the far jet.
//!
//! `cargo run --release --example flow_checks` takes about a minute: trials with a known answer, and the contraction of
//! every flow of the library. `-- --long` solves three flows more, on the graphics adapter where there is one (minutes;
//! on two cores nearer an hour): the same hole in cells of two sizes, and a jet far behind its hole.
//!
//! Each row says what was found, what should be, and where that stands; a row that does not keep it is marked with !.

use std::f64::consts::PI;
use std::io::Write as _;

use narrows::job::Watch;
use narrows::numeric::stats::quantile;
use narrows::phantom::OrificeShape;
use narrows::phantom::flow::{
    FlowDevice, FlowHeader, FlowRecipe, FlowSolveError, SolvedFlow, flow_cost, flow_names, library_flow,
    solve, trials,
};

fn row(name: &str, found: f64, [low, high]: [f64; 2], source: &str) {
    let mark = if (low..=high).contains(&found) { ' ' } else { '!' };
    println!("{mark} {name:42} {found:8.4}   {low:7.4} to {high:7.4}   {source}");
}

fn main() {
    let long = match &std::env::args().skip(1).collect::<Vec<_>>()[..] {
        [] => false,
        [one] if one == "--long" => true,
        _ => {
            eprintln!("error: the only option is --long");
            std::process::exit(2);
        }
    };
    println!("  {:42} {:>8}   {:>18}   source", "check", "found", "should be");
    closed_forms();
    cavity();
    contractions();
    if long {
        for check in [halved_cell, far_jet] {
            if let Err(error) = check() {
                eprintln!("error: {error}");
                std::process::exit(3);
            }
        }
    }
}

fn closed_forms() {
    for relaxation in [0.51, 0.8] {
        for (axis, plane) in ["yz", "zx", "xy"].iter().enumerate() {
            let name = format!("vortex {plane}, 24 cells, tau {relaxation}: viscosity");
            let found = trials::vortex_viscosity(24, relaxation, axis);
            row(&name, found, [0.98, 1.02], "Taylor and Green 1937, exact");
        }
    }
    for relaxation in [0.51, 0.55, 0.8] {
        let square = |turn_deg| trials::Pipe::Square { side: 11.0, turn_deg };
        for (name, pipe) in [
            ("round pipe", trials::Pipe::Round { radius: 6.3 }),
            ("square pipe", square(0.0)),
            ("square pipe at 27 degrees", square(27.0)),
            ("square pipe at 45 degrees", square(45.0)),
        ] {
            let name = format!("{name}, tau {relaxation}: wall off by");
            row(&name, trials::wall_shift(pipe, relaxation), [-0.1, 0.1], "exact decay; cells");
        }
    }
    for side in [10, 16] {
        let worst = |side| {
            let off = |(at, u): ([f64; 2], f64)| (u - trials::duct_series(at)).abs();
            trials::duct(side).into_iter().map(off).fold(0.0, f64::max)
        };
        let name = format!("duct of {side} cells: largest error of the profile");
        row(&name, worst(side), [0.0, 4.0 / (side * side) as f64], "Poiseuille's series; of the mean");
    }
}

fn cavity() {
    for (side, most) in [(32, 0.02), (64, 0.01)] {
        let found = trials::cavity(side, 100.0);
        let source = "Ghia, Ghia and Shin 1982, from memory";
        let upright = trials::farthest(&found.upright, [0.0, 1.0], &trials::GHIA_UPRIGHT);
        row(&format!("cavity of {side} cells, Re 100: largest error u"), upright, [0.0, most], source);
        let level = trials::farthest(&found.level, [0.0, 0.0], &trials::GHIA_LEVEL);
        row(&format!("cavity of {side} cells, Re 100: largest error v"), level, [0.0, most], source);
    }
}

/// What is published of a hole's contraction: the range, and where it stands
fn published(recipe: &FlowRecipe, header: &FlowHeader) -> ([f64; 2], &'static str) {
    let bounds = ([0.5, 1.0], "1/2 to 1 (Borda); no nearer source");
    let leaflet = &recipe.leaflet;
    let [orifice] = &recipe.orifice[..] else { return bounds };
    let width = match orifice.shape {
        OrificeShape::Round { diameter_mm } => diameter_mm,
        OrificeShape::Elliptical { short_mm, .. } => short_mm,
        OrificeShape::Slit { width_mm, .. } => width_mm,
        OrificeShape::Crescent { inner_mm, outer_mm, .. } => outer_mm - inner_mm,
        OrificeShape::Polygon { .. } => (4.0 * header.truth.anatomic_mm2 / PI).sqrt(),
    };
    let plain = leaflet.slope == 0.0 && leaflet.jet_tilt_deg == 0.0 && recipe.chamber.side_wall_mm.is_none();
    let sharp = leaflet.upstream_radius_mm == 0.0 && leaflet.downstream_radius_mm == 0.0;
    match orifice.shape {
        OrificeShape::Round { .. } if plain && leaflet.upstream_radius_mm >= 0.2 * width => {
            ([0.93, 1.0], "rounded by a fifth of the diameter; from memory")
        }
        OrificeShape::Round { .. } if plain && sharp && leaflet.thickness_mm < 0.5 * width => {
            ([0.60, 0.65], "0.61 to 0.64, Encyclopaedia Britannica 1911")
        }
        OrificeShape::Slit { length_mm, width_mm } if plain && sharp && length_mm > 8.0 * width_mm => {
            ([0.60, 0.65], "slot 0.611, Kirchhoff 1869")
        }
        _ if leaflet.slope < 0.0 && sharp => ([0.5, 0.64], "between re-entrant (Borda) and flat"),
        _ => bounds,
    }
}

fn contractions() {
    let names = flow_names();
    if names.is_empty() {
        println!("  the library holds no flow; `narrows flow` makes them from sample-volumes/flows");
    }
    for name in names {
        let flow = match library_flow(&name) {
            Ok(flow) => flow,
            Err(error) => {
                println!("! {name}: {error}");
                continue;
            }
        };
        match FlowRecipe::from_toml(&flow.header.recipe) {
            Ok(recipe) => {
                let (range, source) = published(&recipe, &flow.header);
                row(&format!("contraction of {name}"), flow.header.truth.contraction, range, source);
            }
            Err(error) => println!("! {name}: {error}"),
        }
    }
}

fn solved(text: &str) -> Result<SolvedFlow, FlowSolveError> {
    let recipe = FlowRecipe::from_toml(text)?;
    let cost = flow_cost(&recipe)?;
    eprintln!(
        "  solving {}: {:.1} million cells, {} steps, on two cores about {:.0} minutes",
        recipe.name,
        cost.cells as f64 / 1e6,
        cost.steps,
        cost.processor_s() / 60.0
    );
    let watch = Watch::new(narrows::job::CancelToken::new(), |stage, done, total| {
        eprint!("\r  {stage} {done}/{total}   ");
        let _ = std::io::stderr().flush();
    });
    let solved = solve(&recipe, FlowDevice::Graphics(0), &watch)?;
    eprintln!("\r  on {} at {:.2e} cells a second", solved.device, solved.updates_per_s);
    Ok(solved.flow)
}

/// The effective area of one hole, in cells and in cells of half the side
fn halved_cell() -> Result<(), FlowSolveError> {
    let area = |cell: f64| {
        let recipe = format!(
            "name = \"round 4 mm in cells of {cell} mm\"
            orifice = [{{ shape = {{ kind = \"round\", diameter_mm = 4.0 }} }}]
            leaflet = {{ thickness_mm = 1.2 }}
            chamber = {{ side_mm = [14.0, 14.0], upstream_mm = 8.0, downstream_mm = 16.0 }}
            fluid = {{ cell_mm = {cell}, settle_ms = 6.0, average_ms = 6.0, stored_mm = [12.0, -6.0, 13.0] }}"
        );
        solved(&recipe).map(|flow| flow.header.truth.effective_mm2)
    };
    let found = area(0.25)? / area(0.125)?;
    row("effective area, cells over halved cells", found, [0.98, 1.02], "our own limit");
    Ok(())
}

/// How a jet spreads and slows far behind its hole
fn far_jet() -> Result<(), FlowSolveError> {
    let flow = solved(
        "name = \"far jet of 3 mm\"
        orifice = [{ shape = { kind = \"round\", diameter_mm = 3.0 } }]
        leaflet = { thickness_mm = 1.5, upstream_radius_mm = 1.3 }
        chamber = { side_mm = [32.0, 32.0], upstream_mm = 6.0, downstream_mm = 84.0 }
        fluid = { cell_mm = 0.3, settle_ms = 50.0, average_ms = 50.0, stored_mm = [24.0, -3.0, 68.0] }",
    )?;
    let truth = &flow.header.truth;
    let diameter = (4.0 * truth.effective_mm2 / PI).sqrt();
    // From 12 diameters on the profile keeps its form (Pope, Turbulent Flows, chapter 5; from memory: from 15 to 30).
    let places: Vec<f64> = (0..=20).map(|k| (12.0 + 0.45 * f64::from(k)) * diameter).collect();
    let mut halves = Vec::new();
    let mut slowness = Vec::new();
    for w in &places {
        // Mean around the axis, ring by ring.
        let ring = |r: f64| {
            let around = (0..32).map(|k| {
                let (sin, cos) = libm::sincos(f64::from(k) * PI / 16.0);
                flow.at([r * cos, r * sin, truth.vc_level_mm + w]).mean_m_s[2]
            });
            around.sum::<f64>() / 32.0
        };
        let core = ring(0.15);
        let mut r = 0.15;
        while ring(r) > 0.5 * core && r < 12.0 {
            r += 0.02;
        }
        halves.push(r);
        slowness.push(truth.core_m_s / core);
    }
    let spread = slope(&places, &halves);
    row(
        "far jet: growth of the half-velocity radius",
        spread,
        [0.086, 0.102],
        "Hussein, Capp and George 1994 and others",
    );
    let decay = 1.0 / (slope(&places, &slowness) * diameter);
    row("far jet: constant of its decay", decay, [5.7, 6.1], "the same");
    Ok(())
}

/// The median of the slopes between all pairs of points (Theil 1950, Sen 1968)
fn slope(x: &[f64], y: &[f64]) -> f64 {
    let pairs = (0..x.len()).flat_map(|i| (i + 1..x.len()).map(move |j| (i, j)));
    let slopes: Vec<f64> = pairs.map(|(i, j)| (y[j] - y[i]) / (x[j] - x[i])).collect();
    quantile(&slopes, 0.5)
}
