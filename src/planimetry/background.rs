//! Moving chamber blood around a jet, taken off the picture of its cross-section.
//!
//! Chamber blood that passes the wall filter is coloured right up to the jet. What is displayed at the jet's edge is
//! then the jet's share at full power and the rest at the power of the blood beside it, so the share of the jet is
//! `(e - b) / (1 - b)` with the power of that blood `b`. It is smoothed from what lies outside the jet; where
//! nothing is displayed the power is below the display threshold, and by how much follows from the share of blood
//! that shows nothing.

use crate::numeric::Image;
use crate::numeric::blur::{Edge, gaussian};
use crate::numeric::label::{Touch2, label};
use crate::numeric::stats::quantile;
use crate::sample::Raster;

/// Jet and background are told apart in so many rounds (an outside study; more change nothing)
const ROUNDS: usize = 3;
/// Share of the jet at which its edge lies
const EDGE: f64 = 0.5;
/// The jet's own part reaches this share of the brightest somewhere (the same study)
const SEED: f64 = 0.7;
/// Blood nearer to the jet's edge than this is blurred into it, mm (our own choice)
const APART_MM: f64 = 1.5;
/// Blood farther than this is another part of the chamber, mm (an outside study)
const FAR_MM: f64 = 8.0;
/// Standard deviation of the smoothing, mm (the same study)
const SMOOTH_MM: f64 = 1.5;
/// More than this is not taken off: what is left would be noise (the same study)
const MOST: f64 = 0.8;
/// Mean power of blood that is not displayed, over the display threshold: where nearly all is, and where nearly none
/// is (our own choice between nothing and the threshold)
const UNSEEN: [f64; 2] = [0.15, 0.6];

/// The share of the jet at each pixel of a picture of power
///
/// `power` is over full-signal power, 0 where nothing is displayed; `threshold` is the least that is displayed. The
/// jet is the part at the middle of the picture, or the nearest to it.
pub(super) fn jet_share(power: &Image<f64>, raster: &Raster, threshold: f64) -> Image<f64> {
    let mut share = power.clone();
    for _ in 0..ROUNDS {
        let Some(jet) = jet_at_middle(&share) else { break };
        let background = beside(power, &jet, raster, threshold);
        let (w, h) = (power.width(), power.height());
        share = Image::from_fn(w, h, |x, y| {
            let b = background.at(x, y).min(MOST);
            ((power.at(x, y) - b) / (1.0 - b)).max(0.0)
        });
    }
    share
}

/// The part of a picture above one half that holds its middle, or the nearest to it
fn jet_at_middle(share: &Image<f64>) -> Option<Image<bool>> {
    let (w, h) = (share.width(), share.height());
    let parts = label(&share.map(|v| v >= EDGE), Touch2::Side);
    let most = share.data().iter().copied().fold(0.0, f64::max);
    let (cx, cy) = ((w as f64 - 1.0) / 2.0, (h as f64 - 1.0) / 2.0);
    let mut best: Vec<(f64, bool)> = vec![(f64::INFINITY, false); parts.count()];
    for (i, part) in parts.labels.iter().enumerate().filter(|(_, part)| **part != 0) {
        let away = libm::hypot((i % w) as f64 - cx, (i / w) as f64 - cy);
        let known = &mut best[*part as usize - 1];
        *known = (known.0.min(away), known.1 || share.data()[i] >= SEED * most.min(1.0));
    }
    let nearest = (0..best.len()).filter(|i| best[*i].1).min_by(|a, b| best[*a].0.total_cmp(&best[*b].0))?;
    Some(parts.mask(nearest as u32 + 1, w, h))
}

/// Power of the blood outside the jet, smoothed and carried on into it
fn beside(power: &Image<f64>, jet: &Image<bool>, raster: &Raster, threshold: f64) -> Image<f64> {
    let (w, h) = (power.width(), power.height());
    let pixel = raster.pixel.get();
    let near = grown(jet, (APART_MM / pixel).round() as usize);
    let far = grown(jet, (FAR_MM / pixel).round() as usize);
    let ring = |x: usize, y: usize| far.at(x, y) && !near.at(x, y);
    let (mut all, mut unseen, mut seen_sum) = (0.0, 0.0, 0.0);
    for y in 0..h {
        for x in 0..w {
            if ring(x, y) {
                all += 1.0;
                let here = power.at(x, y);
                if here < threshold { unseen += 1.0 } else { seen_sum += here }
            }
        }
    }
    if all == 0.0 {
        // Blood so bright that all of it passes for the jet, which fills less than a quarter of its picture: the
        // lower quartile is blood.
        return Image::filled(w, h, quantile(power.data(), 0.25));
    }
    let dark = unseen / all;
    let below = threshold * (UNSEEN[1] + (UNSEEN[0] - UNSEEN[1]) * dark);
    let mean = (seen_sum + unseen * below) / all;
    let sigma = [SMOOTH_MM / pixel; 2];
    let weight = gaussian(&Image::from_fn(w, h, |x, y| f64::from(u8::from(ring(x, y)))), sigma, Edge::Zero);
    let filled = Image::from_fn(w, h, |x, y| match (ring(x, y), power.at(x, y)) {
        (false, _) => 0.0,
        (true, here) if here < threshold => below,
        (true, here) => here,
    });
    let sum = gaussian(&filled, sigma, Edge::Zero);
    // Deep in the jet hardly any of the ring is near; the ring's mean stands in.
    let prior = 0.02;
    Image::from_fn(w, h, |x, y| (sum.at(x, y) + prior * mean) / (weight.at(x, y) + prior))
}

/// A mask grown by a number of pixels (a square)
fn grown(mask: &Image<bool>, by: usize) -> Image<bool> {
    let (w, h) = (mask.width(), mask.height());
    let wide =
        Image::from_fn(w, h, |x, y| (x.saturating_sub(by)..=(x + by).min(w - 1)).any(|i| mask.at(i, y)));
    Image::from_fn(w, h, |x, y| (y.saturating_sub(by)..=(y + by).min(h - 1)).any(|j| wide.at(x, j)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::Mm;

    #[test]
    fn blood_beside_a_jet_leaves_its_edge_where_it_is() {
        // A disc of full power, blurred, in blood of power b: e = b + (1 - b) g, so the share is g (closed form).
        let raster = Raster::square(Mm::new(24.0), Mm::new(0.25));
        let disc = Image::from_fn(raster.width, raster.height, |x, y| {
            let at = raster.cut_from_pixel(x as f64, y as f64);
            f64::from(u8::from(libm::hypot(at.u, at.v) < 3.5))
        });
        let clear = gaussian(&disc, [4.0, 4.0], Edge::Zero);
        for b in [0.0, 0.3, 0.6] {
            let seen = clear.map(|g| b + (1.0 - b) * g);
            let share = jet_share(&seen, &raster, 0.1);
            let middle = raster.height / 2;
            for x in 0..raster.width {
                let (found, truth) = (share.at(x, middle), clear.at(x, middle));
                assert!((found - truth).abs() < 0.03, "{found} {truth} in blood of {b}");
            }
        }
    }
}
