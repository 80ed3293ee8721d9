//! A line a judged number, for other programs: tabs between, the names of the columns first, `NA` for
//! what is not there.

use std::collections::{BTreeMap, BTreeSet};

use narrows::measure::results::Verdict;
use narrows::phantom::View;

use super::case::{Case, Judged};
use super::strata;

/// The whole table
pub(crate) fn table(cases: &[Case]) -> String {
    let mut keys: BTreeSet<&str> = BTreeSet::new();
    for judged in cases.iter().flat_map(|case| &case.judged) {
        keys.extend(judged.more.iter().map(|(key, _)| key.as_str()));
    }
    let mut lines: Vec<String> = Vec::new();
    for case in cases {
        for judged in &case.judged {
            let fixed = columns(case, judged);
            if lines.is_empty() {
                let names = fixed.iter().map(|(name, _)| *name).chain(keys.iter().copied());
                lines.push(names.collect::<Vec<_>>().join("\t"));
            }
            let more: BTreeMap<&str, &str> =
                judged.more.iter().map(|(key, value)| (key.as_str(), value.as_str())).collect();
            let values = fixed.iter().map(|(_, value)| value.as_str());
            let values = values.chain(keys.iter().map(|key| more.get(key).copied().unwrap_or("NA")));
            lines.push(values.collect::<Vec<_>>().join("\t"));
        }
    }
    lines.join("\n") + "\n"
}

fn columns(case: &Case, judged: &Judged) -> Vec<(&'static str, String)> {
    let (recipe, doppler) = (&case.recipe, &case.recipe.doppler);
    let number = |value: Option<f64>| match value {
        Some(value) if value.is_finite() => format!("{value:.4}"),
        _ => String::from("NA"),
    };
    let faults = strata::faults(case).join("+").replace(' ', "-");
    let verdict = match case.verdict {
        Verdict::Adequate => "adequate",
        Verdict::Limited => "limited",
        Verdict::Unfit => "unfit",
    };
    let view = if recipe.scan.view == View::Transoesophageal { "toe" } else { "tte" };
    let found = judged.found;
    vec![
        ("seed", case.seed.to_string()),
        ("what", judged.what.name().to_owned()),
        ("flow", case.flow.clone()),
        ("kind", strata::kind(case).to_owned()),
        ("lip", strata::lip(case).to_owned()),
        ("shape", format!("{:?}", judged.shape).to_lowercase()),
        ("stored", strata::stored(case).to_owned()),
        ("blood", strata::blood(case).to_owned()),
        ("course", strata::course(case).to_owned()),
        ("faults", if faults.is_empty() { String::from("none") } else { faults }),
        ("conversion", strata::conversion(case).to_owned()),
        ("view", view.to_owned()),
        ("frames", recipe.beat.frames.to_string()),
        ("scale", number(Some(recipe.flow.scale))),
        ("peak_m_s", number(Some(recipe.flow.wave.peak_m_s))),
        ("beam_deg", number(Some(case.beam_deg))),
        ("depth_mm", number(Some(recipe.scan.depth_mm))),
        ("nyquist_m_s", number(Some(doppler.nyquist_m_s))),
        ("wall_filter_m_s", number(Some(case.wall_filter_m_s))),
        ("blood_m_s", number(Some(recipe.blood.speed_m_s))),
        ("gain", number(Some(doppler.gain))),
        ("noise_db", number(Some(doppler.noise_db))),
        ("lateral_mm", number(Some(doppler.lateral_mm))),
        ("elevational_mm", number(Some(doppler.elevational_mm))),
        ("axial_mm", number(Some(doppler.axial_mm))),
        ("voxel_mm", number(Some(recipe.grid.voxel_mm[0]))),
        ("jets", case.jets.to_string()),
        ("jets_found", case.jets_found.to_string()),
        ("verdict", verdict.to_owned()),
        ("truth", number(Some(judged.truth))),
        ("value", number(found.map(|f| f.value))),
        ("low", number(found.map(|f| f.low))),
        ("high", number(found.map(|f| f.high))),
        ("displayed", number(found.map(|f| f.displayed))),
        ("axis_deg", number(judged.place.map(|p| p.axis_deg))),
        ("level_mm", number(judged.place.map(|p| p.level_mm))),
        ("aside_mm", number(judged.place.map(|p| p.aside_mm))),
        ("shape_right", judged.place.map_or(String::from("NA"), |p| u8::from(p.shape_right).to_string())),
    ]
}
