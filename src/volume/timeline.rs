//! When the frames of a beat were acquired.

use crate::unit::Seconds;

/// Times of the frames in seconds from the R wave, and how the beat was gathered
#[derive(Clone, Debug, PartialEq)]
pub struct Timeline {
    times: Vec<Seconds>,
    /// R-R interval, when the file says so
    pub rr: Option<Seconds>,
    /// R-R intervals of the single beats, when the file lists them
    pub beats_rr: Vec<Seconds>,
    /// Number of beats the volume was gathered from, when known
    pub gated_beats: Option<u32>,
}

/// Why a timeline was refused
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum TimelineError {
    /// No frames
    #[error("the timeline has no frames")]
    Empty,
    /// A time is not finite
    #[error("the time of frame {} is not a number", .0 + 1)]
    NotFinite(usize),
    /// Times do not rise
    #[error("the time of frame {} does not come after the frame before it", .0 + 1)]
    NotRising(usize),
}

impl Timeline {
    /// A timeline of rising times
    ///
    /// # Errors
    /// See [`TimelineError`].
    pub fn new(times: Vec<Seconds>) -> Result<Self, TimelineError> {
        if times.is_empty() {
            return Err(TimelineError::Empty);
        }
        for (frame, time) in times.iter().enumerate() {
            if !time.is_finite() {
                return Err(TimelineError::NotFinite(frame));
            }
            if frame > 0 && times[frame - 1] >= *time {
                return Err(TimelineError::NotRising(frame));
            }
        }
        Ok(Self { times, rr: None, beats_rr: Vec::new(), gated_beats: None })
    }

    /// `frames` times, `interval` apart, the first at the R wave
    ///
    /// # Errors
    /// See [`TimelineError`].
    pub fn regular(frames: usize, interval: Seconds) -> Result<Self, TimelineError> {
        Self::new((0..frames).map(|frame| interval * frame as f64).collect())
    }

    /// Number of frames
    pub fn frames(&self) -> usize {
        self.times.len()
    }

    /// The times, seconds from the R wave
    pub fn times(&self) -> &[Seconds] {
        &self.times
    }

    /// Mean time between frames; `None` for a single frame
    pub fn interval(&self) -> Option<Seconds> {
        let last = self.times.len() - 1;
        (last > 0).then(|| (self.times[last] - self.times[0]) / last as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_must_rise() {
        let s = Seconds::new;
        assert_eq!(Timeline::new(vec![]), Err(TimelineError::Empty));
        assert_eq!(Timeline::new(vec![s(0.1), s(0.1)]), Err(TimelineError::NotRising(1)));
        assert_eq!(Timeline::new(vec![s(f64::NAN)]), Err(TimelineError::NotFinite(0)));
        let regular = Timeline::regular(5, s(0.04)).unwrap();
        assert!((regular.interval().unwrap().get() - 0.04).abs() < 1e-12);
    }
}
