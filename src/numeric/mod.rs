//! Numerical tools without a word of the domain: pictures of numbers, interpolation, contours,
//! labels, blurs, quadrature, statistics, fits.

mod image;

pub use image::Image;
