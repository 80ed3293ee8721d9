//! One row of a cut, with the widest vectors the machine has.
//!
//! The same safe code is compiled three times, for the plain instruction set, for 256-bit and for
//! 512-bit vectors, and the machine is asked which it can run. All give the same bits: every step is
//! an addition, product, division, root or selection in f64, and what is fused (`mul_add`) is fused in
//! all; a machine without the instruction gets the same bits from the system's library, slowly.

use super::kernel::{Code, Display, Phasors, Sums, Windows, coherences, phasors, scalars, velocities};
use super::rows::{BLOCK, Block, Row};

/// The vectors a machine can run, in reals at once
#[cfg(target_arch = "x86_64")]
#[derive(Clone, Copy, Debug, PartialEq)]
enum Width {
    Plain,
    Four,
    Eight,
}

#[cfg(target_arch = "x86_64")]
impl Width {
    /// (The answers are kept by the standard library: asking costs a load.)
    fn of_this_machine() -> Self {
        use std::arch::is_x86_feature_detected as has;
        if !(has!("avx2") && has!("fma")) {
            Self::Plain
        } else if has!("avx512f") && has!("avx512bw") && has!("avx512dq") && has!("avx512vl") {
            Self::Eight
        } else {
            Self::Four
        }
    }
}

/// Compiles a function for wider vectors too and calls the one the machine can run
macro_rules! widest {
    ($(#[$doc:meta])* fn $name:ident [$($generics:tt)*] ($($arg:ident: $type:ty),* $(,)?) $body:block) => {
        $(#[$doc])*
        pub(super) fn $name<$($generics)*>($($arg: $type),*) {
            #[inline(always)]
            fn plain<$($generics)*>($($arg: $type),*) $body

            #[cfg(target_arch = "x86_64")]
            {
                #[target_feature(enable = "avx2,fma,avx512f,avx512bw,avx512dq,avx512vl")]
                fn eight<$($generics)*>($($arg: $type),*) {
                    plain($($arg),*);
                }
                #[target_feature(enable = "avx2,fma")]
                fn four<$($generics)*>($($arg: $type),*) {
                    plain($($arg),*);
                }
                match Width::of_this_machine() {
                    // SAFETY: the functions are safe code; they only must not run where their
                    // instructions are missing, and the machine has just been asked.
                    #[allow(unsafe_code)]
                    Width::Eight => return unsafe { eight($($arg),*) },
                    #[allow(unsafe_code)]
                    Width::Four => return unsafe { four($($arg),*) },
                    Width::Plain => {}
                }
            }
            plain($($arg),*);
        }
    };
}

widest! {
    /// Trilinear values of several frames along one row, each into its own row of output; NaN outside
    /// the volume
    fn scalar_row['a, T: Code](
        row: &Row<'_>,
        frames: &[Windows<'a, T>],
        out: &mut [&mut [f64]],
    ) {
        let mut block = Block::new();
        let mut values = [0.0; BLOCK];
        for out in out.iter_mut() {
            row.blank_outside(out);
        }
        let mut from = row.inside.start;
        while from < row.inside.end {
            let to = (from + BLOCK).min(row.inside.end);
            row.locate(from, &mut block);
            for (windows, out) in frames.iter().zip(out.iter_mut()) {
                scalars(windows, &block, &mut values);
                out[from..to].copy_from_slice(&values[..to - from]);
            }
            from = to;
        }
    }
}

widest! {
    /// Velocity, coherence and coloured share along one row, each into its own row of output; NaN
    /// outside the volume; an empty output row is not wanted and costs nothing
    fn flow_row['a, T: Code, P: Phasors](
        row: &Row<'_>,
        windows: &Windows<'a, T>,
        table: &P,
        display: &Display,
        out: [&mut [f64]; 3],
    ) {
        let [velocity, coherence, coloured] = out;
        let mut block = Block::new();
        let mut sums = Sums::new();
        let mut values = [0.0; BLOCK];
        for out in [&mut *velocity, &mut *coherence, &mut *coloured] {
            row.blank_outside(out);
        }
        let mut from = row.inside.start;
        while from < row.inside.end {
            let to = (from + BLOCK).min(row.inside.end);
            row.locate(from, &mut block);
            phasors(windows, table, &block, &mut sums);
            velocities(&sums, display, &mut values);
            velocity[from..to].copy_from_slice(&values[..to - from]);
            if !coherence.is_empty() {
                coherences(&sums, &mut values);
                coherence[from..to].copy_from_slice(&values[..to - from]);
            }
            if !coloured.is_empty() {
                for (out, share) in coloured[from..to].iter_mut().zip(&sums.coloured) {
                    *out = if *share < 1.0 { *share } else { 1.0 };
                }
            }
            from = to;
        }
    }
}
