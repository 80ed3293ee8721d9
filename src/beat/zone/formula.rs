//! The formulas of the trade for flow convergence, on their own.

use std::f64::consts::PI;

use crate::unit::{MetresPerSecond, Mm, Mm2};

/// Flow through a hemisphere of radius r at speed v: `2 pi r^2 v`, ml/s
///
/// ```
/// # use narrows::beat::hemisphere_flow_ml_s;
/// # use narrows::unit::{MetresPerSecond, Mm};
/// // 1.0 cm at 40 cm/s: 251.3 ml/s.
/// let flow = hemisphere_flow_ml_s(Mm::new(10.0), MetresPerSecond::new(0.40));
/// assert!((flow - 251.327).abs() < 1e-3);
/// ```
pub fn hemisphere_flow_ml_s(radius: Mm, speed: MetresPerSecond) -> f64 {
    // 1 mm2 at 1 m/s is 1 ml/s.
    2.0 * PI * radius.get() * radius.get() * speed.get()
}

/// Effective orifice: flow over the peak velocity; `None` where the velocity is not positive
pub fn effective_orifice(flow_ml_s: f64, peak: MetresPerSecond) -> Option<Mm2> {
    (peak.is_finite() && peak > MetresPerSecond::ZERO).then(|| Mm2::new(flow_ml_s / peak.get()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worked_examples() {
        // r cm, v cm/s, peak cm/s: flow ml/s and orifice cm2 by the formula; the second row stands on a public
        // calculator page as well.
        for (r, v, peak, flow, orifice) in [
            (1.0, 40.0, 500.0, 251.327, 0.5027),
            (0.9, 40.0, 500.0, 203.575, 0.4072),
            (0.8, 38.0, 480.0, 152.807, 0.318_35),
            (0.6, 35.0, 520.0, 79.168, 0.1522),
            (1.2, 40.0, 550.0, 361.911, 0.6580),
            (0.3, 40.0, 500.0, 22.619, 0.0452),
        ] {
            let found = hemisphere_flow_ml_s(Mm::new(10.0 * r), MetresPerSecond::new(v / 100.0));
            assert!((found - flow).abs() < 1e-3, "{found}");
            let area = effective_orifice(found, MetresPerSecond::new(peak / 100.0)).unwrap();
            assert!((area.to_cm2() - orifice).abs() < 1e-4);
        }
        assert!(effective_orifice(100.0, MetresPerSecond::ZERO).is_none());
    }
}
