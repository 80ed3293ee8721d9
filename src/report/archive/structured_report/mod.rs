//! The results as a DICOM structured report: Comprehensive 3D SR, template TID 1500.
//!
//! Each jet is one measurement group (TID 1410) with a tracking identifier: its tracing as a closed
//! polygon in the volume's frame of reference, its areas and widths with their methods and
//! modifiers. A last group (TID 1501) holds what belongs to the valve as a whole: the summed area,
//! the regurgitant volume where one was computed, the trust check, the cautions.
//!
//! The ends of an interval are properties of its number, as TID 310 has them: the distance from the
//! value up to the upper end and down to the lower end, in the unit of the number.
//!
//! The bytes depend on the results, the source and the options alone.

mod codes;
mod item;

use dicom_core::VR;
use dicom_dictionary_std::{tags, uids};

use self::codes::Code;
use self::item::Relation::{Contains, Context, Modifier, Property};
use crate::format::dicom::identity::Content;
use crate::format::dicom::set::Set;
use crate::format::dicom::source::{Identity, Known, SourceInstance};
use crate::format::dicom::write::{WriteError, part10};
use crate::measure::results::{Interval, JetResult, Results};

/// Which valve leaks: settles some codes
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Valve {
    /// Mitral
    Mitral,
    /// Aortic
    Aortic,
    /// Tricuspid
    Tricuspid,
}

/// How a structured report is written
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StructuredReportOptions {
    /// Whether patient and study are named
    pub identity: Identity,
    /// Who read, in plain words
    pub reader: Option<String>,
    /// Which valve leaks, where somebody said so
    pub valve: Option<Valve>,
}

/// The bytes of a structured report
///
/// # Errors
/// [`WriteError::Header`] where the data set cannot be encoded.
pub fn structured_report(
    results: &Results,
    source: &SourceInstance,
    options: &StructuredReportOptions,
) -> Result<Vec<u8>, WriteError> {
    let words = serde_json::to_string(results).map_err(|error| WriteError::Header(error.to_string()))?;
    let content = Content::of_words("report", &format!("{}\0{words}\0{options:?}", source.words()));
    let set = source
        .modules(options.identity)
        .text(tags::SOP_CLASS_UID, VR::UI, uids::COMPREHENSIVE3_DSR_STORAGE)
        .text(tags::SOP_INSTANCE_UID, VR::UI, &content.uid("instance"))
        .text(tags::MODALITY, VR::CS, "SR")
        .text(tags::SERIES_INSTANCE_UID, VR::UI, &content.uid("series"))
        .text(tags::SERIES_NUMBER, VR::IS, "9001")
        .text(tags::SERIES_DESCRIPTION, VR::LO, "Vena contracta measurements")
        .items(tags::REFERENCED_PERFORMED_PROCEDURE_STEP_SEQUENCE, Vec::new())
        .text(tags::INSTANCE_NUMBER, VR::IS, "1")
        .text(tags::COMPLETION_FLAG, VR::CS, "COMPLETE")
        .text(tags::VERIFICATION_FLAG, VR::CS, "UNVERIFIED")
        .text(tags::PRELIMINARY_FLAG, VR::CS, "PRELIMINARY")
        .items(tags::PERFORMED_PROCEDURE_CODE_SEQUENCE, Vec::new())
        .item(
            tags::CODING_SCHEME_IDENTIFICATION_SEQUENCE,
            Set::default().text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, codes::OWN).text(
                tags::CODING_SCHEME_NAME,
                VR::ST,
                "Modifiers and findings of the program narrows",
            ),
        );
    let set = match source.known {
        Known::Instance => {
            set.item(tags::CURRENT_REQUESTED_PROCEDURE_EVIDENCE_SEQUENCE, evidence(source, options.identity))
        }
        Known::MadeUp => set,
    };
    let set = item::from_template(set, "1500")
        .text(tags::VALUE_TYPE, VR::CS, "CONTAINER")
        .item(tags::CONCEPT_NAME_CODE_SEQUENCE, codes::MEASUREMENT_REPORT.set())
        .text(tags::CONTINUITY_OF_CONTENT, VR::CS, "SEPARATE")
        .items(tags::CONTENT_SEQUENCE, tree(results, source, options, &content));
    part10(&set.build(), uids::COMPREHENSIVE3_DSR_STORAGE, &content.uid("instance"))
}

fn evidence(source: &SourceInstance, identity: Identity) -> Set {
    Set::default().text(tags::STUDY_INSTANCE_UID, VR::UI, &source.study(identity)).item(
        tags::REFERENCED_SERIES_SEQUENCE,
        Set::default()
            .text(tags::SERIES_INSTANCE_UID, VR::UI, &source.series(identity))
            .items(tags::REFERENCED_SOP_SEQUENCE, source.reference_items(identity)),
    )
}

/// What stands below the root
fn tree(
    results: &Results,
    source: &SourceInstance,
    options: &StructuredReportOptions,
    content: &Content,
) -> Vec<Set> {
    let mut below = vec![item::code(Modifier, codes::LANGUAGE, codes::ENGLISH)];
    if let Some(reader) = &options.reader {
        below.push(item::code(Context, codes::OBSERVER_TYPE, codes::PERSON));
        below.push(item::person(Context, codes::PERSON_NAME, &person_name(reader)));
    }
    let model = format!("version {}, method {}", results.tool.version, results.tool.engine);
    below.extend([
        item::code(Context, codes::OBSERVER_TYPE, codes::DEVICE),
        item::uid(Context, codes::DEVICE_UID, &content.uid("device")),
        item::text(Context, codes::DEVICE_NAME, "narrows"),
        item::text(Context, codes::DEVICE_MODEL, &model),
        item::code(Modifier, codes::PROCEDURE_REPORTED, codes::ECHOCARDIOGRAPHY),
    ]);
    if source.known == Known::Instance {
        // The frames that were traced: those of the velocity at each jet's peak.
        let times: Vec<usize> = results.jets.iter().map(|jet| jet.peak_frame).collect();
        let images = source.frame_items(&times, options.identity);
        let images = images.into_iter().map(|image| item::image(codes::SOURCE, image)).collect();
        let group = item::container(codes::IMAGE_LIBRARY_GROUP, None, images);
        below.push(item::container(codes::IMAGE_LIBRARY, None, vec![group]));
    }
    let mut groups: Vec<Set> = results.jets.iter().map(|jet| jet_group(jet, source, options)).collect();
    groups.push(whole_group(results, source, options));
    below.push(item::container(codes::IMAGING_MEASUREMENTS, None, groups));
    below
}

/// Identifiers by which later reports can speak of the same thing
fn tracking(source: &SourceInstance, name: &str) -> [Set; 2] {
    let content = Content::of_words("tracking", source.words());
    [
        item::text(Context, codes::TRACKING_ID, name),
        item::uid(Context, codes::TRACKING_UID, &content.uid(name)),
    ]
}

fn finding(options: &StructuredReportOptions) -> Set {
    let what = match options.valve {
        None => codes::REGURGITATION,
        Some(Valve::Mitral) => codes::MITRAL_REGURGITATION,
        Some(Valve::Aortic) => codes::AORTIC_REGURGITATION,
        Some(Valve::Tricuspid) => codes::TRICUSPID_REGURGITATION,
    };
    item::code(Contains, codes::FINDING, what)
}

fn jet_group(jet: &JetResult, source: &SourceInstance, options: &StructuredReportOptions) -> Set {
    let mut below: Vec<Set> = tracking(source, &format!("jet {}", jet.id)).into();
    below.push(finding(options));
    below.push(item::code(Modifier, codes::FINDING_SITE, codes::VENA_CONTRACTA));
    if jet.tracing_mm.len() > 2 {
        below.push(item::polygon(codes::IMAGE_REGION, &jet.tracing_mm, &source.reference(options.identity)));
    }
    let width = match options.valve {
        None => codes::VC_WIDTH,
        Some(Valve::Mitral) => codes::VC_WIDTH_MITRAL,
        Some(Valve::Aortic) => codes::VC_WIDTH_AORTIC,
        Some(Valve::Tricuspid) => codes::VC_WIDTH_TRICUSPID,
    };
    let exact = |value| Interval { value, low: f64::NAN, high: f64::NAN };
    let planimetry = |derivation| {
        vec![
            item::code(Modifier, codes::METHOD, codes::PLANIMETRY),
            item::code(Modifier, codes::DERIVATION, derivation),
            item::code(Modifier, codes::FINDING_SITE, codes::VENA_CONTRACTA),
        ]
    };
    let view = |view| vec![item::code(Modifier, codes::IMAGE_VIEW, view)];
    let numbers = [
        (codes::AREA, jet.vca_mm2, codes::SQUARE_MM, planimetry(codes::CORRECTED)),
        (codes::AREA, exact(jet.traced_area_mm2), codes::SQUARE_MM, planimetry(codes::DISPLAYED)),
        (codes::AREA, exact(jet.systole.mean_vca_mm2), codes::SQUARE_MM, planimetry(codes::SYSTOLIC_MEAN)),
        (codes::PERIMETER, exact(jet.shape.perimeter_mm), codes::MM, planimetry(codes::DISPLAYED)),
        (width, jet.width_mm.long_axis, codes::MM, view(codes::LONG_AXIS)),
        (width, jet.width_mm.commissural, codes::MM, view(codes::COMMISSURAL)),
        (codes::DOPPLER_ANGLE, exact(jet.beam_angle_deg.unwrap_or(f64::NAN)), codes::DEGREE, Vec::new()),
    ];
    below.extend(
        numbers.into_iter().filter_map(|(what, value, unit, more)| measured(what, &value, unit, more)),
    );
    below.extend(convergence(jet, options));
    below.push(item::code(Contains, codes::SHAPE, codes::shape(jet.shape.class)));
    below.push(item::code(Contains, codes::OUTLINE, codes::outline(jet.reading.origin)));
    below.push(item::code(Contains, codes::COURSE, codes::course(jet.systole.pattern)));
    below.push(item::text(
        Contains,
        codes::COMMENT,
        &format!("Traced in frame {} (counted from 1) of the gated beat.", jet.peak_frame + 1),
    ));
    if jet.width_mm.axes_assumed {
        let assumed = "The direction of the long-axis cut was assumed: the tracing's shortest caliper width.";
        below.push(item::text(Contains, codes::COMMENT, assumed));
    }
    item::container(codes::MEASUREMENT_GROUP, Some("1410"), below)
}

/// Flow and orifice by the surfaces of equal speed upstream: here the codes that name that method are
/// right. No code of the standard says the flow of a valve that is not named, so it is then left out.
fn convergence(jet: &JetResult, options: &StructuredReportOptions) -> Vec<Set> {
    let by = || vec![item::code(Modifier, codes::METHOD, codes::ISOVELOCITY)];
    let flow = match options.valve {
        Some(Valve::Mitral) => Some(codes::FLOW_MITRAL),
        Some(Valve::Aortic) => Some(codes::FLOW_AORTIC),
        Some(Valve::Tricuspid) | None => None,
    };
    let orifice = match options.valve {
        Some(Valve::Mitral) => codes::EROA_MITRAL,
        Some(Valve::Aortic) => codes::EROA_AORTIC,
        Some(Valve::Tricuspid) | None => codes::EROA,
    };
    let flow = flow.zip(jet.convergence.flow_ml_s);
    let flow = flow.and_then(|(code, value)| measured(code, &value, codes::ML_PER_S, by()));
    let area = jet.convergence.eroa_mm2.and_then(|value| measured(orifice, &value, codes::SQUARE_MM, by()));
    flow.into_iter().chain(area).collect()
}

/// What belongs to all jets together
fn whole_group(results: &Results, source: &SourceInstance, options: &StructuredReportOptions) -> Set {
    let mut below: Vec<Set> = tracking(source, "all jets").into();
    below.push(finding(options));
    if results.total.frame.is_some() {
        let more = vec![
            item::code(Modifier, codes::METHOD, codes::PLANIMETRY),
            item::code(Modifier, codes::DERIVATION, codes::SUM_OF_JETS),
            item::code(Modifier, codes::FINDING_SITE, codes::VENA_CONTRACTA),
        ];
        below.extend(measured(codes::AREA, &results.total.vca_mm2, codes::SQUARE_MM, more));
    }
    if let Some(volume) = &results.total.regurgitant_volume_ml {
        let more = vec![
            item::code(Modifier, codes::METHOD, codes::DOPPLER_VOLUME_FLOW),
            item::code(Modifier, codes::FLOW_DIRECTION, codes::RETROGRADE),
        ];
        below.extend(measured(codes::VOLUME, volume, codes::ML, more));
    }
    below.push(item::code(Contains, codes::TRUST, codes::trust(results.trust.verdict)));
    let jets = match results.jets.len() {
        0 => "No regurgitant jet was found.".to_owned(),
        1 => "One jet was found.".to_owned(),
        jets => format!("{jets} jets were found."),
    };
    below.push(item::text(Contains, codes::COMMENT, &jets));
    below.extend(results.cautions.iter().map(|caution| item::text(Contains, codes::COMMENT, caution)));
    item::container(codes::MEASUREMENT_GROUP, Some("1501"), below)
}

/// A number with its modifiers and, where it has an interval, the way to its ends
fn measured(concept: Code, value: &Interval, unit: Code, modifiers: Vec<Set>) -> Option<Set> {
    if !value.value.is_finite() {
        return None;
    }
    let mut below = modifiers;
    if value.low.is_finite() && value.high.is_finite() {
        below.push(item::number(Property, codes::UPPER, value.high - value.value, unit));
        below.push(item::number(Property, codes::LOWER, value.value - value.low, unit));
    }
    Some(item::with(item::number(Contains, concept, value.value, unit), below))
}

/// Plain words as a person name of the standard: the last word is taken as the family name
fn person_name(words: &str) -> String {
    let clean: String =
        words.chars().map(|c| if c == '\\' || c == '=' || c.is_control() { ' ' } else { c }).collect();
    if clean.contains('^') {
        return clean;
    }
    let parts: Vec<&str> = clean.split_whitespace().collect();
    match parts.split_last() {
        Some((family, given)) if !given.is_empty() => format!("{family}^{}", given.join(" ")),
        _ => parts.concat(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reader_becomes_a_person_name() {
        assert_eq!(person_name("Ada Reader"), "Reader^Ada");
        assert_eq!(person_name("Reader^Ada"), "Reader^Ada");
        assert_eq!(person_name(" R7 "), "R7");
        assert_eq!(person_name("a\\b=c"), "c^a b");
    }
}
