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

/// A minimum of a function of several numbers, by a simplex that reflects, grows and shrinks
/// (Nelder & Mead, Comput J 1965;7:308-13)
///
/// `steps` says how far to reach at first along each number; the search ends when the simplex is
/// smaller than `tolerance` times those steps and flat, or after `most` calls. NaN counts as worst.
pub fn simplex(
    start: &[f64],
    steps: &[f64],
    tolerance: f64,
    most: usize,
    mut f: impl FnMut(&[f64]) -> f64,
) -> Found<Vec<f64>> {
    let n = start.len().min(steps.len());
    let mut calls = 0;
    let mut ask = |x: &[f64]| {
        calls += 1;
        let value = f(x);
        if value.is_nan() { f64::INFINITY } else { value }
    };
    let mut corners: Vec<(f64, Vec<f64>)> = Vec::with_capacity(n + 1);
    let first = start[..n].to_vec();
    corners.push((ask(&first), first.clone()));
    for i in 0..n {
        let mut corner = first.clone();
        corner[i] += steps[i];
        corners.push((ask(&corner), corner));
    }
    let mut asked = n + 1;
    while asked < most && n > 0 {
        corners.sort_by(|a, b| a.0.total_cmp(&b.0));
        let small = corners[1..].iter().all(|(_, corner)| {
            (0..n).all(|i| (corner[i] - corners[0].1[i]).abs() <= tolerance * steps[i].abs())
        });
        if small {
            break;
        }
        let centre: Vec<f64> =
            (0..n).map(|i| corners[..n].iter().map(|c| c.1[i]).sum::<f64>() / n as f64).collect();
        let worst = corners[n].clone();
        let toward = |share: f64| -> Vec<f64> {
            (0..n).map(|i| centre[i] + share * (worst.1[i] - centre[i])).collect()
        };
        let reflected = toward(-1.0);
        let value = ask(&reflected);
        asked += 1;
        if value < corners[0].0 {
            let farther = toward(-2.0);
            let value_farther = ask(&farther);
            asked += 1;
            corners[n] = if value_farther < value { (value_farther, farther) } else { (value, reflected) };
            continue;
        }
        if value < corners[n - 1].0 {
            corners[n] = (value, reflected);
            continue;
        }
        let nearer = if value < worst.0 { toward(-0.5) } else { toward(0.5) };
        let value_nearer = ask(&nearer);
        asked += 1;
        if value_nearer < value.min(worst.0) {
            corners[n] = (value_nearer, nearer);
            continue;
        }
        let best = corners[0].1.clone();
        for corner in &mut corners[1..] {
            for (c, b) in corner.1.iter_mut().zip(&best) {
                *c = f64::midpoint(*c, *b);
            }
            corner.0 = ask(&corner.1);
            asked += 1;
        }
    }
    corners.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (value, at) = corners.swap_remove(0);
    Found { at, value, calls }
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

    #[test]
    fn the_bent_valley_is_walked() {
        // Rosenbrock 1960: minimum 0 at (1, 1).
        let valley = |p: &[f64]| (1.0 - p[0]).powi(2) + 100.0 * (p[1] - p[0] * p[0]).powi(2);
        let found = simplex(&[-1.2, 1.0], &[0.5, 0.5], 1e-9, 4000, valley);
        assert!((found.at[0] - 1.0).abs() < 1e-6 && (found.at[1] - 1.0).abs() < 1e-6, "{found:?}");
        let bounded = simplex(&[0.0; 5], &[1.0; 5], 0.0, 100, |p| p.iter().map(|x| x * x - x).sum());
        assert!(bounded.calls <= 110 && bounded.value < -0.5);
        assert_eq!(simplex(&[], &[], 1e-9, 10, |_| 3.0).value, 3.0);
    }
}
