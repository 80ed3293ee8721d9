//! Drawing again, with a named generator: the same seed gives the same numbers everywhere.

use rand_core::Rng as _;
use rand_pcg::Pcg64;

/// A generator started with `seed`
pub(crate) fn generator(seed: u64) -> Pcg64 {
    Pcg64::new(u128::from(seed), 0x0072_6573_616d_706c)
}

/// A whole number below `bound`, each as likely as the next (multiply and reject: Lemire D. ACM Trans
/// Model Comput Simul 2019;29:3, from memory); 0 for a bound of 0
pub(crate) fn pick(random: &mut Pcg64, bound: usize) -> usize {
    let bound = bound as u64;
    if bound == 0 {
        return 0;
    }
    let reject = bound.wrapping_neg() % bound;
    loop {
        let wide = u128::from(random.next_u64()) * u128::from(bound);
        if wide as u64 >= reject {
            return (wide >> 64) as usize;
        }
    }
}

/// Puts a list in random order (Fisher and Yates)
pub(crate) fn shuffle<T>(random: &mut Pcg64, list: &mut [T]) {
    for last in (1..list.len()).rev() {
        list.swap(last, pick(random, last + 1));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_below_the_bound_comes_as_often() {
        let mut random = generator(7);
        let mut counts = [0usize; 5];
        for _ in 0..50_000 {
            counts[pick(&mut random, 5)] += 1;
        }
        assert!(counts.iter().all(|&c| (9_600..10_400).contains(&c)), "{counts:?}");
        assert_eq!(pick(&mut random, 0), 0);
    }

    #[test]
    fn a_shuffle_keeps_all_and_repeats_itself() {
        let once = |seed| {
            let mut list: Vec<u32> = (0..40).collect();
            shuffle(&mut generator(seed), &mut list);
            list
        };
        let mut sorted = once(3);
        assert_eq!(sorted, once(3));
        assert_ne!(sorted, once(4));
        sorted.sort_unstable();
        assert_eq!(sorted, (0..40).collect::<Vec<_>>());
    }
}
