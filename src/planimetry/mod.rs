//! Measuring one cross-section: the tracing, the area behind its blur, the interval, the widths,
//! the shape.
//!
//! What is traced is the strong, incoherent signal on the en-face cut at the neck; slow coherent
//! blood is left out. What is reported is the area that, blurred by the point spread and shown at
//! the display's gain, would have given that tracing (`blur`); both are kept. The interval adds
//! up what is uncertain, part by part ([`assess()`]).

mod assess;
mod blur;
mod hidden;
mod observer;
mod shape;
mod trace;
mod widths;

pub use assess::{Assessment, IntervalPart, Measured, assess, assess_tracing};
pub use blur::{BlurFit, BlurModel};
pub use hidden::largest_hidden;
pub use observer::{Departure, departures};
pub use shape::{ShapeClass, classify};
pub use trace::{NeckImage, TraceError, Tracing, neck_image, trace};
pub use widths::{Assumed, WidthAxes, Widths, widths};
