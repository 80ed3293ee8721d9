//! Any bytes into the readers of volumes and of solved flows; what is accepted is written and must come back the same.
//!
//! `cargo +nightly fuzz run reader`; a good corpus is a few small files of each transfer syntax, such
//! as `cargo run --example made_volume -- 8 rle apex fuzz/corpus/reader/rle.dcm` makes, and single velocity
//! channels in the open formats, a recipe of a flow, and a small flow.

#![no_main]

use libfuzzer_sys::fuzz_target;
use narrows::format::dicom::{Syntax, WriteOptions, write_bytes};
use narrows::format::{HashWhen, OpenOptions, read_bytes, shared};
use narrows::phantom::flow::{FlowRecipe, SolvedFlow};
use narrows::unit::MetresPerSecond;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(flow) = SolvedFlow::read(bytes) {
        let written = flow.write().expect("what we read, we write");
        assert!(SolvedFlow::read(&written).expect("what we write, we read") == flow);
        return;
    }
    if let Ok(text) = std::str::from_utf8(bytes) {
        let _ = FlowRecipe::from_toml(text);
    }
    // The open formats have no Nyquist velocity of their own.
    let nyquist = (!bytes.get(128..132).is_some_and(|magic| magic == b"DICM")).then(|| MetresPerSecond::new(0.6));
    let options = OpenOptions { nyquist, hash: HashWhen::Later, ..OpenOptions::default() };
    let Ok(volume) = read_bytes(&shared(bytes.to_vec()), "fuzz.dcm", &options) else { return };
    // What came in may be any real number; what was written once is ours, and must not change again.
    let syntax = [Syntax::ExplicitLittle, Syntax::Rle, Syntax::JpegLs, Syntax::Deflated][bytes.len() % 4];
    let Ok(written) = write_bytes(&volume, &WriteOptions { syntax, ..WriteOptions::default() }) else { return };
    let again = read_bytes(&shared(written), "again.dcm", &options).expect("what we write, we read");
    assert_eq!(volume.grid.shape(), again.grid.shape());
    assert_eq!(volume.channels().len(), again.channels().len());
    for (first, second) in volume.channels().iter().zip(again.channels()) {
        assert_eq!(first.kind(), second.kind());
        for frame in 0..volume.frames() {
            let (first, second) = (first.samples().frame(frame), second.samples().frame(frame));
            assert!((0..first.len()).all(|at| first.at(at) == second.at(at)));
        }
    }
});
