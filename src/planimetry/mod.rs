//! Measuring one cross-section: the tracing, the area behind its blur, the interval, the widths,
//! the shape.
//!
//! What is traced is the strong, incoherent signal on the en-face cut at the neck; slow coherent
//! blood is left out. What is reported is the area that, blurred by the point spread and shown at
//! the display's gain, would have given that tracing (`blur`); both are kept. The interval adds
//! up what is uncertain, part by part. A [`Tracer`] does it, on a [`Section`], for everybody who asks.

mod arms;
mod assess;
mod background;
mod blur;
mod hidden;
mod implied;
mod observer;
mod section;
mod shape;
mod trace;
mod tracer;
mod widths;

pub use arms::{Agreement, Arms, SURE};
pub use assess::{Assessment, IntervalPart, Measured};
pub use blur::{BlurFit, BlurModel};
pub use hidden::largest_hidden;
pub use implied::Implied;
pub use observer::{Departure, departures};
pub use section::{PlaneError, Section};
pub use shape::{ShapeClass, classify};
pub use trace::{TraceError, Tracing};
pub use tracer::Tracer;
pub use widths::{Assumed, WidthAxes, Widths};
