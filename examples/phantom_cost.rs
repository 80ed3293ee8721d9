//! What a recipe costs: seconds to simulate it, and bytes of each channel after zlib level 9.
//!
//! `cargo run --release --no-default-features --example phantom_cost -- RECIPE.toml...`; without a
//! recipe, a 96^3 volume of 8 frames. For a recipe with a solved flow also the time of a patch of
//! 30 x 30 x 20 mm.

use std::io::Write as _;
use std::time::Instant;

use narrows::job::Watch;
use narrows::phantom::{ReadyFlow, Recipe, read_flow, simulate, simulate_flow};
use narrows::volume::Codes;

fn main() -> anyhow::Result<()> {
    let mut recipes = Vec::new();
    for path in std::env::args().skip(1) {
        recipes.push((path.clone(), Recipe::from_toml(&std::fs::read_to_string(&path)?)?));
    }
    if recipes.is_empty() {
        let mut recipe = Recipe::default();
        recipe.grid.shape = [96; 3];
        recipe.grid.voxel_mm = [0.5; 3];
        recipe.beat.frames = 8;
        recipe.beat.first_s = 0.06;
        recipes.push((String::from("96^3 x 8"), recipe));
    }
    let mut total = 0;
    let patches = recipes.clone();
    for (name, recipe) in recipes {
        let start = Instant::now();
        let (volume, truth) = simulate(&recipe, &Watch::silent())?;
        println!("{name}: {:.2} s, {} bytes raw", start.elapsed().as_secs_f64(), volume.stored_bytes());
        for channel in volume.channels() {
            let mut packed = 0;
            for frame in 0..volume.frames() {
                let mut encoder = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
                match channel.samples().frame(frame) {
                    Codes::U8(codes) => encoder.write_all(&codes)?,
                    Codes::U16(codes) => {
                        for code in codes.iter() {
                            encoder.write_all(&code.to_le_bytes())?;
                        }
                    }
                }
                packed += encoder.finish()?.len();
            }
            total += packed;
            println!("  {:>8} {packed:>9} bytes packed", channel.kind().to_string());
        }
        for jet in &truth.jets {
            let peak = jet.peak_frame.map(|frame| &jet.frames[frame]);
            println!(
                "  jet {} {:?}: peak {:?} mm2 in frame {:?}, {:.1} ml a beat",
                jet.id,
                jet.shape,
                peak.map(|frame| frame.effective_area_mm2),
                jet.peak_frame,
                jet.regurgitant_volume_ml
            );
        }
    }
    for (_, recipe) in &patches {
        let Some(name) = &recipe.flow.solved else { continue };
        let flow = ReadyFlow::new(&read_flow(name)?);
        let patch = recipe.patch(&flow, [30.0, 30.0, 20.0])?;
        let start = Instant::now();
        for _ in 0..10 {
            simulate_flow(&patch, &flow, &Watch::silent())?;
        }
        println!("patch of {name}: {:.1} ms", start.elapsed().as_secs_f64() * 100.0);
    }
    println!("{total} bytes packed in all");
    Ok(())
}
