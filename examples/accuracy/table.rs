//! All cases together, stratum by stratum.

use std::fmt::Write as _;

use narrows::measure::results::Verdict;

use super::case::{Case, Judged, Place, What};
use super::strata::strata;

/// Wrong by more than this although called adequate, percent
const GROSS_PERCENT: f64 = 30.0;

/// The tables of all that is judged
pub(crate) fn summary(cases: &[Case], title: &str) -> String {
    let mut text = format!("{title}\n");
    let groups = strata(cases);
    for (what, name) in [
        (What::Total, "peak area of all jets"),
        (What::Jet, "peak area of each jet"),
        (What::Mean, "velocity-weighted mean area (integral typed in)"),
        (What::Volume, "regurgitant volume (integral typed in)"),
        (What::LongAxis, "width on the long-axis plane"),
        (What::Commissural, "width on the commissural plane"),
    ] {
        if !cases.iter().flat_map(|case| case.of_kind(what)).any(|judged| judged.found.is_some()) {
            let _ = writeln!(text, "\n{name}: not reported");
            continue;
        }
        let _ = write!(
            text,
            "\n{name:<48}\n\
             stratum               n  none   bias  |err|  |err|   held  width  score  adequate  axis |level| shape count\n\
             \x20                                  %   50 %   90 %      %      %      %  wrong/of   deg      mm     %     %\n"
        );
        for (name, some) in &groups {
            // Everything by every stratum for areas; the rest in few words.
            let told: &[&str] = match what {
                What::Mean | What::Volume => &["all", "ordinary", "no fault", "course"],
                What::LongAxis | What::Commissural => {
                    &["all", "ordinary", "no fault", "round", "elliptical", "crescent", "irregular"]
                }
                What::Total | What::Jet | What::Frame | What::NoJet => &[""],
            };
            if told.iter().any(|told| name.starts_with(told)) {
                text += &line(name, some, what);
            }
        }
    }
    text
}

fn line(name: &str, cases: &[&Case], what: What) -> String {
    let judged: Vec<&Judged> = cases.iter().flat_map(|case| case.of_kind(what)).collect();
    let errors: Vec<f64> = judged.iter().filter_map(|j| j.error()).collect();
    let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
    let held: Vec<f64> = judged.iter().filter_map(|j| j.holds()).map(|h| f64::from(u8::from(h))).collect();
    let widths: Vec<f64> =
        judged.iter().filter_map(|j| Some(50.0 * (j.found?.high - j.found?.low) / j.found?.value)).collect();
    let scores: Vec<f64> = judged.iter().filter_map(|j| j.score()).collect();
    let adequate: Vec<&&Case> = cases.iter().filter(|case| case.verdict == Verdict::Adequate).collect();
    let gross = |case: &&&Case| {
        case.of_kind(what).any(|j| j.error().is_some_and(|error| error.abs() > GROSS_PERCENT))
    };
    // Where a jet was found is told of the jets of each case, whatever is judged.
    let places: Vec<Place> =
        cases.iter().flat_map(|case| case.of_kind(What::Jet)).filter_map(|j| j.place).collect();
    let of = |f: &dyn Fn(&Place) -> f64| places.iter().map(f).collect::<Vec<f64>>();
    let right: Vec<f64> = cases.iter().map(|c| f64::from(u8::from(c.jets == c.jets_found))).collect();
    format!(
        "{name:<19} {:4}  {:4}  {:+5.1}  {:5.1}  {:5.1}  {:5.1}  {:5.1}  {:5.0}  {:>4}/{:<4}  {:5.1}   {:5.2} {:5.0} {:5.0}\n",
        judged.len(),
        judged.len() - errors.len(),
        quantile(&errors, 0.5),
        quantile(&sizes, 0.5),
        quantile(&sizes, 0.9),
        100.0 * mean(&held),
        quantile(&widths, 0.5),
        mean(&scores),
        adequate.iter().filter(|case| gross(case)).count(),
        adequate.len(),
        quantile(&of(&|p| p.axis_deg), 0.5),
        quantile(&of(&|p| p.level_mm.abs()), 0.5),
        100.0 * mean(&of(&|p| f64::from(u8::from(p.shape_right)))),
        100.0 * mean(&right),
    )
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Not a number where there are no values
fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let at = share * last as f64;
    let (low, part) = (at as usize, at.fract());
    sorted[low] + (sorted[(low + 1).min(last)] - sorted[low]) * part
}
