//! The areas of one jet through the beat as one smooth course.
//!
//! The error of a frame has two parts. What geometry, settings and point spread do is the same in all frames of a beat;
//! grain, blood and where the plane came to lie are not, and of these the frames tell together. The course is a mean of
//! Gaussian processes, each weighted by how well it explains the areas: one that does not change, random walks, and
//! integrated random walks of several steps (Rasmussen and Williams, Gaussian Processes for Machine Learning 2006,
//! equations 2.23 to 2.26 and 2.30). So an orifice that does not change comes out constant, one that does keeps its
//! course, and the largest of many frames is not the one whose error is largest.

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::jet::InBeat;

/// Share of a frame's squared error that is its own (solved tuning geometries, errors of frames about their beat's: 0.11
/// at the median, of single jets of seeds 300 to 411; a little less is taken, since the network had seen those geometries,
/// and what it does not know of one that it has not seen is the same in all frames: our own choice)
const OWN: f64 = 0.08;
/// Prior standard deviation of the level, and of the slope a frame, as shares of the mean area
const LEVEL: f64 = 1.0;
const SLOPE: f64 = 0.2;
/// Standard deviations of a random walk's step and of an integrated one's, as shares of the mean area
const STEPS: [f64; 4] = [0.04, 0.1, 0.2, 0.4];
const BENDS: [f64; 4] = [0.02, 0.05, 0.1, 0.2];
/// Two-sided 95 % of a normal
const Z95: f64 = 1.96;
/// At the least so much of what a frame shows by itself is left
const LEAST_KEPT: f64 = 0.3;

/// One process that the areas may follow
#[derive(Clone, Copy)]
enum Process {
    Constant,
    Walk(f64),
    Integrated(f64),
}

impl Process {
    /// Covariance of the course at two frames
    fn covariance(self, i: usize, j: usize) -> f64 {
        let level = LEVEL * LEVEL;
        match self {
            Self::Constant => level,
            Self::Walk(step) => level + step * step * i.min(j) as f64,
            Self::Integrated(bend) => {
                let (i, j) = (i as f64, j as f64);
                let (low, high) = (i.min(j), i.max(j));
                level + SLOPE * SLOPE * i * j + bend * bend * low * low * (3.0 * high - low) / 6.0
            }
        }
    }

    /// All of them with their prior weights: a third each kind
    fn all() -> impl Iterator<Item = (Self, f64)> {
        let walks = STEPS.into_iter().map(|step| (Self::Walk(step), 1.0 / STEPS.len() as f64));
        let bends = BENDS.into_iter().map(|bend| (Self::Integrated(bend), 1.0 / BENDS.len() as f64));
        std::iter::once((Self::Constant, 1.0)).chain(walks).chain(bends)
    }
}

/// What the beat makes of each frame of one jet
///
/// `frames` holds each frame's area, mm2, and the half-width of its 95 % interval in the logarithm; `None` where it was
/// not measured. A single frame keeps what it shows.
pub fn in_beat(frames: &[Option<[f64; 2]>]) -> Vec<InBeat> {
    let seen: Vec<(usize, f64, f64)> =
        frames.iter().enumerate().filter_map(|(i, at)| at.map(|[area, half]| (i, area, half))).collect();
    let mut found = vec![InBeat::default(); frames.len()];
    let usable = seen.iter().all(|(_, area, half)| *area > 0.0 && *half > 0.0 && half.is_finite());
    if seen.len() < 2 || !usable {
        return found;
    }
    // What is the same in all frames is known as well as the surest frames have it.
    let common = (1.0 - OWN) * seen.len() as f64 / seen.iter().map(|(_, _, half)| half.powi(-2)).sum::<f64>();
    let own = |half: f64| (half * half - common).max(OWN * half * half).sqrt() / Z95;
    let mean = seen.iter().map(|(_, area, _)| area).sum::<f64>() / seen.len() as f64;
    let areas = DVector::from_iterator(seen.len(), seen.iter().map(|(_, area, _)| area / mean));
    // The error is in proportion to the true area, of which the course itself is the best guess.
    let mut level = areas.clone();
    let mut course = Course { mean: areas.clone(), variance: areas.map(|_| 0.0) };
    for _ in 0..3 {
        let noise = DVector::from_iterator(
            seen.len(),
            seen.iter().zip(&level).map(|((_, _, half), level)| (own(*half) * level).powi(2)),
        );
        let Some(next) = course_of(&seen, &areas, &noise) else { return found };
        level = next.mean.zip_map(&areas, |on_course, area| on_course.max(LEAST_KEPT * area));
        course = next;
    }
    for (k, (frame, _, half)) in seen.iter().enumerate() {
        let left = Z95 * course.variance[k].max(0.0).sqrt() / level[k];
        found[*frame] = InBeat {
            shift: libm::log(level[k] / areas[k]),
            narrowing: (libm::hypot(common.sqrt(), left) / half).min(1.0),
        };
    }
    found
}

/// A course with its variance
struct Course {
    mean: DVector<f64>,
    variance: DVector<f64>,
}

/// The mean course of all processes by their evidence; `None` where no matrix can be solved
fn course_of(seen: &[(usize, f64, f64)], areas: &DVector<f64>, noise: &DVector<f64>) -> Option<Course> {
    let residual = areas.map(|area| area - 1.0);
    let first = seen.first()?.0;
    let ways: Vec<(f64, Course)> = Process::all()
        .filter_map(|(process, prior)| {
            let covariance = DMatrix::from_fn(seen.len(), seen.len(), |a, b| {
                process.covariance(seen[a].0 - first + 1, seen[b].0 - first + 1)
            });
            let factor = Cholesky::new(&covariance + DMatrix::from_diagonal(noise))?;
            let weights = factor.solve(&residual);
            let evidence = -0.5 * residual.dot(&weights) - factor.l().diagonal().map(libm::log).sum();
            let mean = (&covariance * weights).map(|m| m + 1.0);
            let explained = &covariance * factor.solve(&covariance);
            Some((
                libm::log(prior) + evidence,
                Course { mean, variance: (covariance - explained).diagonal() },
            ))
        })
        .collect();
    let best = ways.iter().map(|(evidence, _)| *evidence).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = ways.iter().map(|(evidence, _)| libm::exp(evidence - best)).sum();
    let share = |evidence: &f64| libm::exp(evidence - best) / total;
    let zero = areas.map(|_| 0.0);
    let mean = ways.iter().fold(zero.clone(), |sum, (evidence, way)| sum + &way.mean * share(evidence));
    let variance = ways.iter().fold(zero, |sum, (evidence, way)| {
        sum + (&way.variance + (&way.mean - &mean).map(|d| d * d)) * share(evidence)
    });
    Some(Course { mean, variance })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn areas(frames: &[Option<[f64; 2]>]) -> Vec<f64> {
        let found = in_beat(frames);
        frames
            .iter()
            .zip(found)
            .filter_map(|(at, in_beat)| Some(at.as_ref()?[0] * libm::exp(in_beat.shift)))
            .collect()
    }

    #[test]
    fn what_scatters_about_one_value_comes_out_near_it() {
        let frames: Vec<_> = [28.0, 32.0, 27.5, 30.5, 33.0, 29.0].map(|area| Some([area, 0.35])).into();
        let smooth = areas(&frames);
        assert!(smooth.iter().all(|area| (area / 30.0 - 1.0).abs() < 0.05), "{smooth:?}");
        let found = in_beat(&frames);
        assert!(found.iter().all(|at| at.narrowing < 0.99 && at.narrowing > (1.0 - OWN).sqrt()), "{found:?}");
    }

    #[test]
    fn what_changes_keeps_its_course() {
        // Half a sine in nine frames.
        let truth: Vec<f64> =
            (1..10).map(|i| 40.0 * libm::sin(std::f64::consts::PI * f64::from(i) / 10.0)).collect();
        let frames: Vec<_> = truth.iter().map(|area| Some([*area, 0.3])).collect();
        for (smooth, truth) in areas(&frames).iter().zip(&truth) {
            assert!((smooth / truth - 1.0).abs() < 0.08, "{smooth} for {truth}");
        }
    }

    #[test]
    fn a_frame_that_is_unsure_follows_the_others() {
        let mut frames = vec![Some([30.0, 0.3]); 7];
        frames[3] = Some([60.0, 1.4]);
        let smooth = areas(&frames);
        assert!(smooth[3] < 42.0 && (smooth[0] - 30.0).abs() < 1.5, "{smooth:?}");
    }

    #[test]
    fn one_frame_stands_alone() {
        assert_eq!(in_beat(&[None, Some([30.0, 0.3]), None]), vec![InBeat::default(); 3]);
        assert_eq!(in_beat(&[]), Vec::new());
    }
}
