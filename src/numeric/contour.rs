//! Lines of equal value in a rectangle of numbers.
//!
//! Marching squares: each square of four pixels sends at most two directed pieces from one of its
//! sides to another, with the values at or above the level on the left. A side that is crossed
//! belongs to two squares, so it ends one piece and starts the next; following them gives the
//! lines. Where both diagonals disagree (a saddle) the mean of the four corners decides.
//!
//! A crossing keeps a hair's distance (1e-8 of a pixel) from the corners. A corner that equals the
//! level would otherwise carry several vertices of one line at one place; so lines never touch
//! themselves or each other, at the price of that hair.
//!
//! Method: Lorensen & Cline, Computer Graphics 1987;21:163-9, in two dimensions.

use super::Image;

/// How close to a corner a crossing may lie, in pixels
const HAIR: f64 = 1e-8;

/// Whether a line comes back to its start
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Closed {
    /// The last point is followed by the first
    Yes,
    /// The line starts and ends on the border, or beside it
    No,
}

/// A line of equal value: pixel coordinates `[x, y]`, pixel centres at whole numbers
#[derive(Clone, Debug, PartialEq)]
pub struct IsoLine {
    /// The points in order, the higher values on the left (x right, y up); a closed line does not
    /// repeat its first point
    pub points: Vec<[f64; 2]>,
    /// Whether the line is a ring
    pub closed: Closed,
}

/// Whether a ring was closed along the border of the picture
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Border {
    /// The ring is a true line of equal value all around
    Free,
    /// Part of the ring runs along the outermost pixel centres: the region goes on outside
    Touched,
}

/// A closed line of equal value
#[derive(Clone, Debug, PartialEq)]
pub struct IsoRing {
    /// The points in order, pixel coordinates; counter-clockwise (x right, y up) around high
    /// values, clockwise around a hole
    pub points: Vec<[f64; 2]>,
    /// Whether the border closed it
    pub border: Border,
}

impl IsoRing {
    /// The enclosed area in square pixels: positive around high values, negative around a hole
    pub fn signed_area(&self) -> f64 {
        signed_area(&self.points)
    }
}

/// The area of a ring of points: positive counter-clockwise; shoelace shifted to the first point
pub fn signed_area(points: &[[f64; 2]]) -> f64 {
    let Some(&[x0, y0]) = points.first() else { return 0.0 };
    let twice: f64 = points
        .windows(2)
        .map(|pair| (pair[0][0] - x0) * (pair[1][1] - y0) - (pair[1][0] - x0) * (pair[0][1] - y0))
        .sum();
    twice / 2.0
}

/// The lines where the picture crosses `level`, open ones first, each kind in the order of its
/// first crossing row by row
///
/// A pixel counts as inside where it is `>= level`; NaN counts as below. Beside a pixel that is
/// not finite the crossing lies halfway. A level that is NaN has no lines.
pub fn iso_lines(image: &Image<f64>, level: f64) -> Vec<IsoLine> {
    let cells = Cells { width: image.width(), height: image.height(), level, margin: 0, image };
    cells.lines().into_iter().map(|(points, closed, _)| IsoLine { points, closed }).collect()
}

/// The closed lines where the picture crosses `level`; regions that reach the border are closed
/// along the outermost pixel centres and flagged
///
/// Rings without area are left out. Inside and NaN as in [`iso_lines`].
pub fn iso_rings(image: &Image<f64>, level: f64) -> Vec<IsoRing> {
    let (width, height) = (image.width() + 2, image.height() + 2);
    let cells = Cells { width, height, level, margin: 1, image };
    cells
        .lines()
        .into_iter()
        .filter(|(points, ..)| signed_area(points).abs() > 1e-14)
        .map(|(points, _, border)| IsoRing { points, border })
        .collect()
}

/// The squares of four pixels, perhaps with a margin of one pixel of "below" around the picture
struct Cells<'a> {
    image: &'a Image<f64>,
    width: usize,
    height: usize,
    margin: usize,
    level: f64,
}

type Line = (Vec<[f64; 2]>, Closed, Border);

impl Cells<'_> {
    /// The value at a pixel of the padded picture; `None` in the margin
    fn value(&self, x: usize, y: usize) -> Option<f64> {
        let (x, y) = (x.checked_sub(self.margin)?, y.checked_sub(self.margin)?);
        (x < self.image.width() && y < self.image.height()).then(|| self.image.at(x, y))
    }

    fn inside(&self, x: usize, y: usize) -> bool {
        self.value(x, y).is_some_and(|v| v >= self.level)
    }

    /// The lines through all squares
    fn lines(&self) -> Vec<Line> {
        const NONE: u32 = u32::MAX;
        let (width, height) = (self.width, self.height);
        if width < 2 || height < 2 || width.saturating_mul(height) >= (NONE / 2) as usize {
            return Vec::new();
        }
        // Sides by number: 2 i is the side from pixel i to the right, 2 i + 1 the one upward.
        let mut next = vec![NONE; 2 * width * height];
        let mut has_previous = vec![false; 2 * width * height];
        let mut row_below: Vec<bool> = (0..width).map(|x| self.inside(x, 0)).collect();
        for y in 0..height - 1 {
            let row_above: Vec<bool> = (0..width).map(|x| self.inside(x, y + 1)).collect();
            for x in 0..width - 1 {
                // Counter-clockwise from the lower left.
                let corners = [row_below[x], row_below[x + 1], row_above[x + 1], row_above[x]];
                let count = corners.iter().filter(|c| **c).count();
                if count == 0 || count == 4 {
                    continue;
                }
                let i = y * width + x;
                let sides = [2 * i, 2 * (i + 1) + 1, 2 * (i + width), 2 * i + 1];
                let mut join = |from: usize, to: usize| {
                    next[sides[from]] = sides[to] as u32;
                    has_previous[sides[to]] = true;
                };
                let saddle = count == 2 && corners[0] == corners[2];
                if saddle && self.mean(x, y) >= self.level {
                    for k in (0..4).filter(|k| !corners[*k]) {
                        join((k + 3) % 4, k);
                    }
                } else if saddle {
                    for k in (0..4).filter(|k| corners[*k]) {
                        join(k, (k + 3) % 4);
                    }
                } else {
                    // One run of inside corners: from the side after it to the side before it.
                    for k in 0..4 {
                        if corners[k] && !corners[(k + 1) % 4] {
                            let first = (0..4).find(|f| corners[*f] && !corners[(f + 3) % 4]);
                            join(k, (first.unwrap_or(k) + 3) % 4);
                        }
                    }
                }
            }
            row_below = row_above;
        }
        let mut lines = Vec::new();
        for start in 0..next.len() {
            if next[start] != NONE && !has_previous[start] {
                lines.push(self.follow(start, &mut next, Closed::No));
            }
        }
        for start in 0..next.len() {
            if next[start] != NONE {
                lines.push(self.follow(start, &mut next, Closed::Yes));
            }
        }
        lines.retain(|(points, ..)| points.len() > 1);
        lines
    }

    /// One line from a side on, unlinking the sides as it goes
    fn follow(&self, start: usize, next: &mut [u32], closed: Closed) -> Line {
        let mut points: Vec<[f64; 2]> = Vec::new();
        let mut border = Border::Free;
        let mut side = start;
        loop {
            let (point, here) = self.crossing(side);
            if here == Border::Touched {
                border = here;
            }
            if points.last() != Some(&point) {
                points.push(point);
            }
            let following = std::mem::replace(&mut next[side], u32::MAX);
            if following == u32::MAX || following as usize == start {
                break;
            }
            side = following as usize;
        }
        if closed == Closed::Yes {
            while points.len() > 1 && points.first() == points.last() {
                points.pop();
            }
        }
        (points, closed, border)
    }

    fn mean(&self, x: usize, y: usize) -> f64 {
        let at = |x, y| self.value(x, y).unwrap_or(f64::NAN);
        (at(x, y) + at(x + 1, y) + at(x + 1, y + 1) + at(x, y + 1)) / 4.0
    }

    /// Where the level lies on a side, in the picture's own pixels
    fn crossing(&self, side: usize) -> ([f64; 2], Border) {
        let (i, upward) = (side / 2, side % 2);
        let (x, y) = (i % self.width, i / self.width);
        let (x1, y1) = if upward == 1 { (x, y + 1) } else { (x + 1, y) };
        let (along, border) = match (self.value(x, y), self.value(x1, y1)) {
            (Some(a), Some(b)) => {
                let t = (self.level - a) / (b - a);
                (if t.is_finite() { t.clamp(HAIR, 1.0 - HAIR) } else { 0.5 }, Border::Free)
            }
            (Some(_), None) => (0.0, Border::Touched),
            (None, _) => (1.0, Border::Touched),
        };
        let margin = self.margin as f64;
        let (x, y) = (x as f64 - margin, y as f64 - margin);
        (if upward == 1 { [x, y + along] } else { [x + along, y] }, border)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cone(width: usize, height: usize, cx: f64, cy: f64) -> Image<f64> {
        Image::from_fn(width, height, |x, y| -libm::hypot(x as f64 - cx, y as f64 - cy))
    }

    #[test]
    fn a_cone_gives_one_counter_clockwise_circle() {
        let lines = iso_lines(&cone(64, 60, 30.3, 29.1), -20.0);
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0].closed, Closed::Yes);
        let area = signed_area(&lines[0].points);
        // Linear interpolation of a cone: closed form pi r^2 within 0.1 %.
        assert!((area / (std::f64::consts::PI * 400.0) - 1.0).abs() < 1e-3, "{area}");
        for [x, y] in &lines[0].points {
            assert!((libm::hypot(x - 30.3, y - 29.1) - 20.0).abs() < 0.01);
        }
    }

    #[test]
    fn the_area_of_a_cone_converges_with_the_square_of_the_pixel() {
        let error = |radius: f64| {
            let side = (2.0 * radius) as usize + 8;
            let middle = side as f64 / 2.0 + 0.17;
            let lines = iso_lines(&cone(side, side, middle, middle), -radius);
            (signed_area(&lines[0].points) / (std::f64::consts::PI * radius * radius) - 1.0).abs()
        };
        let (coarse, fine) = (error(10.0), error(40.0));
        assert!(fine < coarse / 8.0, "{coarse} {fine}");
    }

    #[test]
    fn holes_run_clockwise_and_open_lines_keep_the_high_side_on_the_left() {
        let ring = cone(40, 40, 20.0, 20.0).map(|v| -(v + 10.0).abs());
        let rings = iso_rings(&ring, -3.0);
        let areas: Vec<f64> = rings.iter().map(IsoRing::signed_area).collect();
        assert_eq!(areas.len(), 2);
        assert!(areas[0] > 500.0 && areas[1] < -140.0, "{areas:?}");
        let ramp = Image::from_fn(4, 3, |x, _| x as f64);
        let lines = iso_lines(&ramp, 1.25);
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0].closed, Closed::No);
        // High values at the right: the line runs downward.
        assert_eq!(lines[0].points, [[1.25, 2.0], [1.25, 1.0], [1.25, 0.0]]);
    }

    #[test]
    fn the_border_closes_rings_and_says_so() {
        let ramp = Image::from_fn(4, 3, |x, _| x as f64);
        let rings = iso_rings(&ramp, 1.25);
        assert_eq!(rings.len(), 1);
        assert_eq!(rings[0].border, Border::Touched);
        assert!((rings[0].signed_area() - 1.75 * 2.0).abs() < 1e-12);
        let inner = iso_rings(&cone(20, 20, 9.5, 9.5), -5.0);
        assert_eq!(inner[0].border, Border::Free);
        assert!(iso_rings(&Image::filled(1, 9, 5.0), 1.0).is_empty());
        assert!(iso_rings(&Image::filled(0, 0, 5.0), 1.0).is_empty());
        let all = iso_rings(&Image::filled(4, 3, 5.0), 1.0);
        assert!((all[0].signed_area() - 6.0).abs() < 1e-12);
    }

    #[test]
    fn a_saddle_is_decided_by_its_mean() {
        let picture = |centre: f64| {
            // 2 x 2 with both diagonals: mean is centre.
            Image::from_rows(2, 2, vec![1.0, 2.0 * centre - 1.0, 2.0 * centre - 1.0, 1.0]).unwrap()
        };
        let joined = iso_lines(&picture(0.4), 0.3);
        let apart = iso_lines(&picture(0.2), 0.3);
        assert_eq!((joined.len(), apart.len()), (2, 2));
        // Joined: the lines cut off the low corners; apart: the high corners.
        let near = |lines: &[IsoLine], corner: [f64; 2]| {
            lines
                .iter()
                .any(|line| line.points.iter().all(|p| libm::hypot(p[0] - corner[0], p[1] - corner[1]) < 0.9))
        };
        assert!(near(&joined, [1.0, 0.0]) && near(&apart, [0.0, 0.0]));
    }

    #[test]
    fn missing_and_infinite_values_leave_finite_vertices() {
        let mut picture = Image::filled(6, 6, 1.0);
        picture.set(2, 2, f64::NAN);
        picture.set(4, 4, f64::NEG_INFINITY);
        picture.set(0, 0, f64::INFINITY);
        let lines = iso_lines(&picture, 0.5);
        assert_eq!(lines.len(), 2);
        assert!(lines.iter().flat_map(|l| &l.points).flatten().all(|c| c.is_finite()));
        assert!(iso_lines(&picture, f64::NAN).is_empty());
    }
}
