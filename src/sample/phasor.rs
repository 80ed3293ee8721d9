//! The phasors of velocity codes, tabled.
//!
//! 256 entries for 8-bit codes. For 16-bit codes a full table would not fit the cache; the phasor is
//! the product of one for the upper byte and one for the lower.

use crate::volume::VelocityScale;

use super::kernel::{Phasor, Phasors};

/// Tabled phasors for the codes of one scale; the code of "no colour" has none
pub(super) enum Tables {
    /// All 8-bit codes
    Byte(Box<ByteTable>),
    /// Upper and lower byte of 16-bit codes
    Word(Box<WordTable>),
}

/// A phasor for each 8-bit code
pub(super) struct ByteTable([Phasor; 256]);

/// Phasors whose product is that of a 16-bit code
pub(super) struct WordTable {
    upper: [[f64; 2]; 256],
    lower: [[f64; 2]; 256],
    zero_code: u16,
}

impl Tables {
    pub(super) fn new(scale: &VelocityScale) -> Self {
        let zero = scale.zero_code();
        let of = |code: u16| {
            let (sin, cos) = libm::sincos(scale.phase(code));
            [cos, sin]
        };
        if scale.bits() == 8 {
            return Self::Byte(Box::new(ByteTable(std::array::from_fn(|code| {
                let [cos, sin] = of(code as u16);
                if code as u16 == zero { [0.0; 4] } else { [cos, sin, 1.0, 0.0] }
            }))));
        }
        // phase(256 h + l) = phase(256 h) + (phase(l) - phase(0)).
        let lower = std::array::from_fn(|low| {
            let (sin, cos) = libm::sincos(scale.phase(low as u16) - scale.phase(0));
            [cos, sin]
        });
        let upper = std::array::from_fn(|high| of((high as u16) << 8));
        Self::Word(Box::new(WordTable { upper, lower, zero_code: zero }))
    }
}

impl Phasors for Tables {
    fn of(&self, code: u16) -> Phasor {
        match self {
            Self::Byte(table) => table.of(code),
            Self::Word(table) => table.of(code),
        }
    }
}

impl Phasors for ByteTable {
    #[inline(always)]
    fn of(&self, code: u16) -> Phasor {
        self.0[usize::from(code & 0xff)]
    }
}

impl Phasors for WordTable {
    #[inline(always)]
    fn of(&self, code: u16) -> Phasor {
        let [c, s] = self.upper[usize::from(code >> 8)];
        let [d, t] = self.lower[usize::from(code & 255)];
        let here = if code == self.zero_code { 0.0 } else { 1.0 };
        [here * (c * d - s * t), here * (s * d + c * t), here, 0.0]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::MetresPerSecond;

    #[test]
    fn tables_hold_the_phasors_of_their_codes() {
        for (bits, zero) in [(8, 128), (8, 100), (16, 32768), (16, 20000)] {
            let scale = VelocityScale::full_cycle(bits, zero, MetresPerSecond::new(0.6)).unwrap();
            let tables = Tables::new(&scale);
            for code in (0..1u32 << bits).step_by(if bits == 8 { 1 } else { 37 }) {
                let code = code as u16;
                let [cos, sin, here, _] = tables.of(code);
                if code == zero {
                    assert_eq!([cos, sin, here], [0.0; 3]);
                    continue;
                }
                let (s, c) = libm::sincos(scale.phase(code));
                assert!((c - cos).abs() < 1e-15 && (s - sin).abs() < 1e-15 && here == 1.0);
            }
        }
    }
}
