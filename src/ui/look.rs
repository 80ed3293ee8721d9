//! The review's display settings as the pictures take them.

use crate::gpu;
use crate::review::{ColourMap, Settings};

/// The view with the settings laid on
pub fn dressed(mut view: gpu::CutView, settings: &Settings) -> gpu::CutView {
    view.tissue = gpu::TissueWindow {
        low: settings.tissue_window[0] as f32,
        high: settings.tissue_window[1] as f32,
        gamma: 0.8,
    };
    view.flow.map = map(settings.colour_map);
    view.flow.gain = settings.colour_gain as f32;
    view.flow.priority = settings.tissue_priority as f32;
    view
}

/// The colour map by its name in the pictures
pub const fn map(map: ColourMap) -> gpu::ColourMap {
    match map {
        ColourMap::Doppler => gpu::ColourMap::TowardAway,
        ColourMap::Cyclic => gpu::ColourMap::Ring,
    }
}
