//! What codes mean: Real World Value Mapping, zero velocity, Nyquist velocity.
//!
//! The object has no attribute for the Nyquist velocity. Three sources are tried in this order:
//! what the user says, the alias velocity in the Acquisition Context (LOINC 59130-5), and the
//! cycle of the codes where the file declares them cyclic. Whatever was not said is noted.

use std::collections::BTreeMap;

use dicom_dictionary_std::tags;

use super::DicomError;
use super::header::GATED_BEATS;
use super::mapping::{self, Item, Mapping};
use super::tree::View;
use crate::format::{ABSURD, NYQUIST_M_S, Notes};
use crate::unit::MetresPerSecond;
use crate::volume::{Cycle, PowerScale, VelocityScale};

/// Metres a second in a unit of velocity (UCUM, as it is mostly written and in full)
fn metres_per_second(units: &str) -> Option<f64> {
    match units {
        "m/s" | "m.s-1" => Some(1.0),
        "cm/s" | "cm.s-1" => Some(0.01),
        "mm/s" | "mm.s-1" => Some(0.001),
        _ => None,
    }
}

/// Hertz in a unit of frequency
fn hertz(units: &str) -> Option<f64> {
    match units {
        "Hz" => Some(1.0),
        "kHz" => Some(1e3),
        _ => None,
    }
}

/// Speed of sound that scanners reckon with, m/s (soft tissue; common practice, no source)
const SPEED_OF_SOUND: f64 = 1540.0;

/// What turns a Doppler shift into a velocity
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Doppler {
    /// Transducer Frequency, kHz
    frequency_khz: Option<f64>,
    /// Doppler Correction Angle, degrees
    angle_deg: Option<f64>,
}

impl Doppler {
    /// What a file states, in itself or in its calibrated regions; nothing where it states several
    pub(super) fn of(root: View<'_>) -> Self {
        let one = |tag| {
            let regions = root.items(tags::SEQUENCE_OF_ULTRASOUND_REGIONS);
            let mut stated = std::iter::once(root).chain(regions).filter_map(|set| set.number(tag));
            let first = stated.next()?;
            stated.all(|other| other == first).then_some(first)
        };
        Self {
            frequency_khz: one(tags::TRANSDUCER_FREQUENCY).filter(|khz| *khz > 0.0 && *khz <= ABSURD),
            angle_deg: one(tags::DOPPLER_CORRECTION_ANGLE).filter(|angle| angle.abs() <= 90.0),
        }
    }

    /// The velocity along the beam of a shift of one hertz, m/s: `c / (2 f)`
    ///
    /// A shift is made by the part of the velocity along the beam alone, which is what a velocity code
    /// means here. The angle that a display may correct for must be known not to be in it.
    fn velocity_of_a_hertz(self, notes: &mut Notes) -> Result<f64, &'static str> {
        let frequency = self.frequency_khz.ok_or("the transducer's frequency")?;
        let angle = self.angle_deg.ok_or("the correction angle")?;
        notes.assume(format!(
            "velocities are stored as Doppler shifts; they were computed for {frequency} kHz and a speed of sound of \
             {SPEED_OF_SOUND} m/s"
        ));
        if angle != 0.0 {
            notes.assume(format!(
                "the correction angle of {angle} degrees was not applied: velocities are those along the beam"
            ));
        }
        Ok(SPEED_OF_SOUND / (2.0 * frequency * 1e3))
    }
}

/// The mapping of a velocity channel in m/s, chosen by its unit wherever it stands
///
/// `None` where there is none, or none in a unit that can be used and the Nyquist velocity was given: then all that
/// stand there must still be straight lines, or codes are no velocities on one scale.
///
/// # Errors
/// [`DicomError::Mapping`], [`DicomError::Units`], [`DicomError::Shift`].
pub(super) fn velocity_mapping(
    items: &[Item],
    doppler: Doppler,
    bits: u32,
    given: Option<MetresPerSecond>,
    notes: &mut Notes,
) -> Result<Option<Mapping>, DicomError> {
    let of = |unit: fn(&str) -> Option<f64>| -> Vec<&Item> {
        items.iter().filter(|item| unit(&item.units).is_some()).collect()
    };
    let (velocities, shifts) = (of(metres_per_second), of(hertz));
    let found = if !velocities.is_empty() {
        mapping::line(
            VELOCITY,
            &velocities,
            |item| metres_per_second(&item.units).unwrap_or(1.0),
            bits,
            notes,
        )?
    } else if !shifts.is_empty() {
        match doppler.velocity_of_a_hertz(notes) {
            Ok(of_a_hertz) => {
                let scale = |item: &Item| hertz(&item.units).unwrap_or(1.0) * of_a_hertz;
                mapping::line(VELOCITY, &shifts, scale, bits, notes)?
            }
            Err(_) if given.is_some() => None,
            Err(missing) => return Err(DicomError::Shift { missing }),
        }
    } else {
        None
    };
    let Some(first) = items.first().filter(|_| found.is_none()) else { return Ok(found) };
    if given.is_none() {
        return Err(DicomError::Units { units: first.units.clone() });
    }
    let mut by_units: BTreeMap<&str, Vec<&Item>> = BTreeMap::new();
    for item in items {
        by_units.entry(&item.units).or_default().push(item);
    }
    for same in by_units.values() {
        mapping::line(VELOCITY, same, |_| 1.0, bits, &mut Notes::default())?;
    }
    // Units are free text, which no note repeats: notes are written where nobody is to be named.
    notes.observed.push(format!("the velocity mapping is in \"{}\"", first.units));
    notes.assume(
        "the velocity mapping is in a unit that is none of velocity; the code range was taken as one cycle of the \
         Nyquist velocity given",
    );
    Ok(None)
}

/// The mapping of a power channel: in decibel where there is one, else without a unit, else what there is
///
/// # Errors
/// [`DicomError::Mapping`].
pub(super) fn power_mapping(
    items: &[Item],
    bits: u32,
    notes: &mut Notes,
) -> Result<Option<Mapping>, DicomError> {
    let first = items.first().map(|item| item.units.as_str());
    let units = ["dB", "1"].into_iter().find(|units| items.iter().any(|item| item.units == *units)).or(first);
    let chosen: Vec<&Item> = items.iter().filter(|item| Some(item.units.as_str()) == units).collect();
    mapping::line("power", &chosen, |_| 1.0, bits, notes)
}

const VELOCITY: &str = "velocity";

/// What the file says about a velocity channel
pub(super) struct VelocityFacts {
    /// Bits of a code
    pub(super) bits: u32,
    /// Real World Value Mapping, m/s
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
/// [`DicomError::Nyquist`], [`DicomError::ZeroDisagrees`], [`DicomError::Scale`].
pub(super) fn velocity(facts: &VelocityFacts, notes: &mut Notes) -> Result<VelocityScale, DicomError> {
    let codes = f64::from(1u32 << facts.bits.min(16));
    let per_code = facts.mapping.as_ref().map(|mapping| mapping.slope);
    let zero_code = zero(facts, notes)?;
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
fn zero(facts: &VelocityFacts, notes: &mut Notes) -> Result<u16, DicomError> {
    let by_mapping = facts.mapping.as_ref().map(|m| -m.intercept / m.slope);
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
                notes.observed.push(format!("the power mapping is in \"{units}\""));
                notes.assume("power in a unit that is not known was taken as proportional to flow power");
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
    /// Number of gated beats, where a volume that was written again says it
    pub(super) gated_beats: Option<u32>,
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
            (Some("59130-5"), Some("LN"), Some(units)) => {
                // In another unit it says nothing that can be used.
                let stated = metres_per_second(units).map(|unit| MetresPerSecond::new(value * unit));
                context.nyquist = stated.or(context.nyquist);
            }
            (Some("122182"), Some("DCM"), Some("ms")) => context.beats_rr_s.push(value / 1000.0),
            (Some("122182"), Some("DCM"), Some("s")) => context.beats_rr_s.push(value),
            (Some(concept), Some(scheme), Some("1")) if [concept, scheme] == GATED_BEATS[..2] => {
                context.gated_beats = (value.fract() == 0.0).then_some(value as u32);
            }
            _ => {}
        }
    }
    context
}
