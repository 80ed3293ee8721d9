//! A straight line laid across an outline.

use crate::space::CutPoint;
use crate::unit::Mm;

use super::Outline;

impl Outline {
    /// The pieces of a line that lie inside: `[from, to]` in mm along `direction` from `centre`,
    /// in rising order; none for a zero direction
    ///
    /// A bent outline may be met in several pieces.
    pub fn pieces(&self, centre: CutPoint, direction: CutPoint) -> Vec<[f64; 2]> {
        let length = libm::hypot(direction.u, direction.v);
        if !(length > 0.0 && length.is_finite()) {
            return Vec::new();
        }
        let (du, dv) = (direction.u / length, direction.v / length);
        let place = |p: CutPoint| {
            let (u, v) = (p.u - centre.u, p.v - centre.v);
            (du * u + dv * v, du * v - dv * u)
        };
        let mut crossings: Vec<f64> = Vec::new();
        for (a, b) in self.edges() {
            let ((ta, sa), (tb, sb)) = (place(a), place(b));
            // A corner on the line belongs to one side, so the count is even.
            if (sa > 0.0) != (sb > 0.0) {
                crossings.push(ta + sa / (sa - sb) * (tb - ta));
            }
        }
        crossings.sort_by(f64::total_cmp);
        crossings.chunks_exact(2).map(|pair| [pair[0], pair[1]]).collect()
    }

    /// How much of the line through `centre` along `direction` lies inside, mm
    pub fn chord(&self, centre: CutPoint, direction: CutPoint) -> Mm {
        Mm::new(self.pieces(centre, direction).iter().map(|[from, to]| to - from).sum())
    }
}
