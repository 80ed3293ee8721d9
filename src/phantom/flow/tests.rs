//! The flow solver as a whole: recipes, walls, threads, and the shader against its plain twin.

use super::geometry::Geometry;
use super::lattice::Lattice;
use super::processor::Processor;
use super::*;
use crate::job::{CancelToken, Watch};

/// A wide hole with a rounded lip in coarse cells: solved in moments, right in nothing but its kind
const SMALL: &str = "
name = \"small\"
[[orifice]]
shape = { kind = \"round\", diameter_mm = 10.0 }
[leaflet]
thickness_mm = 4.0
upstream_radius_mm = 3.0
[chamber]
side_mm = [17.0, 17.0]
upstream_mm = 7.0
downstream_mm = 14.0
[fluid]
cell_mm = 1.0
settle_ms = 6.0
average_ms = 4.0
stored_mm = [15.0, -4.0, 11.0]
";

fn small() -> FlowRecipe {
    FlowRecipe::from_toml(SMALL).unwrap()
}

#[test]
fn every_recipe_of_the_library_is_one_and_is_named_as_its_file() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-volumes/flows");
    let mut uses = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|end| end == "toml") {
            let recipe = FlowRecipe::from_toml(&std::fs::read_to_string(&path).unwrap())
                .unwrap_or_else(|error| panic!("{error}: {}", path.display()));
            assert_eq!(path.file_stem().unwrap().to_str().unwrap(), recipe.name);
            uses.push(recipe.purpose);
        }
    }
    let count = |purpose| uses.iter().filter(|other| **other == purpose).count();
    assert!(count(FlowUse::Tuning) >= 28 && count(FlowUse::Testing) >= 12, "{uses:?}");
}

/// A recipe of a change to [`SMALL`], to the end of what can be said before it is solved
fn refused(from: &str, to: &str) -> FlowRecipeError {
    assert!(SMALL.contains(from));
    let recipe = FlowRecipe::from_toml(&SMALL.replacen(from, to, 1));
    recipe.and_then(|recipe| flow_cost(&recipe)).expect_err(to)
}

#[test]
fn recipes_that_cannot_be_solved_are_told_why() {
    use FlowRecipeError as Error;
    assert!(flow_cost(&small()).is_ok());
    assert!(flow_cost(&FlowRecipe::from_toml("").unwrap()).is_ok());
    assert!(matches!(refused("settle_ms", "settle_s"), Error::Parse(_)));
    assert!(matches!(refused("cell_mm = 1.0", "cell_mm = \"fine\""), Error::Parse(_)));
    assert!(matches!(FlowRecipe::from_toml("orifice = []"), Err(Error::None)));
    assert!(matches!(refused("diameter_mm = 10.0", "diameter_mm = -1.0"), Error::Outline(_)));
    let round = "shape = { kind = \"round\", diameter_mm = 10.0 }";
    let crossed = "shape = { kind = \"polygon\", points_mm = [[0, 0], [4, 4], [4, 0], [0, 4]] }";
    assert!(matches!(refused(round, crossed), Error::Outline(_)));
    let moved = |to: &str| refused(round, &format!("{round}\nposition_mm = {to}"));
    assert!(matches!(moved("[0.6, 0.0]"), Error::Outside));
    assert!(matches!(moved("[nan, 0.0]"), Error::Outside));
    let twice = format!("{round}\n[[orifice]]\n{round}\nposition_mm = [0.3, 0.0]");
    assert!(matches!(refused(round, &twice), Error::Joined));
    let coarse = refused("diameter_mm = 10.0", "diameter_mm = 8.0");
    assert!(matches!(coarse, Error::Coarse { needed, .. } if (needed - 8.0 / 9.0).abs() < 0.01), "{coarse}");
    assert!(matches!(refused("cell_mm = 1.0", "cell_mm = 1.0\nviscosity_mm2_s = 0.6"), Error::Reynolds(_)));
    let huge = SMALL.replace("17.0, 17.0", "80.0, 80.0").replace("cell_mm = 1.0", "cell_mm = 0.05");
    let huge = flow_cost(&FlowRecipe::from_toml(&huge).unwrap());
    assert!(matches!(huge, Err(Error::Large { part: "cells", .. })), "{huge:?}");
    let stored = SMALL
        .replace("17.0, 17.0", "80.0, 80.0")
        .replace("= 14.0", "= 80.0")
        .replace("cell_mm = 1.0", "cell_mm = 0.3")
        .replace("[15.0, -4.0, 11.0]", "[80.0, -4.0, 60.0]");
    let stored = flow_cost(&FlowRecipe::from_toml(&stored).unwrap());
    assert!(matches!(stored, Err(Error::Large { part: "stored cells", .. })), "{stored:?}");
    for (from, to) in [
        ("thickness_mm = 4.0", "thickness_mm = 0.1"),
        ("upstream_radius_mm = 3.0", "upstream_radius_mm = 5.0"),
        ("upstream_radius_mm = 3.0", "downstream_radius_mm = 4.5"),
        ("upstream_radius_mm = 3.0", "slope = nan"),
        ("upstream_radius_mm = 3.0", "rise_mm = -1.0"),
        ("upstream_radius_mm = 3.0", "jet_tilt_deg = 80.0"),
        ("upstream_radius_mm = 3.0", "jet_azimuth_deg = inf"),
        ("[17.0, 17.0]", "[17.0, 900.0]"),
        ("upstream_mm = 7.0", "upstream_mm = 1.0"),
        ("downstream_mm = 14.0", "downstream_mm = nan"),
        ("[chamber]", "[chamber]\nside_wall_mm = nan"),
        ("[fluid]", "[fluid]\npeak_m_s = 0.0"),
        ("[fluid]", "[fluid]\nflow_ml_s = -5.0"),
        ("[fluid]", "[fluid]\nviscosity_mm2_s = 0.0"),
        ("cell_mm = 1.0", "cell_mm = 0.0"),
        ("settle_ms = 6.0", "settle_ms = -1.0"),
        ("average_ms = 4.0", "average_ms = 0.0"),
        ("[15.0,", "[1.0,"),
        ("-4.0,", "-6.5,"),
        ("11.0]", "13.0]"),
    ] {
        let error = refused(from, to);
        assert!(matches!(error, Error::Range { .. }), "{to}: {error}");
        assert!(!error.hint().is_empty());
    }
}

/// The edge of a rounded hole is a torus: distances to it are known
#[test]
fn a_rounded_lip_is_a_torus() {
    let geometry = Geometry::new(&small()).unwrap();
    // Radius 5 of the hole, 3 of the lip, whose circle has its centre at 8 from the axis, 3 behind the upstream face.
    for turn in [0.1, 0.9, 2.5_f64] {
        for (from_axis, w) in [(5.5, 0.5), (6.5, -0.5), (5.0, 2.0), (4.0, 1.0), (7.5, 0.4)] {
            let (sin, cos) = libm::sincos(turn);
            let found = geometry.distance([from_axis * cos, from_axis * sin, w]);
            let known = libm::hypot(from_axis - 8.0, w - 3.0) - 3.0;
            // The outline is a polygon of 64 corners, and its distances are tabled.
            assert!((found - known).abs() < 0.02, "{from_axis} {w}: {found} {known}");
        }
    }
    // In the hole's straight part and before the flat wall.
    assert!((geometry.distance([3.0, 0.0, 3.5]) - 2.0).abs() < 0.02);
    assert!((geometry.distance([8.2, 0.0, -0.2]) - 0.2).abs() < 0.02);
}

/// Pressure alone moves nothing: what walls give back at rest is what came
#[test]
fn blood_at_rest_stays_at_rest_beside_a_rounded_lip() {
    let recipe = small();
    let mut lattice = Lattice::new(&recipe, &Geometry::new(&recipe).unwrap()).unwrap();
    let [nx, ny, nz] = lattice.cells;
    let plane = nx * ny;
    // Neither inflow nor outflow: the planes at the ends hold the same blood.
    lattice.distance[..plane].fill(-8.0);
    lattice.distance[(nz - 1) * plane..].fill(-8.0);
    let mut processor = Processor::new(&lattice);
    processor.set(|_| (0.02, [0.0; 3]));
    for _ in 0..60 {
        processor.advance();
    }
    let near = |cell: &usize| (0.0..1.0).contains(&lattice.distance[*cell]) && lattice.distance[*cell] > 0.0;
    assert!((0..lattice.count()).filter(near).count() > 500);
    for cell in (0..lattice.count()).filter(|cell| lattice.distance[*cell] > 0.0) {
        let (rho, u) = processor.velocity(cell);
        assert!((rho - 0.02).abs() < 1e-5 && u.iter().all(|u| u.abs() < 1e-6), "{cell}: {rho} {u:?}");
    }
}

#[test]
fn any_number_of_threads_gives_the_same_flow() {
    let solved = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| solve(&small(), FlowDevice::Processor, &Watch::silent()).unwrap().flow)
    };
    let flow = solved(1);
    assert_eq!(solved(3).write().unwrap(), flow.write().unwrap());
    // Scaled to the speed that was asked for; the rest is bounds that any jet keeps (Cc at least a half: Borda).
    let truth = &flow.header.truth;
    assert!((truth.core_m_s - 5.0).abs() < 0.01, "{}", truth.core_m_s);
    assert!((0.5..1.0).contains(&truth.contraction), "{}", truth.contraction);
    assert!(truth.axis[2] > 0.99 && truth.vc_level_mm > 4.0);
}

#[test]
fn a_solver_that_is_told_to_stop_stops() {
    let token = CancelToken::new();
    token.cancel();
    let watch = Watch::new(token, |_, _, _| {});
    let stopped = solve(&small(), FlowDevice::Processor, &watch);
    assert!(matches!(stopped, Err(FlowSolveError::Cancelled(_))));
}

/// The shader holds its distributions in half floats: it may differ by their rounding, a two-thousandth
#[cfg(feature = "gpu")]
#[test]
fn the_shader_does_what_its_twin_does() {
    let Some(adapter) = super::graphics::adapters().into_iter().next() else {
        eprintln!("skipped: there is no graphics adapter");
        return;
    };
    // A hole in a plate with walls at every distance from cells, and the outlet's sponge.
    let cells = [21, 22, 32];
    let mut lattice = trials::lattice(cells, 0.01, 0.51, |[x, y, z]| {
        let (u, v) = (x - 10.2, y - 10.4);
        let hole = (5.3 - libm::hypot(u, v)).max((z - 10.1).abs() - 2.4);
        hole.min(9.6 - u.abs().max(v.abs()))
    });
    lattice.sponge = 0.5;
    (lattice.first, lattice.ratio, lattice.stored) = ([2, 2, 3], 2, [8, 8, 13]);
    let mut graphics = super::graphics::Graphics::new(&lattice, &adapter).unwrap();
    let mut processor = Processor::new(&lattice);
    let steps = 96;
    let samples = graphics.advance(steps, Some(16)).unwrap();
    for step in 0..steps {
        if step % 16 == 0 {
            processor.gather();
        }
        processor.advance();
    }
    assert_eq!(samples, 6);
    let found = graphics.sums().unwrap();
    for (first, values) in [(0, 3), (3, 6)] {
        let part = first * lattice.stored_count()..(first + values) * lattice.stored_count();
        let (found, known) = (&found[part.clone()], &processor.sums[part]);
        let most = known.iter().fold(0.0_f32, |most, value| most.max(value.abs()));
        let worst = found.iter().zip(known).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        assert!(most > 0.0 && worst < 5e-4 * most, "{}: {worst} of {most}", graphics.adapter);
    }
}
