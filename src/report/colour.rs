//! The colours of figures and page, and the velocity map.
//!
//! Categories take the Okabe-Ito set (Okabe M, Ito K. Color Universal Design, 2008), which stays
//! apart for colour-blind readers; a dash pattern, a shape or a word always says the same thing.
//! Velocity takes the trade's convention: red to yellow toward the probe, blue to cyan away, so
//! that a wrap shows as a jump from yellow to cyan.

/// The tracing and the en-face cut: orange
pub const TRACING: &str = "#E69F00";
/// The long-axis cut: sky blue
pub const LONG_AXIS: &str = "#56B4E9";
/// The commissural cut: reddish purple
pub const COMMISSURAL: &str = "#CC79A7";
/// Curves on paper: blue
pub const CURVE: &str = "#0072B2";
/// Good: bluish green
pub const GOOD: &str = "#009E73";
/// Bad: vermilion
pub const BAD: &str = "#D55E00";
/// The implied circle, and marks on pictures
pub const LIGHT: &str = "#F4F4F0";
/// Text on paper
pub const INK: &str = "#1C2126";
/// Quiet text on paper
pub const QUIET: &str = "#5A636B";
/// Rules and grids on paper
pub const RULE: &str = "#D9DDE1";

/// Stops of the velocity map away from the probe, slowest first: share of the limit, colour
pub const AWAY: [(f64, [u8; 3]); 3] = [(0.0, [8, 8, 92]), (0.55, [20, 84, 224]), (1.0, [110, 240, 250])];
/// Stops of the velocity map toward the probe, slowest first: share of the limit, colour
pub const TOWARD: [(f64, [u8; 3]); 3] = [(0.0, [92, 8, 8]), (0.55, [216, 44, 20]), (1.0, [255, 236, 92])];

/// The colour of a velocity between the displayed limits, all in one unit
pub fn velocity(velocity: f64, (low, high): (f64, f64)) -> [u8; 3] {
    if velocity >= 0.0 { along(&TOWARD, velocity / high) } else { along(&AWAY, velocity / low) }
}

fn along(stops: &[(f64, [u8; 3]); 3], share: f64) -> [u8; 3] {
    let share = if share.is_finite() { share.clamp(0.0, 1.0) } else { 1.0 };
    let upper = if share <= stops[1].0 { 1 } else { 2 };
    let ((a, from), (b, to)) = (stops[upper - 1], stops[upper]);
    let t = (share - a) / (b - a);
    std::array::from_fn(|i| (f64::from(from[i]) * (1.0 - t) + f64::from(to[i]) * t).round() as u8)
}

/// `#rrggbb`
pub fn hex([r, g, b]: [u8; 3]) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn toward_is_red_to_yellow_and_away_blue_to_cyan() {
        let limits = (-0.4, 0.8);
        assert_eq!(velocity(0.8, limits), [255, 236, 92]);
        assert_eq!(velocity(-0.4, limits), [110, 240, 250]);
        assert_eq!(velocity(0.0, limits), [92, 8, 8]);
        let slow_away = velocity(-0.05, limits);
        assert!(slow_away[2] > 2 * slow_away[0]);
        // One-sided display: the limit on the other side is zero.
        assert_eq!(velocity(-0.1, (0.0, 0.8)), [110, 240, 250]);
    }
}
