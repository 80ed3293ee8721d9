//! Colour maps of the velocity, made for its cycle.
//!
//! A velocity is a position on a circle, so a map is a ring of [`LUT_COLOURS`] colours laid out
//! from the lowest displayed velocity once around. Two rings are made here: the trade's convention
//! (red toward the probe, blue away, dark at rest, so that the wrap shows as a jump from bright red
//! to bright blue), and a ring of constant lightness and chroma in OKLab, on which the wrap is no
//! jump and equal steps of phase look equal. The price of the second is that rest does not stand
//! out; it is meant for judging gradients, not for reading the direction at a glance.
//!
//! OKLab: B. Ottosson, "A perceptual color space for image processing", 2020; its matrices are
//! quoted from memory and checked below by the white point and by being each other's inverse.
//! sRGB transfer curve: IEC 61966-2-1, constants from memory.

use crate::volume::VelocityScale;

/// Colours of a velocity ring
pub const LUT_COLOURS: usize = 256;

/// An opaque colour in sRGB, eight bits a component
pub type Colour = [u8; 3];

/// How a velocity becomes a colour
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum ColourMap {
    /// Red toward the probe, blue away, dark at rest: the wrap is a jump
    #[default]
    TowardAway,
    /// A ring of constant lightness and chroma: the wrap is no jump
    Ring,
}

/// A velocity ring for one scale: colour `i` is at `(i + 0.5) / 256` of the cycle above the lowest
/// displayed velocity
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VelocityLut([Colour; LUT_COLOURS]);

impl VelocityLut {
    /// The ring of a map under a velocity scale: a baseline shift moves where rest lies on it
    pub fn new(map: ColourMap, scale: &VelocityScale) -> Self {
        let nyquist = scale.nyquist().get();
        let (low, high) = scale.limits();
        let (low, high) = (low.get() / nyquist, high.get() / nyquist);
        Self(std::array::from_fn(|i| {
            let velocity = low + 2.0 * (i as f64 + 0.5) / LUT_COLOURS as f64;
            match map {
                ColourMap::TowardAway => toward_away(velocity, low, high),
                ColourMap::Ring => ring(velocity / 2.0),
            }
        }))
    }

    /// The colours, from the lowest displayed velocity once around the cycle
    pub fn colours(&self) -> &[Colour; LUT_COLOURS] {
        &self.0
    }

    /// The colour at a share of the cycle (0 to 1; what is outside wraps)
    pub fn at(&self, share: f64) -> Colour {
        let share = if share.is_finite() { share.rem_euclid(1.0) } else { 0.0 };
        self.0[((share * LUT_COLOURS as f64) as usize).min(LUT_COLOURS - 1)]
    }
}

/// Lightness and chroma of the ring: the largest round chroma that sRGB holds at every hue
const RING: (f64, f64) = (0.75, 0.12);

/// The ring's colour at a share of the cycle; rest (0) is green, so that red and blue lie where
/// the other map has them: red toward, blue away
fn ring(share: f64) -> Colour {
    let hue = std::f64::consts::TAU * (0.40 - share);
    let (sin, cos) = libm::sincos(hue);
    srgb_from_oklab([RING.0, RING.1 * cos, RING.1 * sin])
}

/// `velocity`, `low` and `high` over the Nyquist velocity
fn toward_away(velocity: f64, low: f64, high: f64) -> Colour {
    // Lightness rises with speed and hue turns a little: red to yellow, blue to cyan.
    let (share, dark, mid, bright) = if velocity >= 0.0 {
        (velocity / high.max(1e-9), [0.22, 0.07, 0.03], [0.58, 0.19, 0.11], [0.90, 0.02, 0.16])
    } else {
        (velocity / low.min(-1e-9), [0.22, 0.00, -0.10], [0.52, -0.02, -0.22], [0.88, -0.09, -0.05])
    };
    let share = share.clamp(0.0, 1.0);
    let (from, to, part) =
        if share < 0.5 { (dark, mid, share * 2.0) } else { (mid, bright, share * 2.0 - 1.0) };
    srgb_from_oklab(std::array::from_fn(|i| from[i] + (to[i] - from[i]) * part))
}

/// Linear-light components, 0 to 1, of an sRGB colour
pub fn linear_from_srgb(colour: Colour) -> [f64; 3] {
    colour.map(|byte| {
        let s = f64::from(byte) / 255.0;
        if s <= 0.04045 { s / 12.92 } else { libm::pow((s + 0.055) / 1.055, 2.4) }
    })
}

/// OKLab lightness, a and b of an sRGB colour
pub fn oklab(colour: Colour) -> [f64; 3] {
    let [r, g, b] = linear_from_srgb(colour);
    let l = libm::cbrt(0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b);
    let m = libm::cbrt(0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b);
    let s = libm::cbrt(0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b);
    [
        0.210_454_255_3 * l + 0.793_617_785_0 * m - 0.004_072_046_8 * s,
        1.977_998_495_1 * l - 2.428_592_205_0 * m + 0.450_593_709_9 * s,
        0.025_904_037_1 * l + 0.782_771_766_2 * m - 0.808_675_766_0 * s,
    ]
}

fn linear_from_oklab([lightness, a, b]: [f64; 3]) -> [f64; 3] {
    let l = lightness + 0.396_337_777_4 * a + 0.215_803_757_3 * b;
    let m = lightness - 0.105_561_345_8 * a - 0.063_854_172_8 * b;
    let s = lightness - 0.089_484_177_5 * a - 1.291_485_548_0 * b;
    let [l, m, s] = [l * l * l, m * m * m, s * s * s];
    [
        4.076_741_662_1 * l - 3.307_711_591_3 * m + 0.230_969_929_2 * s,
        -1.268_438_004_6 * l + 2.609_757_401_1 * m - 0.341_319_396_5 * s,
        -0.004_196_086_3 * l - 0.703_418_614_7 * m + 1.707_614_701_0 * s,
    ]
}

/// The sRGB colour of an OKLab colour; what sRGB cannot show is clipped a component at a time
pub fn srgb_from_oklab(lab: [f64; 3]) -> Colour {
    linear_from_oklab(lab).map(|light| {
        let light = light.clamp(0.0, 1.0);
        let s =
            if light <= 0.003_130_8 { light * 12.92 } else { 1.055 * libm::pow(light, 1.0 / 2.4) - 0.055 };
        (s * 255.0).round() as u8
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::MetresPerSecond;

    fn scale(zero: u16) -> VelocityScale {
        VelocityScale::full_cycle(8, zero, MetresPerSecond::new(0.6)).unwrap()
    }

    #[test]
    fn white_is_neutral_and_colours_come_back() {
        let [l, a, b] = oklab([255, 255, 255]);
        assert!((l - 1.0).abs() < 1e-6 && a.abs() < 1e-6 && b.abs() < 1e-6);
        for colour in [[12, 200, 99], [255, 0, 0], [0, 0, 255], [1, 2, 3], [90, 91, 250]] {
            assert_eq!(srgb_from_oklab(oklab(colour)), colour);
        }
    }

    #[test]
    fn the_ring_fits_in_srgb_and_has_equal_steps() {
        for i in 0..LUT_COLOURS {
            let (sin, cos) = libm::sincos(std::f64::consts::TAU * i as f64 / LUT_COLOURS as f64);
            let light = linear_from_oklab([RING.0, RING.1 * cos, RING.1 * sin]);
            assert!(light.iter().all(|c| (0.0..=1.0).contains(c)), "hue {i} is clipped: {light:?}");
        }
        let lut = VelocityLut::new(ColourMap::Ring, &scale(128));
        let labs: Vec<[f64; 3]> = lut.colours().iter().map(|c| oklab(*c)).collect();
        // Over sixteen colours, so that rounding to bytes does not count; the wrap is among the steps.
        let steps: Vec<f64> = (0..LUT_COLOURS)
            .map(|i| {
                let (p, q) = (labs[i], labs[(i + 16) % LUT_COLOURS]);
                (0..3).map(|k| (p[k] - q[k]) * (p[k] - q[k])).sum::<f64>().sqrt()
            })
            .collect();
        let (least, most) = steps.iter().fold((f64::MAX, 0.0f64), |(a, b), s| (a.min(*s), b.max(*s)));
        assert!(most / least < 1.2, "{least} to {most}");
        assert!(labs.iter().all(|lab| (lab[0] - RING.0).abs() < 0.005));
    }

    #[test]
    fn red_is_toward_blue_is_away_and_the_wrap_jumps() {
        let lut = VelocityLut::new(ColourMap::TowardAway, &scale(128));
        let toward = lut.at(0.75);
        let away = lut.at(0.25);
        assert!(toward[0] > 2 * toward[2] && away[2] > 2 * away[0], "{toward:?} {away:?}");
        let lightness = |share| oklab(lut.at(share))[0];
        assert!(lightness(0.5) < 0.3 && lightness(0.99) > 0.85 && lightness(0.01) > 0.8);
        let (below, above) = (oklab(lut.at(0.999)), oklab(lut.at(0.0)));
        let jump = (0..3).map(|k| (below[k] - above[k]) * (below[k] - above[k])).sum::<f64>().sqrt();
        assert!(jump > 0.15, "{jump}");
    }

    #[test]
    fn rest_follows_the_baseline() {
        // Zero code 64 of 256: rest lies a quarter of the way up the cycle.
        let lut = VelocityLut::new(ColourMap::TowardAway, &scale(64));
        let darkest = (0..LUT_COLOURS)
            .min_by(|a, b| oklab(lut.colours()[*a])[0].total_cmp(&oklab(lut.colours()[*b])[0]))
            .unwrap();
        assert!((63..=64).contains(&darkest), "{darkest}");
    }
}
