//! The signal of the frames looked at last, shared by those who trace on it.

use std::sync::{Arc, Mutex, PoisonError};

use crate::jet::{Signal, SignalScale};
use crate::volume::Volume4;

/// Most frames kept
const KEPT: usize = 3;
/// Most bytes of all frames kept; the one looked at last stays whatever its size
const KEPT_BYTES: usize = 96 << 20;

/// The signal of the frames looked at last
#[derive(Default)]
pub(super) struct Signals {
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    volume: Option<Arc<Volume4>>,
    scale: Option<SignalScale>,
    frames: Vec<(usize, Arc<Signal>)>,
}

impl Signals {
    /// The signal of a frame; `None` where the volume has no velocity or no such frame
    ///
    /// Two who ask for one frame at a time wait for the one making.
    pub(super) fn of(&self, volume: &Arc<Volume4>, frame: usize) -> Option<Arc<Signal>> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if state.volume.as_ref().is_none_or(|known| !Arc::ptr_eq(known, volume)) {
            *state =
                State { volume: Some(volume.clone()), scale: SignalScale::of(volume), frames: Vec::new() };
        }
        if let Some(at) = state.frames.iter().position(|(known, _)| *known == frame) {
            let found = state.frames.remove(at);
            let signal = found.1.clone();
            state.frames.push(found);
            return Some(signal);
        }
        let signal = Arc::new(Signal::new(volume, frame, state.scale?)?);
        let bytes = |frames: &[(usize, Arc<Signal>)]| frames.iter().map(|(_, s)| s.bytes()).sum::<usize>();
        let room = KEPT_BYTES.saturating_sub(signal.bytes());
        while !state.frames.is_empty() && (state.frames.len() >= KEPT || bytes(&state.frames) > room) {
            state.frames.remove(0);
        }
        state.frames.push((frame, signal.clone()));
        Some(signal)
    }
}
