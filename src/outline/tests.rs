//! Closed forms first, then properties that hold for every shape.

use super::*;
use crate::unit::{Mm, Mm2};
use proptest::prelude::*;
use std::f64::consts::PI;

fn outline(points: &[(f64, f64)]) -> Outline {
    Outline::new(points.iter().map(|(u, v)| CutPoint::new(*u, *v)).collect()).unwrap()
}

fn circle(area_cm2: f64) -> Outline {
    let radius = Mm2::from_cm2(area_cm2).circle_diameter().get() / 2.0;
    Outline::regular(CutPoint::new(1.5, -2.0), radius, 720).unwrap()
}

/// An ellipse of axis ratio q
fn ellipse(area_cm2: f64, q: f64) -> Outline {
    let minor = (area_cm2 * 100.0 / PI / q).sqrt();
    Outline::ellipse(CutPoint::new(-0.4, 3.0), [q * minor, minor], 0.6, 1440).unwrap()
}

/// A sector of a ring between radii r0 and r1, opening `angle` radians
fn sector(r0: f64, r1: f64, angle: f64) -> Outline {
    let steps = 720;
    let arc = |radius: f64, i: usize| {
        let (sin, cos) = libm::sincos(angle * i as f64 / steps as f64 + 0.3);
        CutPoint::new(radius * cos, radius * sin)
    };
    let outer = (0..=steps).map(|i| arc(r1, i));
    let inner = (0..=steps).rev().map(|i| arc(r0, i));
    Outline::new(outer.chain(inner).collect()).unwrap()
}

fn near(found: f64, expected: f64, relative: f64) {
    assert!((found / expected - 1.0).abs() <= relative, "found {found}, expected {expected}");
}

#[test]
fn circles_and_ellipses_have_their_closed_forms() {
    let round = circle(0.40);
    near(round.area().get(), 40.0, 2e-5);
    near(round.circularity(), 1.0, 2e-5);
    near(round.solidity(), 1.0, 1e-12);
    near(round.feret().max / round.feret().min, 1.0, 2e-5);
    // 4 pi A / P² of ellipses, computed with the complete elliptic integral.
    for (q, circularity) in [(1.5, 0.9410), (2.0, 0.8412), (2.2, 0.8015), (3.4, 0.6069)] {
        let shape = ellipse(0.40, q);
        near(shape.area().get(), 40.0, 1e-5);
        near(shape.circularity(), circularity, 1e-4);
        near(shape.solidity(), 1.0, 1e-9);
        let feret = shape.feret();
        near(feret.max / feret.min, q, 1e-5);
        let moments = shape.second_moments();
        near((moments.major / moments.minor).sqrt(), q, 1e-5);
        assert!((moments.direction.u - libm::cos(0.6)).abs() < 1e-6);
        assert!((feret.max_direction.u - libm::cos(0.6)).abs() < 1e-2);
        assert!((feret.min_direction.u - libm::sin(0.6)).abs() < 1e-2);
        let centre = shape.centroid();
        assert!((centre.u + 0.4).abs() < 1e-9 && (centre.v - 3.0).abs() < 1e-9);
    }
}

#[test]
fn squares_and_rectangles_have_their_closed_forms() {
    let square = outline(&[(0.0, 0.0), (3.0, 0.0), (3.0, 3.0), (0.0, 3.0)]);
    near(square.circularity(), PI / 4.0, 1e-12);
    near(square.feret().max.get(), 18f64.sqrt(), 1e-12);
    near(square.feret().min.get(), 3.0, 1e-12);
    near(square.perimeter().get(), 12.0, 1e-12);
    let rectangle = outline(&[(0.0, 0.0), (4.0, 0.0), (4.0, 2.0), (0.0, 2.0)]);
    near(rectangle.circularity(), 0.6981, 1e-4);
    near(rectangle.width_along(CutPoint::new(2.0, 0.0)).get(), 4.0, 1e-12);
    near(rectangle.width_along(CutPoint::new(1.0, 1.0)).get(), 6.0 / 2f64.sqrt(), 1e-12);
    assert_eq!(rectangle.width_along(CutPoint::new(0.0, 0.0)), Mm::ZERO);
    let middle = rectangle.centroid();
    near(rectangle.chord(middle, CutPoint::new(0.0, 1.0)).get(), 2.0, 1e-12);
    near(rectangle.chord(middle, CutPoint::new(1.0, 1.0)).get(), 8f64.sqrt(), 1e-12);
    assert_eq!(rectangle.chord(CutPoint::new(0.0, 9.0), CutPoint::new(1.0, 0.0)), Mm::ZERO);
}

#[test]
fn crescents_have_their_closed_forms() {
    // A = (r1² - r0²) phi / 2, P = (r0 + r1) phi + 2 (r1 - r0), hull = A + r0² (phi - sin phi) / 2,
    // Feret = 2 r1 sin(phi / 2).
    for (r0, r1, degrees, area, perimeter, circularity, solidity, feret) in [
        (4.0, 6.0, 120.0f64, 20.944, 24.944, 0.4230, 0.6806, 10.392),
        (8.0, 10.0, 90.0, 28.274, 32.274, 0.3411, 0.6075, 14.142),
        (3.0, 5.0, 180.0, 25.133, 29.133, 0.3721, 0.6400, 10.0),
    ] {
        let shape = sector(r0, r1, degrees.to_radians());
        near(shape.area().get(), area, 5e-5);
        near(shape.perimeter().get(), perimeter, 5e-5);
        near(shape.circularity(), circularity, 2e-4);
        near(shape.solidity(), solidity, 2e-4);
        near(shape.feret().max.get(), feret, 1e-4);
    }
}

#[test]
fn a_bent_shape_is_cut_into_pieces() {
    let shape = sector(4.0, 6.0, PI);
    // Through the ring's centre, across its opening: both arms, 2 mm each.
    let (sin, cos) = libm::sincos(0.3);
    let across = CutPoint::new(cos, sin);
    let pieces = shape.pieces(CutPoint::new(-0.5 * sin, 0.5 * cos), across);
    assert_eq!(pieces.len(), 2);
    let arm = |r: f64| (r * r - 0.25f64).sqrt();
    near(pieces[1][1] - pieces[1][0], arm(6.0) - arm(4.0), 1e-4);
}

#[test]
fn an_oblique_cut_of_a_tube_grows_by_the_cosine_only_along_its_long_axis() {
    let radius = Mm2::from_cm2(0.40).circle_diameter().get() / 2.0;
    // A0 / cos t, closed form.
    for (degrees, factor) in [
        (5.0f64, 1.0038),
        (10.0, 1.0154),
        (15.0, 1.0353),
        (20.0, 1.0642),
        (25.0, 1.1034),
        (30.0, 1.1547),
        (45.0, 2f64.sqrt()),
        (60.0, 2.0),
    ] {
        let cut = Outline::ellipse(
            CutPoint::default(),
            [radius / libm::cos(degrees.to_radians()), radius],
            0.0,
            2000,
        )
        .unwrap();
        near(cut.area().get() / 40.0, factor, 6e-5);
        near(cut.feret().max.get() / (2.0 * radius), factor, 6e-5);
        near(cut.feret().min.get(), 2.0 * radius, 1e-5);
    }
}

#[test]
fn growing_a_convex_shape_follows_steiner() {
    // A + P d + pi d², exact for convex shapes: 0.40 cm2 circle and ellipse of ratio 3.4.
    for (d, round, long) in [(0.25, 0.458, 0.474), (0.5, 0.520, 0.552), (1.0, 0.656, 0.719)] {
        for (shape, expected) in [(circle(0.40), round), (ellipse(0.40, 3.4), long)] {
            let grown = shape.offset(Mm::new(d)).unwrap();
            near(grown.area().to_cm2(), expected, 2e-3);
            let steiner = shape.area().get() + shape.perimeter().get() * d + PI * d * d;
            near(grown.area().get(), steiner, 2e-4);
            near(shape.offset_area(Mm::new(d)).get(), steiner, 2e-4);
        }
    }
    let square = outline(&[(0.0, 0.0), (3.0, 0.0), (3.0, 3.0), (0.0, 3.0)]);
    near(square.offset(Mm::new(0.7)).unwrap().area().get(), 9.0 + 8.4 + PI * 0.49, 3e-4);
    near(square.offset(Mm::new(-0.7)).unwrap().area().get(), 1.6 * 1.6, 1e-3);
}

#[test]
fn a_thin_shape_shrinks_to_a_thinner_one() {
    let strip = outline(&[(0.0, 0.0), (9.0, 0.0), (9.0, 0.3), (0.0, 0.3)]);
    near(strip.offset_area(Mm::new(-0.1)).get(), 8.8 * 0.1, 2e-3);
    near(strip.offset(Mm::new(-0.1)).unwrap().feret().max.get(), libm::hypot(8.8, 0.1), 1e-3);
}

#[test]
fn shrinking_and_growing_bent_shapes_stays_right() {
    let shape = sector(4.0, 6.0, 2.0);
    // Shrunk by d: the sector r0 + d .. r1 - d, its straight ends moved in by d.
    let d = 0.3;
    let ends = |r: f64| r * r * libm::asin(d / r) + d * (r * r - d * d).sqrt();
    let inner = (5.7f64.powi(2) - 4.3f64.powi(2)) - (ends(5.7) - ends(4.3));
    near(shape.offset_area(Mm::new(-d)).get(), inner, 1e-3);
    assert_eq!(shape.offset(Mm::new(-1.2)).unwrap_err(), OutlineError::Vanished(1.2));
    assert_eq!(shape.offset_area(Mm::new(-1.2)), Mm2::ZERO);
    // A ring with a narrow slit closes around its hole when grown.
    let ring = sector(4.0, 6.0, 2.0 * PI - 0.05);
    assert!(matches!(ring.offset(Mm::new(0.5)).unwrap_err(), OutlineError::Split { pieces: 2, .. }));
    near(ring.offset_area(Mm::new(0.5)).get(), PI * (6.5 * 6.5 - 3.5 * 3.5), 3e-3);
}

#[test]
fn a_blurred_disc_is_displayed_at_another_size() {
    // A disc of 0.40 cm2 blurred by a Gaussian of sigma and cut at a share of its plateau: area
    // against the true one, by numerical integration of the closed form (Rice distribution).
    use crate::numeric::blur::{Edge, gaussian};
    let disc = Outline::regular(CutPoint::default(), 3.57, 720).unwrap();
    let pixel = 0.1;
    let raster = Raster { width: 181, height: 181, pixel: Mm::new(pixel) };
    let sharp = disc.coverage(&raster);
    for (sigma, table) in [
        (1.0, [(0.5, -0.080), (0.3, 0.230), (0.2, 0.439)]),
        (0.5, [(0.5, -0.020), (0.3, 0.132), (0.2, 0.229)]),
    ] {
        // The pixel itself is a box of variance pixel²/12.
        let spread = (sigma * sigma - pixel * pixel / 12.0f64).sqrt() / pixel;
        let blurred = gaussian(&sharp, [spread; 2], Edge::Zero);
        for (level, change) in table {
            let rings = crate::numeric::contour::iso_rings(&blurred, level);
            let shown = Outline::from_pixels(&rings[0].points, &raster).unwrap();
            let found = shown.area() / disc.area() - 1.0;
            assert!((found - change).abs() < 2e-3, "sigma {sigma} level {level}: {found} {change}");
        }
    }
}

#[test]
fn coverage_is_exact() {
    let raster = Raster { width: 61, height: 47, pixel: Mm::new(0.31) };
    for shape in [ellipse(0.40, 3.4), circle(0.2), sector(2.0, 4.0, 2.0)] {
        let image = shape.coverage(&raster);
        let sum: f64 = image.data().iter().sum::<f64>() * 0.31 * 0.31;
        assert!((sum - shape.area().get()).abs() < 1e-9, "{sum} {}", shape.area());
        assert!(image.data().iter().all(|c| (0.0..=1.0).contains(c)));
    }
    // A known pixel: a triangle that covers half of the middle pixel of 3 x 3.
    let raster = Raster { width: 3, height: 3, pixel: Mm::new(2.0) };
    let half = outline(&[(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0)]).coverage(&raster);
    assert_eq!(half.data(), &[0.0, 0.0, 0.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0]);
    // Larger than the raster: every pixel is covered; partly outside: the part inside counts.
    let all = outline(&[(-9.0, -9.0), (9.0, -9.0), (9.0, 9.0), (-9.0, 9.0)]).coverage(&raster);
    assert!(all.data().iter().all(|c| (c - 1.0).abs() < 1e-12));
    let slanted = outline(&[(-9.0, -9.0), (9.0, -9.0), (-9.0, 9.0)]).coverage(&raster);
    let sum: f64 = slanted.data().iter().sum();
    assert!((sum - 4.5).abs() < 1e-12, "{sum}");
}

#[test]
fn contours_become_outlines() {
    let raster = Raster::square(Mm::new(12.0), Mm::new(0.1));
    let cone = crate::numeric::Image::from_fn(raster.width, raster.height, |x, y| {
        let p = raster.cut_from_pixel(x as f64, y as f64);
        -libm::hypot(p.u - 0.5, p.v)
    });
    let rings = crate::numeric::contour::iso_rings(&cone, -3.0);
    let traced = Outline::from_pixels(&rings[0].points, &raster).unwrap();
    near(traced.area().get(), 9.0 * PI, 1e-3);
    near(traced.perimeter().get(), 6.0 * PI, 1e-3);
    near(traced.centroid().u, 0.5, 1e-3);
}

#[test]
fn bad_rings_are_refused_with_the_place() {
    let make =
        |points: &[(f64, f64)]| Outline::new(points.iter().map(|(u, v)| CutPoint::new(*u, *v)).collect());
    assert_eq!(make(&[(0.0, 0.0), (1.0, 1.0), (0.0, 0.0)]), Err(OutlineError::TooFew(2)));
    assert_eq!(make(&[]), Err(OutlineError::TooFew(0)));
    assert_eq!(make(&[(0.0, 0.0), (f64::NAN, 1.0), (2.0, 2.0)]), Err(OutlineError::NotFinite(1)));
    assert_eq!(make(&[(0.0, 0.0), (1.0, 1.0), (2.0, 2.0), (3.0, 3.0)]), Err(OutlineError::ZeroArea(4)));
    let bow = make(&[(0.0, 0.0), (2.0, 2.0), (2.0, 0.0), (0.0, 2.0)]);
    assert_eq!(bow, Err(OutlineError::Crossing { first: 0, second: 2, at: CutPoint::new(1.0, 1.0) }));
    // A spike runs back over itself; a corner touches another edge.
    let spike = make(&[(0.0, 0.0), (4.0, 0.0), (2.0, 0.0), (2.0, 3.0)]);
    assert!(matches!(spike, Err(OutlineError::Crossing { .. })), "{spike:?}");
    let touch = make(&[(0.0, 0.0), (4.0, 0.0), (4.0, 3.0), (2.0, 0.0), (0.0, 3.0)]);
    assert!(matches!(touch, Err(OutlineError::Crossing { .. })), "{touch:?}");
}

#[test]
fn clockwise_rings_are_turned_round() {
    let square = outline(&[(0.0, 0.0), (0.0, 2.0), (2.0, 2.0), (2.0, 0.0)]);
    assert_eq!(square.points()[0], CutPoint::new(0.0, 0.0));
    assert_eq!(square.points()[1], CutPoint::new(2.0, 0.0));
    assert!(square.area() > Mm2::ZERO);
    let text = serde_json::to_string(&square).unwrap();
    assert_eq!(text, "[[0.0,0.0],[2.0,0.0],[2.0,2.0],[0.0,2.0]]");
    assert_eq!(serde_json::from_str::<Outline>(&text).unwrap(), square);
    assert!(serde_json::from_str::<Outline>("[[0,0],[1,1]]").is_err());
}

#[test]
fn other_corners_same_shape() {
    let shape = ellipse(0.40, 2.2);
    let even = shape.resampled(Mm::new(0.2)).unwrap();
    near(even.area().get(), 40.0, 1e-3);
    let gaps: Vec<f64> = even.edges().map(|(a, b)| a.distance(b)).collect();
    assert!(gaps.iter().all(|gap| (gap - gaps[0]).abs() < 1e-3));
    let few = shape.simplified(Mm::new(0.05)).unwrap();
    assert!(few.points().len() < 60);
    near(few.area().get(), 40.0, 0.02);
    // A noisy circle gets rounder at the same area.
    let noisy: Vec<CutPoint> = circle(0.40)
        .resampled(Mm::new(0.3))
        .unwrap()
        .points()
        .iter()
        .enumerate()
        .map(|(i, p)| CutPoint::new(p.u + if i % 2 == 0 { 0.1 } else { -0.1 }, p.v))
        .collect();
    let noisy = Outline::new(noisy).unwrap();
    let smooth = noisy.smoothed(4).unwrap();
    near(smooth.area().get(), noisy.area().get(), 1e-12);
    assert!(smooth.circularity() > 0.999 && noisy.circularity() < 0.97);
    assert!(shape.resampled(Mm::new(0.0)).is_err());
    assert!(shape.resampled(Mm::new(f64::NAN)).is_err());
    assert!(shape.resampled(Mm::new(1e-9)).is_err());
    assert!(shape.simplified(Mm::new(-1.0)).is_err());
}

/// A star-shaped ring: always a valid outline
fn star() -> impl Strategy<Value = Outline> {
    prop::collection::vec(1.0..4.0f64, 5..40).prop_map(|radii| {
        let count = radii.len() as f64;
        let corner = |(i, r): (usize, &f64)| {
            let (sin, cos) = libm::sincos(2.0 * PI * i as f64 / count);
            CutPoint::new(r * cos, r * sin)
        };
        Outline::new(radii.iter().enumerate().map(corner).collect()).unwrap()
    })
}

fn moved(shape: &Outline, angle: f64, du: f64, dv: f64) -> Outline {
    let (sin, cos) = libm::sincos(angle);
    let place = |p: &CutPoint| CutPoint::new(cos * p.u - sin * p.v + du, sin * p.u + cos * p.v + dv);
    Outline::new(shape.points().iter().map(place).collect()).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn measures_do_not_change_with_pose(shape in star(), angle in 0.0..6.3f64, du in -50.0..50.0f64) {
        let there = moved(&shape, angle, du, -3.0 * du);
        let pairs = [
            (shape.area().get(), there.area().get()),
            (shape.perimeter().get(), there.perimeter().get()),
            (shape.solidity(), there.solidity()),
            (shape.circularity(), there.circularity()),
            (shape.feret().max.get(), there.feret().max.get()),
            (shape.feret().min.get(), there.feret().min.get()),
            (shape.second_moments().major.get(), there.second_moments().major.get()),
        ];
        for (here, there) in pairs {
            prop_assert!((here - there).abs() < 1e-9 * here.abs().max(1.0), "{here} {there}");
        }
    }

    #[test]
    fn calipers_agree_with_trying_everything(shape in star()) {
        let feret = shape.feret();
        let points = shape.points();
        let longest = points.iter().flat_map(|a| points.iter().map(|b| a.distance(*b))).fold(0.0, f64::max);
        prop_assert!((feret.max.get() - longest).abs() < 1e-12);
        let hull = shape.hull();
        let narrowest = hull
            .edges()
            .map(|(a, b)| shape.width_along(CutPoint::new(a.v - b.v, b.u - a.u)).get())
            .fold(f64::INFINITY, f64::min);
        prop_assert!((feret.min.get() - narrowest).abs() < 1e-12);
        prop_assert!((shape.width_along(feret.min_direction).get() - narrowest).abs() < 1e-12);
        prop_assert!((shape.width_along(feret.max_direction).get() - longest).abs() < 1e-9);
    }

    #[test]
    fn offsets_are_monotone(shape in star(), a in -0.4..0.8f64, by in 0.05..0.5f64) {
        let (small, large) = (shape.offset_area(Mm::new(a)), shape.offset_area(Mm::new(a + by)));
        prop_assert!(small < large, "{small} {large}");
    }

    #[test]
    fn coverage_sums_to_the_area(shape in star(), du in -1.0..1.0f64) {
        let raster = Raster { width: 57, height: 57, pixel: Mm::new(0.19) };
        let there = moved(&shape, du, du, du / 2.0);
        let sum: f64 = there.coverage(&raster).data().iter().sum::<f64>() * 0.19 * 0.19;
        prop_assert!((sum - there.area().get()).abs() < 1e-9);
    }

    #[test]
    fn any_points_give_an_outline_or_an_error(pairs in prop::collection::vec((-3i32..4, -3i32..4), 0..9)) {
        let points = pairs.iter().map(|(u, v)| CutPoint::new(f64::from(*u), f64::from(*v))).collect();
        if let Ok(made) = Outline::new(points) {
            prop_assert!(made.area() > Mm2::ZERO);
            prop_assert!(made.solidity() > 0.0 && made.solidity() <= 1.0);
            prop_assert!(made.feret().min <= made.feret().max);
        }
    }
}
