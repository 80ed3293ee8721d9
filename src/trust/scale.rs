//! The velocity scale: Nyquist velocity and baseline against what the job needs.

use super::{Finding, Verdict, finding};
use crate::volume::{Provenance, VelocityLoss, VelocityScale};

/// Nyquist velocities usual for judging a jet, m/s (Zoghbi and others, J Am Soc Echocardiogr
/// 2017;30:303-371, from memory)
const NYQUIST_M_S: [f64; 2] = [0.5, 0.7];
/// Baseline shift over the Nyquist velocity beyond which one direction has hardly any range left (our
/// own choice; shifts for the flow convergence usually leave an alias velocity of 0.25 to 0.4 m/s of 0.5 to
/// 0.7: Zoghbi 2017, from memory)
const SHIFT: f64 = 0.75;

/// The Nyquist velocity against the usual range
pub(super) fn nyquist(scale: VelocityScale) -> Finding {
    let value = scale.nyquist().get();
    let [low, high] = NYQUIST_M_S;
    let (verdict, limit, consequence) = if value < 0.6 * low {
        (Verdict::Limited, low, "slow blood aliases too and may be taken for jet")
    } else if value > 1.5 * high {
        (Verdict::Limited, high, "the jet's edge aliases late and its area may be read too small")
    } else {
        (Verdict::Adequate, if value < low { low } else { high }, "within reach of the usual 0.5 to 0.7 m/s")
    };
    let message = format!(
        "Nyquist velocity {value:.2} m/s; 0.5 to 0.7 m/s is usual for a jet (Zoghbi 2017, from memory): {consequence}"
    );
    finding("nyquist", verdict, Some(value), "m/s", Some(limit), message)
}

/// The baseline: how far the displayed range is moved off zero
pub(super) fn baseline(scale: VelocityScale) -> Finding {
    let (low, high) = scale.limits();
    let shift = scale.baseline_shift().get();
    let limit = SHIFT * scale.nyquist().get();
    let (verdict, consequence) = if shift.abs() > limit {
        (
            Verdict::Limited,
            "slow blood of the other direction is shown as fast, and the convergence's side is unsure",
        )
    } else {
        (Verdict::Adequate, "both directions have room")
    };
    let message = format!(
        "the display runs from {:.2} to {:.2} m/s, its middle {:.2} m/s off zero; up to {limit:.2} m/s is accepted \
         (our own choice): {consequence}",
        low.get(),
        high.get(),
        shift
    );
    finding("baseline", verdict, Some(shift), "m/s", Some(limit), message)
}

/// Share of the Nyquist velocity by which velocities read back from colours may be off: half a cycle is
/// the Nyquist velocity, and a phase off by a tenth of that costs 5 % of a phasor's length (our own choice)
const COLOUR_ERROR: f64 = 0.1;
/// Share of the Nyquist velocity beyond which a phase read from colours says next to nothing (our own
/// choice: a quarter of a cycle)
const COLOUR_LOST: f64 = 0.5;
/// Share of coloured voxels without a colour of the bar beyond which it is another bar or a lossy picture
/// (our own choice)
const STRAY: f64 = 0.02;

/// Velocities stored with loss; `None` where nothing says that they were, or where they come from colours
///
/// Codes that are each off by a few at most cost that much. A transform cuts the picture's fine detail
/// instead: where the colour wraps, two codes at the ends of the scale lie beside each other, and what comes back
/// between them are codes that were never there, slow flow among them. No table of steps tells how many.
pub(super) fn lossy(provenance: &Provenance, scale: VelocityScale) -> Option<Finding> {
    let lossy = provenance.lossy.as_ref().filter(|_| provenance.colours_read.is_none())?;
    let (step, nyquist) = (scale.step().get().abs(), scale.nyquist().get());
    let limit = COLOUR_ERROR * nyquist;
    let wraps = "where the colour wraps, codes were invented between the ends of the scale, so that the edge and the \
                 fast core of a jet are less sure; export it without loss";
    let (error, extent, verdict, consequence) = match lossy.velocity {
        VelocityLoss::AtMost { codes } => {
            let error = codes * step;
            let verdict = match error {
                error if error > COLOUR_LOST * nyquist => Verdict::Unfit,
                error if error > limit => Verdict::Limited,
                _ => Verdict::Adequate,
            };
            (
                Some(error),
                format!("each by {codes:.0} codes, {error:.3} m/s, at most"),
                verdict,
                "stored without loss it would be better",
            )
        }
        VelocityLoss::About { codes } => {
            let error = codes * step;
            let verdict = if error > COLOUR_LOST * nyquist { Verdict::Unfit } else { Verdict::Limited };
            (
                Some(error),
                format!("by about {codes:.1} codes, {error:.3} m/s, by the steps of its tables"),
                verdict,
                wraps,
            )
        }
        VelocityLoss::Unknown => (None, "by how much nobody knows".to_owned(), Verdict::Limited, wraps),
    };
    let method = if lossy.method.is_empty() { "a method not stated" } else { &lossy.method };
    let message = format!(
        "velocities were stored with loss ({method}), {extent}; up to {limit:.3} m/s, a tenth of the Nyquist velocity, is \
         accepted for single codes, and none for transforms (our own choices): {consequence}"
    );
    Some(finding("lossy-velocity", verdict, error, "m/s", Some(limit), message))
}

/// Velocities read back from displayed colours; `None` where they were stored
pub(super) fn colours(provenance: &Provenance, scale: VelocityScale) -> Option<Finding> {
    let read = provenance.colours_read?;
    let nyquist = scale.nyquist().get();
    let (error, stray) = (read.error.get(), 100.0 * read.stray);
    let limit = COLOUR_ERROR * nyquist;
    let (verdict, consequence) = if error > COLOUR_LOST * nyquist {
        (
            Verdict::Unfit,
            "the hue says next to nothing about the velocity: export the volume with its velocities",
        )
    } else if error > limit {
        (
            Verdict::Limited,
            "wrapped and unwrapped blood are told apart less surely, and the convergence is rough",
        )
    } else if read.stray > STRAY {
        (Verdict::Limited, "part of the jet may have been taken as tissue: is it the bar of this display?")
    } else {
        (Verdict::Adequate, "stored velocities would still be better")
    };
    let message = format!(
        "velocities were read back from colours, 95 % of them within {error:.3} m/s; up to {limit:.3} m/s, a tenth of the \
         Nyquist velocity, is accepted; {stray:.1} % of the coloured voxels have no colour of the bar, up to {:.0} % is \
         accepted (our own choices): {consequence}",
        100.0 * STRAY
    );
    Some(finding("colours", verdict, Some(error), "m/s", Some(limit), message))
}
