//! One row of a cut, with the widest vectors the machine has.
//!
//! The same safe code is compiled twice, for the plain instruction set and for 256-bit vectors, and
//! the machine is asked once which it can run. Both give the same bits: every step is an addition,
//! product, division, root or selection in f64, and what is fused (`mul_add`) is fused in both; a
//! machine without the instruction gets the same bits from the system's library, slowly.

use super::kernel::{Code, Display, Phasors, Sums, Windows, coherences, phasors, scalars, velocities};
use super::rows::{BLOCK, Block, Row};

/// Compiles a function for 256-bit vectors too and calls the one the machine can run
macro_rules! widest {
    ($(#[$doc:meta])* fn $name:ident [$($generics:tt)*] ($($arg:ident: $type:ty),* $(,)?) $body:block) => {
        $(#[$doc])*
        pub(super) fn $name<$($generics)*>($($arg: $type),*) {
            #[inline(always)]
            fn plain<$($generics)*>($($arg: $type),*) $body

            #[cfg(target_arch = "x86_64")]
            {
                #[target_feature(enable = "avx2,fma")]
                fn wide<$($generics)*>($($arg: $type),*) {
                    plain($($arg),*);
                }
                if std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma") {
                    // SAFETY: `wide` is safe code; it only must not run where the instructions are
                    // missing, and the line above has just asked.
                    #[allow(unsafe_code)]
                    unsafe { wide($($arg),*) };
                    return;
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
