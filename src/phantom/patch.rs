//! Smaller recipes of the same phantom: one frame, or a box around the vena contracta.

use nalgebra::Vector3;

use super::PhantomError;
use super::recipe::{Recipe, WaveRecipe};
use super::solved::ReadyFlow;
use super::stage::Stage;
use super::wave;

impl Recipe {
    /// The waves of its jets, each with the area it scales
    fn waves(&self) -> Vec<(&WaveRecipe, f64)> {
        if self.flow.solved.is_some() {
            return vec![(&self.flow.wave, 1.0)];
        }
        self.orifice.iter().map(|hole| (&hole.wave, hole.effective_area_mm2.unwrap_or(1.0))).collect()
    }

    /// The same phantom with one frame, at the moment of the largest total effective area (the
    /// fastest such moment): quick to make, for statistics over many phantoms
    pub fn single_frame(&self) -> Self {
        let mut one = self.clone();
        let beat = &self.beat;
        let waves = self.waves();
        let key = |time: f64| {
            waves.iter().fold((0.0, 0.0), |(area, speed): (f64, f64), (wave, size)| {
                let now = wave::at(wave, beat, time);
                // Slow moments at the ends of systole do not count.
                let open = if now.speed > 0.6 * wave.peak_m_s { now.area } else { 0.0 };
                (area + (open * size * 1e3).round(), speed.max(now.speed))
            })
        };
        let mut best = (beat.systole_onset_s, (-1.0, 0.0));
        for step in 0..=200 {
            let time = beat.systole_onset_s + beat.systole_duration_s * f64::from(step) / 200.0;
            let here = key(time);
            if here > best.1 {
                best = (time, here);
            }
        }
        one.beat.frames = 1;
        one.beat.first_s = best.0;
        one
    }

    /// One frame of a box around the vena contracta of a solved flow, as the whole volume would show it
    ///
    /// `size_mm` are the sides of the box along x, y and z; the moment is that of
    /// [`Recipe::single_frame`]. The voxels keep their size, beams and samples their places.
    ///
    /// # Errors
    /// [`PhantomError`] where the recipe cannot be used.
    pub fn patch(&self, flow: &ReadyFlow, size_mm: [f64; 3]) -> Result<Self, PhantomError> {
        let mut one = self.single_frame();
        let truth = &flow.header.truth;
        let mean = |axis: usize| -> f64 {
            truth.orifices.iter().map(|hole| hole.share * hole.centroid_mm[axis]).sum()
        };
        let stage = Stage::new(&one, Some(flow))?;
        let now = wave::at(&one.flow.wave, &one.beat, one.beat.first_s);
        let scale = one.flow.scale * now.area.sqrt();
        let [u, v, w] = stage.flow_axes();
        let offset = stage.moved(one.beat.first_s, Vector3::zeros())
            + (u * mean(0) + v * mean(1) + w * truth.vc_level_mm) * scale;
        one.grid.offset_mm = offset.into();
        one.grid.shape =
            std::array::from_fn(|axis| ((size_mm[axis] / one.grid.voxel_mm[axis]).round() as usize).max(4));
        one.beat.gated_beats = 1;
        (one.beat.shift_mm, one.beat.beats_rr_s) = (Vec::new(), Vec::new());
        Ok(one)
    }
}
