//! Numerical tools without a word of the domain: pictures of numbers, contours, surfaces, labels, blurs,
//! phases, quadrature, statistics, fits.
//!
//! Everything here is a function of its arguments, in f64, the same on every machine. Work over
//! threads is split where no sum crosses the split.

pub mod blur;
pub mod contour;
pub mod distribution;
mod extent;
mod field;
pub mod label;
pub mod optimise;
pub mod quadrature;
pub mod special;
pub mod stats;

mod image;
mod interval;

pub use extent::Extent;
pub use field::Field;
pub use image::Image;
pub use interval::Interval;
