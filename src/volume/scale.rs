//! What the codes of the flow channels mean.

use crate::unit::MetresPerSecond;

/// Whether the codes of the velocity channel wrap around
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cycle {
    /// The whole code range is one cycle: the highest code is next to the lowest
    Full,
    /// The codes do not wrap at the ends of their range
    Open,
}

/// What a velocity code means: positive toward the probe, zero at `zero_code`
///
/// The velocity is cyclic with period twice the Nyquist velocity, whatever the codes do:
/// `phase = pi v / v_N`. With a baseline shift the zero code is off the middle and the displayed
/// limits are not symmetric.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VelocityScale {
    bits: u32,
    zero_code: u16,
    metres_per_second_per_code: f64,
    nyquist: MetresPerSecond,
    cycle: Cycle,
}

/// Why a scale was refused
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum ScaleError {
    /// The Nyquist velocity is not a positive number
    #[error("the Nyquist velocity is not positive: {0} m/s")]
    Nyquist(f64),
    /// The step of a code is zero or not a number
    #[error("the velocity step of a code is not usable: {0} m/s")]
    Step(f64),
    /// The baseline lies outside the displayed range
    #[error("a baseline shift of {0} m/s leaves no code for zero velocity")]
    Baseline(f64),
    /// Neither 8 nor 16 bits
    #[error("velocity codes of {0} bits are not supported, only 8 and 16")]
    Bits(u32),
    /// The zero code lies outside the code range
    #[error("the zero velocity code {zero} is outside {bits} bits")]
    Zero {
        /// The code
        zero: u32,
        /// The width
        bits: u32,
    },
}

impl VelocityScale {
    /// The whole code range is one cycle of twice `nyquist`
    ///
    /// # Errors
    /// See [`ScaleError`].
    pub fn full_cycle(bits: u32, zero_code: u16, nyquist: MetresPerSecond) -> Result<Self, ScaleError> {
        let codes = f64::from(1u32 << bits.min(16));
        Self::new(bits, zero_code, nyquist * (2.0 / codes), nyquist, Cycle::Full)
    }

    /// A scale with its own step per code (negative where higher codes are away from the probe)
    ///
    /// # Errors
    /// See [`ScaleError`].
    pub fn new(
        bits: u32,
        zero_code: u16,
        step: MetresPerSecond,
        nyquist: MetresPerSecond,
        cycle: Cycle,
    ) -> Result<Self, ScaleError> {
        if bits != 8 && bits != 16 {
            return Err(ScaleError::Bits(bits));
        }
        if u32::from(zero_code) >= 1 << bits {
            return Err(ScaleError::Zero { zero: u32::from(zero_code), bits });
        }
        if !(nyquist.is_finite() && nyquist > MetresPerSecond::ZERO) {
            return Err(ScaleError::Nyquist(nyquist.get()));
        }
        if !step.is_finite() || step.get() == 0.0 {
            return Err(ScaleError::Step(step.get()));
        }
        Ok(Self { bits, zero_code, metres_per_second_per_code: step.get(), nyquist, cycle })
    }

    /// Bits of a code
    pub fn bits(&self) -> u32 {
        self.bits
    }

    /// The code of no motion, also the code of "no colour here"
    pub fn zero_code(&self) -> u16 {
        self.zero_code
    }

    /// Velocity of one code step
    pub fn step(&self) -> MetresPerSecond {
        MetresPerSecond::new(self.metres_per_second_per_code)
    }

    /// Nyquist velocity: half the cycle
    pub fn nyquist(&self) -> MetresPerSecond {
        self.nyquist
    }

    /// Whether codes wrap at the ends of their range
    pub fn cycle(&self) -> Cycle {
        self.cycle
    }

    /// The displayed velocity of a code
    pub fn velocity(&self, code: u16) -> MetresPerSecond {
        self.step() * (f64::from(code) - f64::from(self.zero_code))
    }

    /// The phase of a code in radians: pi times velocity over Nyquist
    pub fn phase(&self, code: u16) -> f64 {
        std::f64::consts::PI * (self.velocity(code) / self.nyquist)
    }

    /// Lowest and highest displayed velocity
    pub fn limits(&self) -> (MetresPerSecond, MetresPerSecond) {
        let last = ((1u32 << self.bits) - 1) as u16;
        let (a, b) = (self.velocity(0), self.velocity(last));
        if a < b { (a, b) } else { (b, a) }
    }

    /// How far the middle of the displayed range lies from zero
    pub fn baseline_shift(&self) -> MetresPerSecond {
        let middle = f64::from((1u32 << self.bits) / 2);
        self.step() * (middle - f64::from(self.zero_code))
    }

    /// The same codes about another baseline: what was stored is taken for the velocity that it then stands for
    ///
    /// # Errors
    /// [`ScaleError::Baseline`] where no code stands for zero velocity any more.
    pub fn with_baseline_shift(self, shift: MetresPerSecond) -> Result<Self, ScaleError> {
        let codes = f64::from(1u32 << self.bits);
        let zero = (codes / 2.0 - shift / self.step()).round();
        if !(0.0..codes).contains(&zero) {
            return Err(ScaleError::Baseline(shift.get()));
        }
        Ok(Self { zero_code: zero as u16, ..self })
    }

    /// The code of a velocity, wrapped into the cycle; never the zero code for a velocity that is
    /// not zero, since that code also says "no colour"
    pub fn code(&self, velocity: MetresPerSecond) -> u16 {
        let codes = f64::from(1u32 << self.bits);
        let steps = velocity / self.step();
        let code = match self.cycle {
            Cycle::Full => (steps.round() + f64::from(self.zero_code)).rem_euclid(codes),
            Cycle::Open => (steps.round() + f64::from(self.zero_code)).clamp(0.0, codes - 1.0),
        } as u32;
        let code = code.min((1 << self.bits) - 1) as u16;
        if code != self.zero_code || velocity.get() == 0.0 {
            return code;
        }
        let up = (steps >= 0.0 || code == 0) && u32::from(code) + 1 < (1 << self.bits);
        if up { code + 1 } else { code - 1 }
    }

    /// A velocity wrapped into [-nyquist, nyquist)
    pub fn wrap(&self, velocity: MetresPerSecond) -> MetresPerSecond {
        let full = 2.0 * self.nyquist.get();
        MetresPerSecond::new((velocity.get() + self.nyquist.get()).rem_euclid(full) - self.nyquist.get())
    }
}

/// What a power code means
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PowerScale {
    /// Power is proportional to the code, above `zero_code`
    Linear {
        /// The code of no power
        zero_code: f64,
    },
    /// Power in decibel: `decibel_per_code * code + decibel_at_zero`
    Decibel {
        /// Step of one code, dB
        decibel_per_code: f64,
        /// Value of code 0, dB
        decibel_at_zero: f64,
    },
}

impl Default for PowerScale {
    fn default() -> Self {
        Self::Linear { zero_code: 0.0 }
    }
}

impl PowerScale {
    /// The power of a (perhaps fractional) code on a linear scale, in arbitrary units; code 0 is none
    pub fn linear(&self, code: f64) -> f64 {
        match *self {
            Self::Linear { zero_code } => (code - zero_code).max(0.0),
            Self::Decibel { .. } if code <= 0.0 => 0.0,
            Self::Decibel { decibel_per_code, decibel_at_zero } => {
                libm::exp10((decibel_per_code * code + decibel_at_zero) / 10.0)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mps(v: f64) -> MetresPerSecond {
        MetresPerSecond::new(v)
    }

    #[test]
    fn wrapping_follows_the_worked_examples() {
        // 5.0 m/s at Nyquist 0.60 shows as +0.20; 0.65 as -0.55: closed form.
        let scale = VelocityScale::full_cycle(8, 128, mps(0.6)).unwrap();
        assert!((scale.wrap(mps(5.0)).get() - 0.20).abs() < 1e-12);
        assert!((scale.wrap(mps(0.65)).get() + 0.55).abs() < 1e-12);
        assert!((scale.velocity(scale.code(mps(5.0))).get() - 0.20).abs() < 0.6 / 128.0);
    }

    #[test]
    fn a_baseline_shift_moves_the_limits() {
        let scale = VelocityScale::full_cycle(8, 64, mps(0.6)).unwrap();
        let (low, high) = scale.limits();
        assert!((low.get() + 0.3).abs() < 1e-12);
        assert!((high.get() - 0.9).abs() < 0.01);
        assert!((scale.baseline_shift().get() - 0.3).abs() < 1e-12);
        let middle = VelocityScale::full_cycle(8, 128, mps(0.6)).unwrap();
        assert_eq!(middle.with_baseline_shift(mps(0.3)), Ok(scale));
        assert!(
            middle.with_baseline_shift(mps(0.7)).is_err()
                && middle.with_baseline_shift(mps(f64::NAN)).is_err()
        );
    }

    #[test]
    fn slow_flow_never_takes_the_code_of_no_colour() {
        let scale = VelocityScale::full_cycle(8, 128, mps(0.6)).unwrap();
        assert_eq!(scale.code(mps(0.001)), 129);
        assert_eq!(scale.code(mps(-0.001)), 127);
        assert_eq!(scale.code(mps(0.0)), 128);
        assert_eq!(scale.code(mps(1.2001)), 129);
        let edge = VelocityScale::full_cycle(8, 255, mps(0.6)).unwrap();
        assert_eq!(edge.code(mps(0.001)), 254);
    }

    #[test]
    fn decibel_power_is_linear_again() {
        let scale = PowerScale::Decibel { decibel_per_code: 0.2, decibel_at_zero: -40.0 };
        assert!((scale.linear(200.0) - 1.0).abs() < 1e-12);
        assert!((scale.linear(150.0) - 0.1).abs() < 1e-12);
        assert_eq!(scale.linear(0.0), 0.0);
    }

    #[test]
    fn useless_scales_are_refused() {
        assert!(VelocityScale::full_cycle(12, 0, mps(0.6)).is_err());
        assert!(VelocityScale::full_cycle(8, 300, mps(0.6)).is_err());
        assert!(VelocityScale::full_cycle(8, 128, mps(f64::NAN)).is_err());
        assert!(VelocityScale::new(8, 128, mps(0.0), mps(0.6), Cycle::Open).is_err());
    }
}
