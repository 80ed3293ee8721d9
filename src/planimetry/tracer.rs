//! The one way in which a plane becomes an area.
//!
//! Measurement, review, sweep, practice, tilt map and observer table ask a [`Tracer`] and nothing else. What it
//! answers depends on the signal, the level and where the plane lies. It does not depend on the plane's in-plane
//! axes: the picture is laid along axes that the normal alone decides ([`Cut::perpendicular_to`]). Nor does it
//! depend on who asks: how wide the picture is follows from what is displayed on the plane.

use crate::jet::{Signal, displayed_mm2, reading_about};
use crate::network::{Reading, Surround};
use crate::outline::{Outline, OutlineError, Placed};
use crate::space::{Cut, CutPoint, Direction};
use crate::unit::Mm;

use super::Section;
use super::assess::{Assessment, FAINT_LEVEL, Told, assess, is_faint};
use super::trace::{NeckImage, TraceError, Tracing, neck_image, trace};

/// Displayed area that a picture is laid out for where nothing is displayed, mm2 (our own choice)
const UNSEEN_MM2: f64 = 60.0;
/// Its length likewise, mm
const UNSEEN_MM: f64 = 9.0;
/// Sides of pictures are whole multiples of this, so that a pixel lies at the centre and pictures of nearly the same
/// size are the same, mm
const STEP_MM: f64 = 4.0;
/// Sides of the wider pictures, for what does not close in the first one, mm: a leaned plane may show far more than
/// the vena contracta
const WIDE_MM: [f64; 2] = [60.0, 120.0];

/// What the network reads of a place that is no vena contracta, logit (our own choice: as likely as not)
const NO_VENA_CONTRACTA: f64 = 0.0;

/// Traces planes of one frame
#[derive(Clone, Copy, Debug)]
pub struct Tracer<'a> {
    /// The frame
    pub signal: &'a Signal,
    /// Anterior-posterior direction in volume space, for naming the widths
    pub anterior_posterior: Option<Direction>,
    /// Share of full-signal power at which outlines are laid; `None` for the usual level and, where that shows too
    /// little, the lower ones
    pub threshold: Option<f64>,
}

/// A picture and the outline that closes in it
type Closed = Result<(NeckImage, Tracing), TraceError>;

impl Tracer<'_> {
    /// The same at a fixed level
    #[must_use]
    pub fn at(self, level: f64) -> Self {
        Self { threshold: Some(level), ..self }
    }

    /// The outline that the program draws on a plane of which nobody knows that a jet crosses it
    ///
    /// # Errors
    /// As [`Tracer::propose`], and [`TraceError::NoVenaContracta`].
    pub fn seek(&self, section: &Section) -> Result<Assessment, TraceError> {
        let found = self.propose(section)?;
        let seen = found.arms.network_mm2.is_none() || found.arms.orifice >= NO_VENA_CONTRACTA;
        if seen { Ok(found) } else { Err(TraceError::NoVenaContracta) }
    }

    /// The outline that the program draws on a plane across a jet, with its area, interval and widths
    ///
    /// # Errors
    /// [`TraceError`] where nothing can be traced.
    pub fn propose(&self, section: &Section) -> Result<Assessment, TraceError> {
        let plane = laid(&section.plane);
        let coloured = self.closed(&plane, |image| image);
        let extent = coloured.as_ref().map_or(UNSEEN_MM, |(_, all)| all.outline.feret().max.get());
        let reading = self.reading(&plane, extent);
        let core = reading.as_ref().and_then(|(reading, _)| reading.outline().ok());
        let (image, tracing, coloured) = match core.map(|core| self.closed(&plane, |image| image.fast(&core)))
        {
            Some(Ok((image, tracing))) => (image, tracing, coloured.ok().map(Box::new)),
            _ => coloured.map(|(image, tracing)| (image, tracing, None))?,
        };
        Ok(assess(self, &section.on(plane), &image, tracing, &Told::Arms { reading, coloured }))
    }

    /// Area, interval and widths of a given outline
    ///
    /// `outline` is in the in-plane axes of the section's plane; `level` is the share of full-signal power that it
    /// follows.
    ///
    /// # Errors
    /// [`TraceError::Invalid`] where it is no polygon on the picture's axes.
    pub fn measure(
        &self,
        section: &Section,
        outline: &Outline,
        level: f64,
    ) -> Result<Assessment, TraceError> {
        let plane = laid(&section.plane);
        let outline = carried(outline, &section.plane, &plane)?;
        let reach = outline.points().iter().fold(0.0, |far: f64, p| far.max(p.u.abs()).max(p.v.abs()));
        let [first, rest @ ..] = self.sides(&plane);
        let side =
            rest.into_iter().fold(first, |side, wider| if 0.5 * side.get() > reach { side } else { wider });
        let image = neck_image(self.signal, &plane, side);
        // What the program makes of its own outline here tells what a displayed outline is worth.
        let own = Self { threshold: None, ..*self }.propose(section).ok();
        let core = own.as_ref().and_then(|own| own.arms.network_outline.as_ref());
        let image = core.into_iter().fold(image, NeckImage::fast);
        let told = match own {
            Some(own) => Told::Beside(Box::new(own)),
            None => Told::Arms { reading: self.reading(&plane, outline.feret().max.get()), coloured: None },
        };
        Ok(assess(self, &section.on(plane), &image, Tracing { outline, level }, &told))
    }

    /// The outline that the program draws on a plane, as displayed and no more; `core` is what the network reads on a
    /// plane nearby ([`Assessment::core`])
    ///
    /// # Errors
    /// [`TraceError`] where nothing can be traced.
    pub fn displayed(&self, plane: &Cut, core: Option<&Placed>) -> Result<Tracing, TraceError> {
        let plane = laid(plane);
        let core = core.map(|core| carried(&core.outline, &core.plane, &plane)).transpose()?;
        let fast = core.and_then(|core| self.closed(&plane, |image| image.fast(&core)).ok());
        fast.map_or_else(|| self.closed(&plane, |image| image), Ok).map(|(_, tracing)| tracing)
    }

    /// What the network reads about a plane on which what is displayed has this length, mm
    fn reading(&self, plane: &Cut, extent_mm: f64) -> Option<(Reading, Surround)> {
        let (patch, reading) = reading_about(self.signal, plane, extent_mm)?;
        Some((reading, patch.surround()))
    }

    fn sides(&self, plane: &Cut) -> [Mm; 3] {
        let size = displayed_mm2(self.signal, plane).unwrap_or(UNSEEN_MM2);
        let side = (6.0 * (size / std::f64::consts::PI).sqrt() + 8.0).clamp(16.0, 40.0);
        [(side / STEP_MM).ceil() * STEP_MM, WIDE_MM[0], WIDE_MM[1]].map(Mm::new)
    }

    /// The outline in the narrowest picture in which one closes
    fn closed(&self, plane: &Cut, change: impl Fn(NeckImage) -> NeckImage) -> Closed {
        let mut last = None;
        for side in self.sides(plane) {
            let image = change(neck_image(self.signal, plane, side));
            match self.traced(&image) {
                Ok(tracing) => return Ok((image, tracing)),
                // A wider picture shows more only of what leaves the narrow one.
                Err(error @ TraceError::LeavesVolume(_)) => last = Some(error),
                Err(error) => return Err(error),
            }
        }
        Err(last.unwrap_or(TraceError::Nothing(self.signal.tracing_level())))
    }

    fn traced(&self, image: &NeckImage) -> Result<Tracing, TraceError> {
        let middle = CutPoint::default();
        if let Some(level) = self.threshold {
            return trace(image, level, middle);
        }
        // A jet too narrow for the point spread may not reach the usual level at all.
        let usual = self.signal.tracing_level();
        let tracing = trace(image, usual, middle)
            .or_else(|error| trace(image, self.signal.seeing_level(), middle).or(Err(error)));
        match tracing {
            Ok(tracing) if !is_faint(image, &tracing) => Ok(tracing),
            other => trace(image, FAINT_LEVEL * usual, middle).or(other),
        }
    }
}

/// A plane with the in-plane axes of its picture, which its normal alone decides
fn laid(plane: &Cut) -> Cut {
    Cut::perpendicular_to(plane.centre(), plane.normal())
}

/// An outline on the axes of another plane, projected onto it
pub(super) fn carried(outline: &Outline, from: &Cut, onto: &Cut) -> Result<Outline, OutlineError> {
    if from == onto {
        return Ok(outline.clone());
    }
    Outline::new(outline.points().iter().map(|point| onto.project(from.at(*point)).0).collect())
}
