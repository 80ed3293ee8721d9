//! What codes mean: Real World Value Mapping, zero velocity, Nyquist velocity.
//!
//! The object has no attribute for the Nyquist velocity. Three sources are tried in this order:
//! what the user says, the alias velocity in the Acquisition Context (LOINC 59130-5), and the
//! cycle of the codes where the file declares them cyclic. Whatever was not said is noted.

use dicom_dictionary_std::tags;

use super::tree::View;
use super::{DicomError, checks};
use crate::format::{ABSURD, NYQUIST_M_S, Notes};
use crate::unit::MetresPerSecond;
use crate::volume::{Cycle, PowerScale, VelocityScale};

/// A linear mapping from codes to real-world values
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Mapping {
    /// Value of one code step
    pub(super) slope: f64,
    /// Value of code 0
    pub(super) intercept: f64,
    /// Code value of the units, UCUM
    pub(super) units: String,
}

/// The mapping of a frame's functional group; `None` where it has none that is linear
///
/// # Errors
/// [`DicomError::Value`] where slope or intercept is no usable number.
pub(super) fn mapping(group: Option<View<'_>>) -> Result<Option<Mapping>, DicomError> {
    let Some(group) = group else { return Ok(None) };
    let Some(slope) = group.number(tags::REAL_WORLD_VALUE_SLOPE) else { return Ok(None) };
    let intercept = group.number(tags::REAL_WORLD_VALUE_INTERCEPT).unwrap_or(0.0);
    if slope == 0.0 {
        return Err(DicomError::Value {
            name: "Real World Value Mapping",
            found: "a slope of zero".to_owned(),
        });
    }
    checks::sane("Real World Value Mapping", [slope, intercept])?;
    let units = group
        .first(tags::MEASUREMENT_UNITS_CODE_SEQUENCE)
        .and_then(|code| code.text(tags::CODE_VALUE))
        .unwrap_or_default();
    Ok(Some(Mapping { slope, intercept, units: units.to_owned() }))
}

/// What the file says about a velocity channel
pub(super) struct VelocityFacts {
    /// Bits of a code
    pub(super) bits: u32,
    /// Real World Value Mapping
    pub(super) mapping: Option<Mapping>,
    /// Zero Velocity Pixel Value
    pub(super) zero: Option<u32>,
    /// Aliased Data Type
    pub(super) aliased: Option<Cycle>,
    /// Alias velocity of the Acquisition Context
    pub(super) context: Option<MetresPerSecond>,
    /// What the user said
    pub(super) given: Option<MetresPerSecond>,
}

/// The scale these facts make
///
/// # Errors
/// [`DicomError::Nyquist`], [`DicomError::Units`], [`DicomError::ZeroDisagrees`],
/// [`DicomError::Scale`].
pub(super) fn velocity(facts: &VelocityFacts, notes: &mut Notes) -> Result<VelocityScale, DicomError> {
    let codes = f64::from(1u32 << facts.bits.min(16));
    let per_code = match &facts.mapping {
        None => None,
        Some(mapping) => match mapping.units.as_str() {
            "cm/s" => Some(mapping.slope / 100.0),
            "m/s" => Some(mapping.slope),
            "mm/s" => Some(mapping.slope / 1000.0),
            _ if facts.given.is_some() => {
                notes.assume(format!(
                    "the velocity mapping is in \"{}\", which is not a velocity; the code range was taken as one \
                     cycle of the Nyquist velocity given",
                    mapping.units
                ));
                None
            }
            units => return Err(DicomError::Units { units: units.to_owned() }),
        },
    };
    let zero_code = zero(facts, per_code.is_some(), notes)?;
    let cycle_of_codes = per_code.map(|step| step.abs() * codes / 2.0);
    let nyquist = match (facts.given, facts.context, facts.aliased, cycle_of_codes) {
        (Some(given), ..) => {
            notes.assume(format!("the Nyquist velocity {:.4} m/s was given by the user", given.get()));
            given
        }
        (None, Some(context), ..) => context,
        (None, None, Some(Cycle::Full), Some(cycle)) => {
            notes.assume(format!(
                "the Nyquist velocity {cycle:.4} m/s was taken from the cycle of the velocity codes; the file does \
                 not state it"
            ));
            MetresPerSecond::new(cycle)
        }
        _ => return Err(DicomError::Nyquist),
    };
    let step = per_code.unwrap_or_else(|| {
        notes.assume(
            "the velocity codes have no real-world mapping; their range was taken as one cycle of twice the \
             Nyquist velocity, rising toward the probe"
                .to_owned(),
        );
        2.0 * nyquist.get() / codes
    });
    let off = (step.abs() * codes / 2.0 / nyquist.get() - 1.0).abs();
    let cycle = facts.aliased.unwrap_or_else(|| {
        let cycle = if off < 0.01 { Cycle::Full } else { Cycle::Open };
        let word = if cycle == Cycle::Full { "cyclic" } else { "not cyclic" };
        notes.assume(format!(
            "the file does not say whether velocity codes are cyclic; they were taken as {word}, by comparing \
             their range with the Nyquist velocity"
        ));
        cycle
    });
    if cycle == Cycle::Full && off > 0.02 {
        notes.assume(format!(
            "the Nyquist velocity {:.4} m/s and the cycle of the velocity codes ({:.4} m/s) differ; the former was \
             used",
            nyquist.get(),
            step.abs() * codes / 2.0
        ));
    }
    if !NYQUIST_M_S.contains(&nyquist.get()) {
        return Err(DicomError::Value {
            name: "the Nyquist velocity",
            found: format!("{} m/s", nyquist.get()),
        });
    }
    VelocityScale::new(facts.bits, zero_code, MetresPerSecond::new(step), nyquist, cycle)
        .map_err(|source| DicomError::Scale { source })
}

/// The code of zero velocity
fn zero(facts: &VelocityFacts, mapped: bool, notes: &mut Notes) -> Result<u16, DicomError> {
    let by_mapping = facts.mapping.as_ref().filter(|_| mapped).map(|m| -m.intercept / m.slope);
    let last = (1u32 << facts.bits.min(16)) - 1;
    let code = match (facts.zero, by_mapping) {
        (Some(zero), Some(mapped)) if (mapped - f64::from(zero)).abs() > 0.75 => {
            return Err(DicomError::ZeroDisagrees { zero, mapped });
        }
        (Some(zero), _) => zero,
        (None, Some(mapped)) if (-0.5..=f64::from(last) + 0.5).contains(&mapped) => {
            let zero = (mapped.round() as u32).min(last);
            notes.assume(format!(
                "the code of zero velocity is not stated; {zero} was taken from the real-world mapping"
            ));
            zero
        }
        (None, Some(mapped)) => {
            return Err(DicomError::Value {
                name: "the zero of the velocity mapping",
                found: format!("code {mapped}, outside {} bits", facts.bits),
            });
        }
        (None, None) => {
            let zero = last.div_ceil(2);
            notes.assume(format!("the code of zero velocity is not stated; the middle, {zero}, was taken"));
            zero
        }
    };
    u16::try_from(code).ok().filter(|code| u32::from(*code) <= last).ok_or_else(|| DicomError::Value {
        name: "Zero Velocity Pixel Value",
        found: format!("{code}, outside {} bits", facts.bits),
    })
}

/// The scale of a power channel: decibel where its units say so, linear otherwise
pub(super) fn power(mapping: Option<&Mapping>, notes: &mut Notes) -> PowerScale {
    match mapping {
        Some(Mapping { slope, intercept, units }) if units == "dB" => {
            PowerScale::Decibel { decibel_per_code: *slope, decibel_at_zero: *intercept }
        }
        Some(Mapping { slope, intercept, units }) => {
            if units != "1" {
                notes.assume(format!("power in \"{units}\" was taken as proportional to flow power"));
            }
            PowerScale::Linear { zero_code: -intercept / slope }
        }
        None => {
            notes.assume(
                "the power codes have no real-world mapping; they were taken as proportional to flow power",
            );
            PowerScale::default()
        }
    }
}

/// What the Acquisition Context says in numbers
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Context {
    /// Alias velocity (LOINC 59130-5)
    pub(super) nyquist: Option<MetresPerSecond>,
    /// R-R intervals of the single beats in seconds (DCM 122182), in the order of their items
    pub(super) beats_rr_s: Vec<f64>,
}

/// Reads the Acquisition Context Sequence
pub(super) fn context(root: View<'_>) -> Context {
    let mut context = Context::default();
    for item in root.items(tags::ACQUISITION_CONTEXT_SEQUENCE) {
        let Some(concept) = item.first(tags::CONCEPT_NAME_CODE_SEQUENCE) else { continue };
        let value = item.number(tags::FLOATING_POINT_VALUE).or_else(|| item.number(tags::NUMERIC_VALUE));
        let Some(value) = value.filter(|value| *value > 0.0 && *value <= ABSURD) else { continue };
        let units =
            item.first(tags::MEASUREMENT_UNITS_CODE_SEQUENCE).and_then(|code| code.text(tags::CODE_VALUE));
        let scheme = concept.text(tags::CODING_SCHEME_DESIGNATOR);
        match (concept.text(tags::CODE_VALUE), scheme, units) {
            (Some("59130-5"), Some("LN"), Some("cm/s")) => {
                context.nyquist = Some(MetresPerSecond::new(value / 100.0));
            }
            (Some("59130-5"), Some("LN"), Some("m/s")) => context.nyquist = Some(MetresPerSecond::new(value)),
            (Some("122182"), Some("DCM"), Some("ms")) => context.beats_rr_s.push(value / 1000.0),
            (Some("122182"), Some("DCM"), Some("s")) => context.beats_rr_s.push(value),
            _ => {}
        }
    }
    context
}
