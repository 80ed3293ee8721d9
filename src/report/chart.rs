//! Two axes and the marks on them, for the curves of the report.

use super::colour::{INK, QUIET, RULE};
use super::svg::{Anchor, At, Dash, Face, Halo, Stroke, Svg, num};

/// One axis: its range, and round numbers along it
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Where it starts
    pub low: f64,
    /// Where it ends
    pub high: f64,
    /// Round numbers within
    pub ticks: Vec<f64>,
}

impl Axis {
    /// An axis that covers `low` to `high`, ends on round numbers, and has about `steps` of them
    pub fn covering(low: f64, high: f64, steps: f64) -> Self {
        let (low, high) =
            if low.is_finite() && high.is_finite() && low < high { (low, high) } else { (0.0, 1.0) };
        let step = round_step((high - low) / steps);
        let first = (low / step + 1e-9).floor();
        let last = (high / step - 1e-9).ceil();
        let ticks: Vec<f64> = (0..=(last - first) as usize).map(|i| (first + i as f64) * step).collect();
        Self { low: first * step, high: last * step, ticks }
    }

    /// An axis from `low` to `high` exactly, with round numbers within
    pub fn within(low: f64, high: f64, steps: f64) -> Self {
        let wide = Self::covering(low, high, steps);
        let slack = 1e-9 * (high - low).abs();
        let ticks =
            wide.ticks.into_iter().filter(|t| (low - slack..=high + slack).contains(t)).collect::<Vec<_>>();
        if ticks.is_empty() {
            Self { low: 0.0, high: 1.0, ticks: vec![0.0, 1.0] }
        } else {
            Self { low, high, ticks }
        }
    }

    fn share(&self, value: f64) -> f64 {
        (value - self.low) / (self.high - self.low)
    }
}

/// The round number (1, 2 or 5 times a power of ten) at or above `rough`
fn round_step(rough: f64) -> f64 {
    (-9..=12)
        .flat_map(|exponent| [1.0, 2.0, 5.0].map(|m| m * libm::exp10(f64::from(exponent))))
        .find(|step| *step >= rough * 0.999_999)
        .unwrap_or(rough)
}

/// A plot: a rectangle of the page with two axes
#[derive(Clone, Debug)]
pub struct Chart {
    corner: At,
    size: At,
    x: Axis,
    y: Axis,
}

impl Chart {
    /// A plot over the rectangle at `corner`
    pub fn new(corner: At, size: At, x: Axis, y: Axis) -> Self {
        Self { corner, size, x, y }
    }

    /// Where a pair of values lies on the page
    pub fn at(&self, x: f64, y: f64) -> At {
        (self.corner.0 + self.x.share(x) * self.size.0, self.corner.1 + (1.0 - self.y.share(y)) * self.size.1)
    }

    /// Where the plot ends above
    pub fn top(&self) -> f64 {
        self.corner.1
    }

    /// Where the plot ends below
    pub fn bottom(&self) -> f64 {
        self.corner.1 + self.size.1
    }

    /// Shades the plot between two values of x
    pub fn shade(&self, svg: &mut Svg, from: f64, to: f64, colour: &str, opacity: f64) {
        let from = from.clamp(self.x.low, self.x.high);
        let to = to.clamp(self.x.low, self.x.high);
        let (left, right) = (self.at(from, self.y.low).0, self.at(to, self.y.low).0);
        svg.rect((left, self.corner.1), (right - left, self.size.1), colour, opacity);
    }

    /// Grid, ticks and the names of both axes
    pub fn draw_axes(&self, svg: &mut Svg, x_name: &str, y_name: &str) {
        let small = Face::new(14.0, QUIET);
        for tick in &self.y.ticks {
            let (_, y) = self.at(self.x.low, *tick);
            svg.line((self.corner.0, y), (self.corner.0 + self.size.0, y), Stroke::solid(RULE, 1.0));
            let label = label(*tick);
            svg.text((self.corner.0 - 10.0, y + 5.0), small.anchored(Anchor::End), &label);
        }
        for tick in &self.x.ticks {
            let (x, _) = self.at(*tick, self.y.low);
            svg.line((x, self.bottom()), (x, self.bottom() + 6.0), Stroke::solid(QUIET, 1.0));
            svg.text((x, self.bottom() + 23.0), small.anchored(Anchor::Middle), &label(*tick));
        }
        let base = Stroke::solid(QUIET, 1.2);
        svg.line((self.corner.0, self.bottom()), (self.corner.0 + self.size.0, self.bottom()), base);
        let name = Face::new(15.0, INK).anchored(Anchor::Middle);
        svg.text((self.corner.0 + self.size.0 / 2.0, self.bottom() + 48.0), name, x_name);
        svg.text_upward((self.corner.0 - 56.0, self.corner.1 + self.size.1 / 2.0), name, y_name);
    }

    /// A vertical mark with words at its top
    pub fn mark(&self, svg: &mut Svg, x: f64, colour: &'static str, words: &str) {
        let (x, _) = self.at(x, self.y.low);
        svg.line((x, self.top()), (x, self.bottom()), Stroke::solid(colour, 1.6).dashed(Dash::Dashed));
        let face = Face::new(14.0, INK).anchored(Anchor::Middle).with(Halo::Bold);
        svg.text((x, self.top() - 8.0), face, words);
    }
}

fn label(value: f64) -> String {
    num(value).replace('-', "−")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_end_on_round_numbers() {
        let axis = Axis::covering(0.0, 43.7, 5.0);
        assert_eq!((axis.low, axis.high), (0.0, 50.0));
        assert_eq!(axis.ticks, [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]);
        assert_eq!(Axis::covering(-6.2, 11.0, 8.0).ticks.first(), Some(&-10.0));
        assert_eq!(Axis::within(-6.2, 11.0, 8.0).ticks, [-5.0, 0.0, 5.0, 10.0]);
        assert_eq!(Axis::covering(f64::NAN, 1.0, 5.0).high, 1.0);
        assert_eq!(Axis::covering(3.0, 3.0, 5.0).ticks.len(), 6);
    }

    #[test]
    fn up_is_more() {
        let chart = Chart::new(
            (10.0, 20.0),
            (100.0, 50.0),
            Axis::covering(0.0, 10.0, 5.0),
            Axis::covering(0.0, 50.0, 5.0),
        );
        assert_eq!(chart.at(0.0, 0.0), (10.0, 70.0));
        assert_eq!(chart.at(10.0, 50.0), (110.0, 20.0));
    }
}
