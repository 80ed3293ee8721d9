//! What a review says of each jet, in the words of practice.
//!
//! The areas are those of the review's report ([`numbers`]), so that practice scores what a reader would sign.
//! Where a reader typed in widths of the vena contracta and traced nothing, those widths are the
//! reading: of the jet, on the cut and in the frame that the reader was on when the review was saved.

use nalgebra::Vector3;

use super::{JetId, Quantity, Review, numbers, options};
use crate::job::Watch;
use crate::measure::MeasureError;
use crate::measure::results::{JetResult, Origin};
use crate::space::{VolumePoint, direction};
use crate::study::practice::{JetReading, Taken};
use crate::volume::Volume4;

/// What a review says of each jet
///
/// # Errors
/// See [`MeasureError`].
pub fn practised(review: &Review, volume: &Volume4, watch: &Watch) -> Result<Vec<JetReading>, MeasureError> {
    let anterior_posterior = options(review).anterior_posterior;
    if let Some(reading) = by_widths(review) {
        return Ok(vec![JetReading { anterior_posterior, ..reading }]);
    }
    let results = numbers(review, volume, watch)?;
    let readings = results.jets.iter().filter_map(outlined);
    Ok(readings.map(|reading| JetReading { anterior_posterior, ..reading }).collect())
}

fn outlined(jet: &JetResult) -> Option<JetReading> {
    let count = jet.tracing_mm.len().max(1) as f64;
    let sum = jet.tracing_mm.iter().map(|point| Vector3::from(*point)).sum::<Vector3<f64>>();
    let middle = sum / count;
    Some(JetReading {
        name: jet.reading.jet.clone().unwrap_or_else(|| jet.id.to_string()),
        frame: jet.peak_frame,
        centre: VolumePoint::new(middle.x, middle.y, middle.z),
        normal: direction(Vector3::from(jet.axis))?,
        area_mm2: jet.vca_mm2.value,
        taken: Taken::Outline,
        origin: jet.reading.origin,
        anterior_posterior: None,
    })
}

/// The reading by typed widths; `None` where there is a tracing that counts, or no width
fn by_widths(review: &Review) -> Option<JetReading> {
    let work = &review.work;
    if work.tracings.iter().any(|tracing| tracing.fault().is_none()) {
        return None;
    }
    let widths = work.entries.iter().filter(|entry| entry.quantity == Quantity::VcWidth);
    let widths: Vec<f64> = widths.map(|entry| entry.value).filter(|width| *width > 0.0).collect();
    let quarter = std::f64::consts::PI / 4.0;
    let (taken, area_mm2) = match *widths.as_slice() {
        [] => return None,
        [width_mm] => (Taken::Circle { width_mm }, quarter * width_mm * width_mm),
        [first, second, ..] => (Taken::Ellipse { widths_mm: [first, second] }, quarter * first * second),
    };
    let jet = match review.place.jet {
        JetId::Free => review.jets().first().copied().unwrap_or_default(),
        jet => jet,
    };
    let cut = review.base(jet, review.place.frame).en_face(&review.turn(jet));
    Some(JetReading {
        name: jet.to_string(),
        frame: review.place.frame,
        centre: cut.centre(),
        normal: cut.normal(),
        area_mm2,
        taken,
        origin: Origin::ReaderDrawn,
        anterior_posterior: None,
    })
}
