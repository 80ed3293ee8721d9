//! Flows of geometries drawn at random, so that the training sees more geometries than the library holds.
//!
//! | what | range |
//! |---|---|
//! | orifices | round 4.5 to 12 mm; ellipses to 4.5:1; slits of 8 to 34 mm; crescents of 80 to 230 degrees; irregular; two or three |
//! | wall | 0.7 to 4.5 mm thick; edge sharp in two fifths, else rounded by 0.3 to 3 mm; leaving edge rounded in a fifth |
//! | leaflets | tented or billowing in two fifths, slope 0.2 to 0.8; hole through the wall oblique, 8 to 30 degrees, in a fifth |
//! | chamber | a wall 1 to 5 mm beside the orifice in an eighth |
//!
//! Sizes matter little by themselves: each scan draws a length scale. Every recipe is for tuning.

use std::f64::consts::{PI, TAU};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

use anyhow::Context as _;
use narrows::job::Watch;
use narrows::phantom::OrificeShape;
use narrows::phantom::flow::{
    Chamber, FlowDevice, FlowOrifice, FlowRecipe, FlowUse, Fluid, Leaflet, flow_adapter, flow_cost, solve,
};

use crate::draw::Draw;

/// Cells across the narrowest hole
const CELLS: f64 = 15.0;

/// Solves so many flows into a folder, each with its recipe beside it; those that are there already are kept
///
/// On all graphics adapters that are no software, four at a time on each, since the processor prepares and packs each
/// flow on one thread meanwhile; without one, on the processor.
pub(crate) fn solve_drawn(folder: &Path, count: usize, seed: u64) -> anyhow::Result<()> {
    std::fs::create_dir_all(folder)?;
    let mut devices: Vec<FlowDevice> =
        (0..64).map(FlowDevice::Graphics).take_while(|device| flow_adapter(*device).is_some()).collect();
    if devices.is_empty() {
        devices.push(FlowDevice::Processor);
    } else {
        devices = devices.repeat(4);
    }
    let next = AtomicUsize::new(0);
    let work = |device: FlowDevice| -> anyhow::Result<()> {
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            if index >= count {
                return Ok(());
            }
            let name = format!("drawn-{seed}-{index:03}");
            let path = folder.join(format!("{name}.flow"));
            if path.exists() {
                continue;
            }
            let recipe = solvable((seed << 32) + index as u64, index, &name)?;
            std::fs::write(folder.join(format!("{name}.toml")), toml::to_string(&recipe)?)?;
            match solve(&recipe, device, &Watch::silent()) {
                Ok(solved) => {
                    let part = path.with_extension("part");
                    std::fs::write(&part, solved.flow.write()?)?;
                    std::fs::rename(part, path)?;
                    eprintln!("{name}: {:.2e} cells a second", solved.updates_per_s);
                }
                Err(reason) => eprintln!("{name}: {reason}"),
            }
        }
    };
    std::thread::scope(|scope| {
        let workers: Vec<_> = devices.iter().map(|device| scope.spawn(|| work(*device))).collect();
        workers
            .into_iter()
            .try_for_each(|worker| worker.join().map_err(|_| anyhow::anyhow!("a thread failed"))?)
    })
}

/// A drawn recipe that can be solved
fn solvable(seed: u64, index: usize, name: &str) -> anyhow::Result<FlowRecipe> {
    let mut draw = Draw::new(seed);
    (0..100)
        .map(|_| drawn(&mut draw, index, name))
        .find(|recipe| {
            let text = toml::to_string(recipe).unwrap_or_default();
            FlowRecipe::from_toml(&text).is_ok() && flow_cost(recipe).is_ok()
        })
        .context("no geometry that can be solved was drawn")
}

/// An outline, its narrow width and half its extent along u and v, mm
struct Hole {
    shape: OrificeShape,
    narrow: f64,
    half: [f64; 2],
}

fn hole(draw: &mut Draw, kind: usize) -> Hole {
    match kind {
        0 => {
            let diameter_mm = draw.even(4.5, 12.0);
            Hole {
                shape: OrificeShape::Round { diameter_mm },
                narrow: diameter_mm,
                half: [diameter_mm / 2.0; 2],
            }
        }
        1 => {
            let short_mm = draw.even(3.0, 8.0);
            let long_mm = (short_mm * draw.between(1.2, 4.5)).min(20.0);
            let half = [long_mm / 2.0, short_mm / 2.0];
            Hole { shape: OrificeShape::Elliptical { long_mm, short_mm }, narrow: short_mm, half }
        }
        2 => {
            let width_mm = draw.even(2.8, 4.5);
            let length_mm = draw.even(8.0_f64.max(2.2 * width_mm), 34.0);
            let half = [length_mm / 2.0, width_mm / 2.0];
            Hole { shape: OrificeShape::Slit { length_mm, width_mm }, narrow: width_mm, half }
        }
        3 => {
            let gap = draw.even(2.6, 4.8);
            let inner_mm = draw.even(3.0, 11.0);
            let most = (34.0 / (inner_mm + gap / 2.0)).to_degrees().min(230.0);
            let angle_deg = draw.between(80.0_f64.min(0.9 * most), most);
            let outer_mm = inner_mm + gap;
            let shape = OrificeShape::Crescent { inner_mm, outer_mm, angle_deg };
            Hole { shape, narrow: gap, half: [outer_mm; 2] }
        }
        _ => {
            let radius = draw.even(3.0, 5.5);
            let waves: [(f64, f64); 4] = std::array::from_fn(|order| {
                (draw.between(0.0, 0.32) / (order as f64 * 0.5 + 1.0), draw.between(0.0, TAU))
            });
            let at = |angle: f64| {
                let wave = waves.iter().enumerate();
                radius
                    * (1.0
                        + wave
                            .map(|(k, (a, phase))| a * libm::cos((k + 1) as f64 * angle + phase))
                            .sum::<f64>())
            };
            let points: Vec<[f64; 2]> = (0..48)
                .map(|i| {
                    let angle = TAU * f64::from(i) / 48.0;
                    let (sin, cos) = libm::sincos(angle);
                    let r = at(angle).max(0.4 * radius);
                    [r * cos, r * sin].map(|x| (x * 1000.0).round() / 1000.0)
                })
                .collect();
            let half = std::array::from_fn(|axis| points.iter().map(|p| p[axis].abs()).fold(0.0, f64::max));
            Hole { shape: OrificeShape::Polygon { points_mm: points }, narrow: radius, half }
        }
    }
}

/// A small hole, one of several
fn small(draw: &mut Draw) -> Hole {
    let kind = [0, 1, 2, 4][draw.index(4)];
    let mut hole = hole(draw, kind);
    let by = draw.between(5.0, 9.0) / (2.0 * hole.half[0].max(hole.half[1]));
    let by = by.clamp(2.6 / hole.narrow, 1.0_f64.max(2.6 / hole.narrow));
    match &mut hole.shape {
        OrificeShape::Round { diameter_mm } => *diameter_mm *= by,
        OrificeShape::Elliptical { long_mm, short_mm } => {
            (*long_mm, *short_mm) = (*long_mm * by, *short_mm * by);
        }
        OrificeShape::Slit { length_mm, width_mm } => {
            (*length_mm, *width_mm) = (*length_mm * by, *width_mm * by);
        }
        OrificeShape::Crescent { inner_mm, outer_mm, .. } => {
            (*inner_mm, *outer_mm) = (*inner_mm * by, *outer_mm * by);
        }
        OrificeShape::Polygon { points_mm } => points_mm.iter_mut().flatten().for_each(|x| *x *= by),
    }
    Hole { shape: hole.shape, narrow: hole.narrow * by, half: hole.half.map(|half| half * by) }
}

fn drawn(draw: &mut Draw, index: usize, name: &str) -> FlowRecipe {
    let (mut holes, mut places) = (Vec::new(), Vec::new());
    match index % 8 {
        kind @ 0..5 => {
            holes.push(hole(draw, kind));
            places.push([0.0; 2]);
        }
        // Slits and crescents are the hardest to read.
        kind @ 5..7 => {
            holes.push(hole(draw, kind - 3));
            places.push([0.0; 2]);
        }
        _ => {
            let count = if draw.chance(0.7) { 2 } else { 3 };
            holes.extend((0..count).map(|_| small(draw)));
            let reach: Vec<f64> = holes.iter().map(|hole| hole.half[0].max(hole.half[1])).collect();
            let gap = draw.between(1.5, 7.0);
            let apart = reach[0] + reach[1] + gap;
            places.extend([[-apart / 2.0, 0.0], [apart / 2.0, 0.0]]);
            if count == 3 {
                places[0][1] = -3.0;
                places[1][1] = -3.0;
                places.push([draw.between(-2.0, 2.0), reach[0].max(reach[1]) + reach[2] + gap - 3.0]);
            }
        }
    }
    let narrow = holes.iter().map(|hole| hole.narrow).fold(f64::INFINITY, f64::min);
    let beside = holes.len() == 1 && draw.chance(0.125);
    // Beside a wall an elongated hole lies along it.
    let turned = holes.len() > 1 || (beside && draw.chance(0.7));
    let orifice: Vec<FlowOrifice> = holes
        .iter()
        .zip(&places)
        .map(|(hole, place)| FlowOrifice {
            shape: hole.shape.clone(),
            position_mm: *place,
            roll_deg: match (turned, holes.len()) {
                (true, 1) => 90.0,
                (true, _) => draw.between(0.0, 180.0).round(),
                _ => 0.0,
            },
        })
        .collect();
    let reach = |axis: usize| {
        let each = holes.iter().zip(&places).map(|(hole, place)| {
            let half = if turned { hole.half[0].max(hole.half[1]) } else { hole.half[axis] };
            place[axis].abs() + half
        });
        each.fold(0.0, f64::max)
    };
    let side_mm = [0, 1].map(|axis| (2.0 * reach(axis) + 16.0).max(34.0).ceil());
    let area = holes.iter().map(|hole| PI * hole.half[0] * hole.half[1]).sum::<f64>();
    let large = area > 110.0;
    Fluids { narrow, large, beside, reach: [reach(0), reach(1)], side_mm }.recipe(draw, name, orifice)
}

/// What the wall and the fluid are chosen for
struct Fluids {
    narrow: f64,
    large: bool,
    beside: bool,
    /// How far the holes reach along u and v at most, mm
    reach: [f64; 2],
    side_mm: [f64; 2],
}

impl Fluids {
    fn recipe(&self, draw: &mut Draw, name: &str, orifice: Vec<FlowOrifice>) -> FlowRecipe {
        let mut leaflet = Leaflet { thickness_mm: draw.between(0.7, 2.5), ..Leaflet::default() };
        if draw.chance(0.1) {
            leaflet.thickness_mm = draw.between(3.0, 4.5);
        }
        match draw.unit() {
            x if x < 0.4 => {}
            x if x < 0.8 => {
                leaflet.upstream_radius_mm = draw.between(0.3, 1.3).min(leaflet.thickness_mm - 0.2);
            }
            _ => {
                leaflet.upstream_radius_mm = draw.between(1.3, 3.0);
                leaflet.thickness_mm = leaflet.upstream_radius_mm + draw.between(0.2, 0.6);
            }
        }
        if draw.chance(0.2) {
            leaflet.downstream_radius_mm =
                draw.unit() * (leaflet.thickness_mm - leaflet.upstream_radius_mm - 0.1).clamp(0.0, 1.2);
        }
        if draw.chance(0.4) {
            let slope = draw.between(0.2, 0.8);
            leaflet.slope = if draw.chance(0.5) { slope } else { -slope };
            leaflet.rise_mm = draw.between(3.0, 8.0);
        }
        if draw.chance(0.2) {
            leaflet.jet_tilt_deg = draw.between(8.0, 30.0);
            leaflet.jet_azimuth_deg = draw.between(0.0, 360.0);
        }
        let side_wall_mm = self.beside.then(|| self.reach[0] + draw.between(1.0, 5.0));
        let least = self.side_mm[0].min(self.side_mm[1]);
        let (downstream_mm, time_ms) = if self.large { (36.0, 24.0) } else { (31.0, 18.0) };
        FlowRecipe {
            name: name.into(),
            purpose: FlowUse::Tuning,
            orifice,
            leaflet,
            chamber: Chamber { side_mm: self.side_mm, upstream_mm: 18.0, downstream_mm, side_wall_mm },
            fluid: Fluid {
                cell_mm: (self.narrow / CELLS).clamp(0.15, 0.2),
                settle_ms: time_ms,
                average_ms: time_ms,
                stored_mm: [
                    (2.0 * self.reach[0].max(self.reach[1]) + 5.0).min(least - 1.0).max(31.0),
                    -13.0,
                    24.0,
                ],
                ..Fluid::default()
            },
        }
    }
}
