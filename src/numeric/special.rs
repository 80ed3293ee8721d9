//! The error function and the normal distribution.

/// The error function
pub fn erf(x: f64) -> f64 {
    libm::erf(x)
}

/// The distribution function of the standard normal, `Phi(x)`
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * libm::erfc(-x * std::f64::consts::FRAC_1_SQRT_2)
}

/// The inverse of [`normal_cdf`]: minus infinity at 0, infinity at 1, NaN outside
///
/// Rational approximations of Wichura MJ, Algorithm AS 241 (PPND16), Appl Stat 1988;37:477-84;
/// relative error about 1e-16.
pub fn normal_quantile(p: f64) -> f64 {
    const A: [f64; 8] = [
        3.387_132_872_796_366_5,
        133.141_667_891_784_38,
        1_971.590_950_306_551_3,
        13_731.693_765_509_46,
        45_921.953_931_549_87,
        67_265.770_927_008_7,
        33_430.575_583_588_13,
        2_509.080_928_730_122_7,
    ];
    const B: [f64; 8] = [
        1.0,
        42.313_330_701_600_91,
        687.187_007_492_057_9,
        5_394.196_021_424_751,
        21_213.794_301_586_597,
        39_307.895_800_092_71,
        28_729.085_735_721_943,
        5_226.495_278_852_854,
    ];
    const C: [f64; 8] = [
        1.423_437_110_749_683_5,
        4.630_337_846_156_546,
        5.769_497_221_460_691,
        3.647_848_324_763_204_5,
        1.270_458_252_452_368_4,
        0.241_780_725_177_450_6,
        0.022_723_844_989_269_184,
        7.745_450_142_783_414e-4,
    ];
    const D: [f64; 8] = [
        1.0,
        2.053_191_626_637_759,
        1.676_384_830_183_803_8,
        0.689_767_334_985_1,
        0.148_103_976_427_480_08,
        0.015_198_666_563_616_457,
        5.475_938_084_995_345e-4,
        1.050_750_071_644_416_9e-9,
    ];
    const E: [f64; 8] = [
        6.657_904_643_501_103,
        5.463_784_911_164_114,
        1.784_826_539_917_291_3,
        0.296_560_571_828_504_87,
        0.026_532_189_526_576_124,
        1.242_660_947_388_078_4e-3,
        2.711_555_568_743_487_6e-5,
        2.010_334_399_292_288_1e-7,
    ];
    const F: [f64; 8] = [
        1.0,
        0.599_832_206_555_888,
        0.136_929_880_922_735_8,
        0.014_875_361_290_850_615,
        7.868_691_311_456_133e-4,
        1.846_318_317_510_054_8e-5,
        1.421_511_758_316_446e-7,
        2.044_263_103_389_939_8e-15,
    ];
    if p.is_nan() || !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if p == 0.0 {
        return f64::NEG_INFINITY;
    }
    if p == 1.0 {
        return f64::INFINITY;
    }
    let ratio = |top: &[f64; 8], bottom: &[f64; 8], r: f64| {
        let horner = |c: &[f64; 8]| c.iter().rev().fold(0.0, |sum, a| sum * r + a);
        horner(top) / horner(bottom)
    };
    let q = p - 0.5;
    if q.abs() <= 0.425 {
        return q * ratio(&A, &B, 0.180_625 - q * q);
    }
    let tail = if q < 0.0 { p } else { 1.0 - p };
    let r = (-libm::log(tail)).sqrt();
    let x = if r <= 5.0 { ratio(&C, &D, r - 1.6) } else { ratio(&E, &F, r - 5.0) };
    if q < 0.0 { -x } else { x }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tabled_values() {
        // scipy.special 1.16: erf, ndtr, ndtri.
        for (x, expected) in
            [(0.5, 0.520_499_877_813_046_5), (1.0, 0.842_700_792_949_714_9), (2.5, 0.999_593_047_982_555)]
        {
            assert!((erf(x) - expected).abs() < 1e-15);
        }
        for (x, expected) in [
            (-3.0, 0.001_349_898_031_630_094_6),
            (0.0, 0.5),
            (1.0, 0.841_344_746_068_542_9),
            (1.96, 0.975_002_104_851_779_5),
        ] {
            assert!((normal_cdf(x) - expected).abs() < 1e-15);
        }
        for (p, expected) in [
            (0.975, 1.959_963_984_540_054),
            (0.7, 0.524_400_512_708_040_7),
            (0.3, -0.524_400_512_708_041),
            (0.01, -2.326_347_874_040_840_8),
            (1e-12, -7.034_483_825_301_131),
            (1e-200, -30.205_594_179_579_72),
        ] {
            let found = normal_quantile(p);
            assert!((found / expected - 1.0).abs() < 1e-14, "{p}: {found} {expected}");
        }
    }

    #[test]
    fn the_quantile_inverts_the_distribution() {
        for i in 1..2000 {
            let p = f64::from(i) / 2000.0;
            assert!((normal_cdf(normal_quantile(p)) - p).abs() < 4e-16 + 1e-15 * p);
        }
        assert!(normal_quantile(-0.1).is_nan() && normal_quantile(f64::NAN).is_nan());
        assert_eq!(normal_quantile(0.0), f64::NEG_INFINITY);
    }
}
