//! Data types that cover different times and slices: legal, and common (tissue once beside many colour frames,
//! colour in a slab of the tissue).
//!
//! Each data type must cover all pairs of its own times and slices. The volume has the times and slices of
//! the velocity, since nothing is measured elsewhere, and a jet that leaves the coloured slab must be seen
//! to end at an edge. Tissue is shown at the nearest of its times. Power and variance are measured with, and those
//! of another time say nothing of this one: without a frame at every time of the velocity they are left out; in
//! slices where they are not, they are nothing. What that leaves out or fills in is told.

use std::collections::{BTreeMap, BTreeSet};

use super::DicomError;
use super::groups::{Facts, channel_kind};
use crate::format::Notes;
use crate::volume::ChannelKind;

/// Frames by their index values of data type, time and place
type Frames = BTreeMap<[u32; 3], usize>;

/// What one data type covers
pub(super) struct Extent {
    /// Its index value
    pub(super) index: u32,
    /// Its name
    pub(super) data_type: String,
    /// Index values of its times
    pub(super) times: BTreeSet<u32>,
    /// Index values of its places
    pub(super) places: BTreeSet<u32>,
    /// Its first frame
    pub(super) first: usize,
}

impl Extent {
    fn channel(&self) -> Option<ChannelKind> {
        channel_kind(&self.data_type)
    }
}

/// What each data type covers, in the order of their index values
///
/// # Errors
/// [`DicomError::MissingFrame`] where one that is used has a hole; `found` frames are told.
pub(super) fn of(seen: &Frames, facts: &[Facts], found: usize) -> Result<Vec<Extent>, DicomError> {
    let mut kinds: Vec<(Extent, usize)> = Vec::new();
    for ([index, time, place], frame) in seen {
        if kinds.last().is_none_or(|(kind, _)| kind.index != *index) {
            let data_type = facts[*frame].data_type.clone();
            let (times, places) = Default::default();
            kinds.push((Extent { index: *index, data_type, times, places, first: *frame }, 0));
        }
        if let Some((kind, count)) = kinds.last_mut() {
            kind.times.insert(*time);
            kind.places.insert(*place);
            *count += 1;
        }
    }
    for (kind, count) in &kinds {
        if kind.channel().is_none() || Some(*count) == kind.times.len().checked_mul(kind.places.len()) {
            continue;
        }
        let pairs = kind.times.iter().flat_map(|time| kind.places.iter().map(move |place| (*time, *place)));
        let hole = pairs.into_iter().find(|(time, place)| !seen.contains_key(&[kind.index, *time, *place]));
        let (time, place) = hole.unwrap_or_default();
        return Err(DicomError::MissingFrame { time, place, data_type: kind.data_type.clone(), found });
    }
    Ok(kinds.into_iter().map(|(kind, _)| kind).collect())
}

/// The data type whose times and places are those of the volume
pub(super) fn base(kinds: &[Extent]) -> usize {
    let of = |wanted: fn(&Extent) -> bool| kinds.iter().position(wanted);
    of(|kind| kind.channel() == Some(ChannelKind::Velocity))
        .or(of(|kind| kind.channel().is_some()))
        .unwrap_or(0)
}

/// The frames of a data type at the times and places of the base, place fastest; none where it is not used
pub(super) fn lay(
    kind: &Extent,
    base: &Extent,
    seen: &Frames,
    facts: &[Facts],
    notes: &mut Notes,
) -> Vec<Option<usize>> {
    let Some(channel) = kind.channel() else {
        notes.leave_out(format!("frames of data type {}", kind.data_type));
        return Vec::new();
    };
    let elsewhere = base.times.difference(&kind.times).count();
    let lacking =
        format!("the {channel} has no frame at {elsewhere} of the {} times of the volume", base.times.len());
    if elsewhere > 0 && channel != ChannelKind::Tissue {
        notes.assume(format!("{lacking}; it was taken as not known at any of them"));
        notes.leave_out(format!("the {channel}, which is not there at all times of the velocity"));
        return Vec::new();
    }
    let mut frame_of = Vec::with_capacity(base.times.len() * base.places.len());
    let time_of = |kind: &Extent, time: u32| {
        let place = kind.places.first()?;
        facts[*seen.get(&[kind.index, time, *place])?].time_s
    };
    let mut shown = BTreeSet::new();
    for time in &base.times {
        let own = if kind.times.contains(time) {
            *time
        } else {
            let at = time_of(base, *time).unwrap_or(0.0);
            let away = |own: &u32| (time_of(kind, *own).unwrap_or(0.0) - at).abs();
            let nearest = kind.times.iter().min_by(|a, b| away(a).total_cmp(&away(b)));
            nearest.copied().unwrap_or(*time)
        };
        shown.insert(own);
        frame_of.extend(base.places.iter().map(|place| seen.get(&[kind.index, own, *place]).copied()));
    }
    if elsewhere > 0 {
        notes.assume(format!("{lacking}; the nearest in time is shown there"));
    }
    let blank = base.places.difference(&kind.places).count();
    if blank > 0 {
        notes.assume(format!(
            "the {channel} covers {} of the {} slices of the volume; it is nothing in the others",
            base.places.len() - blank,
            base.places.len()
        ));
    }
    let left = kind.places.difference(&base.places).count();
    if left > 0 || shown.len() < kind.times.len() {
        notes.leave_out(format!(
            "the {channel} outside of the times and slices of the velocity ({} times, {left} slices)",
            kind.times.len() - shown.len()
        ));
    }
    frame_of
}
