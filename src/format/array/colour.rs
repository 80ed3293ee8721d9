//! Colours as the eye tells them apart: CIELAB.
//!
//! sRGB is made linear (IEC 61966-2-1), turned to XYZ with its own matrix and white (D65), and to L*, a*,
//! b* (CIE 15:2004, section 8.2.1). The distance is the straight one (CIE 1976); about 2.3 of it is a
//! just noticeable difference (M. Mahy and others, Color Res. Appl. 19, 1994; from memory).

/// L*, a*, b*
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lab {
    pub(super) l: f64,
    pub(super) a: f64,
    pub(super) b: f64,
}

impl Lab {
    /// The colour of an 8-bit sRGB triple
    pub(super) fn of(rgb: [u8; 3]) -> Self {
        let linear = rgb.map(|code| {
            let c = f64::from(code) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { libm::pow((c + 0.055) / 1.055, 2.4) }
        });
        let row = |m: [f64; 3]| m[0] * linear[0] + m[1] * linear[1] + m[2] * linear[2];
        // White is the sum of each row.
        let f = |m: [f64; 3]| {
            let t = row(m) / (m[0] + m[1] + m[2]);
            let d: f64 = 6.0 / 29.0;
            if t > d * d * d { libm::cbrt(t) } else { t / (3.0 * d * d) + 4.0 / 29.0 }
        };
        let x = f([0.4124, 0.3576, 0.1805]);
        let y = f([0.2126, 0.7152, 0.0722]);
        let z = f([0.0193, 0.1192, 0.9505]);
        Self { l: 116.0 * y - 16.0, a: 500.0 * (x - y), b: 200.0 * (y - z) }
    }

    /// How far two colours are apart
    pub(super) fn distance(self, other: Self) -> f64 {
        let (l, a, b) = (self.l - other.l, self.a - other.a, self.b - other.b);
        (l * l + a * a + b * b).sqrt()
    }

    /// How far a colour is from grey
    pub(super) fn chroma(self) -> f64 {
        (self.a * self.a + self.b * self.b).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn primaries_are_where_they_are_published() {
        // L*, a*, b* of the sRGB primaries for D65, as commonly tabulated (B. Lindbloom, brucelindbloom.com;
        // from memory), to the rounding of the matrix.
        for (rgb, lab) in [
            ([255, 0, 0], [53.24, 80.09, 67.20]),
            ([0, 255, 0], [87.73, -86.18, 83.18]),
            ([0, 0, 255], [32.30, 79.19, -107.86]),
            ([255, 255, 255], [100.0, 0.0, 0.0]),
            ([0, 0, 0], [0.0, 0.0, 0.0]),
        ] {
            let Lab { l, a, b } = Lab::of(rgb);
            for (found, expected) in [l, a, b].into_iter().zip(lab) {
                assert!((found - expected).abs() < 0.05, "{rgb:?}: {l} {a} {b}");
            }
        }
        assert!(Lab::of([90, 90, 90]).chroma() < 1e-9);
    }
}
