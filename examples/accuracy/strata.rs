//! What the cases have in common.

use narrows::phantom::{Conversion, Fault, PowerLaw, TruthShape, View, WaveKind};
use narrows::volume::ChannelKind;

use super::case::Case;

/// Groups of cases by name, in the order of the table; empty ones are left out
pub(crate) fn strata(cases: &[Case]) -> Vec<(String, Vec<&Case>)> {
    let mut groups: Vec<(String, Vec<&Case>)> = Vec::new();
    let mut group = |name: &str, belongs: &dyn Fn(&Case) -> bool| {
        let some: Vec<&Case> = cases.iter().filter(|c| belongs(c)).collect();
        if !some.is_empty() {
            groups.push((name.to_owned(), some));
        }
    };
    group("all", &|_| true);
    group("ordinary", &|c| ordinary(c));
    group("  blood below", &|c| ordinary(c) && blood(c) == "below");
    group("  blood above", &|c| ordinary(c) && blood(c) != "below");
    for kind in ["power", "power-dB", "variance", "velocity"] {
        group(kind, &|c| stored(c) == kind);
    }
    for kind in ["below", "above", "inflow"] {
        group(&format!("blood {kind}"), &|c| blood(c) == kind);
        group("  power", &|c| blood(c) == kind && stored(c).starts_with("power"));
    }
    for (shape, name) in [
        (TruthShape::Round, "round"),
        (TruthShape::Elliptical, "elliptical"),
        (TruthShape::Crescent, "crescent"),
        (TruthShape::Irregular, "irregular"),
    ] {
        group(name, &|c| c.jets == 1 && c.shape() == shape);
    }
    for jets in 1..4 {
        group(&format!("jets {jets}"), &|c| c.jets == jets);
    }
    for (name, low, high) in [
        ("under 20 mm2", 0.0, 20.0),
        ("20 to 40 mm2", 20.0, 40.0),
        ("40 to 80 mm2", 40.0, 80.0),
        ("over 80 mm2", 80.0, f64::INFINITY),
    ] {
        group(name, &|c| (low..high).contains(&c.truth_mm2()));
    }
    for (name, low, high) in
        [("beam under 15", 0.0, 15.0), ("beam 15 to 30", 15.0, 30.0), ("beam over 30", 30.0, 90.1)]
    {
        group(name, &|c| (low..high).contains(&c.beam_deg));
    }
    group("transoesophageal", &|c| c.recipe.scan.view == View::Transoesophageal);
    group("transthoracic", &|c| c.recipe.scan.view == View::Transthoracic);
    for kind in ["steady", "early", "late", "mid", "biphasic"] {
        group(&format!("course {kind}"), &|c| course(c) == kind);
    }
    for (name, low, high) in [("3 frames", 0, 4), ("4 or 5 frames", 4, 6), ("6 or more", 6, 99)] {
        group(name, &|c| (low..high).contains(&c.recipe.beat.frames));
    }
    group("no fault", &|c| faults(c).is_empty());
    for fault in Fault::ALL {
        group(fault.name(), &|c| fault.is_in(&c.recipe));
    }
    for (what, key) in [("kind", kind as fn(&Case) -> &str), ("lip", lip)] {
        let mut names: Vec<&str> = cases.iter().map(key).collect();
        names.sort_unstable();
        names.dedup();
        for name in names {
            let some: Vec<&Case> = cases.iter().filter(|c| key(c) == name).collect();
            groups.push((format!("{what} {name}"), some));
        }
    }
    groups
}

/// An ordinary gated volume: power stored in proportion, no fault
fn ordinary(case: &Case) -> bool {
    stored(case) == "power" && faults(case).is_empty()
}

/// Its faults
pub(crate) fn faults(case: &Case) -> Vec<&'static str> {
    Fault::ALL.iter().filter(|fault| fault.is_in(&case.recipe)).map(|fault| fault.name()).collect()
}

/// What beside velocity is stored
pub(crate) fn stored(case: &Case) -> &'static str {
    let store = &case.recipe.store;
    let has = |kind| store.channels.contains(&kind);
    match store.power_law {
        PowerLaw::Decibel if has(ChannelKind::Power) => "power-dB",
        PowerLaw::Linear if has(ChannelKind::Power) => "power",
        _ if has(ChannelKind::Variance) => "variance",
        _ => "velocity",
    }
}

/// Where the chambers' blood lies to the wall filter
pub(crate) fn blood(case: &Case) -> &'static str {
    let blood = &case.recipe.blood;
    if blood.inflow_m_s > 0.0 {
        "inflow"
    } else if blood.speed_m_s > 0.7 * case.wall_filter_m_s {
        "above"
    } else {
        "below"
    }
}

/// When the orifice is open
pub(crate) fn course(case: &Case) -> &'static str {
    match case.recipe.flow.wave.kind {
        WaveKind::Steady => "steady",
        WaveKind::Early => "early",
        WaveKind::Late => "late",
        WaveKind::Mid => "mid",
        WaveKind::Biphasic => "biphasic",
    }
}

/// The kind of its geometry: the first word of the flow's name
pub(crate) fn kind(case: &Case) -> &str {
    case.flow.split('-').next().unwrap_or_default()
}

/// How its edges are made: the last word of the flow's name
pub(crate) fn lip(case: &Case) -> &str {
    let last = case.flow.rsplit('-').next().unwrap_or_default();
    if ["lipped", "thin", "thick", "nozzle", "mixed"].contains(&last) { last } else { "sharp" }
}

/// What is interpolated
pub(crate) fn conversion(case: &Case) -> &'static str {
    match case.recipe.doppler.conversion {
        Conversion::Phasor => "phasor",
        Conversion::Velocity => "velocity",
    }
}
