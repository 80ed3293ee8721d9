//! Numerical tools without a word of the domain: pictures of numbers, interpolation, contours,
//! labels, blurs, quadrature, statistics, fits.

pub mod contour;

mod image;

pub use image::Image;
