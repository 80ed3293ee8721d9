//! Frames and their functional groups, put in order by their Dimension Index Values.
//!
//! The order of frames in the file is free (PS3.3 C.7.6.17); the index values decide, and the
//! dimension pointers say which of them counts what. The values are then held against the facts
//! they stand for: frames of one place must have one position, of one time one time, of one kind
//! one data type. Two dimensions exchanged, a value used twice, a frame left out: each is found
//! here and none is guessed around. Data types need not have the same times and places, see
//! [`super::extents`].

use std::collections::BTreeMap;

use dicom_core::Tag;
use dicom_dictionary_std::tags;

use super::extents::{self, Extent};
use super::tree::View;
use super::{DicomError, checks};
use crate::format::Notes;
use crate::volume::ChannelKind;

/// A position is the same within this many millimetres
const SAME_PLACE_MM: f64 = 1e-3;
/// A time is the same within this many seconds
const SAME_TIME_S: f64 = 1e-6;

/// The functional groups: those that the frames of an instance share, and those of each frame
pub(super) struct Groups<'a> {
    /// Of each instance
    shared: Vec<Option<View<'a>>>,
    /// Instance and groups of each frame, one instance after the other
    frames: Vec<(usize, View<'a>)>,
}

impl<'a> Groups<'a> {
    /// The groups of instances with so many declared frames each
    ///
    /// # Errors
    /// [`DicomError::FrameCount`] where a list of frames is not as long as declared.
    pub(super) fn new(parts: impl IntoIterator<Item = (View<'a>, u32)>) -> Result<Self, DicomError> {
        let mut groups = Self { shared: Vec::new(), frames: Vec::new() };
        for (part, (root, declared)) in parts.into_iter().enumerate() {
            let frames = root.items(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE);
            if frames.len() != declared as usize {
                return Err(DicomError::FrameCount { declared, listed: frames.len() });
            }
            groups.shared.push(root.first(tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE));
            groups.frames.extend(frames.map(|frame| (part, frame)));
        }
        Ok(groups)
    }

    /// Number of frames
    pub(super) fn len(&self) -> usize {
        self.frames.len()
    }

    /// Number of frames in one instance
    pub(super) fn of_part(&self, part: usize) -> usize {
        self.frames.iter().filter(|(own, _)| *own == part).count()
    }

    /// A group of one frame: its own, else the shared one
    pub(super) fn of(&self, frame: usize, sequence: Tag) -> Option<View<'a>> {
        let (part, own) = self.frames[frame];
        own.first(sequence).or_else(|| self.shared[part]?.first(sequence))
    }

    /// All items of a group of one frame
    pub(super) fn items(&self, frame: usize, sequence: Tag) -> impl Iterator<Item = View<'a>> {
        let (part, own) = self.frames[frame];
        let shared = self.shared[part].filter(|_| own.items(sequence).len() == 0);
        own.items(sequence).chain(shared.into_iter().flat_map(move |shared| shared.items(sequence)))
    }

    /// The group that stands for every frame, where there is one for all
    pub(super) fn shared(&self, sequence: Tag) -> Option<View<'a>> {
        match self.shared[..] {
            [shared] => shared?.first(sequence),
            // Each part of a volume has its own; they are compared frame by frame.
            _ => None,
        }
    }
}

/// Which clock the times come from
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Clock {
    /// Delay from the R wave
    RWave,
    /// Offset from the first frame
    Start,
    /// The file says no time
    None,
}

/// The frames in order, on the times and places of the velocity (of the first kind where there is none)
pub(super) struct Order {
    /// Data types in the order of their index values
    pub(super) kinds: Vec<String>,
    /// Seconds of each time
    pub(super) times_s: Vec<f64>,
    /// What the times count from
    pub(super) clock: Clock,
    /// Position of each slice, mm
    pub(super) places_mm: Vec<[f64; 3]>,
    /// Which position attribute was used
    pub(super) position: Position,
    /// Which kind has a frame at every time and place
    pub(super) base: usize,
    /// The first frame of each kind
    pub(super) first: Vec<usize>,
    /// Frame number of `[kind]`, and in it of `[time][place]`, place fastest; `None` where the kind has none
    /// there. Kinds that are not used have none at all
    frame_of: Vec<Vec<Option<usize>>>,
}

/// Where slice positions were found
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Position {
    /// Image Position (Volume)
    Volume,
    /// Image Position (Patient), for lack of the other
    Patient,
}

impl Order {
    /// Frame number of a kind's slice at a time; `None` where the kind has none there
    pub(super) fn frame(&self, kind: usize, time: usize, place: usize) -> Option<usize> {
        self.frame_of[kind].get(time * self.places_mm.len() + place).copied().flatten()
    }

    /// Whether a kind has frames that are looked at
    pub(super) fn is_used(&self, kind: usize) -> bool {
        !self.frame_of[kind].is_empty()
    }

    /// All frames of a kind that are looked at
    pub(super) fn frames(&self, kind: usize) -> impl Iterator<Item = usize> + use<'_> {
        self.frame_of[kind].iter().flatten().copied()
    }
}

/// The channel of a data type (PS3.3 C.8.24.5.2.1), where it is one of ours
pub(super) fn channel_kind(data_type: &str) -> Option<ChannelKind> {
    match data_type {
        "TISSUE_INTENSITY" => Some(ChannelKind::Tissue),
        "FLOW_VELOCITY" => Some(ChannelKind::Velocity),
        "FLOW_POWER" => Some(ChannelKind::Power),
        "FLOW_VARIANCE" => Some(ChannelKind::Variance),
        _ => None,
    }
}

/// What a frame says of itself
pub(super) struct Facts {
    position_mm: [f64; 3],
    pub(super) time_s: Option<f64>,
    pub(super) data_type: String,
}

/// Puts the frames in order
///
/// # Errors
/// See the variants of [`DicomError`] on dimensions and frames.
pub(super) fn order(root: View<'_>, groups: &Groups<'_>, notes: &mut Notes) -> Result<Order, DicomError> {
    let (facts, clock, position) = facts(groups)?;
    let roles = roles(root, notes)?;
    let mut keys = Vec::with_capacity(groups.len());
    let index_values = |frame: usize| {
        let content = groups.of(frame, tags::FRAME_CONTENT_SEQUENCE);
        content.map(|content| content.numbers(tags::DIMENSION_INDEX_VALUES)).unwrap_or_default()
    };
    let first = index_values(0);
    for frame in 0..groups.len() {
        let values = index_values(frame);
        if values.is_empty() || values.len() < roles.count {
            return Err(DicomError::IndexValues {
                frame: frame + 1,
                found: values.len(),
                expected: roles.count,
            });
        }
        let of = |role: Option<usize>| role.map_or(1, |at| values[at] as u32);
        keys.push([of(roles.kind), of(roles.time), of(roles.place)]);
        if let Some(extra) = (0..values.len()).find(|at| {
            ![roles.kind, roles.time, roles.place].contains(&Some(*at))
                && Some(&values[*at]) != first.get(*at)
        }) {
            return Err(DicomError::ExtraDimension { dimension: extra + 1 });
        }
    }
    check_facts(&keys, &facts)?;
    let mut seen = BTreeMap::new();
    for (frame, key) in keys.iter().enumerate() {
        if let Some(first) = seen.insert(*key, frame) {
            return Err(DicomError::DuplicateIndex {
                frame: frame + 1,
                first: first + 1,
                time: key[1],
                place: key[2],
                data_type: facts[frame].data_type.clone(),
            });
        }
    }
    let kinds = extents::of(&seen, &facts, keys.len())?;
    let base = extents::base(&kinds);
    let Extent { times, places, .. } = &kinds[base];
    let fact =
        |time: u32, place: u32| seen.get(&[kinds[base].index, time, place]).map(|frame| &facts[*frame]);
    let (Some(first_time), Some(first_place)) = (times.first(), places.first()) else {
        return Err(DicomError::NoFrames);
    };
    let times_s = times.iter().filter_map(|time| Some(fact(*time, *first_place)?.time_s.unwrap_or(0.0)));
    let places_mm = places.iter().filter_map(|place| Some(fact(*first_time, *place)?.position_mm));
    let (times_s, places_mm) = (times_s.collect(), places_mm.collect());
    let mut frame_of = Vec::with_capacity(kinds.len());
    for kind in &kinds {
        frame_of.push(extents::lay(kind, &kinds[base], &seen, &facts, notes));
    }
    Ok(Order {
        first: kinds.iter().map(|kind| kind.first).collect(),
        kinds: kinds.into_iter().map(|kind| kind.data_type).collect(),
        times_s,
        places_mm,
        clock,
        position,
        base,
        frame_of,
    })
}

/// Which index value counts what
struct Roles {
    count: usize,
    time: Option<usize>,
    place: Option<usize>,
    kind: Option<usize>,
}

/// Reads the dimension pointers
fn roles(root: View<'_>, notes: &mut Notes) -> Result<Roles, DicomError> {
    let pointers: Vec<Option<Tag>> = root
        .items(tags::DIMENSION_INDEX_SEQUENCE)
        .map(|item| item.tag(tags::DIMENSION_INDEX_POINTER))
        .collect();
    if pointers.is_empty() {
        return Err(DicomError::Missing {
            name: "Dimension Index Sequence",
            tag: tags::DIMENSION_INDEX_SEQUENCE,
        });
    }
    let find = |wanted: &[Tag]| pointers.iter().position(|tag| tag.is_some_and(|tag| wanted.contains(&tag)));
    let time = find(&[
        tags::NOMINAL_CARDIAC_TRIGGER_DELAY_TIME,
        tags::ACTUAL_CARDIAC_TRIGGER_DELAY_TIME,
        tags::TEMPORAL_POSITION_TIME_OFFSET,
        tags::TEMPORAL_POSITION_INDEX,
    ]);
    let place = find(&[tags::IMAGE_POSITION_VOLUME, tags::IMAGE_POSITION_PATIENT]);
    let kind = find(&[tags::DATA_TYPE]);
    let roles = Roles { count: pointers.len(), time, place, kind };
    if (roles.time, roles.place, roles.kind) != (Some(0), Some(1), Some(2)) || roles.count != 3 {
        notes.assume(
            "the dimensions are not the standard's time, position and data type in this order; they were read \
             by their pointers"
                .to_owned(),
        );
    }
    Ok(roles)
}

/// Position, time and data type of every frame
fn facts(groups: &Groups<'_>) -> Result<(Vec<Facts>, Clock, Position), DicomError> {
    let clock = clock(groups);
    let by_volume = groups.of(0, tags::PLANE_POSITION_VOLUME_SEQUENCE).is_some();
    let (position, sequence, attribute, name) = if by_volume {
        let name = "Image Position (Volume)";
        (Position::Volume, tags::PLANE_POSITION_VOLUME_SEQUENCE, tags::IMAGE_POSITION_VOLUME, name)
    } else {
        let name = "Image Position (Volume) and Image Position (Patient)";
        (Position::Patient, tags::PLANE_POSITION_SEQUENCE, tags::IMAGE_POSITION_PATIENT, name)
    };
    let mut facts = Vec::with_capacity(groups.len());
    for frame in 0..groups.len() {
        let missing = |name, tag| DicomError::MissingInFrame { frame: frame + 1, name, tag };
        let group = groups.of(frame, sequence).ok_or_else(|| missing(name, attribute))?;
        let position_mm = group.array::<3>(attribute).ok_or_else(|| missing(name, attribute))?;
        checks::sane(name, position_mm)?;
        let data_type = groups
            .of(frame, tags::IMAGE_DATA_TYPE_SEQUENCE)
            .and_then(|group| group.text(tags::DATA_TYPE))
            .ok_or_else(|| missing("Data Type", tags::DATA_TYPE))?;
        let time_s = match clock {
            Clock::RWave => groups
                .of(frame, tags::CARDIAC_SYNCHRONIZATION_SEQUENCE)
                .and_then(|group| group.number(tags::NOMINAL_CARDIAC_TRIGGER_DELAY_TIME))
                .map(|ms| ms / 1000.0),
            Clock::Start => groups
                .of(frame, tags::TEMPORAL_POSITION_SEQUENCE)
                .and_then(|group| group.number(tags::TEMPORAL_POSITION_TIME_OFFSET)),
            Clock::None => None,
        };
        if clock != Clock::None && time_s.is_none() {
            return Err(missing("the frame's time", tags::NOMINAL_CARDIAC_TRIGGER_DELAY_TIME));
        }
        facts.push(Facts { position_mm, time_s, data_type: data_type.to_owned() });
    }
    Ok((facts, clock, position))
}

/// The clock of the first frame
fn clock(groups: &Groups<'_>) -> Clock {
    let gated = groups.of(0, tags::CARDIAC_SYNCHRONIZATION_SEQUENCE);
    if gated.is_some_and(|group| group.has(tags::NOMINAL_CARDIAC_TRIGGER_DELAY_TIME)) {
        return Clock::RWave;
    }
    let free = groups.of(0, tags::TEMPORAL_POSITION_SEQUENCE);
    if free.is_some_and(|group| group.has(tags::TEMPORAL_POSITION_TIME_OFFSET)) {
        return Clock::Start;
    }
    Clock::None
}

/// Holds the index values against what the frames say
fn check_facts(keys: &[[u32; 3]], facts: &[Facts]) -> Result<(), DicomError> {
    let mut first: [BTreeMap<u32, usize>; 3] = Default::default();
    let disagree = |frame: usize, with: usize, what| DicomError::IndexDisagrees {
        frame: frame + 1,
        with: with + 1,
        what,
    };
    for (frame, key) in keys.iter().enumerate() {
        let [kind, time, place] = [0, 1, 2].map(|axis| *first[axis].entry(key[axis]).or_insert(frame));
        let fact = &facts[frame];
        if fact.data_type != facts[kind].data_type {
            return Err(disagree(frame, kind, "data type"));
        }
        if let (Some(a), Some(b)) = (fact.time_s, facts[time].time_s)
            && (a - b).abs() > SAME_TIME_S
        {
            return Err(disagree(frame, time, "time"));
        }
        let far =
            (0..3).map(|i| (fact.position_mm[i] - facts[place].position_mm[i]).abs()).fold(0.0, f64::max);
        if far > SAME_PLACE_MM {
            return Err(disagree(frame, place, "position"));
        }
    }
    // Two index values for one thing would make a channel or a slice appear twice.
    let mut types = BTreeMap::new();
    for (value, frame) in &first[0] {
        if types.insert(facts[*frame].data_type.as_str(), *value).is_some() {
            return Err(DicomError::TypeTwice { data_type: facts[*frame].data_type.clone() });
        }
    }
    Ok(())
}
