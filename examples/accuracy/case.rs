//! One measured volume beside its truth.

use nalgebra::Vector3;
use narrows::measure::Results;
use narrows::measure::results::{JetResult, ShapeClass, Verdict};
use narrows::outline::Outline;
use narrows::phantom::{JetTruth, JetTruthFrame, Recipe, Truth, TruthShape};
use narrows::space::CutPoint;
use serde_json::Value;

/// Necks farther apart than this are of two jets, mm
const SAME_JET_MM: f64 = 8.0;

/// What a judged number is
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum What {
    /// Peak area of all jets
    Total,
    /// Peak area of one jet
    Jet,
    /// Area of one jet in one frame; listed, in no table
    Frame,
    /// Area of what was reported and is no jet; listed, in no table
    NoJet,
    /// Velocity-weighted mean area of all jets
    Mean,
    /// Regurgitant volume of all jets, ml
    Volume,
    /// Width of one jet on its long-axis plane, mm
    LongAxis,
    /// Width of one jet on its commissural plane, mm
    Commissural,
}

impl What {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Total => "total",
            Self::Jet => "jet",
            Self::Frame => "frame",
            Self::NoJet => "no jet",
            Self::Mean => "mean",
            Self::Volume => "volume",
            Self::LongAxis => "long-axis",
            Self::Commissural => "commissural",
        }
    }
}

/// One reported number against its truth
pub(crate) struct Judged {
    pub(crate) what: What,
    pub(crate) shape: TruthShape,
    pub(crate) truth: f64,
    /// What was reported; `None` where nothing was
    pub(crate) found: Option<Found>,
    /// Of a jet
    pub(crate) place: Option<Place>,
    /// Everything else the results say of it, by the path of its key
    pub(crate) more: Vec<(String, String)>,
}

/// A reported number
#[derive(Clone, Copy)]
pub(crate) struct Found {
    pub(crate) value: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) displayed: f64,
}

/// How a jet was found
#[derive(Clone, Copy)]
pub(crate) struct Place {
    pub(crate) axis_deg: f64,
    pub(crate) level_mm: f64,
    pub(crate) aside_mm: f64,
    pub(crate) shape_right: bool,
}

/// One volume
pub(crate) struct Case {
    pub(crate) seed: u64,
    pub(crate) flow: String,
    pub(crate) recipe: Recipe,
    pub(crate) wall_filter_m_s: f64,
    pub(crate) beam_deg: f64,
    pub(crate) verdict: Verdict,
    pub(crate) jets: usize,
    pub(crate) jets_found: usize,
    pub(crate) judged: Vec<Judged>,
}

impl Judged {
    /// Error, percent of the truth
    pub(crate) fn error(&self) -> Option<f64> {
        Some(100.0 * (self.found?.value / self.truth - 1.0))
    }

    /// Whether the interval holds the truth
    pub(crate) fn holds(&self) -> Option<bool> {
        Some(self.found?.low <= self.truth && self.truth <= self.found?.high)
    }

    /// Interval score at 95 %, percent of the truth (Gneiting and Raftery, J Am Stat Assoc 2007;102:359-378)
    pub(crate) fn score(&self) -> Option<f64> {
        let Found { low, high, .. } = self.found?;
        let outside = (low - self.truth).max(0.0) + (self.truth - high).max(0.0);
        Some(100.0 * (high - low + 2.0 / 0.05 * outside) / self.truth)
    }
}

impl Case {
    /// What was reported (`timed`: with the velocity-time integral typed in) against the truth
    pub(crate) fn of(truth: &Truth, results: &Results, timed: &Results) -> Self {
        let frames = truth.times_s.len();
        let present = |frame: usize| truth.jets.iter().map(move |j| &j.frames[frame]).filter(|f| f.present);
        let area = |frame: usize| present(frame).map(|f| f.effective_area_mm2).sum::<f64>();
        let peak = (0..frames).max_by(|a, b| area(*a).total_cmp(&area(*b)).then(b.cmp(a))).unwrap_or(0);
        let largest = truth.jets.iter().max_by(|a, b| size(a).total_cmp(&size(b)));
        let shape = largest.map_or(TruthShape::Round, |jet| jet.shape);
        let document = serde_json::to_value(results).unwrap_or_default();
        let later = serde_json::to_value(timed).unwrap_or_default();

        let mut judged = Vec::new();
        let mut more = Vec::new();
        flatten("total", &document["total"], &mut more);
        flatten("trust", &document["trust"]["findings"], &mut more);
        let traced = results.jets.iter().map(|jet| jet.traced_area_mm2).sum();
        let total = interval(&document["total"]["vca_mm2"], traced).filter(|_| !results.jets.is_empty());
        judged.push(Judged { what: What::Total, shape, truth: area(peak), found: total, place: None, more });
        let vti = super::integral(truth);
        let whole = [
            (What::Mean, truth.regurgitant_volume_ml / vti, "velocity_weighted_mean_mm2"),
            (What::Volume, truth.regurgitant_volume_ml, "regurgitant_volume_ml"),
        ];
        for (what, truth, key) in whole {
            let mut more = Vec::new();
            flatten("total", &later["total"], &mut more);
            let found = interval(&later["total"][key], f64::NAN);
            judged.push(Judged { what, shape, truth, found, place: None, more });
        }
        judged.extend(jets(truth, results, &document));
        Self {
            seed: truth.seed,
            flow: truth.flow.as_ref().map(|flow| flow.name.clone()).unwrap_or_default(),
            recipe: truth.recipe.clone(),
            wall_filter_m_s: truth.wall_filter_m_s,
            beam_deg: largest.map_or(0.0, |jet| jet.frames[peak].beam_angle_deg),
            verdict: results.trust.verdict,
            jets: present(peak).count(),
            jets_found: results.jets.len(),
            judged,
        }
    }

    /// The judged numbers of one kind
    pub(crate) fn of_kind(&self, what: What) -> impl Iterator<Item = &Judged> {
        self.judged.iter().filter(move |judged| judged.what == what)
    }

    /// Peak area of all jets
    pub(crate) fn truth_mm2(&self) -> f64 {
        self.of_kind(What::Total).next().map_or(0.0, |judged| judged.truth)
    }

    /// Shape of its largest jet
    pub(crate) fn shape(&self) -> TruthShape {
        self.judged.first().map_or(TruthShape::Round, |judged| judged.shape)
    }
}

fn size(jet: &JetTruth) -> f64 {
    jet.frames.iter().filter(|f| f.present).map(|f| f.effective_area_mm2).fold(0.0, f64::max)
}

/// Every true jet with the reported one that is nearest to it, the nearest pairs first
fn jets(truth: &Truth, results: &Results, document: &Value) -> Vec<Judged> {
    let apart = |jet: &JetTruth, found: &JetResult| norm(sub(found.neck_mm, frame(jet, found).neck_mm));
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (i, jet) in truth.jets.iter().enumerate().filter(|(_, jet)| size(jet) > 0.0) {
        pairs.extend(results.jets.iter().enumerate().map(|(k, found)| (apart(jet, found), i, k)));
    }
    pairs.retain(|pair| pair.0 < SAME_JET_MM);
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut of_jet, mut taken) = (vec![None; truth.jets.len()], vec![false; results.jets.len()]);
    for (_, i, k) in pairs {
        if of_jet[i].is_none() && !taken[k] {
            (of_jet[i], taken[k]) = (Some(k), true);
        }
    }
    let judged = |(jet, at): (&JetTruth, &Option<usize>)| {
        let found = at.map(|k| &results.jets[k]);
        let mut more = Vec::new();
        if let Some((k, found)) = at.zip(found) {
            flatten("", &document["jets"][k], &mut more);
            flatten("peak", &document["jets"][k]["frames"][found.peak_frame], &mut more);
        }
        Judged {
            what: What::Jet,
            shape: jet.shape,
            truth: size(jet),
            found: found.map(|f| Found {
                value: f.vca_mm2.value,
                low: f.vca_mm2.low,
                high: f.vca_mm2.high,
                displayed: f.traced_area_mm2,
            }),
            place: found.map(|found| place(jet, found)),
            more,
        }
    };
    let some = || truth.jets.iter().zip(&of_jet).filter(|(jet, _)| size(jet) > 0.0);
    let course = some().filter_map(|(jet, at)| Some((jet, at.as_ref()?)));
    let frames = course.flat_map(|(jet, k)| {
        let listed = document["jets"][*k]["frames"].as_array().into_iter().flatten();
        let open = jet.frames.iter().zip(listed).enumerate().filter(|(_, (now, _))| now.present);
        open.map(move |(frame, (now, found))| {
            let mut more = vec![("frame".to_owned(), frame.to_string()), ("jet".to_owned(), k.to_string())];
            flatten("peak", found, &mut more);
            let found = interval(&found["vca_mm2"], f64::NAN);
            let truth = now.effective_area_mm2;
            Judged { what: What::Frame, shape: jet.shape, truth, found, place: None, more }
        })
    });
    let no_jets = results.jets.iter().enumerate().filter(|(k, _)| !taken[*k]).map(|(k, found)| {
        let mut more = Vec::new();
        flatten("", &document["jets"][k], &mut more);
        let place = truth.jets.first().map(|jet| place(jet, found));
        let found = interval(&document["jets"][k]["vca_mm2"], found.traced_area_mm2);
        Judged { what: What::NoJet, shape: TruthShape::Round, truth: 0.0, found, place, more }
    });
    let paired = some().filter_map(|(jet, at)| Some((jet, &results.jets[(*at)?])));
    let widths = paired.flat_map(|(jet, found)| {
        let reported =
            [(What::LongAxis, found.width_mm.long_axis), (What::Commissural, found.width_mm.commissural)];
        let truths = true_widths(jet, found).into_iter().flatten();
        reported.into_iter().zip(truths).map(move |((what, width), truth)| {
            let found = Found { value: width.value, low: width.low, high: width.high, displayed: f64::NAN };
            Judged { what, shape: jet.shape, truth, found: Some(found), place: None, more: Vec::new() }
        })
    });
    some().map(judged).chain(frames).chain(no_jets).chain(widths).collect()
}

/// Widths of the effective outline through its centroid, along the reported long axis and across it, mm; `None` in a
/// frame without a jet
fn true_widths(jet: &JetTruth, found: &JetResult) -> Option<[f64; 2]> {
    let now = frame(jet, found);
    let axis = Vector3::from(jet.axis);
    let long = Vector3::from(found.width_mm.long_axis_direction);
    let long = (long - axis * axis.dot(&long)).normalize();
    let across = axis.cross(&long);
    let flat = |p: &[f64; 3]| {
        let away = Vector3::from(*p) - Vector3::from(now.neck_mm);
        CutPoint::new(away.dot(&long), away.dot(&across))
    };
    let outline = Outline::new(now.outline_mm.iter().map(flat).collect()).ok()?;
    let along = |direction| outline.chord(outline.centroid(), direction).get();
    Some([along(CutPoint::new(1.0, 0.0)), along(CutPoint::new(0.0, 1.0))])
}

/// The truth of a jet in the frame that it is reported in
fn frame<'a>(jet: &'a JetTruth, found: &JetResult) -> &'a JetTruthFrame {
    &jet.frames[found.peak_frame.min(jet.frames.len() - 1)]
}

fn place(jet: &JetTruth, found: &JetResult) -> Place {
    let offset = sub(found.neck_mm, frame(jet, found).neck_mm);
    let level = dot(offset, jet.axis);
    let expected = match jet.shape {
        TruthShape::Round => ShapeClass::Round,
        TruthShape::Elliptical => ShapeClass::Elliptical,
        TruthShape::Crescent => ShapeClass::Crescent,
        TruthShape::Irregular => ShapeClass::Irregular,
    };
    Place {
        axis_deg: libm::acos(dot(jet.axis, found.axis).clamp(-1.0, 1.0)).to_degrees(),
        level_mm: level,
        aside_mm: (norm(offset).powi(2) - level * level).max(0.0).sqrt(),
        shape_right: found.shape.class == expected,
    }
}

fn interval(value: &Value, displayed: f64) -> Option<Found> {
    let number = |key: &str| value[key].as_f64();
    Some(Found { value: number("value")?, low: number("low")?, high: number("high")?, displayed })
}

/// Every number and word under a key, by its path; lists by the name that their entries carry
fn flatten(path: &str, value: &Value, into: &mut Vec<(String, String)>) {
    let under = |key: &str| if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") };
    match value {
        Value::Object(map) => {
            let silent = ["message", "limit", "unit", "code", "source", "reason"];
            for (key, value) in map.iter().filter(|(key, _)| !silent.contains(&key.as_str())) {
                flatten(&under(key), value, into);
            }
        }
        Value::Array(entries) => {
            for entry in entries {
                let name =
                    ["code", "source", "what", "name", "arm"].iter().find_map(|key| entry[key].as_str());
                if let Some(name) = name {
                    flatten(&under(&name.replace([' ', '\t'], "-")), entry, into);
                }
            }
        }
        Value::Number(number) => into.push((path.to_owned(), number.to_string())),
        Value::String(text) => into.push((path.to_owned(), text.replace(['\t', '\n'], " "))),
        Value::Bool(is) => into.push((path.to_owned(), u8::from(*is).to_string())),
        Value::Null => {}
    }
}

fn sub(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    std::array::from_fn(|i| a[i] - b[i])
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| a[i] * b[i]).sum()
}

fn norm(a: [f64; 3]) -> f64 {
    dot(a, a).sqrt()
}
