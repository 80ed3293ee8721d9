//! NRRD: a header in text, then the samples or the name of the file they are in (G. Kindlmann,
//! "Definition of NRRD File Format", teem.sourceforge.net/nrrd/format.html).
//!
//! Read are attached and detached headers, raw and gzip, axes in any order. Spaces whose axes run
//! right or front are turned to left-posterior-superior. Time is an axis of its own, or the fourth
//! dimension of the space; the latter is what is written, since readers that take a picture's
//! geometry from the space alone refuse the former. A "list" axis may count frames or channels, see
//! [`super::layout`].

use std::collections::BTreeMap;
use std::fmt::Write as _;

use nalgebra::Vector3;

use super::layout::{self, Axis, ByteOrder, Clock, Element, Header, Packing, Pose, Role};
use super::{ArrayError, text};
use crate::format::Notes;
use crate::volume::Volume4;

/// Name of the format
pub(super) const FORMAT: &str = "NRRD";

/// Whether the bytes bear the signature
pub(super) fn is_nrrd(all: &[u8]) -> bool {
    all.starts_with(b"NRRD0")
}

type Fields = BTreeMap<String, String>;

fn refuse<T>(name: &'static str, found: &str) -> Result<T, ArrayError> {
    Err(ArrayError::Value { name, found: text::short(found) })
}

/// The fields of a header, and where the samples begin if they follow it
fn fields(all: &[u8]) -> Result<(Fields, usize), ArrayError> {
    let mut fields = Fields::new();
    let mut at = 0;
    let mut number = 0;
    while let Some((line, next)) = text::line(all, at)? {
        at = next;
        number += 1;
        if line.is_empty() {
            break;
        }
        // The signature, comments and key/value pairs say nothing of the samples.
        if number == 1 || line.starts_with('#') || line.contains(":=") {
            continue;
        }
        let Some((key, value)) = line.split_once(':') else {
            return Err(ArrayError::Header {
                line: number,
                message: format!("\"{}\" is no field", text::short(line)),
            });
        };
        let key = match key.trim().to_lowercase().as_str() {
            "datafile" => "data file".to_owned(),
            "lineskip" => "line skip".to_owned(),
            "byteskip" => "byte skip".to_owned(),
            "axismins" => "axis mins".to_owned(),
            key => key.to_owned(),
        };
        if fields.insert(key.clone(), value.trim().to_owned()).is_some() {
            return Err(ArrayError::Header {
                line: number,
                message: format!("\"{}\" stands there twice", text::short(&key)),
            });
        }
    }
    Ok((fields, at))
}

/// Reads the header
///
/// # Errors
/// See [`ArrayError`].
pub(super) fn parse(all: &[u8], notes: &mut Notes) -> Result<Header, ArrayError> {
    let (fields, end) = fields(all)?;
    let get = |key: &str| fields.get(key).map(String::as_str);
    let need = |key: &'static str| get(key).ok_or(ArrayError::Lacks { name: key });
    let element = element(need("type")?)?;
    let dimension: usize = match need("dimension")?.parse() {
        Ok(dimension @ 1..=16) => dimension,
        _ => return refuse("dimension", need("dimension")?),
    };
    let sizes = need("sizes")?;
    let sizes = match text::sizes(sizes) {
        Some(list) if list.len() == dimension => list,
        _ => return refuse("sizes", sizes),
    };
    let order = match (get("endian"), element.bytes()) {
        (Some("little"), _) | (None, 1) => ByteOrder::Little,
        (Some("big"), _) => ByteOrder::Big,
        (Some(other), _) => return refuse("endian", other),
        (None, _) => return Err(ArrayError::Lacks { name: "endian" }),
    };
    let packing = match need("encoding")?.to_lowercase().as_str() {
        "raw" => Packing::Raw,
        "gzip" | "gz" => Packing::Gzip,
        other => {
            return Err(ArrayError::Unsupported { what: format!("the encoding {}", text::short(other)) });
        }
    };
    let directions = match get("space directions") {
        Some(text) => Some(
            vectors(text)
                .filter(|list| list.len() == dimension)
                .ok_or_else(|| ArrayError::Value { name: "space directions", found: text::short(text) })?,
        ),
        None => None,
    };
    let per_axis = |key: &'static str| -> Result<Option<Vec<f64>>, ArrayError> {
        match get(key) {
            None => Ok(None),
            Some(found) => match text::numbers(found) {
                Some(list) if list.len() == dimension => Ok(Some(list)),
                _ => refuse(key, found),
            },
        }
    };
    let (spacings, mins) = (per_axis("spacings")?, per_axis("axis mins")?);
    let axes = roles(&sizes, get("kinds"), directions.as_deref(), notes)?;
    let space: Vec<usize> = (0..dimension).filter(|axis| axes[*axis].role == Role::Space).collect();
    let origin = match get("space origin").map(|text| (text, vectors(text))) {
        Some((_, Some(list))) if list.len() == 1 => list[0],
        Some((text, _)) => return refuse("space origin", text),
        None => None,
    };
    let pose = match &directions {
        Some(directions) => {
            let steps: Vec<Vector3<f64>> =
                space.iter().filter_map(|axis| directions[*axis].map(|place| place.space)).collect();
            let steps: [Vector3<f64>; 3] = steps.try_into().map_err(|_| ArrayError::Axes {
                message: "not every axis in space has its direction".to_owned(),
            })?;
            if origin.is_none() {
                notes.assume("the header states no space origin; the first voxel was put at zero");
            }
            let origin = origin.map_or_else(Vector3::zeros, |place| place.space);
            in_space(Pose { origin, steps }, &fields, notes)?
        }
        None => by_spacings(&space, spacings.as_deref(), notes)?,
    };
    let time = axes.iter().position(|axis| matches!(axis.role, Role::Time | Role::Open) && axis.size > 1);
    let clock = time.and_then(|axis| {
        let place = directions.as_ref().and_then(|directions| directions[axis]);
        let (step, first, unit) = if let Some(place) = place {
            let unit = get("space units").and_then(|units| quoted(units, 3));
            (place.time, origin.map_or(0.0, |place| place.time), unit)
        } else {
            let step = *spacings.as_ref()?.get(axis)?;
            let first = mins.as_ref().map_or(0.0, |mins| mins[axis]);
            (step, first, get("units").and_then(|units| quoted(units, axis)))
        };
        let seconds = seconds(unit.unwrap_or(""), notes)?;
        let first = if first.is_finite() { first * seconds } else { 0.0 };
        (step.is_finite() && step > 0.0).then_some(Clock { first_s: first, step_s: step * seconds })
    });
    let place = place(&fields, all, end, packing)?;
    Ok(Header { element, order, packing, axes, pose, clock, scaling: None, place })
}

fn element(name: &str) -> Result<Element, ArrayError> {
    Ok(match name {
        "uchar" | "unsigned char" | "uint8" | "uint8_t" => Element::U8,
        "signed char" | "int8" | "int8_t" => Element::I8,
        "ushort" | "unsigned short" | "unsigned short int" | "uint16" | "uint16_t" => Element::U16,
        "short" | "short int" | "signed short" | "signed short int" | "int16" | "int16_t" => Element::I16,
        "float" => Element::F32,
        "double" => Element::F64,
        other => return Err(ArrayError::Element { found: format!("of the type {}", text::short(other)) }),
    })
}

/// A vector of the header's space: three dimensions, and perhaps a fourth that is time
#[derive(Clone, Copy, Debug, PartialEq)]
struct Place {
    space: Vector3<f64>,
    time: f64,
}

/// Vectors in parentheses, or `none`
fn vectors(text: &str) -> Option<Vec<Option<Place>>> {
    let mut list = Vec::new();
    let mut rest = text.trim();
    while !rest.is_empty() {
        if let Some(after) = rest.strip_prefix("none") {
            list.push(None);
            rest = after.trim_start();
            continue;
        }
        let (inside, after) = rest.strip_prefix('(')?.split_once(')')?;
        let numbers: Vec<f64> =
            inside.split(',').map(|word| word.trim().parse().ok()).collect::<Option<_>>()?;
        list.push(Some(match numbers[..] {
            [x, y, z] => Place { space: Vector3::new(x, y, z), time: 0.0 },
            [x, y, z, time] => Place { space: Vector3::new(x, y, z), time },
            _ => return None,
        }));
        rest = after.trim_start();
    }
    Some(list)
}

/// What each axis counts
fn roles(
    sizes: &[usize],
    kinds: Option<&str>,
    directions: Option<&[Option<Place>]>,
    notes: &mut Notes,
) -> Result<Vec<Axis>, ArrayError> {
    let kinds: Option<Vec<&str>> = kinds.map(|text| text.split_whitespace().collect());
    if let Some(kinds) = kinds.as_ref().filter(|kinds| kinds.len() != sizes.len()) {
        return refuse("kinds", &kinds.join(" "));
    }
    let mut axes = Vec::new();
    for (at, size) in sizes.iter().enumerate() {
        let direction = directions.map(|directions| directions[at]);
        if let Some(Some(Place { space, time })) = direction
            && time != 0.0
        {
            if space != Vector3::zeros() {
                return Err(ArrayError::Axes { message: "an axis mixes space and time".to_owned() });
            }
            axes.push(Axis { size: *size, role: Role::Time });
            continue;
        }
        let has_direction = direction.map(|direction| direction.is_some());
        let role = match (kinds.as_ref().map(|kinds| kinds[at].to_lowercase()), has_direction) {
            (Some(kind), direction) => match kind.as_str() {
                "space" => Role::Space,
                kind @ ("domain" | "none" | "???") => match (kind, direction) {
                    (_, Some(true)) | ("domain", None) => Role::Space,
                    _ => Role::Open,
                },
                "time" => Role::Time,
                "rgb-color" | "rgba-color" => Role::Colour,
                "vector" | "point" | "2-vector" | "3-vector" | "4-vector" | "3-color" | "4-color" => {
                    Role::Channel
                }
                "list" | "scalar" => Role::Open,
                other => {
                    return Err(ArrayError::Unsupported {
                        what: format!("an axis of the kind {}", text::short(other)),
                    });
                }
            },
            (None, Some(true)) => Role::Space,
            (None, Some(false)) => Role::Open,
            (None, None) => {
                notes.assume("the header says neither kinds nor directions; its first three axes were taken as x, y, z");
                if at < 3 { Role::Space } else { Role::Open }
            }
        };
        axes.push(Axis { size: *size, role });
    }
    Ok(axes)
}

/// The pose in left-posterior-superior millimetres
fn in_space(pose: Pose, fields: &Fields, notes: &mut Notes) -> Result<Pose, ArrayError> {
    let space = fields.get("space").map(|text| text.trim_matches('"').to_lowercase());
    // A space with time as its fourth dimension is the same in its first three.
    let three = space.as_deref().map(|name| match name {
        "lpst" => "lps",
        "rast" => "ras",
        "last" => "las",
        name => name.strip_suffix("-time").unwrap_or(name),
    });
    let turned = match three {
        Some("left-posterior-superior" | "lps") => pose,
        Some(name @ ("right-anterior-superior" | "ras")) => {
            notes.assume(format!(
                "positions were turned from {name} to left-posterior-superior: x and y changed their sign"
            ));
            pose.ras_to_lps()
        }
        Some(name @ ("left-anterior-superior" | "las")) => {
            notes.assume(format!(
                "positions were turned from {name} to left-posterior-superior: y changed its sign"
            ));
            pose.las_to_lps()
        }
        Some(name @ ("3d-right-handed" | "scanner-xyz")) => {
            notes.assume(format!("positions in the space {name} were taken as they are"));
            pose
        }
        None => {
            notes.assume("the header names no space; positions were taken as left-posterior-superior");
            pose
        }
        Some(other) => {
            return Err(ArrayError::Unsupported { what: format!("the space {}", text::short(other)) });
        }
    };
    let units = fields.get("space units").map_or("", String::as_str);
    let words: Vec<&str> = units.split_whitespace().map(|word| word.trim_matches('"')).collect();
    let words = &words[..words.len().min(3)];
    let millimetres = match words[..] {
        [] => {
            notes.assume("the header names no unit of length; millimetres were taken");
            1.0
        }
        [first, second, third] if first == second && second == third => match first {
            "mm" | "millimeter" | "millimeters" => 1.0,
            "cm" => 10.0,
            "m" => 1000.0,
            "um" | "microns" | "micrometer" => 1e-3,
            _ => return refuse("space units", units),
        },
        _ => return refuse("space units", units),
    };
    Ok(Pose { origin: turned.origin * millimetres, steps: turned.steps.map(|step| step * millimetres) })
}

/// A grid along its own axes, where the header gives spacings only
fn by_spacings(space: &[usize], spacings: Option<&[f64]>, notes: &mut Notes) -> Result<Pose, ArrayError> {
    let spacings = spacings.ok_or(ArrayError::Lacks { name: "space directions" })?;
    notes.assume(
        "the header gives voxel sides without directions; voxels were laid out along left, posterior, superior, in \
         millimetres, the first one at zero",
    );
    let mut pose = Pose { origin: Vector3::zeros(), steps: [Vector3::zeros(); 3] };
    for (i, axis) in space.iter().enumerate().take(3) {
        if spacings[*axis].is_nan() || spacings[*axis] <= 0.0 {
            return refuse("spacings", &spacings[*axis].to_string());
        }
        pose.steps[i][i] = spacings[*axis];
    }
    Ok(pose)
}

/// The text between one pair of quotation marks of several; it may be empty
fn quoted(text: &str, which: usize) -> Option<&str> {
    text.split('"').skip(1).step_by(2).nth(which)
}

/// Seconds of a unit of time; `None` where it is none
fn seconds(unit: &str, notes: &mut Notes) -> Option<f64> {
    match unit {
        "s" | "sec" | "second" | "seconds" => Some(1.0),
        "ms" | "msec" | "millisecond" | "milliseconds" => Some(1e-3),
        "us" | "microsecond" | "microseconds" => Some(1e-6),
        "" => {
            notes.assume("the header names no unit of time; seconds were taken");
            Some(1.0)
        }
        _ => None,
    }
}

/// Where the samples are
fn place(fields: &Fields, all: &[u8], end: usize, packing: Packing) -> Result<layout::Place, ArrayError> {
    let whole = |key: &'static str| -> Result<i64, ArrayError> {
        match fields.get(key).map(|text| (text, text.parse::<i64>())) {
            None => Ok(0),
            Some((_, Ok(number))) if number >= -1 => Ok(number),
            Some((text, _)) => refuse(key, text),
        }
    };
    let (lines, skip) = (whole("line skip")?, whole("byte skip")?);
    // -1: the samples are the last bytes; only without packing, by the format's definition.
    if lines != 0 || (packing == Packing::Gzip && skip != 0) {
        return Err(ArrayError::Unsupported { what: "lines or packed bytes before the samples".to_owned() });
    }
    let skip = usize::try_from(skip).ok();
    match fields.get("data file").map(String::as_str) {
        None if end > all.len() => Err(ArrayError::Short { needed: end, available: all.len() }),
        None => {
            let last = layout::Place::AtTheEnd { header: end };
            Ok(skip.map_or(last, |skip| layout::Place::Here(end.saturating_add(skip))))
        }
        Some(name) if name.starts_with("LIST") || name.contains('%') => {
            Err(ArrayError::Unsupported { what: "samples in several files".to_owned() })
        }
        Some(name) => Ok(layout::Place::Beside { name: name.to_owned(), skip }),
    }
}

/// The header of a volume, ready to be followed by its samples; `detached` names their file
pub(super) fn header(volume: &Volume4, bits: u32, packing: Packing, detached: Option<&str>) -> Vec<u8> {
    let [x, y, z] = volume.grid.shape();
    let (frames, channels) = (volume.frames(), volume.channels().len());
    // Time stands there as soon as anything follows it: no reader need guess.
    let timed = frames > 1 || channels > 1;
    let place = |v: Vector3<f64>, time: f64| {
        let time = if timed { format!(",{time}") } else { String::new() };
        format!("({},{},{}{time})", v.x, v.y, v.z)
    };
    let spacing = volume.grid.spacing_mm();
    let axes = volume.grid.axes();
    let steps: Vec<String> = (0..3).map(|i| place(axes[i].into_inner() * spacing[i], 0.0)).collect();
    let (mut sizes, mut directions) = (format!("{x} {y} {z}"), steps.join(" "));
    let mut kinds = "space space space".to_owned();
    if timed {
        let interval = volume.timeline.interval().map_or(1.0, crate::unit::Seconds::get);
        let _ = write!(sizes, " {frames}");
        let _ = write!(directions, " {}", place(Vector3::zeros(), interval));
        kinds.push_str(" time");
    }
    if channels > 1 {
        let _ = write!(sizes, " {channels}");
        directions.push_str(" none");
        kinds.push_str(" list");
    }
    let mut text = String::from("NRRD0005\n# narrows: the sidecar says what codes mean\n");
    let mut put = |key: &str, value: &str| {
        let _ = writeln!(text, "{key}: {value}");
    };
    put("type", if bits == 8 { "uint8" } else { "uint16" });
    put("dimension", &sizes.split(' ').count().to_string());
    put("space", if timed { "left-posterior-superior-time" } else { "left-posterior-superior" });
    put("sizes", &sizes);
    put("space directions", &directions);
    put("kinds", &kinds);
    put("endian", "little");
    put("encoding", if packing == Packing::Raw { "raw" } else { "gzip" });
    put("space origin", &place(volume.grid.origin().0.coords, volume.timeline.times()[0].get()));
    put("space units", if timed { "\"mm\" \"mm\" \"mm\" \"s\"" } else { "\"mm\" \"mm\" \"mm\"" });
    if let Some(name) = detached {
        put("data file", name);
    } else if packing == Packing::Raw {
        // Samples that begin at an even byte can be lent from a mapped file.
        let length = text.len() + "# \n\n".len();
        let _ = writeln!(text, "# {}", ".".repeat(16 - length % 16));
    }
    text.push('\n');
    text.into_bytes()
}
