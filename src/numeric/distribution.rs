//! Student's t (central and not), F and chi-squared: distribution functions and their inverses.
//!
//! Written here and not taken from a library: these reach reported numbers, so their logarithms and
//! exponentials must come from `libm`, the same on every machine. All rest on the regularised
//! incomplete beta and gamma functions (NIST Digital Library of Mathematical Functions, sections
//! 8.17 and 8.7, 8.9); inverses are found by halving, which is slow and cannot fail.

use super::quadrature::GaussLegendre;
use super::special::{normal_cdf, normal_quantile};

/// Smallest number that stands for zero in a continued fraction
const TINY: f64 = 1e-300;
/// Most terms of a series or fraction
const MOST_TERMS: usize = 20_000;

/// The regularised incomplete beta function `I_x(a, b)`; NaN unless `a, b > 0` and `0 <= x <= 1`
///
/// The continued fraction 8.17.22 of the DLMF by Lentz's method, on the side where it converges
/// fast.
pub fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    beta_tails(a, b, x, 1.0 - x).0
}

/// `I_x(a, b)` and its complement, each accurate when small; `y` is `1 - x`
fn beta_tails(a: f64, b: f64, x: f64, y: f64) -> (f64, f64) {
    let sound = a > 0.0 && b > 0.0 && a.is_finite() && b.is_finite();
    if !sound || x.is_nan() || !(0.0..=1.0).contains(&x) {
        return (f64::NAN, f64::NAN);
    }
    if x == 0.0 || y == 1.0 {
        return (0.0, 1.0);
    }
    if y <= 0.0 || x == 1.0 {
        return (1.0, 0.0);
    }
    let front = libm::exp(
        a * libm::log(x) + b * libm::log(y) + libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b),
    );
    if x < (a + 1.0) / (a + b + 2.0) {
        let low = (front * beta_fraction(a, b, x) / a).clamp(0.0, 1.0);
        (low, 1.0 - low)
    } else {
        let high = (front * beta_fraction(b, a, y) / b).clamp(0.0, 1.0);
        (1.0 - high, high)
    }
}

fn beta_fraction(a: f64, b: f64, x: f64) -> f64 {
    lentz(|step| {
        if step == 0 {
            return 1.0;
        }
        let m = (step / 2) as f64;
        if step % 2 == 0 {
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m))
        } else {
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0))
        }
    })
}

/// `d_0 / (1 + d_1 / (1 + d_2 / (1 + ...)))` by the modified method of Lentz (Thompson & Barnett,
/// J Comput Phys 1986;64:490-509)
fn lentz(numerator: impl Fn(usize) -> f64) -> f64 {
    let apart = |value: f64| if value.abs() < TINY { TINY } else { value };
    // The value before any term is the tiny number itself; the first term lifts it.
    let (mut value, mut c, mut d) = (TINY, TINY, 0.0);
    for step in 0..MOST_TERMS {
        let term = numerator(step);
        d = 1.0 / apart(1.0 + term * d);
        c = apart(1.0 + term / c);
        let change = c * d;
        value *= change;
        if step > 0 && (change - 1.0).abs() < 1e-15 {
            break;
        }
    }
    value
}

/// The regularised lower incomplete gamma function `P(a, x)` and its complement; NaN unless `a > 0` and `x >= 0`
///
/// Series 8.7.1 of the DLMF below `a + 1`, continued fraction 8.9.2 above.
fn gamma_tails(a: f64, x: f64) -> (f64, f64) {
    if !(a > 0.0 && a.is_finite()) || x.is_nan() || x < 0.0 {
        return (f64::NAN, f64::NAN);
    }
    if x == 0.0 {
        return (0.0, 1.0);
    }
    if x.is_infinite() {
        return (1.0, 0.0);
    }
    let front = libm::exp(a * libm::log(x) - x - libm::lgamma(a));
    if x < a + 1.0 {
        let (mut term, mut sum, mut n) = (1.0 / a, 1.0 / a, a);
        for _ in 0..MOST_TERMS {
            n += 1.0;
            term *= x / n;
            sum += term;
            if term < 1e-17 * sum {
                break;
            }
        }
        let low = (front * sum).clamp(0.0, 1.0);
        (low, 1.0 - low)
    } else {
        // 1/(x + 1 - a - 1(1 - a)/(x + 3 - a - ...)), from its far end backward would need a length;
        // forward by Lentz with partial denominators.
        let apart = |value: f64| if value.abs() < TINY { TINY } else { value };
        let mut b = x + 1.0 - a;
        let mut c = 1.0 / TINY;
        let mut d = 1.0 / apart(b);
        let mut value = d;
        for n in 1..MOST_TERMS {
            let n = n as f64;
            let term = -n * (n - a);
            b += 2.0;
            d = 1.0 / apart(b + term * d);
            c = apart(b + term / c);
            let change = c * d;
            value *= change;
            if (change - 1.0).abs() < 1e-15 {
                break;
            }
        }
        let high = (front * value).clamp(0.0, 1.0);
        (1.0 - high, high)
    }
}

/// The inverse of the distribution function of chi-squared with `df` degrees of freedom
///
/// NaN unless `df > 0` and `0 <= p <= 1`.
pub fn chi_squared_quantile(p: f64, df: f64) -> f64 {
    positive_quantile(p, df > 0.0 && df.is_finite(), |x| gamma_tails(df / 2.0, x / 2.0))
}

fn f_tails(x: f64, df1: f64, df2: f64) -> (f64, f64) {
    if x.is_infinite() {
        return (1.0, 0.0);
    }
    let sum = df1 * x + df2;
    beta_tails(df1 / 2.0, df2 / 2.0, df1 * x / sum, df2 / sum)
}

/// The inverse of the distribution function of F with `df1` and `df2` degrees of freedom, whole or not
///
/// NaN unless both degrees are positive and `0 <= p <= 1`.
pub fn f_quantile(p: f64, df1: f64, df2: f64) -> f64 {
    let sound = df1 > 0.0 && df2 > 0.0 && df1.is_finite() && df2.is_finite();
    positive_quantile(p, sound, |x| f_tails(x, df1, df2))
}

/// The distribution function of Student's t
pub fn t_cdf(x: f64, df: f64) -> f64 {
    let sum = df + x * x;
    let outside = if x.is_infinite() { 0.0 } else { beta_tails(df / 2.0, 0.5, df / sum, x * x / sum).0 };
    if x > 0.0 { 1.0 - 0.5 * outside } else { 0.5 * outside }
}

/// The inverse of [`t_cdf`]; NaN unless `df > 0` and `0 <= p <= 1`
pub fn t_quantile(p: f64, df: f64) -> f64 {
    if p.is_nan() || !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    // t squared is F with 1 and df degrees.
    let inside = 2.0 * p - 1.0;
    let size = f_quantile(inside.abs(), 1.0, df).sqrt();
    if inside < 0.0 { -size } else { size }
}

/// The inverse of a distribution on the positive numbers, by halving the exponent
fn positive_quantile(p: f64, sound: bool, tails: impl Fn(f64) -> (f64, f64)) -> f64 {
    if !sound || p.is_nan() || !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if p == 0.0 {
        return 0.0;
    }
    if p == 1.0 {
        return f64::INFINITY;
    }
    // Compared on the smaller tail, which carries the digits.
    let below = |x: f64| {
        let (low, high) = tails(x);
        if p < 0.5 { low < p } else { high > 1.0 - p }
    };
    let (mut low, mut high) = (-700.0, 700.0);
    for _ in 0..80 {
        let middle = f64::midpoint(low, high);
        if below(libm::exp(middle)) { low = middle } else { high = middle }
    }
    libm::exp(f64::midpoint(low, high))
}

/// The distribution function of the noncentral t: of `(Z + shift) / sqrt(chi2 / df)`
///
/// The normal distribution averaged over the scaled chi by composite Gauss-Legendre quadrature:
/// absolute error below 1e-10 for `df` from 1 to some thousands. NaN unless `df > 0`.
pub fn noncentral_t_cdf(t: f64, df: f64, shift: f64) -> f64 {
    if !(df > 0.0 && df.is_finite() && t.is_finite() && shift.is_finite()) {
        return f64::NAN;
    }
    // Density of s = sqrt(chi2 / df).
    let front = 0.5 * df * libm::log(0.5 * df) - libm::lgamma(0.5 * df) + std::f64::consts::LN_2;
    let density = |s: f64| {
        if s <= 0.0 { 0.0 } else { libm::exp(front + (df - 1.0) * libm::log(s) - 0.5 * df * s * s) }
    };
    let spread = 1.0 / (2.0 * df).sqrt();
    let low = (1.0 - 12.0 * spread).max(0.0);
    let high = 1.0 + 12.0 * spread;
    let rule = GaussLegendre::new(16);
    // The integrand bends where the normal does: panels no wider than half its scale.
    let panels = ((high - low) * t.abs() * 2.0).ceil().clamp(48.0, 4000.0) as usize;
    let width = (high - low) / panels as f64;
    (0..panels)
        .map(|i| {
            let from = low + width * i as f64;
            rule.integrate(from, from + width, |s| normal_cdf(t * s - shift) * density(s))
        })
        .sum::<f64>()
        .clamp(0.0, 1.0)
}

/// The inverse of [`noncentral_t_cdf`]; NaN unless `df > 0` and `0 < p < 1`
pub fn noncentral_t_quantile(p: f64, df: f64, shift: f64) -> f64 {
    if !(df > 0.0 && df.is_finite() && shift.is_finite() && p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    let reach = 4.0 * (normal_quantile(p.min(1.0 - p) / 2.0).abs() + 1.0) + shift.abs();
    let off = |t: f64| noncentral_t_cdf(t, df, shift) - p;
    let (mut low, mut high) = (shift - reach, shift + reach);
    let (mut below, mut above) = (off(low), off(high));
    for _ in 0..60 {
        if below > 0.0 {
            low -= high - low;
            below = off(low);
        } else if above < 0.0 {
            high += high - low;
            above = off(high);
        } else {
            break;
        }
    }
    super::optimise::root(low, high, 1e-11 * (1.0 + high.abs()), off).unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, share: f64) {
        assert!((found / expected - 1.0).abs() < share, "{found} instead of {expected}");
    }

    /// scipy.stats 1.17 (f, t, chi2, nct)
    #[test]
    fn tabled_quantiles() {
        for (p, a, b, expected) in [
            (0.975, 5.0, 18.0, 3.381_967_805_875_243),
            (0.975, 5.0, 15.0, 3.576_415_349_279_060_7),
            (0.975, 5.0, 4.785, 7.498_880_528_274_082),
            (0.975, 4.785, 5.0, 7.190_768_047_291_414),
            (0.025, 3.0, 7.0, 0.068_378_896_937_559_93),
            (0.999, 1.0, 1.0, 405_284.067_902_848_2),
            (0.5, 200.0, 3000.0, 0.996_890_229_269_138_5),
            (1e-8, 2.0, 9.0, 1.000_000_006_111_111_3e-8),
        ] {
            near(f_quantile(p, a, b), expected, 1e-10);
        }
        for (p, df, expected) in [
            (0.975, 16.0, 2.119_905_299_221_254_6),
            (0.975, 1.0, 12.706_204_736_174_694),
            (0.6, 2.5, 0.281_459_512_748_547_7),
            (0.025, 30.0, -2.042_272_456_301_238),
            (0.9999, 4.0, 13.033_671_720_896_821),
        ] {
            near(t_quantile(p, df), expected, 1e-10);
            near(t_cdf(expected, df), p, 1e-10);
        }
        for (p, df, expected) in [
            (0.975, 17.0, 30.191_009_121_639_82),
            (0.025, 17.0, 7.564_186_449_577_567),
            (0.025, 1.0, 0.000_982_069_117_175_255_5),
            (0.5, 300.5, 299.833_596_908_857_66),
            (0.999, 2.0, 13.815_510_557_964_274),
        ] {
            near(chi_squared_quantile(p, df), expected, 1e-10);
        }
    }

    #[test]
    fn tabled_noncentral_t() {
        for (t, df, shift, expected) in [
            (1.0, 3.0, 0.5, 0.651_528_333_010_127_8),
            (9.0, 16.0, 8.081, 0.655_821_379_600_279_2),
            (6.0, 16.0, 8.081, 0.068_967_440_747_917_86),
            (-2.0, 5.0, 1.0, 0.005_896_462_289_842_157),
            (19.6, 99.0, 19.6, 0.485_950_104_002_593),
            (3.0, 1.0, 2.0, 0.524_857_161_733_688_7),
            (60.0, 999.0, 61.9, 0.126_402_856_152_410_31),
        ] {
            near(noncentral_t_cdf(t, df, shift), expected, 1e-8);
        }
        for (p, df, shift, expected) in [
            (0.975, 16.0, 8.081, 12.980_454_310_463_83),
            (0.025, 16.0, 8.081, 5.421_892_897_406_522),
            (0.975, 5.0, 4.8, 12.516_932_538_071_064),
        ] {
            near(noncentral_t_quantile(p, df, shift), expected, 1e-8);
        }
        // Without a shift it is Student's.
        near(noncentral_t_cdf(1.3, 7.0, 0.0), t_cdf(1.3, 7.0), 1e-10);
    }

    #[test]
    fn ends_and_nonsense() {
        assert_eq!((f_quantile(0.0, 2.0, 3.0), f_quantile(1.0, 2.0, 3.0)), (0.0, f64::INFINITY));
        assert_eq!((t_cdf(f64::INFINITY, 3.0), t_quantile(0.5, 3.0)), (1.0, 0.0));
        for odd in [
            f_quantile(0.5, 0.0, 3.0),
            f_quantile(0.5, f64::NAN, 3.0),
            f_quantile(1.5, 2.0, 3.0),
            t_quantile(f64::NAN, 3.0),
            chi_squared_quantile(0.5, -1.0),
            incomplete_beta(1.0, 1.0, 2.0),
            gamma_tails(0.0, 1.0).0,
            noncentral_t_cdf(1.0, 0.0, 0.0),
            noncentral_t_quantile(1.0, 3.0, 0.0),
        ] {
            assert!(odd.is_nan());
        }
        // I_x(1, b) = 1 - (1 - x)^b and P(1, x) = 1 - exp(-x): closed forms.
        near(incomplete_beta(1.0, 4.0, 0.3), 1.0 - 0.7f64.powi(4), 1e-14);
        near(gamma_tails(1.0, 2.5).0, 1.0 - libm::exp(-2.5), 1e-14);
    }
}
