//! Numerical tools without a word of the domain: pictures of numbers, interpolation, contours,
//! labels, blurs, quadrature, statistics, fits.

pub mod contour;
mod field;

mod image;

pub use field::Field;
pub use image::Image;
