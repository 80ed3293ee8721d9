//! The phasors of velocity codes, tabled.
//!
//! An entry for each code, ready to be summed: a pixel reads eight of them, and anything that is computed
//! in between keeps the compiler from summing four lanes at once. The table of 16-bit codes has 2 MB; codes that
//! lie beside each other in a volume lie near each other in it, so that most reads find it in the cache.

use crate::volume::VelocityScale;

use super::kernel::{Phasor, Phasors};

/// Tabled phasors for the codes of one scale; the code of "no colour" has none
pub(super) enum Tables {
    /// All 8-bit codes
    Byte(Box<ByteTable>),
    /// All 16-bit codes
    Word(WordTable),
}

/// A phasor for each 8-bit code
pub(super) struct ByteTable([Phasor; 256]);

/// A phasor for each 16-bit code
pub(super) struct WordTable(Vec<Phasor>);

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
        // phase(256 h + l) = phase(256 h) + (phase(l) - phase(0)): 512 angles make all 65536.
        let lower: [[f64; 2]; 256] = std::array::from_fn(|low| {
            let (sin, cos) = libm::sincos(scale.phase(low as u16) - scale.phase(0));
            [cos, sin]
        });
        let mut table = Vec::with_capacity(1 << 16);
        for high in 0..256u16 {
            let [c, s] = of(high << 8);
            table.extend(lower.iter().map(|[d, t]| [c * d - s * t, s * d + c * t, 1.0, 0.0]));
        }
        table[usize::from(zero)] = [0.0; 4];
        Self::Word(WordTable(table))
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
        self.0[usize::from(code)]
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
