//! The share of each pixel that an outline covers.
//!
//! Exact by the divergence theorem: every edge is split where it enters another pixel; each piece
//! adds to its pixel the area on its right and to all pixels on the right its height. Going along
//! a row and summing gives the shares. No supersampling, so the sum is the area of the polygon.

use crate::numeric::Image;
use crate::sample::Raster;

use super::Outline;

impl Outline {
    /// The share of each pixel inside the outline, 0 to 1
    ///
    /// A pixel is a square of side `raster.pixel` around its centre. For an outline within the
    /// raster the sum times the pixel's area is the polygon's area.
    pub fn coverage(&self, raster: &Raster) -> Image<f64> {
        let (width, height) = (raster.width, raster.height);
        let mut image = Image::filled(width, height, 0.0);
        if width == 0 || height == 0 {
            return image;
        }
        // `own`: area within a pixel to the right of its edges; `passed`: height of the edges, which
        // fills everything beyond. One column more for what lies at the right border.
        let mut own = vec![0.0; width * height];
        let mut passed = vec![0.0; (width + 1) * height];
        let corner = |p| {
            let (x, y) = raster.pixel_from_cut(p);
            [x + 0.5, y + 0.5]
        };
        for (a, b) in self.edges() {
            let (a, b) = (corner(a), corner(b));
            for_each_cell(a[1], b[1], height, &mut |row, t0, t1| {
                let at = |t: f64| [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
                let (p, q) = (at(t0), at(t1));
                let rise = q[1] - p[1];
                // Left of the raster an edge fills the whole row, right of it nothing.
                let mut inside = 0.0;
                for_each_cell(p[0], q[0], width, &mut |column, s0, s1| {
                    let share = (s1 - s0) * rise;
                    let middle = p[0] + f64::midpoint(s0, s1) * (q[0] - p[0]) - column as f64;
                    own[row * width + column] += share * (1.0 - middle);
                    passed[row * (width + 1) + column + 1] += share;
                    inside += s1 - s0;
                });
                if inside < 1.0 {
                    let left = if p[0] == q[0] {
                        f64::from(p[0] < 0.0)
                    } else {
                        // The share of the piece with x < 0.
                        let t = (-p[0] / (q[0] - p[0])).clamp(0.0, 1.0);
                        if p[0] < q[0] { t } else { 1.0 - t }
                    };
                    passed[row * (width + 1)] += left * rise;
                }
            });
        }
        for y in 0..height {
            let mut sum = 0.0;
            for x in 0..width {
                sum += passed[y * (width + 1) + x];
                // Counter-clockwise: the left side of a shape runs down, so heights count negative.
                image.set(x, y, (-(sum + own[y * width + x])).clamp(0.0, 1.0));
            }
        }
        image
    }
}

/// Splits the way from `from` to `to` at whole numbers: `piece(cell, t0, t1)` for each cell of
/// `0..cells` it passes, with its part of the way as shares `t0 <= t1` of the whole
fn for_each_cell(from: f64, to: f64, cells: usize, piece: &mut dyn FnMut(usize, f64, f64)) {
    let limit = cells as f64;
    let way = to - from;
    if way == 0.0 {
        if from >= 0.0 && from < limit {
            piece(from as usize, 0.0, 1.0);
        }
        return;
    }
    let (low, high) = (from.min(to).max(0.0), from.max(to).min(limit));
    if low >= high {
        return;
    }
    let (first, last) = (low as usize, (high.ceil() as usize).min(cells));
    let share = |x: f64| ((x - from) / way).clamp(0.0, 1.0);
    for cell in first..last {
        let (a, b) = (share((cell as f64).max(low)), share(((cell + 1) as f64).min(high)));
        let (t0, t1) = if a < b { (a, b) } else { (b, a) };
        if t0 < t1 {
            piece(cell, t0, t1);
        }
    }
}
