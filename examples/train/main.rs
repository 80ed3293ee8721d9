//! Draws training patches from solved flows, for `train.py`.
//!
//! `cargo run --release --no-default-features --example train -- FLOWS OUT [--scans N] [--seconds S] [--seed K]`
//!
//! FLOWS is a folder of solved flows; those that may only be tested on are passed over, and a folder of
//! nothing else is refused. OUT gets `patches.bin` and `patches.json` (its layout and the geometries' names).
//! Each scan is one frame of one tuning flow by the project's own scanner, with settings, faults and pose
//! drawn anew ([`draw`]); it gives three patches ([`label`]). Scans stop at N or after S seconds, whichever comes
//! first. The same seed and number of scans give the same patches, in another order with several threads.
//!
//! `cargo run --release --example train -- --solve N OUT [--seed K]` first solves flows of geometries drawn at random
//! ([`geometry`]).

mod draw;
mod geometry;
mod label;

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use anyhow::{Context as _, bail};
use narrows::phantom::flow::{FlowUse, SolvedFlow};
use narrows::phantom::{ReadyFlow, Recipe};
use rayon::prelude::*;

/// What was asked for
struct Arguments {
    /// A folder of flows; or none, and so many are to be solved
    flows: Result<PathBuf, usize>,
    out: PathBuf,
    scans: usize,
    seconds: u64,
    seed: u64,
}

impl Arguments {
    fn read() -> anyhow::Result<Self> {
        let mut plain = Vec::new();
        let (mut scans, mut seconds, mut seed, mut solved) = (1000, u64::MAX, 0, None);
        let mut words = std::env::args().skip(1);
        while let Some(word) = words.next() {
            let mut value = || words.next().with_context(|| format!("{word} needs a value"));
            match word.as_str() {
                "--scans" => scans = value()?.parse()?,
                "--seconds" => seconds = value()?.parse()?,
                "--seed" => seed = value()?.parse()?,
                "--solve" => solved = Some(value()?.parse()?),
                _ => plain.push(PathBuf::from(word)),
            }
        }
        let out = plain.pop();
        let flows = solved.map_or_else(|| plain.pop().map(Ok), |count| Some(Err(count)));
        let (Some(flows), Some(out), true) = (flows, out, plain.is_empty()) else {
            bail!("usage: train FLOWS OUT, or train --solve N OUT");
        };
        Ok(Self { flows, out, scans, seconds, seed })
    }
}

/// The tuning flows of a folder, in the order of their names
fn tuning_flows(folder: &Path) -> anyhow::Result<Vec<(String, SolvedFlow)>> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder)
        .with_context(|| format!("the flows could not be listed in {}", folder.display()))?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|end| end == "flow"))
        .collect();
    paths.sort();
    let read = |path: &PathBuf| -> anyhow::Result<(String, SolvedFlow)> {
        let flow = SolvedFlow::read(&std::fs::read(path)?)
            .with_context(|| format!("not a solved flow: {}", path.display()))?;
        let name = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        Ok((name, flow))
    };
    let mut flows = paths.par_iter().map(read).collect::<anyhow::Result<Vec<_>>>()?;
    flows.retain(|(_, flow)| flow.header.purpose == FlowUse::Tuning);
    if flows.is_empty() {
        bail!("none of the {} flows in {} may be tuned on", paths.len(), folder.display());
    }
    Ok(flows)
}

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::read()?;
    let folder = match &arguments.flows {
        Ok(folder) => folder,
        Err(count) => return geometry::solve_drawn(&arguments.out, *count, arguments.seed),
    };
    let flows = tuning_flows(folder)?;
    std::fs::create_dir_all(&arguments.out)?;
    let ready: Vec<ReadyFlow> = flows.par_iter().map(|(_, flow)| ReadyFlow::new(flow)).collect();
    let file = Mutex::new(BufWriter::new(File::create(arguments.out.join("patches.bin"))?));
    let (next, failed, written) = (AtomicUsize::new(0), AtomicUsize::new(0), AtomicUsize::new(0));
    let start = Instant::now();
    let last = Duration::from_secs(arguments.seconds);
    let work = || -> anyhow::Result<()> {
        // One thread a scan: the scanner's own loops then stay on that thread.
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build()?;
        loop {
            let scan = next.fetch_add(1, Ordering::Relaxed);
            if scan >= arguments.scans || start.elapsed() >= last {
                return Ok(());
            }
            let geometry = scan % ready.len();
            let seed = arguments.seed + scan as u64;
            match pool.install(|| label::scan(&ready[geometry], geometry, seed)) {
                Ok(records) => {
                    written.fetch_add(records.len(), Ordering::Relaxed);
                    let mut file =
                        file.lock().map_err(|_| anyhow::anyhow!("a thread failed while writing"))?;
                    for record in &records {
                        file.write_all(record)?;
                    }
                }
                Err(reason) => {
                    if failed.fetch_add(1, Ordering::Relaxed) < 5 {
                        eprintln!("scan {scan} of {}: {reason:#}", flows[geometry].0);
                    }
                }
            }
        }
    };
    let threads = std::thread::available_parallelism()?.get();
    std::thread::scope(|scope| -> anyhow::Result<()> {
        let mut workers = Vec::new();
        for index in 0..threads {
            let worker = std::thread::Builder::new().name(format!("scan {index}"));
            workers.push(worker.spawn_scoped(scope, work)?);
        }
        for worker in workers {
            worker.join().map_err(|_| anyhow::anyhow!("a thread failed"))??;
        }
        Ok(())
    })?;
    file.into_inner().map_err(|_| anyhow::anyhow!("a thread failed while writing"))?.flush()?;
    let names: Vec<&String> = flows.iter().map(|(name, _)| name).collect();
    let layout = serde_json::json!({
        "record_bytes": label::RECORD_BYTES,
        "labels": label::LABELS,
        "geometries": names,
        "kinds": flows.iter().map(|(_, flow)| flow.header.recipe.clone()).collect::<Vec<_>>(),
    });
    std::fs::write(arguments.out.join("patches.json"), serde_json::to_string_pretty(&layout)?)?;
    eprintln!(
        "{} patches of {} flows in {:.1} s, {} scans failed",
        written.into_inner(),
        flows.len(),
        start.elapsed().as_secs_f64(),
        failed.into_inner()
    );
    Ok(())
}

/// A recipe of a solved flow at one moment; kept here so that both modules agree on it
fn bare(seed: u64) -> Recipe {
    Recipe { seed, ..Recipe::default() }
}
