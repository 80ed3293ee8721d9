//! Unique identifiers made from content: the same volume gets the same ones everywhere.
//!
//! A UID is `2.25.` and a 128-bit number (PS3.5 annex B.2). Here the number is the head of a
//! BLAKE3 hash over everything the file will say and a word for the identifier's role, so no clock
//! and no chance enter a file. The standard wants a random or name-based UUID there; a hash of the
//! content is as unique.

use crate::unit::Seconds;
use crate::volume::{Codes, Volume4};

/// The content of a volume, boiled down
#[derive(Clone)]
pub(crate) struct Content(blake3::Hasher);

impl Content {
    /// Boils down a volume: geometry, times, scales and every code
    pub(super) fn of(volume: &Volume4) -> Self {
        let mut hasher = blake3::Hasher::new();
        hasher.update(b"narrows volume 1\0");
        let mut numbers: Vec<f64> = volume.grid.shape().map(|side| side as f64).into();
        numbers.extend(volume.grid.spacing_mm());
        numbers.extend(volume.grid.origin().to_array());
        numbers.extend(volume.grid.axes().iter().flat_map(|axis| axis.iter().copied()));
        numbers.extend(volume.apex.map_or([f64::NAN; 3], crate::space::VolumePoint::to_array));
        let timeline = &volume.timeline;
        numbers.push(timeline.frames() as f64);
        numbers.extend(timeline.times().iter().copied().map(Seconds::get));
        numbers.push(timeline.rr.map_or(f64::NAN, Seconds::get));
        numbers.push(timeline.gated_beats.map_or(f64::NAN, f64::from));
        numbers.extend(timeline.beats_rr.iter().copied().map(Seconds::get));
        let velocity = volume.velocity_scale();
        if let Some(scale) = velocity {
            numbers.extend([f64::from(scale.bits()), f64::from(scale.zero_code()), scale.step().get()]);
            numbers.push(scale.nyquist().get());
        }
        for number in numbers {
            hasher.update(&number.to_bits().to_le_bytes());
        }
        let cycle = velocity.map_or_else(String::new, |scale| format!("{:?}", scale.cycle()));
        let power = volume.power().map(|(_, scale)| scale).unwrap_or_default();
        hasher.update(format!("{cycle} {power:?}").as_bytes());
        if let Some(lossy) = &volume.provenance.lossy {
            hasher.update(format!("{lossy:?}").as_bytes());
        }
        for channel in volume.channels() {
            hasher.update(channel.kind().to_string().as_bytes());
            for frame in 0..channel.samples().frames() {
                match channel.samples().frame(frame) {
                    Codes::U8(codes) => hasher.update_rayon(&codes),
                    Codes::U16(codes) if cfg!(target_endian = "little") => {
                        hasher.update_rayon(bytemuck::cast_slice(&codes))
                    }
                    Codes::U16(codes) => {
                        hasher.update(&codes.iter().flat_map(|code| code.to_le_bytes()).collect::<Vec<_>>())
                    }
                };
            }
        }
        Self(hasher)
    }

    /// Boils down words that identify something; `kind` keeps different things apart
    pub(crate) fn of_words(kind: &str, words: &str) -> Self {
        let mut hasher = blake3::Hasher::new();
        hasher.update(format!("narrows {kind} 1\0").as_bytes());
        hasher.update(words.as_bytes());
        Self(hasher)
    }

    /// The UID for one role
    pub(crate) fn uid(&self, role: &str) -> String {
        let mut hasher = self.0.clone();
        hasher.update(b"\0role ");
        hasher.update(role.as_bytes());
        let hash = hasher.finalize();
        let mut head = [0u8; 16];
        head.copy_from_slice(&hash.as_bytes()[..16]);
        format!("2.25.{}", u128::from_be_bytes(head))
    }
}
