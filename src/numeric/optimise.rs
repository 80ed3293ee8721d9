//! The lowest point of a function, and where it crosses zero.

/// A place and the value there
#[derive(Clone, Debug, PartialEq)]
pub struct Found<X> {
    /// Where
    pub at: X,
    /// The value there
    pub value: f64,
    /// How often the function was asked
    pub calls: usize,
}

/// The minimum of a function between `low` and `high` to within `tolerance`, by parabolic steps with
/// golden sections where those fail (Brent 1973, chapter 5)
///
/// Finds the only minimum of a function with one; otherwise some local one. A value that is NaN
/// counts as worse than any other. The ends may be given in either order.
pub fn minimum(low: f64, high: f64, tolerance: f64, mut f: impl FnMut(f64) -> f64) -> Found<f64> {
    const GOLDEN: f64 = 0.381_966_011_250_105_1;
    let mut calls = 0;
    let mut ask = |x: f64| {
        calls += 1;
        let value = f(x);
        if value.is_nan() { f64::INFINITY } else { value }
    };
    let (mut a, mut b) = (low.min(high), low.max(high));
    let mut x = a + GOLDEN * (b - a);
    let mut fx = ask(x);
    let (mut w, mut v, mut fw, mut fv) = (x, x, fx, fx);
    let (mut step, mut before) = (0.0f64, 0.0f64);
    for _ in 0..200 {
        let middle = f64::midpoint(a, b);
        let least = 1e-15 * x.abs() + tolerance.abs().max(f64::MIN_POSITIVE) / 2.0;
        if (x - middle).abs() <= 2.0 * least - (b - a) / 2.0 {
            break;
        }
        let mut golden = true;
        if before.abs() > least {
            // The parabola through the three best places.
            let r = (x - w) * (fx - fv);
            let q = (x - v) * (fx - fw);
            let p = (x - v) * q - (x - w) * r;
            let q = 2.0 * (q - r);
            let p = if q > 0.0 { -p } else { p };
            let q = q.abs();
            if p.abs() < (0.5 * q * before).abs() && p > q * (a - x) && p < q * (b - x) {
                before = step;
                step = p / q;
                let u = x + step;
                if u - a < 2.0 * least || b - u < 2.0 * least {
                    step = if x < middle { least } else { -least };
                }
                golden = false;
            }
        }
        if golden {
            before = if x < middle { b - x } else { a - x };
            step = GOLDEN * before;
        }
        let u = if step.abs() >= least { x + step } else { x + least.copysign(step) };
        let fu = ask(u);
        if fu <= fx {
            if u < x {
                b = x;
            } else {
                a = x;
            }
            (v, fv, w, fw, x, fx) = (w, fw, x, fx, u, fu);
        } else {
            if u < x {
                a = u;
            } else {
                b = u;
            }
            if fu <= fw || w == x {
                (v, fv, w, fw) = (w, fw, u, fu);
            } else if fu <= fv || v == x || v == w {
                (v, fv) = (u, fu);
            }
        }
    }
    Found { at: x, value: fx, calls }
}

/// Where a function crosses zero between `low` and `high`, to within `tolerance`, by halving
///
/// `None` where the values at the ends do not differ in sign or are NaN.
pub fn root(low: f64, high: f64, tolerance: f64, mut f: impl FnMut(f64) -> f64) -> Option<f64> {
    let (mut a, mut b) = (low, high);
    let (fa, fb) = (f(a), f(b));
    if fa == 0.0 {
        return Some(a);
    }
    if fb == 0.0 {
        return Some(b);
    }
    if fa.is_nan() || fb.is_nan() || (fa > 0.0) == (fb > 0.0) {
        return None;
    }
    for _ in 0..200 {
        let middle = f64::midpoint(a, b);
        if (b - a).abs() <= tolerance || middle == a || middle == b {
            break;
        }
        let value = f(middle);
        if value == 0.0 {
            return Some(middle);
        }
        if value.is_nan() {
            return None;
        }
        if (value > 0.0) == (fa > 0.0) {
            a = middle;
        } else {
            b = middle;
        }
    }
    Some(f64::midpoint(a, b))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn minima_of_known_functions() {
        let found = minimum(0.0, 5.0, 1e-9, |x| (x - 1.7) * (x - 1.7));
        assert!((found.at - 1.7).abs() < 1e-8 && found.value < 1e-16);
        assert!(found.calls < 20);
        // x ln x has its minimum 1/e at 1/e.
        let found = minimum(3.0, 1e-3, 1e-9, |x| x * libm::log(x));
        assert!((found.at - libm::exp(-1.0)).abs() < 1e-7);
        // At the end of the range.
        assert!(minimum(0.0, 1.0, 1e-9, |x| x).at < 1e-6);
        assert!(minimum(0.0, 1.0, 1e-9, |_| f64::NAN).value.is_infinite());
    }

    #[test]
    fn roots_are_bracketed() {
        let found = root(0.0, 2.0, 1e-13, |x| x * x - 2.0).unwrap();
        assert!((found - 2f64.sqrt()).abs() < 1e-12);
        assert_eq!(root(3.0, 4.0, 1e-9, |x| x), None);
        assert_eq!(root(0.0, 4.0, 1e-9, |x| x), Some(0.0));
        assert_eq!(root(-1.0, 1.0, 1e-9, |_| f64::NAN), None);
    }
}
