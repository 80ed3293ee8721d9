//! Quantities that carry their unit: built by unit, read by unit.
//!
//! A bare `f64` never crosses a module border where a length could be taken for an area. Each
//! type wraps one `f64` in the unit its name says; arithmetic stays within one unit, and the few
//! products that make sense (`Mm * Mm = Mm2`) are spelled out.

use std::fmt;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident, $suffix:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[derive(schemars::JsonSchema)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Zero of this unit
            pub const ZERO: Self = Self(0.0);

            #[doc = concat!("A value given in ", $suffix)]
            pub const fn new(value: f64) -> Self {
                Self(value)
            }

            #[doc = concat!("The value in ", $suffix)]
            pub const fn get(self) -> f64 {
                self.0
            }

            /// The magnitude
            pub const fn abs(self) -> Self {
                Self(self.0.abs())
            }

            /// Whether the value is a finite number
            pub const fn is_finite(self) -> bool {
                self.0.is_finite()
            }
        }

        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl AddAssign for $name {
            fn add_assign(&mut self, other: Self) {
                self.0 += other.0;
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }

        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }

        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)?;
                f.write_str(concat!(" ", $suffix))
            }
        }
    };
}

unit!(
    /// A length in millimetres
    Mm, "mm"
);
unit!(
    /// An area in square millimetres
    Mm2, "mm2"
);
unit!(
    /// A volume of fluid in millilitres
    Ml, "ml"
);
unit!(
    /// A velocity in metres per second, positive toward the probe
    MetresPerSecond, "m/s"
);
unit!(
    /// A time in seconds
    Seconds, "s"
);
unit!(
    /// An angle in radians
    Radians, "rad"
);

impl Mul for Mm {
    type Output = Mm2;
    fn mul(self, other: Self) -> Mm2 {
        Mm2(self.0 * other.0)
    }
}

impl Mm2 {
    /// An area given in square centimetres
    pub const fn from_cm2(cm2: f64) -> Self {
        Self(cm2 * 100.0)
    }

    /// The area in square centimetres
    pub const fn to_cm2(self) -> f64 {
        self.0 / 100.0
    }

    /// The area of a circle of this diameter
    pub const fn of_circle(diameter: Mm) -> Self {
        Self(std::f64::consts::PI * diameter.0 * diameter.0 / 4.0)
    }

    /// The diameter of the circle that has this area
    pub fn circle_diameter(self) -> Mm {
        Mm((4.0 * self.0 / std::f64::consts::PI).sqrt())
    }
}

impl Radians {
    /// The angle in degrees
    pub const fn to_degrees(self) -> f64 {
        self.0.to_degrees()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn circle_of_published_widths() {
        // Widths 3, 5, 7, 8 mm are 0.0707, 0.1963, 0.3848, 0.5027 cm2: closed form.
        for (mm, cm2) in [(3.0, 0.0707), (5.0, 0.1963), (7.0, 0.3848), (8.0, 0.5027)] {
            let area = Mm2::of_circle(Mm::new(mm));
            assert!((area.to_cm2() - cm2).abs() < 5e-5);
            assert!((area.circle_diameter().get() - mm).abs() < 1e-12);
        }
    }

    #[test]
    fn degrees_and_centimetres_round_trip() {
        assert_eq!(Radians::new(std::f64::consts::PI).to_degrees(), 180.0);
        assert_eq!(Mm2::from_cm2(0.4).get(), 40.0);
        assert_eq!(format!("{:.1}", Mm::new(3.25)), "3.2 mm");
    }
}
