//! From an array file, its sidecar and what the user says, to a `Volume4`.
//!
//! Like the reader of DICOM it is one walk for opening and for inspecting: it tells what it saw in an
//! [`Inspection`] up to the first thing that stands against the file.

use std::path::{Path, PathBuf};

use super::bytes::{self, Found};
use super::channels::channel;
use super::codes::{Component, Slices};
use super::layout::{self, Clock, Element, Header, Layout, Packing, Pose};
use super::scales::{self, Facts};
use super::sidecar::{self, Sidecar};
use super::{ArrayError, Format};
use crate::format::{ABSURD, ChannelSeen, Inspection, Notes, OpenOptions, SHORTEST_S, VelocityBar};
use crate::space::{Grid, VolumePoint};
use crate::unit::Seconds;
use crate::volume::{
    Channel, ChannelKind, Cycle, PowerScale, Provenance, Scale, SharedBytes, Timeline, TimelineError, Volume4,
};

/// Voxels thinner than this are no measurement, far below any wavelength: 0.1 micrometre
const THINNEST_MM: f64 = 1e-4;

/// What was read: the volume, and the other files that its numbers depend on
pub(in crate::format) struct Read {
    pub(in crate::format) volume: Volume4,
    pub(in crate::format) companions: Vec<SharedBytes>,
}

/// Reads a file's bytes; `path` is where they lie, if anywhere
///
/// # Errors
/// See [`ArrayError`]. `seen` holds what was found before.
pub(in crate::format) fn read(
    all: &SharedBytes,
    path: Option<&Path>,
    format: Format,
    options: &OpenOptions,
    provenance: Provenance,
    seen: &mut Inspection,
) -> Result<Read, ArrayError> {
    format.name().clone_into(&mut seen.format);
    let mut notes = std::mem::take(&mut seen.notes);
    let read = walk(all, path, format, options, provenance, &mut notes, seen);
    seen.notes = notes;
    read
}

/// The files beside a file that its numbers depend on: its samples and its sidecar, where they are there
pub(in crate::format) fn companions(all: &[u8], path: &Path, format: Format) -> Vec<PathBuf> {
    let mut list = Vec::new();
    if let Ok(Header { place: layout::Place::Beside { name, .. }, .. }) =
        format.parse(all, &mut Notes::default())
        && let Ok(file) = bytes::beside_path(Some(path), &name)
    {
        list.push(file);
    }
    let sidecar = Sidecar::path_of(path);
    if sidecar.exists() {
        list.push(sidecar);
    }
    list
}

fn walk(
    all: &SharedBytes,
    path: Option<&Path>,
    format: Format,
    options: &OpenOptions,
    mut provenance: Provenance,
    notes: &mut Notes,
    seen: &mut Inspection,
) -> Result<Read, ArrayError> {
    let header = format.parse((**all).as_ref(), notes)?;
    seen.transfer_syntax = stored_as(&header);
    let beside = path.map(Sidecar::path_of).filter(|path| path.exists());
    let (sidecar, words) = beside.as_deref().map(load).transpose()?.unzip();
    for line in sidecar.iter().flat_map(|sidecar| &sidecar.assumed) {
        notes.tell(line);
    }
    let layout = layout::resolve(&header, sidecar.as_ref(), notes)?;
    let (grid, slices) = grid(&header.pose, layout.shape, sidecar.as_ref(), notes)?;
    seen.grid = Some(grid.shape());
    seen.voxel_mm = Some(grid.spacing_mm());
    let apex = sidecar.as_ref().and_then(|sidecar| sidecar.apex_mm);
    let apex = apex.map(|[x, y, z]| VolumePoint::new(x, y, z));
    seen.apex_mm = apex.map(VolumePoint::to_array);
    if apex.is_none() {
        notes.missing.push("an apex: the beam direction is not known".to_owned());
    }

    let default = Sidecar::default();
    let said = sidecar.as_ref().unwrap_or(&default);
    let velocity_words = said.velocity.clone().unwrap_or_default();
    seen.stated_nyquist_m_s = velocity_words.nyquist_m_s;
    let content = content(&header, &layout, said, options)?;
    let single = layout.components == 1;
    let scaling = header.scaling.filter(|_| single);
    if header.scaling.is_some() && !single {
        notes
            .observed
            .push("the header's scaling of values was left aside: it is one for all channels".to_owned());
    }
    let facts = Facts { words: &velocity_words, scaling, given: options.nyquist };

    let kinds = content.kinds(single);
    let missing = missing(&header, &layout, said, &content, &facts);
    if !missing.is_empty() {
        let name = path.map_or_else(
            || "NAME.narrows.json".to_owned(),
            |path| Sidecar::path_of(path).file_name().unwrap_or_default().to_string_lossy().into_owned(),
        );
        return Err(ArrayError::Missing { missing, sidecar: name });
    }
    let timeline = timeline(header.clock, layout.frames, said, notes)?;
    seen.times_s = timeline.times().iter().copied().map(Seconds::get).collect();
    seen.rr_s = timeline.rr.map(Seconds::get);
    seen.gated_beats = timeline.gated_beats;
    if said.channels.is_empty() && matches!(content, Content::Channels(_)) {
        notes.assume("the file does not say what its single channel is; it was taken as velocity");
    }

    let needed = layout.samples().saturating_mul(header.element.bytes());
    let Found { bytes, start, beside } =
        bytes::find(all, path, &header.place, header.packing, needed, notes)?;
    let component = |index| Component::new(&bytes, start, &header, layout, index, slices);
    let mut colours_read = None;
    let channels: Vec<Channel> = match content {
        Content::Colours(bar) => {
            if layout.components == 4 {
                notes.leave_out("the opacity of the colours");
            }
            let read = bar.read_all(&component(0), facts.nyquist(notes)?, notes);
            let read = read.map_err(|message| ArrayError::Bar { message })?;
            colours_read = Some(read.colours_read);
            read.channels.into()
        }
        Content::Channels(_) => {
            let one = |(index, kind): (usize, &ChannelKind)| {
                channel(*kind, &component(index), &facts, said.power, notes)
            };
            kinds.iter().enumerate().map(one).collect::<Result<_, _>>()?
        }
    };
    seen.channels.extend(channels.iter().map(channel_seen));
    format.name().clone_into(&mut provenance.format);
    provenance.assumed.clone_from(&notes.assumed);
    provenance.told.clone_from(&notes.told);
    provenance.colours_read = colours_read;
    provenance.lossy = sidecar.as_ref().and_then(Sidecar::lossy);
    provenance.left_out.clone_from(&notes.left_out);
    let volume = Volume4::new(grid, timeline, apex, provenance, channels)?;
    Ok(Read { volume, companions: beside.into_iter().chain(words).collect() })
}

/// What the components of a voxel are
enum Content<'a> {
    /// Channels, in this order; none where nobody says
    Channels(Vec<ChannelKind>),
    /// Colours, to be read with this bar
    Colours(&'a VelocityBar),
}

impl Content<'_> {
    /// The channels that come of it; none where nobody says. A single component is a velocity.
    fn kinds(&self, single: bool) -> Vec<ChannelKind> {
        match self {
            Self::Channels(kinds) if kinds.is_empty() && single => vec![ChannelKind::Velocity],
            Self::Channels(kinds) => kinds.clone(),
            Self::Colours(_) => vec![ChannelKind::Tissue, ChannelKind::Velocity],
        }
    }
}

/// All that nobody says and that must be known
fn missing(
    header: &Header,
    layout: &Layout,
    said: &Sidecar,
    content: &Content<'_>,
    facts: &Facts<'_>,
) -> Vec<&'static str> {
    let mut missing = Vec::new();
    let kinds = content.kinds(layout.components == 1);
    if kinds.is_empty() {
        missing.push(if can_be_colour(header, layout) { scales::COLOURS } else { "which channel is which" });
    }
    let scalar_velocity = matches!(content, Content::Channels(_)) && kinds.contains(&ChannelKind::Velocity);
    if (scalar_velocity || kinds.is_empty()) && !facts.has_nyquist(header.element) {
        missing.push(scales::NYQUIST);
    }
    if layout.frames > 1 && said.times_s.is_empty() && header.clock.is_none() {
        missing.push("the times of the frames");
    }
    missing
}

/// Whether voxels have the form of colours: three components of 8 bits, or four with opacity
fn can_be_colour(header: &Header, layout: &Layout) -> bool {
    header.element == Element::U8 && matches!(layout.components, 3 | 4)
}

fn content<'a>(
    header: &Header,
    layout: &Layout,
    said: &Sidecar,
    options: &'a OpenOptions,
) -> Result<Content<'a>, ArrayError> {
    match options.velocity_bar.as_deref() {
        Some(bar) if can_be_colour(header, layout) => Ok(Content::Colours(bar)),
        Some(_) => Err(ArrayError::Bar {
            message: "a velocity bar was given, but the voxels are no colours of 8 bits a component"
                .to_owned(),
        }),
        None if layout.colour => Err(ArrayError::Colour),
        None if said.channels.is_empty() || said.channels.len() == layout.components => {
            Ok(Content::Channels(said.channels.clone()))
        }
        None => Err(ArrayError::Channels { listed: said.channels.len(), found: layout.components }),
    }
}

/// Reads a sidecar, and its bytes
fn load(path: &Path) -> Result<(Sidecar, SharedBytes), ArrayError> {
    let refuse = |message: String| ArrayError::Sidecar { message };
    let told = std::fs::metadata(path).map_err(|error| refuse(error.to_string()))?;
    if !told.is_file() || told.len() > sidecar::LONGEST {
        return Err(refuse(format!("it is no file of at most {} bytes", sidecar::LONGEST)));
    }
    let bytes = std::fs::read(path).map_err(|error| refuse(error.to_string()))?;
    Ok((Sidecar::from_json(&bytes)?, crate::format::shared(bytes)))
}

/// How the samples are stored, in words
fn stored_as(header: &Header) -> String {
    let order = match (header.element.bytes(), header.order) {
        (1, _) => "",
        (_, layout::ByteOrder::Little) => ", little-endian",
        (_, layout::ByteOrder::Big) => ", big-endian",
    };
    let packing = match header.packing {
        Packing::Raw => "raw",
        Packing::Gzip => "gzip",
        Packing::Zlib => "zlib",
    };
    let place = if matches!(header.place, layout::Place::Beside { .. }) { ", in a file beside" } else { "" };
    format!("{}{order}, {packing}{place}", header.element.name())
}

/// The grid, and how slices are numbered so that it is right-handed
pub(super) fn grid(
    pose: &Pose,
    shape: [usize; 3],
    sidecar: Option<&Sidecar>,
    notes: &mut Notes,
) -> Result<(Grid, Slices), ArrayError> {
    let numbers = pose.steps.iter().chain([&pose.origin]).flat_map(|v| v.iter());
    if !numbers.clone().all(|number| number.abs() <= ABSURD) {
        let found: Vec<f64> = numbers.copied().collect();
        return Err(ArrayError::Value { name: "the grid", found: format!("{found:?}") });
    }
    let [x, y, mut z] = pose.steps;
    let mut origin = pose.origin;
    let slices = if x.cross(&y).dot(&z) < 0.0 {
        notes.observed.push(
            "slices run against the right-handed normal of their planes; they are numbered from the last"
                .to_owned(),
        );
        origin += z * (shape[2] as f64 - 1.0);
        z = -z;
        Slices::Falling
    } else {
        Slices::Rising
    };
    let spacing = [x.norm(), y.norm(), z.norm()];
    let made = Grid::new(shape, spacing, VolumePoint(origin.into()), [x, y, z])?;
    if made.finest_mm() < THINNEST_MM {
        return Err(ArrayError::Value { name: "the voxel spacing", found: format!("{spacing:?} mm") });
    }
    let Some(words) = sidecar.and_then(|sidecar| sidecar.grid) else { return Ok((made, slices)) };
    let exact = words.grid(shape)?;
    let corners = (0..8).map(|corner| {
        let at = |axis: usize| {
            if corner >> axis & 1 == 1 { shape[axis] as f64 - 1.0 } else { 0.0 }
        };
        let corner = crate::space::VoxelPoint::new(at(0), at(1), at(2));
        exact.volume_from_voxel(corner).from(made.volume_from_voxel(corner)).norm()
    });
    let off_mm = corners.fold(0.0, f64::max);
    // Headers with 32-bit reals are off by far less than a thousandth of a voxel.
    if off_mm > 1e-3 * made.finest_mm() {
        return Err(ArrayError::GridDisagrees { off_mm });
    }
    Ok((exact, slices))
}

/// Times of the frames, and how the beat was gathered
pub(super) fn timeline(
    clock: Option<Clock>,
    frames: usize,
    said: &Sidecar,
    notes: &mut Notes,
) -> Result<Timeline, ArrayError> {
    let times: Vec<f64> = match (said.times_s.as_slice(), clock) {
        ([], Some(clock)) if frames > 1 => {
            notes.assume(format!(
                "times were taken from the header, {} s apart, the first at {} s from the R wave",
                clock.step_s, clock.first_s
            ));
            (0..frames).map(|frame| clock.first_s + clock.step_s * frame as f64).collect()
        }
        ([], _) => {
            notes.assume("the file states no time; its single frame was put at the R wave");
            vec![0.0]
        }
        (times, _) => times.to_vec(),
    };
    if times.len() != frames {
        return Err(ArrayError::Times { listed: times.len(), found: frames });
    }
    if let Some(frame) = times.iter().position(|time| time.is_nan() || time.abs() > ABSURD) {
        return Err(TimelineError::NotFinite(frame).into());
    }
    if let Some(at) = times.windows(2).position(|pair| pair[1] - pair[0] < SHORTEST_S) {
        return Err(TimelineError::NotRising(at + 1).into());
    }
    let mut timeline = Timeline::new(times.into_iter().map(Seconds::new).collect())?;
    timeline.rr = said.rr_s.map(Seconds::new);
    timeline.beats_rr = said.beats_rr_s.iter().copied().map(Seconds::new).collect();
    timeline.gated_beats = said.gated_beats;
    Ok(timeline)
}

fn channel_seen(channel: &Channel) -> ChannelSeen {
    let kind = channel.kind();
    let (units, slope, intercept) = match channel.scale() {
        Scale::Velocity(scale) => {
            let step = scale.step().get();
            (Some("m/s"), Some(step), Some(-step * f64::from(scale.zero_code())))
        }
        Scale::Power(PowerScale::Decibel { decibel_per_code, decibel_at_zero }) => {
            (Some("dB"), Some(decibel_per_code), Some(decibel_at_zero))
        }
        Scale::Power(PowerScale::Linear { zero_code }) => (Some("1"), Some(1.0), Some(-zero_code)),
        Scale::Tissue | Scale::Variance => (None, None, None),
    };
    let scale = match channel.scale() {
        Scale::Velocity(scale) => Some(scale),
        _ => None,
    };
    ChannelSeen {
        data_type: kind.to_string(),
        channel: Some(kind),
        bits: channel.samples().bits(),
        units: units.map(str::to_owned),
        slope,
        intercept,
        cyclic: scale.map(|scale| scale.cycle() == Cycle::Full),
        zero_code: scale.map(|scale| u32::from(scale.zero_code())),
    }
}
