//! Between millimetres on a cut and points on the screen.

use egui::{Pos2, Rect, Vec2, pos2};

use crate::space::CutPoint;

/// A cut shown in a rectangle: `v` up, `u` to the right
#[derive(Clone, Copy, Debug)]
pub(super) struct Lens {
    /// Where on the screen
    pub rect: Rect,
    /// The point of the cut in the middle of the rectangle, mm
    pub middle: CutPoint,
    /// Screen points to a millimetre
    pub points_per_mm: f32,
}

impl Lens {
    /// A lens that shows at least `field_mm` along the shorter side
    pub(super) fn new(rect: Rect, middle: CutPoint, field_mm: f64) -> Self {
        let side = rect.width().min(rect.height()).max(1.0);
        Self { rect, middle, points_per_mm: side / (field_mm.max(1.0) as f32) }
    }

    /// Where a point of the cut lies on the screen
    pub(super) fn screen(&self, point: [f64; 2]) -> Pos2 {
        let centre = self.rect.center();
        pos2(
            centre.x + (point[0] - self.middle.u) as f32 * self.points_per_mm,
            centre.y - (point[1] - self.middle.v) as f32 * self.points_per_mm,
        )
    }

    /// The point of the cut under a place on the screen
    pub(super) fn cut(&self, at: Pos2) -> [f64; 2] {
        let step = self.vector(at - self.rect.center());
        [self.middle.u + step[0], self.middle.v + step[1]]
    }

    /// A step on the screen in millimetres on the cut
    pub(super) fn vector(&self, step: Vec2) -> [f64; 2] {
        [f64::from(step.x / self.points_per_mm), f64::from(-step.y / self.points_per_mm)]
    }

    /// The view that fills the rectangle at this many pixels to a point
    pub(super) fn view(&self, cut: crate::space::Cut, pixels_per_point: f32) -> crate::gpu::CutView {
        let size = self.rect.size() * pixels_per_point;
        let pixel = 1.0 / f64::from(self.points_per_mm * pixels_per_point);
        let mut view = crate::gpu::CutView::new(
            cut,
            [size.x.round().max(1.0) as u32, size.y.round().max(1.0) as u32],
            crate::unit::Mm::new(pixel),
        );
        view.middle = self.middle;
        view
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back() {
        let rect = Rect::from_min_size(pos2(100.0, 50.0), Vec2::new(400.0, 300.0));
        let lens = Lens::new(rect, CutPoint::new(1.0, -2.0), 30.0);
        assert!((lens.points_per_mm - 10.0).abs() < 1e-6);
        let at = lens.screen([2.0, -1.0]);
        assert_eq!(at, pos2(310.0, 190.0), "right and up");
        let back = lens.cut(at);
        assert!((back[0] - 2.0).abs() < 1e-6 && (back[1] + 1.0).abs() < 1e-6);
    }
}
