//! Whole cycles of a phase in three dimensions, by the most reliable path.
//!
//! Neighbours are joined in the order of their quality, the best first; when two parts meet, the
//! smaller takes the whole cycles that make the step across the join less than half a cycle (Itoh, Appl
//! Opt 1982;21:2470, along a path; the sorting of joins is that of Abdul-Rahman and others, Appl Opt
//! 2007;46:6623-35; both from memory). Errors stay behind the worst joins instead of running along
//! rows.
//!
//! How far the answer can be relied on is asked twice. A closed loop of four neighbours whose wrapped
//! steps do not add up to nothing holds an inconsistency (a residue: Goldstein, Zebker and Werner, Radio
//! Sci 1988;23:713-20, from memory): every path around it gives another answer. And a second answer
//! along other paths, joined in the order of the size of the steps, can be compared with the first.

use std::f32::consts::{PI, TAU};

/// So many ranks are told apart; joins of one rank are made in the order of their points. Of a quality
/// between 0 and 1 a rank is a ten-thousandth, far below its noise
const RANKS: usize = 1 << 14;

/// Which joins are made first
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// Between the points of the best quality
    Quality,
    /// Across the smallest steps
    Step,
}

/// Whole cycles to add to each phase
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unwrapped {
    /// Cycles; 0 outside the mask
    pub cycles: Vec<i32>,
    /// Points that were joined bear one number, that of a point among them; `u32::MAX` outside the mask.
    /// Cycles of different parts cannot be compared
    pub part: Vec<u32>,
}

/// Joined points: to which other a point hangs, and its cycles against it
struct Parts {
    parent: Vec<u32>,
    offset: Vec<i32>,
    size: Vec<u32>,
}

impl Parts {
    fn new(points: usize) -> Self {
        Self { parent: (0..points as u32).collect(), offset: vec![0; points], size: vec![1; points] }
    }

    /// The root of a point, and the point's cycles against the root
    fn find(&mut self, point: u32) -> (u32, i32) {
        let (mut root, mut total) = (point, 0);
        while self.parent[root as usize] != root {
            total += self.offset[root as usize];
            root = self.parent[root as usize];
        }
        // The path is cut short: every point on it hangs to the root.
        let (mut at, mut left) = (point, total);
        while self.parent[at as usize] != root && at != root {
            let next = self.parent[at as usize];
            let own = self.offset[at as usize];
            self.parent[at as usize] = root;
            self.offset[at as usize] = left;
            left -= own;
            at = next;
        }
        (root, total)
    }

    /// Joins two points, the second having `step` more cycles than the first
    fn join(&mut self, a: u32, b: u32, step: i32) {
        let ((ra, oa), (rb, ob)) = (self.find(a), self.find(b));
        if ra == rb {
            return;
        }
        // Cycles of the root of b against the root of a.
        let between = oa + step - ob;
        let (under, over, offset) = if self.size[ra as usize] >= self.size[rb as usize] {
            (rb, ra, between)
        } else {
            (ra, rb, -between)
        };
        self.parent[under as usize] = over;
        self.offset[under as usize] = offset;
        self.size[over as usize] += self.size[under as usize];
    }
}

/// Cycles that `b` must be given so that it is less than half a cycle from `a`
fn step(a: f32, b: f32) -> i32 {
    let difference = a - b;
    i32::from(difference >= PI) - i32::from(difference <= -PI)
}

/// A difference of two phases of one cycle, between -pi and pi
pub fn wrapped(difference: f32) -> f32 {
    if difference >= PI {
        difference - TAU
    } else if difference <= -PI {
        difference + TAU
    } else {
        difference
    }
}

/// Whole cycles of the phases (radians, none a whole cycle from another) inside a mask of `shape` `[x, y, z]`, x fastest
///
/// `quality` is best where it is largest. `None` where the lengths do not fit the shape, or there are
/// more points than 32 bits can number.
pub fn unwrap(
    phase: &[f32],
    quality: &[f32],
    mask: &[bool],
    shape: [usize; 3],
    order: Order,
) -> Option<Unwrapped> {
    let points = shape.iter().try_fold(1usize, |n, side| n.checked_mul(*side))?;
    if [phase.len(), quality.len(), mask.len()] != [points; 3] || points >= u32::MAX as usize / 4 {
        return None;
    }
    let strides = [1, shape[0], shape[0] * shape[1]];
    let joined = |visit: &mut dyn FnMut(usize, usize, usize)| {
        each_point(shape, |i, at| {
            if !mask[i] {
                return;
            }
            for axis in 0..3 {
                let next = i + strides[axis];
                if at[axis] + 1 < shape[axis] && mask[next] {
                    visit(i, next, axis);
                }
            }
        });
    };
    let (low, high) = match order {
        Order::Step => (0.0, PI),
        Order::Quality => {
            let inside =
                quality.iter().zip(mask).filter(|(_, inside)| **inside).map(|(quality, _)| -2.0 * quality);
            inside.fold((0.0f32, f32::MIN), |(low, high), rank| (low.min(rank), high.max(rank)))
        }
    };
    let per_rank = (RANKS - 1) as f32 / (high - low).max(f32::MIN_POSITIVE);
    let rank = |i: usize, next: usize| {
        let rank = match order {
            Order::Quality => -(quality[i] + quality[next]),
            Order::Step => wrapped(phase[next] - phase[i]).abs(),
        };
        (((rank - low) * per_rank) as usize).min(RANKS - 1)
    };
    // Counted, then laid where the counts say: joins of one rank stay in the order of their points.
    let mut starts = vec![0u32; RANKS + 1];
    joined(&mut |i, next, _| starts[rank(i, next) + 1] += 1);
    for rank in 0..RANKS {
        starts[rank + 1] += starts[rank];
    }
    let mut joins = vec![0u32; starts[RANKS] as usize];
    joined(&mut |i, next, axis| {
        let place = &mut starts[rank(i, next)];
        joins[*place as usize] = (4 * i + axis) as u32;
        *place += 1;
    });
    let mut parts = Parts::new(points);
    for join in joins {
        let (i, axis) = (join / 4, join % 4);
        let next = i + strides[axis as usize] as u32;
        parts.join(i, next, step(phase[i as usize], phase[next as usize]));
    }
    let mut out = Unwrapped { cycles: vec![0; points], part: vec![u32::MAX; points] };
    for i in (0..points).filter(|i| mask[*i]) {
        let (root, cycles) = parts.find(i as u32);
        out.cycles[i] = cycles;
        out.part[i] = root;
    }
    Some(out)
}

fn each_point(shape: [usize; 3], mut visit: impl FnMut(usize, [usize; 3])) {
    let mut i = 0;
    for z in 0..shape[2] {
        for y in 0..shape[1] {
            for x in 0..shape[0] {
                visit(i, [x, y, z]);
                i += 1;
            }
        }
    }
}

/// Number of loops of four neighbours inside a mask (phases as for [`unwrap`]), and of those that hold an inconsistency
///
/// # Panics
/// Where the lengths do not fit the shape.
pub fn residues(phase: &[f32], mask: &[bool], shape: [usize; 3]) -> (usize, usize) {
    let strides = [1, shape[0], shape[0] * shape[1]];
    let (mut loops, mut broken) = (0, 0);
    each_point(shape, |i, at| {
        for (a, b) in [(0, 1), (0, 2), (1, 2)] {
            if at[a] + 1 >= shape[a] || at[b] + 1 >= shape[b] {
                continue;
            }
            let corners = [i, i + strides[a], i + strides[a] + strides[b], i + strides[b]];
            if corners.iter().any(|corner| !mask[*corner]) {
                continue;
            }
            let around: f32 = (0..4).map(|k| wrapped(phase[corners[(k + 1) % 4]] - phase[corners[k]])).sum();
            loops += 1;
            broken += usize::from(around.abs() > PI);
        }
    });
    (loops, broken)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHAPE: [usize; 3] = [12, 10, 9];

    fn bowl() -> Vec<f32> {
        let mut truth = Vec::new();
        each_point(SHAPE, |_, [x, y, z]| {
            let (x, y, z) = (x as f32 - 5.5, y as f32 - 4.5, z as f32);
            truth.push(0.22 * (x * x + y * y) + 1.1 * z);
        });
        truth
    }

    #[test]
    fn a_smooth_bowl_is_restored_up_to_one_constant_along_either_order() {
        let truth = bowl();
        let phase: Vec<f32> = truth.iter().map(|t| t - TAU * (t / TAU).round()).collect();
        let mask = vec![true; truth.len()];
        for order in [Order::Quality, Order::Step] {
            let found = unwrap(&phase, &vec![1.0; truth.len()], &mask, SHAPE, order).unwrap();
            let first = phase[0] + TAU * found.cycles[0] as f32 - truth[0];
            for i in 0..truth.len() {
                let off = phase[i] + TAU * found.cycles[i] as f32 - truth[i] - first;
                assert!(off.abs() < 1e-3, "{off} at {i}");
            }
            assert!(found.part.iter().all(|part| *part == found.part[0]));
        }
        let (loops, broken) = residues(&phase, &mask, SHAPE);
        assert!(loops > 2000 && broken == 0);
    }

    #[test]
    fn parts_that_do_not_touch_are_told_apart() {
        let phase = vec![0.5; 5];
        let mask = [true, true, false, true, true];
        let found = unwrap(&phase, &[1.0; 5], &mask, [5, 1, 1], Order::Quality).unwrap();
        assert_eq!(found.part[0], found.part[1]);
        assert_ne!(found.part[0], found.part[4]);
        assert_eq!(found.part[2], u32::MAX);
        assert!(unwrap(&phase, &[1.0; 5], &mask, [4, 1, 1], Order::Quality).is_none());
    }

    #[test]
    fn a_vortex_of_phase_is_a_residue() {
        // The phase runs once around the middle of four points.
        let phase = [0.0, PI / 2.0, -PI / 2.0, PI * 0.999];
        let (loops, broken) = residues(&phase, &[true; 4], [2, 2, 1]);
        assert_eq!((loops, broken), (1, 1));
    }
}
