//! Prints what a volume file holds as JSON and writes its decoded codes to a file: what other
//! readers of the same file are compared with in the tests.
//!
//! `codes IN OUT [--nyquist M_S]` writes, channel after channel in the order of the JSON, all frames as
//! `[frame, z, y, x]`, little-endian. `codes --write SYNTAX IN OUT` writes the volume again instead, as
//! `native`, `rle`, `jpeg-ls` or `deflated`. `codes --time IN` says how long opening takes, to the header, to
//! one frame looked at in full, and to the hash.

use std::io::Write as _;
use std::path::Path;

use anyhow::{Context as _, bail};
use narrows::format::dicom::{Syntax, WriteOptions};
use narrows::format::{self, HashWhen, OpenOptions};
use narrows::unit::{MetresPerSecond, Seconds};
use narrows::volume::Codes;

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words[..] {
        ["--write", syntax, input, output] => rewrite(syntax, Path::new(input), Path::new(output)),
        ["--time", input] => time(Path::new(input)),
        [input, output] => dump(Path::new(input), Path::new(output), None),
        [input, output, "--nyquist", nyquist] => {
            dump(Path::new(input), Path::new(output), Some(MetresPerSecond::new(nyquist.parse()?)))
        }
        _ => bail!("usage: codes IN OUT [--nyquist M_S], codes --write SYNTAX IN OUT, or codes --time IN"),
    }
}

fn time(input: &Path) -> anyhow::Result<()> {
    let options = OpenOptions { hash: HashWhen::Later, ..OpenOptions::default() };
    let started = std::time::Instant::now();
    let volume = format::open(input, &options)?;
    let opened = started.elapsed().as_secs_f64() * 1e3;
    let mut sum = 0u64;
    for channel in volume.channels() {
        let frame = channel.samples().frame(0);
        sum += (0..frame.len()).map(|at| u64::from(frame.at(at))).sum::<u64>();
    }
    let looked = started.elapsed().as_secs_f64() * 1e3;
    let hash = format::hash(input)?;
    let hashed = started.elapsed().as_secs_f64() * 1e3 - looked;
    println!(
        "opened {opened:.1} ms, a frame of every channel looked at {looked:.1} ms (sum {sum}), hash {hashed:.1} ms"
    );
    println!("{hash}");
    Ok(())
}

fn rewrite(syntax: &str, input: &Path, output: &Path) -> anyhow::Result<()> {
    let syntax = match syntax {
        "native" => Syntax::ExplicitLittle,
        "rle" => Syntax::Rle,
        "jpeg-ls" => Syntax::JpegLs,
        "deflated" => Syntax::Deflated,
        other => bail!("no such syntax: {other}"),
    };
    let volume = format::open(input, &OpenOptions::default())?;
    Ok(format::dicom::write(&volume, output, &WriteOptions { syntax, ..WriteOptions::default() })?)
}

fn dump(input: &Path, output: &Path, nyquist: Option<MetresPerSecond>) -> anyhow::Result<()> {
    let options = OpenOptions { nyquist, ..OpenOptions::default() };
    let started = std::time::Instant::now();
    let volume = match format::open(input, &options) {
        Ok(volume) => volume,
        Err(error) => {
            eprintln!("error: {error}\nhint: {}", error.hint());
            std::process::exit(2);
        }
    };
    let opened = started.elapsed();
    let mut file = std::fs::File::create(output).context("cannot write the codes")?;
    for channel in volume.channels() {
        for frame in 0..volume.frames() {
            match channel.samples().frame(frame) {
                Codes::U8(codes) => file.write_all(&codes)?,
                Codes::U16(codes) => {
                    file.write_all(&codes.iter().flat_map(|code| code.to_le_bytes()).collect::<Vec<_>>())?;
                }
            }
        }
    }
    let scale = volume.velocity_scale();
    let limits = scale.map(|scale| scale.limits());
    let told = serde_json::json!({
        "channels": volume.channels().iter().map(|c| c.kind().to_string()).collect::<Vec<_>>(),
        "bits": volume.channels().iter().map(|c| c.samples().bits()).collect::<Vec<_>>(),
        "grid": volume.grid.shape(),
        "voxel_mm": volume.grid.spacing_mm(),
        "origin_mm": volume.grid.origin().to_array(),
        "axes": volume.grid.axes().map(|axis| [axis.x, axis.y, axis.z]),
        "times_s": volume.timeline.times().iter().copied().map(Seconds::get).collect::<Vec<_>>(),
        "rr_s": volume.timeline.rr.map(Seconds::get),
        "beats_rr_s": volume.timeline.beats_rr.iter().copied().map(Seconds::get).collect::<Vec<_>>(),
        "gated_beats": volume.timeline.gated_beats,
        "apex_mm": volume.apex.map(narrows::space::VolumePoint::to_array),
        "zero_code": scale.map(|scale| scale.zero_code()),
        "step_m_s": scale.map(|scale| scale.step().get()),
        "nyquist_m_s": scale.map(|scale| scale.nyquist().get()),
        "limits_m_s": limits.map(|(low, high)| [low.get(), high.get()]),
        "cycle": scale.map(|scale| format!("{:?}", scale.cycle())),
        "power": volume.power().map(|(_, scale)| format!("{scale:?}")),
        "blake3": volume.provenance.blake3,
        "assumed": volume.provenance.assumed,
        "open_ms": opened.as_secs_f64() * 1e3,
    });
    println!("{told}");
    Ok(())
}
