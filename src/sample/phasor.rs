//! The phasors of velocity codes, tabled.
//!
//! An entry for each code, ready to be summed: a pixel reads eight of them, and anything that is computed
//! in between keeps the compiler from summing four lanes at once. The table of 16-bit codes has 2 MB; codes that
//! lie beside each other in a volume lie near each other in it, so that most reads find it in the cache.

use std::borrow::Cow;

use crate::volume::{Codes, VelocityScale};

use super::kernel::{Phasor, Phasors};

/// Velocity codes of a frame with the tabled phasors of their scale; the code of "no colour" has none
pub(super) enum Phases<'a> {
    /// 8-bit codes
    Byte(Cow<'a, [u8]>, Box<ByteTable>),
    /// 16-bit codes
    Word(Cow<'a, [u16]>, WordTable),
}

/// A phasor for each 8-bit code
pub(super) struct ByteTable([Phasor; 256]);

/// A phasor for each 16-bit code
pub(super) struct WordTable(Vec<Phasor>);

impl<'a> Phases<'a> {
    pub(super) fn new(codes: Codes<'a>, scale: VelocityScale) -> Self {
        match codes {
            Codes::U8(codes) => Self::Byte(codes, Box::new(ByteTable::new(scale))),
            Codes::U16(codes) => Self::Word(codes, WordTable::new(scale)),
        }
    }

    /// The phasor at a linear index
    pub(super) fn at(&self, index: usize) -> Phasor {
        match self {
            Self::Byte(codes, table) => table.of(u16::from(codes[index])),
            Self::Word(codes, table) => table.of(codes[index]),
        }
    }
}

impl ByteTable {
    fn new(scale: VelocityScale) -> Self {
        let of = |code: u16| {
            let (sin, cos) = libm::sincos(scale.phase(code));
            if code == scale.zero_code() { [0.0; 4] } else { [cos, sin, 1.0, 0.0] }
        };
        Self(std::array::from_fn(|code| of(code as u16)))
    }
}

impl WordTable {
    fn new(scale: VelocityScale) -> Self {
        let zero = scale.zero_code();
        let of = |code: u16| {
            let (sin, cos) = libm::sincos(scale.phase(code));
            [cos, sin]
        };
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
        Self(table)
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
            let all = 0..1u32 << bits;
            let codes = if bits == 8 {
                Codes::U8(all.map(|code| code as u8).collect())
            } else {
                Codes::U16(all.map(|code| code as u16).collect())
            };
            let phases = Phases::new(codes, scale);
            for code in (0..1u32 << bits).step_by(if bits == 8 { 1 } else { 37 }) {
                let code = code as u16;
                let [cos, sin, here, _] = phases.at(usize::from(code));
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
