//! How large an orifice can be of which nothing is displayed.

use crate::outline::Outline;
use crate::sample::Raster;
use crate::unit::{Mm, Mm2};

use super::blur::Forward;

/// What is displayed in areas up to this is taken for speckle
const SPECKLE: Mm2 = Mm2::new(3.0);

/// The largest area of an orifice of this shape whose blurred signal passes `level` of the plateau nowhere,
/// or in no more than a speckle; the outline's own area where even that would not show
///
/// An outline of `k` times the size blurred by `sigma` is the outline blurred by `sigma / k`, `k` times as
/// large: one outline answers for all sizes.
pub fn largest_hidden(outline: &Outline, sigma: Mm, level: f64) -> Mm2 {
    let [[u0, v0], [u1, v1]] = outline.bounds();
    let half = [u0, v0, u1, v1].into_iter().fold(0.0, |far: f64, edge| far.max(edge.abs()));
    let margin = Mm::new(3.5 * sigma.get());
    let pixel = Mm::new((half / 40.0).clamp(0.05, 0.25));
    let raster = Raster::square(Mm::new(2.0 * (half + margin.get())), pixel);
    let forward = Forward::new(outline, &raster, margin);
    let hidden =
        |scale: f64| forward.shown(0.0, sigma.get() / scale, &[level])[0] * scale * scale <= SPECKLE.get();
    let (mut low, mut high) = (0.1, 1.0);
    if hidden(high) {
        return outline.area();
    }
    for _ in 0..12 {
        let middle = f64::midpoint(low, high);
        if hidden(middle) { low = middle } else { high = middle }
    }
    Mm2::new(outline.area().get() * low * low)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::space::CutPoint;

    #[test]
    fn a_disc_hides_up_to_the_closed_form() {
        // The middle of a blurred disc reaches 1 - exp(-r^2 / 2 sigma^2) (closed form). At level 0.56 and
        // sigma 1.2 mm it stays below up to 2 sigma^2 ln(1 / 0.44) pi = 7.43 mm2; a speckle may show.
        let disc = Outline::regular(CutPoint::default(), 3.0, 128).unwrap();
        let found = largest_hidden(&disc, Mm::new(1.2), 0.56).get();
        assert!((7.43..10.5).contains(&found), "{found}");
        // Twice the point spread hides about four times as much.
        let wider = largest_hidden(&disc, Mm::new(2.4), 0.56).get();
        assert!(wider > 2.7 * found, "{wider}");
    }

    #[test]
    fn a_slit_hides_more_than_a_disc_and_a_higher_gain_shows_more() {
        let slit = Outline::ellipse(CutPoint::default(), [8.0, 1.6], 0.3, 200).unwrap();
        let disc = Outline::regular(CutPoint::default(), 3.5, 200).unwrap();
        let at = |outline: &Outline, level: f64| largest_hidden(outline, Mm::new(1.0), level).get();
        assert!(at(&slit, 0.5) > 1.5 * at(&disc, 0.5), "{} {}", at(&slit, 0.5), at(&disc, 0.5));
        assert!(at(&disc, 0.6) > at(&disc, 0.4));
    }

    #[test]
    fn what_would_not_show_at_its_own_size_is_bounded_by_it() {
        let small = Outline::regular(CutPoint::default(), 1.0, 64).unwrap();
        assert_eq!(largest_hidden(&small, Mm::new(1.2), 0.6), small.area());
    }
}
