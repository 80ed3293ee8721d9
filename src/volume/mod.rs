//! `Volume4`: one gated acquisition as the core sees it, whatever file it came from.
//!
//! Channels share one [`Grid`] and one [`Timeline`]. Samples stay in their stored 8 or 16 bits,
//! perhaps inside a mapped file, and are decoded on the fly by the [`Scale`] of their channel: a
//! velocity code through [`VelocityScale`], a power code through [`PowerScale`]. What a file did not say
//! and somebody assumed is written down in [`Provenance`], never hidden in a number.

mod channel;
mod scale;
mod timeline;

pub use channel::{Channel, ChannelKind, Codes, Samples, SamplesError, Scale, SharedBytes};
pub use scale::{Cycle, PowerScale, ScaleError, VelocityScale};
pub use timeline::{Timeline, TimelineError};

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::job::{Cancelled, Watch};
use crate::space::{Direction, Grid, VolumePoint};
use crate::unit::MetresPerSecond;

/// One gated 3D colour Doppler acquisition
#[derive(Clone, Debug)]
pub struct Volume4 {
    /// Where the voxels are
    pub grid: Grid,
    /// When the frames are
    pub timeline: Timeline,
    /// Where the beams start, when the file says so
    pub apex: Option<VolumePoint>,
    /// Where all of this came from and what was assumed
    pub provenance: Provenance,
    channels: Vec<Channel>,
}

/// Where a volume came from
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Provenance {
    /// File name without its folder; empty for a volume made in memory
    pub file: String,
    /// BLAKE3 of the file's bytes in hexadecimal; empty for a volume made in memory
    pub blake3: String,
    /// Name of the format
    pub format: String,
    /// What the file left open and how it was filled, a sentence each
    pub assumed: Vec<String>,
    /// Those of `assumed` that stood in the file, in the words of others: they may name somebody
    pub told: Vec<String>,
    /// Nyquist velocity that was given, whatever the file says; `None` where the file's own holds
    pub nyquist_given: Option<MetresPerSecond>,
    /// Baseline shift that was given, whatever the file says; `None` where the file's own holds
    pub baseline_given: Option<MetresPerSecond>,
    /// How well velocities could be read back from colours; `None` where they were stored
    pub colours_read: Option<ColoursRead>,
    /// What is in the file and not in the volume made of it
    pub left_out: Vec<String>,
    /// How samples lost information in storage; `None` where nothing says that they did
    pub lossy: Option<Lossy>,
}

impl Provenance {
    /// Leaves out what was assumed in the words of others, and says of how many sentences
    pub fn leave_out_told(&mut self) {
        let told = std::mem::take(&mut self.told);
        if told.is_empty() {
            return;
        }
        self.assumed.retain(|line| !told.contains(line));
        self.assumed.push(format!("sentences left out, since they may name somebody: {}", told.len()));
    }
}

/// Storage that lost information, now or at an earlier time
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Lossy {
    /// The method, by its name in DICOM (`ISO_10918_1` is JPEG); empty where it is not stated
    pub method: String,
    /// How many times fewer bytes, where it is stated
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ratio: Option<f64>,
    /// What it did to velocity codes
    pub velocity: VelocityLoss,
}

impl Lossy {
    /// A method where DICOM has it (PS3.3 C.7.6.1.1.5.1), else nothing: any other text could say anything
    pub fn named(method: &str) -> String {
        const METHODS: [&str; 8] = [
            "ISO_10918_1",
            "ISO_14495_1",
            "ISO_15444_1",
            "ISO_15444_15",
            "ISO_18181_1",
            "ISO_13818_2",
            "ISO_14496_10",
            "ISO_23008_2",
        ];
        METHODS.into_iter().find(|known| *known == method).unwrap_or_default().to_owned()
    }
}

/// How far velocity codes may be from those that were acquired
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(tag = "known", rename_all = "snake_case", deny_unknown_fields)]
pub enum VelocityLoss {
    /// Each by so many at most
    AtMost {
        /// Codes
        codes: f64,
    },
    /// By so many in the root mean square, and by more beside every edge
    About {
        /// Codes
        codes: f64,
    },
    /// Nobody knows
    Unknown,
}

/// How well velocities could be read back from displayed colours
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ColoursRead {
    /// By how much 95 % of the velocities are off at most
    pub error: MetresPerSecond,
    /// Share of the coloured voxels whose colour the velocity bar does not have, 0 to 1
    pub stray: f64,
}

/// Why channels do not form a volume
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum VolumeError {
    /// Two channels of one kind
    #[error("the {0} channel is there twice")]
    Twice(ChannelKind),
    /// A channel holds another number of samples than the grid and timeline call for
    #[error("the {kind} channel has {found} frames of {found_voxels} voxels, expected {frames} of {voxels}")]
    Extent {
        /// Which channel
        kind: ChannelKind,
        /// Its frames
        found: usize,
        /// Its voxels in a frame
        found_voxels: usize,
        /// Frames of the timeline
        frames: usize,
        /// Voxels of the grid
        voxels: usize,
    },
    /// The velocity codes are wider or narrower than the scale says
    #[error("velocity samples are {found} bits wide, but the velocity scale is for {expected}")]
    VelocityBits {
        /// Bits of the samples
        found: u32,
        /// Bits of the scale
        expected: u32,
    },
}

impl Volume4 {
    /// A volume of these channels
    ///
    /// # Errors
    /// See [`VolumeError`].
    pub fn new(
        grid: Grid,
        timeline: Timeline,
        apex: Option<VolumePoint>,
        provenance: Provenance,
        mut channels: Vec<Channel>,
    ) -> Result<Self, VolumeError> {
        channels.sort_by_key(Channel::kind);
        for pair in channels.windows(2) {
            if pair[0].kind() == pair[1].kind() {
                return Err(VolumeError::Twice(pair[0].kind()));
            }
        }
        for channel in &channels {
            let samples = channel.samples();
            if samples.frames() != timeline.frames() || samples.voxels() != grid.voxels() {
                return Err(VolumeError::Extent {
                    kind: channel.kind(),
                    found: samples.frames(),
                    found_voxels: samples.voxels(),
                    frames: timeline.frames(),
                    voxels: grid.voxels(),
                });
            }
            if let Scale::Velocity(scale) = channel.scale()
                && samples.bits() != scale.bits()
            {
                return Err(VolumeError::VelocityBits { found: samples.bits(), expected: scale.bits() });
            }
        }
        Ok(Self { grid, timeline, apex, provenance, channels })
    }

    /// Frames in the beat
    pub fn frames(&self) -> usize {
        self.timeline.frames()
    }

    /// How many frames may be looked at side by side: as many as have no more voxels together than one may have
    fn at_once(&self) -> usize {
        (Grid::MOST_VOXELS / self.grid.voxels()).max(1)
    }

    /// Two pieces of work that each look at a frame, side by side if two frames may be
    pub(crate) fn both<A: Send, B: Send>(
        &self,
        one: impl FnOnce() -> A + Send,
        other: impl FnOnce() -> B + Send,
    ) -> (A, B) {
        if self.at_once() > 1 { rayon::join(one, other) } else { (one(), other()) }
    }

    /// What `one` makes of each frame, side by side, but of no more at once than memory should hold
    ///
    /// # Errors
    /// [`Cancelled`] when the work should stop.
    pub(crate) fn each_frame<T: Send>(
        &self,
        watch: &Watch,
        stage: &str,
        one: impl Fn(usize) -> T + Sync,
    ) -> Result<Vec<T>, Cancelled> {
        let (frames, done) = (self.frames(), AtomicUsize::new(0));
        let watched = |frame: usize| {
            let made = one(frame);
            watch.step(stage, done.fetch_add(1, Ordering::Relaxed) + 1, frames)?;
            Ok(made)
        };
        let at_once = self.at_once();
        let mut all = Vec::with_capacity(frames);
        for from in (0..frames).step_by(at_once) {
            // Frames take unlike times: each is handed out on its own.
            let some = (from..frames.min(from + at_once)).into_par_iter().with_max_len(1);
            all.extend(some.map(watched).collect::<Result<Vec<T>, Cancelled>>()?);
        }
        Ok(all)
    }

    /// The channels, in the order tissue, velocity, power, variance
    pub fn channels(&self) -> &[Channel] {
        &self.channels
    }

    /// The channel of a kind, if the acquisition has it
    pub fn channel(&self, kind: ChannelKind) -> Option<&Channel> {
        self.channels.iter().find(|channel| channel.kind() == kind)
    }

    /// Samples of the velocity channel and what they mean, if the acquisition has it
    pub fn velocity(&self) -> Option<(&Samples, VelocityScale)> {
        self.channels.iter().find_map(|channel| match channel.scale() {
            Scale::Velocity(scale) => Some((channel.samples(), scale)),
            _ => None,
        })
    }

    /// What a velocity code means, if the acquisition has velocities
    pub fn velocity_scale(&self) -> Option<VelocityScale> {
        self.velocity().map(|(_, scale)| scale)
    }

    /// Samples of the power channel and what they mean, if the acquisition has it
    pub fn power(&self) -> Option<(&Samples, PowerScale)> {
        self.channels.iter().find_map(|channel| match channel.scale() {
            Scale::Power(scale) => Some((channel.samples(), scale)),
            _ => None,
        })
    }

    /// Direction of the beam at a point, away from the probe; `None` without a known apex
    pub fn beam_at(&self, point: VolumePoint) -> Option<Direction> {
        crate::space::direction(point.from(self.apex?))
    }

    /// The same volume with its velocities in another scale of as many bits; what had no colour has none
    ///
    /// # Errors
    /// [`VolumeError::VelocityBits`].
    pub fn recoded(mut self, scale: VelocityScale, code: impl Fn(u16) -> u16) -> Result<Self, VolumeError> {
        for channel in &mut self.channels {
            let Scale::Velocity(old) = channel.scale() else { continue };
            if scale.bits() != old.bits() {
                return Err(VolumeError::VelocityBits { found: old.bits(), expected: scale.bits() });
            }
            let to = |from: u16| if from == old.zero_code() { scale.zero_code() } else { code(from) };
            let table: Vec<u16> = (0..1u32 << old.bits()).map(|from| to(from as u16)).collect();
            *channel = Channel::new(Scale::Velocity(scale), channel.samples().translated(&table));
        }
        Ok(self)
    }

    /// The same volume about another baseline, m/s: what has a colour stands for the velocity that it has then
    ///
    /// # Errors
    /// [`ScaleError::Baseline`].
    pub fn with_baseline_shift(self, shift: MetresPerSecond) -> Result<Self, ScaleError> {
        let Some(old) = self.velocity_scale() else { return Ok(self) };
        let scale = old.with_baseline_shift(shift)?;
        // The code of no motion says "no colour" too: what had it and a colour moves by one code.
        let aside = if scale.zero_code() > 0 { scale.zero_code() - 1 } else { 1 };
        let code = |code| if code == scale.zero_code() { aside } else { code };
        self.recoded(scale, code).map_err(|_| ScaleError::Bits(scale.bits()))
    }

    /// Bytes of all samples as stored
    pub fn stored_bytes(&self) -> usize {
        self.channels
            .iter()
            .map(|c| c.samples().frames() * c.samples().voxels() * c.samples().bits() as usize / 8)
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::{MetresPerSecond, Seconds};

    fn parts() -> (Grid, Timeline, VelocityScale) {
        let grid = Grid::axis_aligned([3, 2, 2], [1.0; 3], [0.0; 3]).unwrap();
        let timeline = Timeline::new(vec![Seconds::new(0.0), Seconds::new(0.05)]).unwrap();
        let scale = VelocityScale::full_cycle(8, 128, MetresPerSecond::new(0.6)).unwrap();
        (grid, timeline, scale)
    }

    #[test]
    fn channels_are_sorted_and_checked() {
        let (grid, timeline, scale) = parts();
        let samples = || Samples::from_u8(vec![128; 24], 2, 12).unwrap();
        let build = |channels| Volume4::new(grid, timeline.clone(), None, Provenance::default(), channels);
        let (velocity, power) = (Scale::Velocity(scale), Scale::Power(PowerScale::default()));
        let volume = build(vec![Channel::new(power, samples()), Channel::new(velocity, samples())]).unwrap();
        assert_eq!(volume.channels()[0].kind(), ChannelKind::Velocity);
        assert_eq!(volume.stored_bytes(), 48);
        let twice = vec![Channel::new(power, samples()), Channel::new(power, samples())];
        assert_eq!(build(twice).unwrap_err(), VolumeError::Twice(ChannelKind::Power));
        // About another baseline: no colour stays none, and what had the code of the new zero keeps a colour.
        let codes = [[128, 64, 200].repeat(4), [128, 64, 200].repeat(4)].concat();
        let stored = build(vec![Channel::new(velocity, Samples::from_u8(codes, 2, 12).unwrap())]).unwrap();
        let moved = stored.with_baseline_shift(MetresPerSecond::new(0.3)).unwrap();
        let (shown, about) = moved.velocity().unwrap();
        assert_eq!(about.zero_code(), 64);
        assert_eq!([0, 1, 2].map(|at| shown.frame(1).at(at)), [64, 63, 200]);
        // Without velocities there is no scale of them, and none to shift.
        let grey = build(vec![Channel::new(Scale::Tissue, samples())]).unwrap();
        assert_eq!(grey.velocity_scale(), None);
        assert!(grey.with_baseline_shift(MetresPerSecond::new(0.3)).is_ok());
        let short = Samples::from_u8(vec![0; 12], 1, 12).unwrap();
        let built = build(vec![Channel::new(Scale::Tissue, short)]);
        assert!(matches!(built.unwrap_err(), VolumeError::Extent { .. }));
    }
}
