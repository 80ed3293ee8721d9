//! Damages volume files at random and reads them, for a given time: what `tests/soak.sh` runs.
//!
//! `mutate SECONDS SEED FILE...` takes each file in turn, changes, cuts, doubles or exchanges some of its bytes and
//! reads the result as the program would. It fails on a panic, on a read of more than ten seconds, and on what
//! is accepted and cannot be looked at. It prints how many were accepted and refused.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use anyhow::{Context as _, bail};
use narrows::format::{HashWhen, OpenOptions, read_bytes, shared};
use narrows::unit::MetresPerSecond;
use rand_core::Rng as _;
use rand_pcg::Pcg64;

/// Reading a small file takes milliseconds; a loaded machine makes it longer
const LONGEST: Duration = Duration::from_secs(10);

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [seconds, seed, names @ ..] = &arguments[..] else { bail!("usage: mutate SECONDS SEED FILE...") };
    let seconds = Duration::from_secs_f64(seconds.parse()?);
    let mut random = Pcg64::new(seed.parse::<u64>()?.into(), 3);
    let files: Vec<Vec<u8>> = names
        .iter()
        .map(|name| std::fs::read(name).with_context(|| format!("cannot read {name}")))
        .collect::<Result<_, _>>()?;
    anyhow::ensure!(files.iter().all(|file| file.len() > 200), "files of more than 200 bytes are needed");
    let began = Instant::now();
    let (mut accepted, mut refused) = (0u64, 0u64);
    while began.elapsed() < seconds {
        for (name, file) in names.iter().zip(&files) {
            let bytes = damaged(file, &mut random);
            let started = Instant::now();
            let kept = bytes.clone();
            let read = catch_unwind(AssertUnwindSafe(|| looked_at(bytes)));
            let spent = started.elapsed();
            if read.is_err() || spent > LONGEST {
                let path = std::env::temp_dir().join(format!("narrows-soak-{}", std::process::id()));
                std::fs::write(&path, kept)?;
                bail!(
                    "a damaged {name} made the reader fail after {spent:?}; it is kept as {}",
                    path.display()
                );
            }
            match read {
                Ok(true) => accepted += 1,
                _ => refused += 1,
            }
        }
    }
    println!(
        "{} damaged files read: {accepted} accepted, {refused} refused, none failed",
        accepted + refused
    );
    Ok(())
}

/// Reads, and looks at every frame of what is accepted
fn looked_at(bytes: Vec<u8>) -> bool {
    // The open formats have no Nyquist velocity of their own.
    let dicom = bytes.get(128..132) == Some(b"DICM");
    let nyquist = (!dicom).then(|| MetresPerSecond::new(0.6));
    let options = OpenOptions { nyquist, hash: HashWhen::Later, ..OpenOptions::default() };
    let Ok(volume) = read_bytes(&shared(bytes), "damaged", &options) else { return false };
    for channel in volume.channels() {
        for frame in 0..volume.frames() {
            assert_eq!(channel.samples().frame(frame).len(), volume.grid.voxels());
        }
    }
    true
}

/// A copy with some of its bytes otherwise; mostly near its beginning, where the meaning is
fn damaged(file: &[u8], random: &mut Pcg64) -> Vec<u8> {
    let mut bytes = file.to_vec();
    for _ in 0..=random.next_u64() % 4 {
        let reach = if random.next_u64().is_multiple_of(4) { bytes.len() } else { bytes.len().min(9000) };
        let mut pick = |limit: usize| random.next_u64() as usize % limit.max(1);
        let at = pick(reach);
        let length = 1 + pick(64.min(bytes.len() - at));
        match pick(9) {
            0 => bytes[at] = 0,
            1 => bytes[at] = 0xFF,
            2 => bytes[at] ^= 1 << pick(8),
            3 => bytes[at] = b"0123456789-. \n"[pick(14)],
            4 => bytes[at..at + length.min(4)].fill([0, 0x80, 0xFF][pick(3)]),
            5 => drop(bytes.drain(at..at + length)),
            6 => {
                let part = bytes[at..at + length].to_vec();
                drop(bytes.splice(at..at, part));
            }
            7 => bytes.truncate(at.max(1)),
            _ => bytes[at] = pick(256) as u8,
        }
        if bytes.is_empty() {
            break;
        }
    }
    bytes
}
