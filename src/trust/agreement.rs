//! Whether what was measured by different means fits together.

use super::{Finding, Verdict, finding};

/// Core speeds of mitral regurgitation, m/s: systemic pressures drive 4 to 6.5 (common practice, no source)
const USUAL_M_S: [f64; 2] = [4.0, 6.5];
/// Flow and area together may be off by this factor before they are called discordant (their 95 % intervals on solved
/// tuning geometries)
const BOTH: f64 = 1.45;

/// The ways to one jet's area do not agree within their intervals
pub fn arms_apart(id: usize, outline_mm2: f64, network_mm2: f64) -> Finding {
    let ratio = (outline_mm2 / network_mm2.max(1e-9)).max(network_mm2 / outline_mm2.max(1e-9));
    let message = format!(
        "jet {id}: the outline gives {:.2} cm² and the network {:.2} cm²; they are wanted within a factor of two (our \
         own choice): the network's answer is reported with a wider interval; look at the tracing",
        outline_mm2 / 100.0,
        network_mm2 / 100.0
    );
    let verdict = if ratio > 2.0 { Verdict::Limited } else { Verdict::Adequate };
    finding("arms", verdict, Some(ratio), "times", Some(2.0), message)
}

/// A place that hardly looks like a vena contracta
pub fn unsure(id: usize, logit: f64, wanted: f64) -> Finding {
    let percent = 100.0 / (1.0 + libm::exp(-logit));
    let message = format!(
        "jet {id}: what is displayed hardly looks like a vena contracta (a probability of {percent:.1} %, a logit of \
         {logit:.1}; {wanted:.0} is wanted, set on simulated acquisitions of solved flows): the interval is doubled; look \
         at the planes before the number is used"
    );
    finding("unsure", Verdict::Limited, Some(logit), "logit", Some(wanted), message)
}

/// Flow through the isovelocity surfaces over the effective area, held against the speed of such jets or the typed
/// peak of continuous-wave Doppler
pub fn discordance(id: usize, flow_ml_s: f64, area_mm2: f64, typed_m_s: Option<f64>) -> Option<Finding> {
    let speed = flow_ml_s / area_mm2;
    let [low, high] = typed_m_s.map_or(USUAL_M_S, |peak| [peak, peak]);
    let far = speed < low / BOTH || speed > high * BOTH;
    if !speed.is_finite() {
        return None;
    }
    let against = match typed_m_s {
        Some(peak) => format!("the {peak:.1} m/s of continuous-wave Doppler"),
        None => format!("the usual {low:.1} to {high:.1} m/s (common practice, no source)"),
    };
    let (verdict, consequence) = if far {
        (Verdict::Limited, "area or flow is wrong; look at both before either is used")
    } else {
        (Verdict::Adequate, "area and flow fit together")
    };
    let message = format!(
        "jet {id}: the flow through its isovelocity surfaces over its area is a speed of {speed:.1} m/s, against \
         {against}: {consequence}"
    );
    Some(finding("discordance", verdict, Some(speed), "m/s", Some(high), message))
}

/// No jet was found
pub fn no_jet() -> Finding {
    let message = "no jet was found: whether there is none, or a shadow, a low colour gain or the edge of the volume hides \
                   it, the volume alone cannot tell; look at the tissue and at other views before this is read as no \
                   regurgitation"
        .to_owned();
    finding("no-jet", Verdict::Limited, None, "", None, message)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flow_that_does_not_fit_the_area_is_found_and_one_that_does_is_not() {
        // 100 ml/s through 20 mm2 are 5 m/s.
        assert_eq!(discordance(1, 100.0, 20.0, None).unwrap().verdict, Verdict::Adequate);
        assert_eq!(discordance(1, 100.0, 60.0, None).unwrap().verdict, Verdict::Limited);
        assert_eq!(discordance(1, 100.0, 20.0, Some(2.0)).unwrap().verdict, Verdict::Limited);
        assert!(discordance(1, f64::NAN, 20.0, None).is_none());
    }
}
