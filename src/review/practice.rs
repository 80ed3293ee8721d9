//! What a review says of each jet, in the words of practice.
//!
//! The areas are those of the review's report ([`numbers`]), so that practice scores what a reader would sign.
//! Where a reader entered a width of the vena contracta and traced nothing, the circle on that width is the
//! reading: of the jet, on the cut and in the frame that the reader was on when the review was saved.

use nalgebra::Vector3;

use super::{JetId, Review, numbers, options};
use crate::jet::InBeat;
use crate::job::Watch;
use crate::measure::MeasureError;
use crate::measure::results::{JetResult, Origin};
use crate::severity::Item;
use crate::space::{VolumePoint, direction};
use crate::study::practice::{JetReading, Taken};
use crate::unit::{Mm, Mm2};
use crate::volume::Volume4;

/// What a review says of each jet
///
/// # Errors
/// See [`MeasureError`].
pub fn practised(review: &Review, volume: &Volume4, watch: &Watch) -> Result<Vec<JetReading>, MeasureError> {
    let anterior_posterior = options(review).anterior_posterior;
    if let Some(reading) = by_width(review) {
        return Ok(vec![JetReading { anterior_posterior, ..reading }]);
    }
    let results = numbers(review, volume, watch)?;
    let readings = results.jets.iter().filter_map(|jet| outlined(review, jet));
    Ok(readings.map(|reading| JetReading { anterior_posterior, ..reading }).collect())
}

fn outlined(review: &Review, jet: &JetResult) -> Option<JetReading> {
    let name = jet.reading.jet.clone().unwrap_or_else(|| jet.id.to_string());
    let known = review.jets().into_iter().find(|id| id.to_string() == name).and_then(|id| review.found(id));
    let section = known.and_then(|found| found.frames.get(jet.peak_frame)?.section());
    let count = jet.tracing_mm.len().max(1) as f64;
    let sum = jet.tracing_mm.iter().map(|point| Vector3::from(*point)).sum::<Vector3<f64>>();
    let middle = sum / count;
    Some(JetReading {
        name,
        frame: jet.peak_frame,
        centre: VolumePoint::new(middle.x, middle.y, middle.z),
        normal: direction(Vector3::from(jet.axis))?,
        area_mm2: jet.vca_mm2.value,
        taken: Taken::Outline,
        origin: jet.reading.origin,
        anterior_posterior: None,
        in_beat: section.map_or_else(InBeat::default, |section| section.in_beat),
    })
}

/// The reading by an entered width; `None` where there is a tracing that counts, or no width
fn by_width(review: &Review) -> Option<JetReading> {
    let work = &review.work;
    if work.tracings.iter().any(|tracing| work.fault(tracing).is_none()) {
        return None;
    }
    let entered = |item| work.evidence.number(item).map(|width| width.value).filter(|width| *width > 0.0);
    let (taken, width_mm) = match (entered(Item::VcWidthBiplaneMm), entered(Item::VcWidthMm)) {
        (Some(width_mm), _) => (Taken::MeanCircle { width_mm }, width_mm),
        (None, Some(width_mm)) => (Taken::Circle { width_mm }, width_mm),
        (None, None) => return None,
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
        area_mm2: Mm2::of_circle(Mm::new(width_mm)).get(),
        taken,
        origin: Origin::ReaderDrawn,
        anterior_posterior: None,
        in_beat: InBeat::default(),
    })
}
