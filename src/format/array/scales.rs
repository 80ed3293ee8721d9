//! What stored values mean, by sidecar, header, user, in words of [`VelocityScale`] and [`PowerScale`].
//!
//! The Nyquist velocity is never guessed. The rest of a velocity scale has a first choice (what is
//! said), a second (what follows from it) and a last one, which is noted: the range of stored values
//! is one cycle with no motion in its middle.

use super::ArrayError;
use super::codes::{Component, Ends, Line, Span};
use super::layout::Element;
use super::sidecar::{PowerWords, VelocityWords};
use crate::format::{NYQUIST_M_S, Notes};
use crate::unit::MetresPerSecond;
use crate::volume::{Cycle, PowerScale, Samples, VelocityScale};

/// What is missing where nobody says the Nyquist velocity
pub(super) const NYQUIST: &str = "the velocity scale (the Nyquist velocity)";

/// What is missing where components may be channels or colours
pub(super) const COLOURS: &str =
    "which channel is which (or which velocity bar, if the components are colours)";

/// What is known of a velocity channel
#[derive(Clone, Copy)]
pub(super) struct Facts<'a> {
    /// What the sidecar says
    pub(super) words: &'a VelocityWords,
    /// `value = slope * stored + intercept` in m/s, where the header says so
    pub(super) scaling: Option<(f64, f64)>,
    /// What the user says
    pub(super) given: Option<MetresPerSecond>,
}

impl Facts<'_> {
    /// The Nyquist velocity, where somebody says it
    ///
    /// # Errors
    /// [`ArrayError::Nyquist`] where it is none.
    pub(super) fn nyquist(&self, notes: &mut Notes) -> Result<Option<MetresPerSecond>, ArrayError> {
        let stated = self.words.nyquist_m_s.map(MetresPerSecond::new);
        if let Some(given) = self.given.filter(|given| stated != Some(*given)) {
            notes.assume(format!("the Nyquist velocity {:.4} m/s was given by the user", given.get()));
        }
        let nyquist = self.given.or(stated);
        match nyquist.filter(|nyquist| !NYQUIST_M_S.contains(&nyquist.get())) {
            Some(wrong) => Err(ArrayError::Nyquist(wrong.get())),
            None => Ok(nyquist),
        }
    }

    /// The Nyquist velocity implied by cyclic codes of a known step
    fn implied(&self, element: Element) -> Option<f64> {
        let step = self.words.m_s_per_step.filter(|_| self.words.cyclic == Some(true))?;
        (!element.is_real()).then(|| step.abs() * f64::from(1u32 << element.code_bits()) / 2.0)
    }

    /// Whether there is a Nyquist velocity, said or implied
    pub(super) fn has_nyquist(&self, element: Element) -> bool {
        self.given.is_some() || self.words.nyquist_m_s.is_some() || self.implied(element).is_some()
    }
}

/// Codes and scale of a velocity channel
///
/// # Errors
/// See [`ArrayError`].
pub(super) fn velocity(
    component: &Component<'_>,
    facts: &Facts<'_>,
    notes: &mut Notes,
) -> Result<(Samples, VelocityScale), ArrayError> {
    if component.element.is_real() { real(component, facts, notes) } else { whole(component, facts, notes) }
}

fn whole(
    component: &Component<'_>,
    facts: &Facts<'_>,
    notes: &mut Notes,
) -> Result<(Samples, VelocityScale), ArrayError> {
    let element = component.element;
    let bits = element.code_bits();
    let codes = f64::from(1u32 << bits);
    let offset = f64::from(element.code_of_zero());
    let nyquist = match (facts.nyquist(notes)?, facts.implied(element)) {
        (Some(nyquist), _) => nyquist,
        (None, Some(cycle)) => {
            notes.assume(format!(
                "the Nyquist velocity {cycle:.4} m/s was taken from the cycle of the velocity codes"
            ));
            MetresPerSecond::new(cycle)
        }
        (None, None) => return Err(ArrayError::Missing { missing: vec![NYQUIST], sidecar: String::new() }),
    };
    let step = facts.step(codes, nyquist, notes);
    let stored = Stored { lowest: -offset, highest: codes - 1.0 - offset, middle: codes / 2.0 - offset };
    let zero = facts.zero(stored, step, notes);
    facts.agree(stored, step, zero)?;
    let code = zero + offset;
    if facts.words.zero.is_some_and(|zero| zero.fract() != 0.0) || !(code >= -0.5 && code < codes - 0.5) {
        return Err(ArrayError::Sidecar {
            message: format!(
                "the stored value of zero velocity, {zero}, is not one of {} to {}",
                stored.lowest, stored.highest
            ),
        });
    }
    if (code - code.round()).abs() > 1e-6 {
        notes.assume(format!(
            "zero velocity falls between two codes; the nearer was taken, {:.5} m/s off",
            ((code - code.round()) * step).abs()
        ));
    }
    let cycle = facts.cycle(MetresPerSecond::new(step.abs() * codes / 2.0), nyquist, notes);
    let scale =
        VelocityScale::new(bits, code.round().max(0.0) as u16, MetresPerSecond::new(step), nyquist, cycle)?;
    Ok((component.whole(element.code_of_zero())?, scale))
}

/// The values that a code may have as it is stored
#[derive(Clone, Copy)]
struct Stored {
    lowest: f64,
    highest: f64,
    middle: f64,
}

impl Facts<'_> {
    /// Velocity of one code step, m/s
    fn step(&self, codes: f64, nyquist: MetresPerSecond, notes: &mut Notes) -> f64 {
        let words = self.words;
        // Limits a cycle apart are those of the bar: the upper one is where codes wrap, one past the last.
        let cycle_m_s = 2.0 * nyquist.get();
        let by_limits = words.limits_m_s.map(|[low, high]| {
            let round = ((high - low) / cycle_m_s - 1.0).abs() < 0.01 && words.cyclic != Some(false);
            if round { cycle_m_s / codes } else { (high - low) / (codes - 1.0) }
        });
        match (words.m_s_per_step, by_limits, self.scaling) {
            (Some(step), ..) | (None, Some(step), _) => step,
            (None, None, Some((slope, _))) => {
                notes.assume("the scaling in the header was taken to give m/s");
                slope
            }
            (None, None, None) => {
                notes.assume(
                    "nothing says what a velocity code means; the range of codes was taken as one cycle of twice \
                     the Nyquist velocity, rising toward the probe",
                );
                cycle_m_s / codes
            }
        }
    }

    /// The stored value of zero velocity
    fn zero(&self, Stored { lowest, middle, .. }: Stored, step: f64, notes: &mut Notes) -> f64 {
        let words = self.words;
        match (words.zero, words.limits_m_s, words.baseline_shift_m_s, self.scaling) {
            (Some(zero), ..) => zero,
            (None, Some([low, high]), ..) => lowest - if step > 0.0 { low } else { high } / step,
            (None, None, Some(shift), _) => middle - shift / step,
            (None, None, None, Some((slope, intercept))) if words.m_s_per_step.is_none() => {
                -intercept / slope
            }
            _ => {
                notes.assume(format!(
                    "the stored value of zero velocity is not stated; the middle, {middle}, was taken"
                ));
                middle
            }
        }
    }

    /// Whoever says it twice must say the same
    fn agree(&self, stored: Stored, step: f64, zero: f64) -> Result<(), ArrayError> {
        let words = self.words;
        let told = words.limits_m_s.map(|[low, high]| if step > 0.0 { [low, high] } else { [high, low] });
        let ends = [stored.lowest, stored.highest].map(|end| step * (end - zero));
        let limits = told.into_iter().flatten().zip(ends).map(|(told, found)| ("limits_m_s", told, found));
        let shift =
            words.baseline_shift_m_s.map(|told| ("baseline_shift_m_s", told, step * (stored.middle - zero)));
        for (name, told, found) in limits.chain(shift) {
            if (told - found).abs() > 1.25 * step.abs() {
                return Err(ArrayError::Sidecar {
                    message: format!(
                        "{name} says {told:.4} m/s, but zero and m_s_per_step say {found:.4} m/s"
                    ),
                });
            }
        }
        Ok(())
    }

    /// Whether codes wrap: as it is said, else where half their range is the Nyquist velocity
    fn cycle(&self, half: MetresPerSecond, nyquist: MetresPerSecond, notes: &mut Notes) -> Cycle {
        let off = (half / nyquist - 1.0).abs();
        let cycle = match self.words.cyclic {
            Some(true) => Cycle::Full,
            Some(false) => Cycle::Open,
            None if off < 0.01 => Cycle::Full,
            None => {
                notes.assume(
                    "nothing says whether velocity codes are cyclic; they were taken as not cyclic, since their range \
                     is not twice the Nyquist velocity",
                );
                Cycle::Open
            }
        };
        if cycle == Cycle::Full && off > 0.02 {
            notes.assume(format!(
                "the Nyquist velocity {:.4} m/s and the cycle of the velocity codes ({:.4} m/s) differ; the former was \
                 used",
                nyquist.get(),
                half.get()
            ));
        }
        cycle
    }
}

/// Real velocities become 16-bit codes over one cycle
fn real(
    component: &Component<'_>,
    facts: &Facts<'_>,
    notes: &mut Notes,
) -> Result<(Samples, VelocityScale), ArrayError> {
    let words = facts.words;
    let nyquist = facts
        .nyquist(notes)?
        .ok_or(ArrayError::Missing { missing: vec![NYQUIST], sidecar: String::new() })?;
    let (factor, origin) = match (words.m_s_per_step, facts.scaling) {
        (Some(factor), _) => (factor, words.zero.unwrap_or(0.0)),
        (None, Some((slope, intercept))) => (slope, -intercept / slope),
        (None, None) => (1.0, words.zero.unwrap_or(0.0)),
    };
    if words.m_s_per_step.is_none() {
        notes.assume("real velocities were taken as m/s, positive toward the probe");
    }
    let Span { low, high, nothing } = component.span();
    let (a, b) = (factor * (low - origin), factor * (high - origin));
    let (low, high) = if low > high { (0.0, 0.0) } else { (a.min(b), a.max(b)) };
    if nothing > 0 {
        notes.assume(format!("{nothing} velocities are no numbers; they were read as no colour"));
    }
    let limit = nyquist.get();
    let stated = words.limits_m_s.map(|[low, _]| low).or(words.baseline_shift_m_s.map(|s| s - limit));
    let slack = 1e-3 * limit;
    let fits = |begin: f64| low >= begin - slack && high <= begin + 2.0 * limit + slack;
    let begin = stated.unwrap_or(-limit);
    let begin = if fits(begin) {
        begin
    } else if high - low <= 2.0 * limit + slack {
        notes.assume(format!(
            "velocities run from {low:.4} to {high:.4} m/s; the baseline was taken as shifted so that they fit one cycle"
        ));
        low
    } else {
        return Err(ArrayError::Velocities { low, high, nyquist: limit });
    };
    let step = 2.0 * limit / 65536.0;
    let zero = (-begin / step).round();
    if !(0.0..65536.0).contains(&zero) {
        return Err(ArrayError::Velocities { low, high, nyquist: limit });
    }
    notes.assume(format!(
        "real velocities were rounded to 16-bit codes of one cycle, at most {:.1e} m/s off",
        step / 2.0
    ));
    let line = Line { step: step / factor, origin, shift: zero, ends: Ends::Wrap, nothing: zero as u16 };
    let scale = VelocityScale::full_cycle(16, zero as u16, nyquist)?;
    Ok((component.reals(line)?, scale))
}

/// Codes of a channel of brightness or variance, whose scale nobody asks for
///
/// # Errors
/// [`ArrayError::Samples`].
pub(super) fn plain(component: &Component<'_>, name: &str, notes: &mut Notes) -> Result<Samples, ArrayError> {
    if !component.element.is_real() {
        return Ok(component.whole(offset(component, name, notes))?);
    }
    let span = component.span();
    let width = if span.high > span.low { span.high - span.low } else { 1.0 };
    let origin = if span.low.is_finite() { span.low } else { 0.0 };
    notes.assume(format!(
        "real values of the {name} channel, {:.6} to {:.6}, were laid over the 16-bit codes",
        origin,
        origin + width
    ));
    let line = Line { step: width / 65535.0, origin, shift: 0.0, ends: Ends::Clamp, nothing: 0 };
    Ok(component.reals(line)?)
}

/// Codes and scale of a power channel
///
/// # Errors
/// [`ArrayError::Samples`].
pub(super) fn power(
    component: &Component<'_>,
    words: Option<PowerWords>,
    notes: &mut Notes,
) -> Result<(Samples, PowerScale), ArrayError> {
    let words = words.unwrap_or_else(|| {
        notes.assume("nothing says the unit of power; it was taken as proportional to flow power");
        PowerWords::Linear { zero: 0.0 }
    });
    if !component.element.is_real() {
        let offset = offset(component, "power", notes);
        let up = f64::from(offset);
        let scale = match words {
            PowerWords::Linear { zero } => PowerScale::Linear { zero_code: zero + up },
            PowerWords::Decibel { db_per_step, db_at_zero } => PowerScale::Decibel {
                decibel_per_code: db_per_step,
                decibel_at_zero: db_at_zero - db_per_step * up,
            },
        };
        return Ok((component.whole(offset)?, scale));
    }
    let span = component.span();
    let (low, high) = if span.low <= span.high { (span.low, span.high) } else { (0.0, 0.0) };
    notes.assume(format!(
        "real values of the power channel, {low:.6} to {high:.6}, were laid over the 16-bit codes"
    ));
    let over = |low: f64, codes: f64| if high > low { (high - low) / codes } else { 1.0 };
    let (line, scale) = match words {
        PowerWords::Linear { zero } => {
            let origin = zero.min(low);
            let step = over(origin, 65535.0);
            let line = Line { step, origin, shift: 0.0, ends: Ends::Clamp, nothing: 0 };
            (line, PowerScale::Linear { zero_code: (zero - origin) / step })
        }
        PowerWords::Decibel { db_per_step, db_at_zero } => {
            // Code 0 is no power at all, so that the lowest value has code 1.
            let step = over(low, 65534.0);
            let line = Line { step, origin: low, shift: 1.0, ends: Ends::Clamp, nothing: 0 };
            let decibel_at_zero = db_per_step * (low - step) + db_at_zero;
            (line, PowerScale::Decibel { decibel_per_code: db_per_step * step, decibel_at_zero })
        }
    };
    Ok((component.reals(line)?, scale))
}

/// What is added to signed samples: nothing where none is negative, half the range otherwise
fn offset(component: &Component<'_>, name: &str, notes: &mut Notes) -> u32 {
    if !component.any_negative() {
        return 0;
    }
    let up = component.element.code_of_zero();
    notes.assume(format!("the {name} channel has negative values; {up} was added to make codes of them"));
    up
}
