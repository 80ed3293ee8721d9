//! How much the answer moves when a careful reader does it a little differently.
//!
//! Three small departures are measured, each with everything else held: the cut turned by 5 degrees
//! (the mean over four directions), its level moved by 1 mm (the mean of both senses), the gain
//! changed by 10 % (the tracing level moved by as much). Each is traced again as displayed, and the change
//! is scaled by the reported over the displayed area.

use rayon::prelude::*;

use crate::space::Cut;
use crate::unit::Mm2;

use super::{Assessment, Measured, Tracer};

/// What one departure does to the area
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Departure {
    /// What was done differently, in words
    pub what: &'static str,
    /// Mean change of the area
    pub mean: Mm2,
    /// Largest change in either direction, as a magnitude
    pub largest: Mm2,
}

const TURN_DEG: f64 = 5.0;
const LEVEL_MM: f64 = 1.0;
const GAIN_SHARE: f64 = 0.1;

/// The changes of one assessed jet's area; a departure that cannot be traced is left out
pub fn departures(tracer: &Tracer, assessed: &Assessment) -> Vec<Departure> {
    let shown = assessed.tracing.outline.area().get();
    let Measured { value, .. } = assessed.vca;
    // The shown area answers to the cut; the reported one is taken to answer in proportion.
    let share = value.get() / shown.max(1e-9);
    let core = assessed.core();
    let change = |cut: &Cut, level: f64| {
        let outline = tracer.at(level).displayed(cut, core.as_ref()).ok()?.outline;
        Some((outline.area().get() - shown) * share)
    };
    let level = assessed.tracing.level;
    let cut = assessed.cut;
    let turned = (0..4).map(|k| {
        let toward = std::f64::consts::FRAC_PI_2 * f64::from(k);
        (cut.tilted(TURN_DEG.to_radians(), toward), level)
    });
    let moved = [-LEVEL_MM, LEVEL_MM].map(|mm| (cut.at_level(mm), level));
    let gained = [1.0 - GAIN_SHARE, 1.0 + GAIN_SHARE].map(|factor| (cut, (level * factor).min(0.95)));
    [
        ("the cut turned by 5 degrees", turned.collect::<Vec<_>>()),
        ("the level moved by 1 mm", moved.to_vec()),
        ("the gain changed by 10 %", gained.to_vec()),
    ]
    .into_iter()
    .map(|(what, ways)| {
        (what, ways.par_iter().filter_map(|(cut, level)| change(cut, *level)).collect::<Vec<f64>>())
    })
    .filter(|(_, changes)| !changes.is_empty())
    .map(|(what, changes)| Departure {
        what,
        mean: Mm2::new(changes.iter().sum::<f64>() / changes.len() as f64),
        largest: Mm2::new(changes.iter().fold(0.0, |most: f64, c| most.max(c.abs()))),
    })
    .collect()
}
