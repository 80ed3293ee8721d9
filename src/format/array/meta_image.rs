//! MetaImage: `Key = Value` lines, then the samples or the name of their file (Kitware, "MetaIO").
//!
//! Each row of TransformMatrix is the direction of one axis. Positions are taken as left-posterior-
//! superior, as the Insight Toolkit does. HeaderSize counts the bytes before the samples, from the start of the
//! file that holds them; -1 says that they are its last. A fourth dimension is frames, a fifth channels; channels may
//! also be components of a voxel (ElementNumberOfChannels).

use std::collections::BTreeMap;
use std::fmt::Write as _;

use nalgebra::Vector3;

use super::layout::{Axis, ByteOrder, Clock, Element, Header, Packing, Place, Pose, Role};
use super::{ArrayError, text};
use crate::format::Notes;
use crate::volume::Volume4;

/// Name of the format
pub(super) const FORMAT: &str = "MetaImage";

/// Whether the bytes begin with a header: it has no signature, so its first key must be a known one
pub(super) fn is_meta_image(all: &[u8]) -> bool {
    let Ok(Some((line, _))) = text::line(&all[..all.len().min(1024)], 0) else { return false };
    let Some((key, _)) = line.split_once('=') else { return false };
    matches!(key.trim(), "ObjectType" | "NDims" | "Comment" | "ObjectSubType" | "ID" | "ElementDataFile")
}

/// The fields of a header
#[derive(Default)]
struct Fields(BTreeMap<String, String>);

impl Fields {
    fn get(&self, key: &str) -> Option<&str> {
        self.0.get(key).map(String::as_str)
    }

    fn need(&self, key: &'static str) -> Result<&str, ArrayError> {
        self.get(key).ok_or(ArrayError::Lacks { name: key })
    }

    /// The first of these keys that is there
    fn first<'a>(&'a self, keys: &[&'static str]) -> Option<(&'static str, &'a str)> {
        keys.iter().find_map(|key| Some((*key, self.get(key)?)))
    }

    /// True or false, where it is there
    fn flag(&self, keys: &[&'static str]) -> Result<Option<bool>, ArrayError> {
        let Some((key, found)) = self.first(keys) else { return Ok(None) };
        match found.chars().next().map(|c| c.to_ascii_lowercase()) {
            Some('t' | '1' | 'y') => Ok(Some(true)),
            Some('f' | '0' | 'n') => Ok(Some(false)),
            _ => refuse(key, found),
        }
    }

    /// So many numbers
    fn reals(&self, keys: &[&'static str], count: usize) -> Result<Option<Vec<f64>>, ArrayError> {
        let Some((key, found)) = self.first(keys) else { return Ok(None) };
        match text::numbers(found) {
            Some(list) if list.len() == count => Ok(Some(list)),
            _ => refuse(key, found),
        }
    }
}

fn refuse<T>(name: &'static str, found: &str) -> Result<T, ArrayError> {
    Err(ArrayError::Value { name, found: text::short(found) })
}

/// The fields, and where the samples begin if they follow
fn fields(all: &[u8]) -> Result<(Fields, usize), ArrayError> {
    let mut fields = Fields::default();
    let (mut at, mut number) = (0, 0);
    while let Some((line, next)) = text::line(all, at)? {
        at = next;
        number += 1;
        if line.trim().is_empty() {
            continue;
        }
        let Some((key, value)) = line.split_once('=') else {
            return Err(ArrayError::Header {
                line: number,
                message: format!("\"{}\" is no field", text::short(line)),
            });
        };
        let (key, value) = (key.trim().to_owned(), value.trim().to_owned());
        let last = key == "ElementDataFile";
        if fields.0.contains_key(&key) {
            return Err(ArrayError::Header {
                line: number,
                message: format!("\"{}\" stands there twice", text::short(&key)),
            });
        }
        fields.0.insert(key, value);
        if last {
            return Ok((fields, at));
        }
    }
    Err(ArrayError::Lacks { name: "ElementDataFile" })
}

/// Reads the header
///
/// # Errors
/// See [`ArrayError`].
pub(super) fn parse(all: &[u8], notes: &mut Notes) -> Result<Header, ArrayError> {
    let (fields, end) = fields(all)?;
    if let Some(other) = fields.get("ObjectType").filter(|kind| *kind != "Image") {
        return Err(ArrayError::Unsupported {
            what: format!("an object of the type {}", text::short(other)),
        });
    }
    if fields.flag(&["BinaryData"])? == Some(false) {
        return Err(ArrayError::Unsupported { what: "samples written as text".to_owned() });
    }
    let big = fields.flag(&["BinaryDataByteOrderMSB", "ElementByteOrderMSB"])? == Some(true);
    let packed = fields.flag(&["CompressedData"])? == Some(true);
    let packing = if packed { Packing::Zlib } else { Packing::Raw };
    let axes = axes(&fields)?;
    let (pose, clock) = pose(&fields, notes)?;
    Ok(Header {
        element: element(fields.need("ElementType")?)?,
        order: if big { ByteOrder::Big } else { ByteOrder::Little },
        packing,
        axes,
        pose,
        clock,
        scaling: None,
        place: place(&fields, packing, end)?,
    })
}

/// How many axes there are besides the components of a voxel
fn dimensions(fields: &Fields) -> Result<usize, ArrayError> {
    let found = fields.need("NDims")?;
    match found.parse() {
        Ok(ndims @ 3..=5) => Ok(ndims),
        _ => refuse("NDims", found),
    }
}

fn axes(fields: &Fields) -> Result<Vec<Axis>, ArrayError> {
    let ndims = dimensions(fields)?;
    let found = fields.need("DimSize")?;
    let sizes = match text::sizes(found) {
        Some(list) if list.len() == ndims => list,
        _ => return refuse("DimSize", found),
    };
    let components: usize = match fields.get("ElementNumberOfChannels").map(|text| (text, text.parse())) {
        None => 1,
        Some((_, Ok(count @ 1..=4096))) => count,
        Some((text, _)) => return refuse("ElementNumberOfChannels", text),
    };
    let mut axes = Vec::new();
    if components > 1 {
        axes.push(Axis { size: components, role: Role::Channel });
    }
    for (at, size) in sizes.iter().enumerate() {
        let role = match at {
            0..3 => Role::Space,
            3 if ndims == 4 && components == 1 => Role::Open,
            3 => Role::Time,
            _ => Role::Channel,
        };
        axes.push(Axis { size: *size, role });
    }
    Ok(axes)
}

/// Where the voxels are, and when the frames
fn pose(fields: &Fields, notes: &mut Notes) -> Result<(Pose, Option<Clock>), ArrayError> {
    let ndims = dimensions(fields)?;
    let spacing = fields
        .reals(&["ElementSpacing", "ElementSize"], ndims)?
        .ok_or(ArrayError::Lacks { name: "ElementSpacing" })?;
    if !spacing.iter().take(3).all(|side| *side > 0.0) {
        return refuse("ElementSpacing", &format!("{spacing:?}"));
    }
    let offset = fields.reals(&["Offset", "Position", "Origin"], ndims)?;
    let matrix = fields.reals(&["TransformMatrix", "Rotation", "Orientation"], ndims * ndims)?;
    if matrix.is_none() || offset.is_none() {
        notes.assume(
            "the header states no Offset or TransformMatrix; zero and the axes' own directions were taken",
        );
    }
    let offset = offset.unwrap_or_else(|| vec![0.0; ndims]);
    let matrix = matrix.unwrap_or_else(|| {
        (0..ndims * ndims).map(|at| if at % (ndims + 1) == 0 { 1.0 } else { 0.0 }).collect()
    });
    // Space must not be mixed with time or channels.
    let mixed = (0..ndims)
        .any(|row| (0..ndims).any(|column| (row < 3) != (column < 3) && matrix[row * ndims + column] != 0.0));
    if mixed {
        return refuse("TransformMatrix", "directions that mix space and time");
    }
    let step = |axis: usize| Vector3::from_fn(|i, _| matrix[axis * ndims + i]) * spacing[axis];
    let pose =
        Pose { origin: Vector3::new(offset[0], offset[1], offset[2]), steps: [step(0), step(1), step(2)] };
    notes
        .observed
        .push("positions were taken as left-posterior-superior, as the Insight Toolkit does".to_owned());
    let clock = (ndims > 3 && spacing[3].is_finite() && spacing[3] > 0.0)
        .then(|| Clock { first_s: offset[3], step_s: spacing[3] });
    Ok((pose, clock))
}

/// Where the samples are; `end` is that of the header's text
fn place(fields: &Fields, packing: Packing, end: usize) -> Result<Place, ArrayError> {
    let skip = match fields.get("HeaderSize").map(|text| (text, text.parse::<i64>())) {
        None => Some(0),
        Some((_, Ok(-1))) if packing == Packing::Raw => None,
        Some((_, Ok(skip @ 0..))) => Some(skip as usize),
        Some((_, Ok(-1))) => {
            return refuse("HeaderSize", "-1 (up to the end of the file) for packed samples");
        }
        Some((text, _)) => return refuse("HeaderSize", text),
    };
    Ok(match fields.need("ElementDataFile")? {
        // Counted from the start of the file, the header's text included; 0 says nothing.
        "LOCAL" | "Local" | "local" => match skip {
            None => Place::AtTheEnd { header: end },
            Some(0) => Place::Here(end),
            Some(skip) if skip < end => {
                return refuse("HeaderSize", "fewer bytes than the header itself has");
            }
            Some(skip) => Place::Here(skip),
        },
        name if name.starts_with("LIST") || name.contains('%') => {
            return Err(ArrayError::Unsupported { what: "samples in several files".to_owned() });
        }
        name => Place::Beside { name: name.to_owned(), skip },
    })
}

fn element(name: &str) -> Result<Element, ArrayError> {
    Ok(match name.trim_end_matches("_ARRAY") {
        "MET_UCHAR" => Element::U8,
        "MET_CHAR" => Element::I8,
        "MET_USHORT" => Element::U16,
        "MET_SHORT" => Element::I16,
        "MET_FLOAT" => Element::F32,
        "MET_DOUBLE" => Element::F64,
        other => return Err(ArrayError::Element { found: format!("of the type {}", text::short(other)) }),
    })
}

/// Where a header's samples are, and how long they are when packed
#[derive(Clone, Copy, Debug)]
pub(super) struct Stored<'a> {
    /// Their file beside the header; `None`: they follow it
    pub(super) detached: Option<&'a str>,
    /// Length of the zlib stream; `None`: they are not packed
    pub(super) packed: Option<usize>,
}

/// The header of a volume, ready to be followed by its samples
pub(super) fn header(volume: &Volume4, bits: u32, stored: Stored<'_>) -> Vec<u8> {
    let [x, y, z] = volume.grid.shape();
    let (frames, channels) = (volume.frames(), volume.channels().len());
    let ndims = match (frames, channels) {
        (_, 2..) => 5,
        (2.., _) => 4,
        _ => 3,
    };
    let list = |values: &[f64]| values[..ndims].iter().map(f64::to_string).collect::<Vec<_>>().join(" ");
    let axes = volume.grid.axes();
    let matrix: Vec<String> = (0..ndims * ndims)
        .map(|at| match (at / ndims, at % ndims) {
            (row @ 0..3, column @ 0..3) => axes[row][column].to_string(),
            (row, column) => if row == column { "1" } else { "0" }.to_owned(),
        })
        .collect();
    let [dx, dy, dz] = volume.grid.spacing_mm();
    let [ox, oy, oz] = volume.grid.origin().to_array();
    let interval = volume.timeline.interval().map_or(1.0, crate::unit::Seconds::get);
    let mut text = String::from("ObjectType = Image\n");
    let mut put = |key: &str, value: &str| {
        let _ = writeln!(text, "{key} = {value}");
    };
    put("NDims", &ndims.to_string());
    put("BinaryData", "True");
    put("BinaryDataByteOrderMSB", "False");
    put("CompressedData", if stored.packed.is_some() { "True" } else { "False" });
    if let Some(length) = stored.packed {
        put("CompressedDataSize", &length.to_string());
    }
    put("TransformMatrix", &matrix.join(" "));
    put("Offset", &list(&[ox, oy, oz, volume.timeline.times()[0].get(), 0.0]));
    put("CenterOfRotation", &list(&[0.0; 5]));
    put("ElementSpacing", &list(&[dx, dy, dz, interval, 1.0]));
    let sizes = [x, y, z, frames, channels].map(|size| size as f64);
    put("DimSize", &list(&sizes));
    put("ElementType", if bits == 8 { "MET_UCHAR" } else { "MET_USHORT" });
    let last = format!("ElementDataFile = {}\n", stored.detached.unwrap_or("LOCAL"));
    if stored.detached.is_none() && stored.packed.is_none() {
        // Samples that begin at an even byte can be lent from a mapped file.
        let length = text.len() + "Comment = \n".len() + last.len();
        let _ = writeln!(text, "Comment = {}", ".".repeat(16 - length % 16));
    }
    text.push_str(&last);
    text.into_bytes()
}

#[cfg(test)]
mod tests {
    use super::super::tests::{META, codes, meta, read_nyquist};

    #[test]
    fn meta_image_samples_begin_where_header_size_says() {
        // As the MetaIO library reads them: from the start of the file; 0 is where the header ends; -1, at its end.
        let data: Vec<u8> = (1..=12).collect();
        let read = |size: i64, before: &[u8], after: &[u8]| {
            let head = META.replace("NDims", &format!("HeaderSize = {size}\nNDims"));
            read_nyquist(&meta(&head, &[before, &data, after].concat()), Some(0.6))
        };
        let length = META.len() as i64 + "HeaderSize = 000\n".len() as i64;
        let expected: Vec<u16> = (1..=12).collect();
        assert_eq!(codes(&read(0, &[], &[]).unwrap()), expected);
        assert_eq!(codes(&read(length, &[], &[]).unwrap()), expected);
        assert_eq!(codes(&read(length + 5, &[9; 5], &[8; 3]).unwrap()), expected);
        assert_eq!(codes(&read(-1, &[9; 5], &[]).unwrap()), expected);
        // The header's own text is never taken for samples.
        let short = META.replace("NDims", "HeaderSize = -1\nNDims");
        let error = read_nyquist(&meta(&short, &data[..7]), Some(0.6)).unwrap_err();
        assert!(error.to_string().contains("12 bytes are declared, but at most 7"), "{error}");
        let error = read(length + 5, &[], &[]).unwrap_err();
        assert!(error.to_string().contains("12 bytes are declared, but at most 7"), "{error}");
        for size in [7, -2] {
            let error = read(size, &[], &[]).unwrap_err();
            assert!(error.to_string().contains("HeaderSize"), "{error}");
        }
    }
}
