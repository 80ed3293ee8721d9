//! Gain: whether the colour is filled with noise, clipped, or broken up.
//!
//! With a power channel the display's gain is read off the data: the smallest displayed power over the
//! plateau. A low share means that noise is drawn as flow; a high share that only the strongest
//! blood is drawn. Power whose plateau runs into the top code cannot tell how far below it the edge
//! lies. Without power the colour itself must tell: scattered voxels (few of their neighbours are
//! coloured) are speckle or what is left of a starved jet.

use super::{Finding, Verdict, finding};
use crate::jet::{SignalScale, StrengthSource};
use crate::volume::{ChannelKind, Volume4};

/// A smallest displayed power below this share of the plateau draws noise (our own choice; simulated
/// acquisitions of the usual gain stay above 0.3)
const SATURATED: f64 = 0.15;
/// Above this share the jet's edge and much of its speckle are lost (our own choice; simulated
/// acquisitions of the usual gain stay below 0.63)
const STARVED: f64 = 0.70;
/// Share of coloured voxels at the top power code that counts as clipped (our own choice)
const CLIPPED: f64 = 0.02;
/// Share of coloured voxels with fewer than half of their 26 neighbours coloured (our own choice;
/// simulated acquisitions of the usual gain stay below 0.08)
const RAGGED: f64 = 0.12;
/// Share of the whole volume that is coloured (our own choice; the same acquisitions stay below 0.35)
const FILLED: f64 = 0.5;
/// Above this share of the volume the power cannot be judged by: what fills the picture is noise, and its power is
/// taken for that of full flow (our own choice; noise alone fills 0.94)
const NOISY: f64 = 0.8;

/// The colour of one frame
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Colour {
    /// Coloured share of all voxels
    pub(super) filled: f64,
    /// Share of coloured voxels with fewer than 13 coloured neighbours among 26
    pub(super) ragged: f64,
    /// Share of coloured voxels at the top code of the power
    pub(super) clipped: Option<f64>,
    frame: usize,
}

/// The colour of the frame that has most of it; `None` without velocity or without any colour
pub(super) fn colour(volume: &Volume4) -> Option<Colour> {
    let (velocity, scale) = volume.velocity()?;
    let zero = scale.zero_code();
    let count = |frame: usize| velocity.frame(frame).count_other(zero);
    let counts: Vec<usize> = (0..volume.frames()).map(count).collect();
    let frame = (0..counts.len()).max_by_key(|frame| (counts[*frame], usize::MAX - frame))?;
    let total = counts[frame];
    if total == 0 {
        return None;
    }
    let codes = velocity.frame(frame);
    let here: Vec<bool> = (0..codes.len()).map(|i| codes.at(i) != zero).collect();
    let clipped = volume.channel(ChannelKind::Power).map(|power| {
        let top = ((1u32 << power.samples().bits()) - 1) as u16;
        let codes = power.samples().frame(frame);
        (0..codes.len()).filter(|i| here[*i] && codes.at(*i) == top).count() as f64 / total as f64
    });
    let filled = total as f64 / here.len() as f64;
    Some(Colour { filled, ragged: ragged(&here, volume.grid.shape()), clipped, frame })
}

/// Share of set voxels, borders left out, with fewer than 13 of their 26 neighbours set
fn ragged(here: &[bool], [nx, ny, nz]: [usize; 3]) -> f64 {
    let (mut all, mut few) = (0usize, 0usize);
    for z in 1..nz.saturating_sub(1) {
        for y in 1..ny.saturating_sub(1) {
            for x in 1..nx.saturating_sub(1) {
                let i = x + nx * (y + ny * z);
                if !here[i] {
                    continue;
                }
                let mut around = 0;
                for plane in [i - nx * ny, i, i + nx * ny] {
                    for row in [plane - nx, plane, plane + nx] {
                        around += here[row - 1..=row + 1].iter().filter(|set| **set).count();
                    }
                }
                all += 1;
                few += usize::from(around - 1 < 13);
            }
        }
    }
    few as f64 / all.max(1) as f64
}

/// Whether the colour gain suits the job
pub(super) fn gain(volume: &Volume4) -> Vec<Finding> {
    let Some(colour) = colour(volume) else {
        let text = "no voxel is coloured in any frame: there is no flow to measure, or the colour gain was at its \
                    lowest";
        return vec![finding("colour-gain", Verdict::Limited, Some(0.0), "%", None, text.to_owned())];
    };
    let gate = SignalScale::of(volume).filter(|s| s.source == StrengthSource::Power).and_then(|s| s.gate);
    let mut findings = vec![match gate {
        Some(gate) if colour.filled <= NOISY => from_power(gate),
        _ => from_colour(&colour),
    }];
    if let Some(clipped) = colour.clipped.filter(|share| *share > CLIPPED) {
        let text = format!(
            "{:.0} % of the coloured voxels of frame {} lie at the top power code; up to {:.0} % is accepted (our \
             own choice): the power of full flow is cut off there, so the edge is read too far out and the area \
             too large",
            100.0 * clipped,
            colour.frame + 1,
            100.0 * CLIPPED
        );
        let (value, limit) = (Some(100.0 * clipped), Some(100.0 * CLIPPED));
        findings.push(finding("power-clipped", Verdict::Limited, value, "%", limit, text));
    }
    findings
}

fn from_power(gate: f64) -> Finding {
    let (verdict, limit, consequence) = if gate < SATURATED {
        let text = "saturated: noise is drawn as flow, and small jets may be hidden in it or made up by it";
        (Verdict::Limited, SATURATED, text)
    } else if gate > STARVED {
        let text =
            "starved: the edge of the jet is not drawn, and thin or weak jets are missed or read too small";
        (Verdict::Limited, STARVED, text)
    } else {
        (Verdict::Adequate, if gate < 0.4 { SATURATED } else { STARVED }, "neither saturated nor starved")
    };
    let text = format!(
        "colour is drawn from {:.0} % of the power of full flow on; {:.0} to {:.0} % is accepted (our own choice): \
         colour gain {consequence}",
        100.0 * gate,
        100.0 * SATURATED,
        100.0 * STARVED
    );
    finding("colour-gain", verdict, Some(100.0 * gate), "%", Some(100.0 * limit), text)
}

fn from_colour(colour: &Colour) -> Finding {
    let Colour { filled, ragged, .. } = *colour;
    let percent = |share: f64| Some(100.0 * share);
    if filled > FILLED {
        let text = format!(
            "colour fills {:.0} % of the volume; up to {:.0} % is accepted (our own choice): colour gain saturated, \
             noise is drawn as flow",
            100.0 * filled,
            100.0 * FILLED
        );
        return finding("colour-gain", Verdict::Limited, percent(filled), "%", percent(FILLED), text);
    }
    let (verdict, consequence) = if ragged > RAGGED {
        let text = "colour gain starved, so that the core is broken up, or saturated, so that noise is drawn: \
                    outlines are not to be relied on";
        (Verdict::Limited, text)
    } else {
        (Verdict::Adequate, "the colour is whole")
    };
    let text = format!(
        "{:.0} % of the coloured voxels have fewer than half of their neighbours coloured; up to {:.0} % is accepted \
         (our own choice): {consequence}",
        100.0 * ragged,
        100.0 * RAGGED
    );
    finding("colour-gain", verdict, percent(ragged), "%", percent(RAGGED), text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_solid_block_is_whole_and_a_chequerboard_is_ragged() {
        let shape = [8, 8, 8];
        let block: Vec<bool> = (0..512).map(|i| (1..7).contains(&(i % 8))).collect();
        assert_eq!(ragged(&block, shape), 0.0);
        let dust: Vec<bool> = (0..512).map(|i| (i % 3 == 0) && (i / 8) % 2 == 0).collect();
        assert_eq!(ragged(&dust, shape), 1.0);
        assert_eq!(ragged(&[true], [1, 1, 1]), 0.0);
    }

    #[test]
    fn both_ends_of_the_gain_are_told() {
        assert_eq!(from_power(0.08).verdict, Verdict::Limited);
        assert_eq!(from_power(0.45).verdict, Verdict::Adequate);
        assert!(from_power(0.8).message.contains("starved"));
        let colour = Colour { filled: 0.7, ragged: 0.05, clipped: None, frame: 0 };
        assert!(from_colour(&colour).message.contains("saturated"));
        assert_eq!(from_colour(&Colour { filled: 0.1, ..colour }).verdict, Verdict::Adequate);
        assert_eq!(from_colour(&Colour { filled: 0.1, ragged: 0.2, ..colour }).verdict, Verdict::Limited);
    }
}
