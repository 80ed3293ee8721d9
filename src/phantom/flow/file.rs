//! The file of a solved flow.
//!
//! ```text
//!   8 bytes  "NARFLOW" and a zero
//!   4 bytes  version, least significant byte first
//!   one xz stream that holds:
//!     4 bytes  length of the header, least significant byte first
//!     header   JSON, see FlowHeader
//!     mean     u, v, w: for each, in steps of 0.01 m/s, the differences along u (the first of a
//!              row from zero) with the sign in the lowest bit; all low bytes, then all high bytes
//!     roots    uu vv ww uv uw vw: signed square roots of the covariance, steps of 0.04 m/s, i8
//!     wall     share of wall, u8
//! ```
//!
//! Planes of bytes and signs in the lowest bit halve what the high bytes cost (tried on four flows:
//! 0.90 to 0.99 MB each, against 1.07 to 1.2 MB with 16-bit differences as they are).

use std::io::{Read, Write};

use lzma_rust2::{XzOptions, XzReader, XzWriter};

use super::field::Cell;
use super::{FlowHeader, FlowUse, SolvedFlow};

const MAGIC: &[u8; 8] = b"NARFLOW\0";
const VERSION: u32 = 1;
/// Bytes of one cell inside the stream
const CELL_BYTES: usize = 13;
/// Most cells that are read: 60 mm at 0.3 mm in each direction
pub(super) const MOST_CELLS: usize = 8_000_000;
/// Longest header that is read, bytes
const MOST_HEADER: usize = 4 << 20;
/// Most memory the decompressor may take, kB: preset 6 needs 9 MB
const MEMORY_KB: u32 = 32 << 10;
/// Preset of xz: its default
const PRESET: u32 = 6;

/// Why a flow was not read or written
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FlowError {
    /// The bytes do not begin as a flow
    #[error("this is not a solved flow: the first bytes are not those of one")]
    Magic,
    /// Written by a later version
    #[error("the flow is of version {0}; this program reads version {VERSION}")]
    Version(u32),
    /// The compressed part is damaged or ends early
    #[error("the flow is damaged: {part} could not be decompressed: {source}")]
    Stream {
        /// What was being read
        part: &'static str,
        /// What the decompressor says
        source: std::io::Error,
    },
    /// The header is no header
    #[error("the header of the flow could not be read: {0}")]
    Header(#[from] serde_json::Error),
    /// A value of the header is impossible
    #[error("the header of the flow holds an impossible value: {key}: {value}")]
    Value {
        /// The key
        key: &'static str,
        /// Its value
        value: String,
    },
    /// More bytes than the header tells of
    #[error("the flow is damaged: it goes on after its last array")]
    Beyond,
    /// No flow of this name in the library
    #[error("there is no solved flow of this name in the library: {0}")]
    Unknown(String),
    /// No flow of a use in the library
    #[error("the library holds no solved flow for {0}")]
    Missing(FlowUse),
    /// A flow that must not be used for this
    #[error("the solved flow {name} is for {purpose}, and one for {asked} was asked for")]
    Use {
        /// Its name
        name: String,
        /// What it is for
        purpose: FlowUse,
        /// What it was asked for
        asked: FlowUse,
    },
    /// A file could not be read
    #[error("cannot read the flow: {source}: {path}")]
    File {
        /// What the system says
        source: std::io::Error,
        /// Which file
        path: String,
    },
}

impl FlowError {
    /// What can be done about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Magic => "give a file that `narrows flow` wrote",
            Self::Version(_) => "use a newer version of this program, or solve the recipe again",
            Self::Unknown(_) => "the flows stand in sample-volumes/flows; give the name without .flow",
            Self::Missing(_) => "make flows from the recipes in sample-volumes/flows with `narrows flow`",
            Self::Use { .. } => {
                "constants are set on flows for tuning alone, and judged on flows for testing alone"
            }
            Self::File { .. } => "check the name and that the file may be read",
            _ => "copy the file again, or remake it from the recipe beside it with `narrows flow`",
        }
    }
}

impl SolvedFlow {
    /// Reads the bytes of a flow file
    ///
    /// # Errors
    /// [`FlowError`] where the bytes are not a whole flow.
    pub fn read(bytes: &[u8]) -> Result<Self, FlowError> {
        let (header, mut stream) = begun(bytes)?;
        let count = check(&header)?;
        let arrays = exactly(&mut stream, count * CELL_BYTES, "the arrays")?;
        if stream.read(&mut [0]).map_err(|source| FlowError::Stream { part: "the end", source })? != 0 {
            return Err(FlowError::Beyond);
        }
        let cells = unpack(&arrays, count, header.cells[0]);
        Self::new(header, cells).ok_or(FlowError::Beyond)
    }

    /// The bytes of its file
    ///
    /// # Errors
    /// [`FlowError`] where the header cannot be written, or would not be read.
    pub fn write(&self) -> Result<Vec<u8>, FlowError> {
        check(&self.header)?;
        let header = serde_json::to_vec(&self.header)?;
        let mut out = MAGIC.to_vec();
        out.extend(VERSION.to_le_bytes());
        let failed = |source| FlowError::Stream { part: "the whole", source };
        let mut stream = XzWriter::new(out, XzOptions::with_preset(PRESET)).map_err(failed)?;
        stream.write_all(&(header.len() as u32).to_le_bytes()).map_err(failed)?;
        stream.write_all(&header).map_err(failed)?;
        stream.write_all(&pack(self.cells(), self.header.cells[0])).map_err(failed)?;
        stream.finish().map_err(failed)
    }
}

impl FlowHeader {
    /// The header of a flow's bytes, without its arrays
    ///
    /// # Errors
    /// [`FlowError`] where the bytes do not begin as a flow.
    pub(super) fn read(bytes: &[u8]) -> Result<Self, FlowError> {
        let (header, _) = begun(bytes)?;
        check(&header)?;
        Ok(header)
    }
}

/// The header, not yet checked, and the stream where its arrays begin
fn begun(bytes: &[u8]) -> Result<(FlowHeader, XzReader<&[u8]>), FlowError> {
    let rest = bytes.strip_prefix(MAGIC).ok_or(FlowError::Magic)?;
    let (version, stream) = rest.split_first_chunk::<4>().ok_or(FlowError::Magic)?;
    let version = u32::from_le_bytes(*version);
    if version != VERSION {
        return Err(FlowError::Version(version));
    }
    let mut stream = XzReader::new_mem_limit(stream, false, MEMORY_KB);
    let mut length = [0; 4];
    stream
        .read_exact(&mut length)
        .map_err(|source| FlowError::Stream { part: "the length of the header", source })?;
    let length = u32::from_le_bytes(length) as usize;
    if length > MOST_HEADER {
        return Err(FlowError::Value { key: "length of the header", value: length.to_string() });
    }
    let header = serde_json::from_slice(&exactly(&mut stream, length, "the header")?)?;
    Ok((header, stream))
}

/// The next `length` bytes; memory grows with what is there, not with what is promised
fn exactly(stream: &mut impl Read, length: usize, part: &'static str) -> Result<Vec<u8>, FlowError> {
    let mut bytes = Vec::new();
    stream
        .take(length as u64)
        .read_to_end(&mut bytes)
        .map_err(|source| FlowError::Stream { part, source })?;
    if bytes.len() == length {
        return Ok(bytes);
    }
    Err(FlowError::Stream { part, source: std::io::ErrorKind::UnexpectedEof.into() })
}

/// The number of cells, where the header makes sense
fn check(header: &FlowHeader) -> Result<usize, FlowError> {
    let impossible = |key, value: String| Err(FlowError::Value { key, value });
    let count = header.cells.iter().try_fold(1_usize, |count, n| count.checked_mul(*n));
    let count = match count {
        Some(count) if count <= MOST_CELLS && header.cells.iter().all(|n| *n >= 2) => count,
        _ => return impossible("cells", format!("{:?}", header.cells)),
    };
    if !(0.01..=10.0).contains(&header.cell_mm) {
        return impossible("cell_mm", header.cell_mm.to_string());
    }
    if !header.origin_mm.iter().all(|x| x.abs() < 1e4) {
        return impossible("origin_mm", format!("{:?}", header.origin_mm));
    }
    let truth = &header.truth;
    for (key, value) in [
        ("viscosity_mm2_s", header.viscosity_mm2_s),
        ("effective_mm2", truth.effective_mm2),
        ("anatomic_mm2", truth.anatomic_mm2),
        ("contraction", truth.contraction),
        ("core_m_s", truth.core_m_s),
        ("flow_ml_s", truth.flow_ml_s),
    ] {
        if !(value > 0.0 && value < 1e6) {
            return impossible(key, value.to_string());
        }
    }
    let axes = truth.orifices.iter().map(|orifice| orifice.axis).chain([truth.axis]);
    for axis in axes {
        let square: f64 = axis.iter().map(|x| x * x).sum();
        if (square - 1.0).abs() > 1e-3 {
            return impossible("axis", format!("{axis:?}"));
        }
    }
    if truth.outlines_mm.is_empty() || truth.outlines_mm.len() != truth.orifices.len() {
        return impossible("outlines_mm", format!("{} outlines", truth.outlines_mm.len()));
    }
    Ok(count)
}

/// The arrays of a file, one after another; `row` cells stand in a row along u
fn pack(cells: &[Cell], row: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(cells.len() * CELL_BYTES);
    for axis in 0..3 {
        let mut high = Vec::with_capacity(cells.len());
        for line in cells.chunks(row) {
            let mut last = 0_i16;
            for cell in line {
                let step = cell.mean[axis].wrapping_sub(last);
                last = cell.mean[axis];
                let [low, top] = ((step << 1) ^ (step >> 15)).to_le_bytes();
                out.push(low);
                high.push(top);
            }
        }
        out.append(&mut high);
    }
    for pair in 0..6 {
        out.extend(cells.iter().map(|cell| cell.root[pair] as u8));
    }
    out.extend(cells.iter().map(|cell| cell.wall));
    out
}

/// The inverse of [`pack`] for `count` cells in rows of `row`
fn unpack(arrays: &[u8], count: usize, row: usize) -> Vec<Cell> {
    let mut cells = vec![Cell::default(); count];
    let (mean, rest) = arrays.split_at(count * 6);
    for axis in 0..3 {
        let (low, high) = mean[axis * 2 * count..][..2 * count].split_at(count);
        let mut last = 0_i16;
        for (i, cell) in cells.iter_mut().enumerate() {
            if i % row == 0 {
                last = 0;
            }
            let folded = u16::from_le_bytes([low[i], high[i]]);
            last = last.wrapping_add(((folded >> 1) as i16) ^ -((folded & 1) as i16));
            cell.mean[axis] = last;
        }
    }
    for (pair, roots) in rest[..6 * count].chunks_exact(count).enumerate() {
        for (cell, root) in cells.iter_mut().zip(roots) {
            cell.root[pair] = *root as i8;
        }
    }
    for (cell, wall) in cells.iter_mut().zip(&rest[6 * count..]) {
        cell.wall = *wall;
    }
    cells
}

#[cfg(test)]
mod tests {
    use super::super::field::tests::linear;
    use super::*;

    #[test]
    fn a_flow_comes_back_as_it_was_written() {
        let flow = linear();
        let bytes = flow.write().unwrap();
        assert_eq!(SolvedFlow::read(&bytes).unwrap(), flow);
        assert_eq!(flow.write().unwrap(), bytes);
    }

    #[test]
    fn extreme_steps_survive() {
        let mut cells = linear().cells().to_vec();
        for (i, cell) in cells.iter_mut().enumerate() {
            cell.mean = [if i % 2 == 0 { i16::MIN } else { i16::MAX }; 3];
            cell.root = [-127, 127, 0, -1, 1, -128];
        }
        let flow = SolvedFlow::new(linear().header, cells).unwrap();
        assert_eq!(SolvedFlow::read(&flow.write().unwrap()).unwrap(), flow);
    }

    /// Every single damaged byte, and every cut, is an error or a flow of the same grid, never a panic
    #[test]
    fn damaged_bytes_are_told() {
        let flow = linear();
        let bytes = flow.write().unwrap();
        for at in 0..bytes.len() {
            for flip in [1_u8, 0x80, 0xff] {
                let mut bad = bytes.clone();
                bad[at] ^= flip;
                assert!(SolvedFlow::read(&bad).is_err(), "byte {at} flipped by {flip}");
            }
            assert!(SolvedFlow::read(&bytes[..at]).is_err(), "cut at {at}");
        }
        assert!(matches!(SolvedFlow::read(b"DICM"), Err(FlowError::Magic)));
        let mut later = bytes.clone();
        later[8] = 9;
        assert!(matches!(SolvedFlow::read(&later), Err(FlowError::Version(9))));
    }

    /// A file of this header and no arrays
    fn with_header(text: &[u8]) -> Vec<u8> {
        let mut bytes = MAGIC.to_vec();
        bytes.extend(VERSION.to_le_bytes());
        let mut stream = XzWriter::new(bytes, XzOptions::with_preset(0)).unwrap();
        stream.write_all(&(text.len() as u32).to_le_bytes()).unwrap();
        stream.write_all(text).unwrap();
        stream.finish().unwrap()
    }

    #[test]
    fn a_header_that_promises_too_much_is_refused_before_memory_is_taken() {
        type Damage = fn(&mut FlowHeader);
        let damages: [(Damage, &str); 11] = [
            (|header| header.cells = [usize::MAX, 2, 2], "cells"),
            (|header| header.cells = [4000; 3], "cells"),
            (|header| header.cells = [1, 20, 3], "cells"),
            (|header| header.cell_mm = 0.0, "cell_mm"),
            (|header| header.origin_mm[1] = -1e9, "origin_mm"),
            (|header| header.viscosity_mm2_s = -1.0, "viscosity_mm2_s"),
            (|header| header.truth.effective_mm2 = 0.0, "effective_mm2"),
            (|header| header.truth.core_m_s = 1e9, "core_m_s"),
            (|header| header.truth.axis = [0.0, 0.6, 0.6], "axis"),
            (|header| header.truth.orifices[0].axis = [0.0; 3], "axis"),
            (|header| header.truth.outlines_mm.clear(), "outlines_mm"),
        ];
        for (damage, key) in damages {
            let mut header = linear().header;
            damage(&mut header);
            match SolvedFlow::read(&with_header(&serde_json::to_vec(&header).unwrap())) {
                Err(FlowError::Value { key: told, .. }) => assert_eq!(told, key),
                other => panic!("{key}: {other:?}"),
            }
        }
        assert!(matches!(SolvedFlow::read(&with_header(b"{}")), Err(FlowError::Header(_))));
        // A grid that is possible, but whose arrays are not there.
        let mut header = linear().header;
        header.cells = [200, 200, 200];
        let bytes = with_header(&serde_json::to_vec(&header).unwrap());
        assert!(matches!(SolvedFlow::read(&bytes), Err(FlowError::Stream { part: "the arrays", .. })));
        assert!(SolvedFlow::new(header, linear().cells().to_vec()).is_none());
    }
}
