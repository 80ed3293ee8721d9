//! The twin of the closed form: packets simulated pulse by pulse through the wall filter.
//!
//! Scatterers lie about a sample as the point spread weighs them. Each has a random phase, the velocity of the blood
//! where it lies and a normal deviate of that blood's spread, and turns by one step from pulse to pulse. Their sum is the
//! slow-time signal; filtered, its power and first lag, averaged over packets, must be those that `beams` and `signal`
//! find without a single random number.

use std::f64::consts::{PI, TAU};

use nalgebra::Vector3;
use rand_core::Rng;
use rand_pcg::Pcg64;

use super::beams;
use super::filter::PacketFilter;
use super::flow::library_flow;
use super::random::{Draw, Quantiles};
use super::recipe::Recipe;
use super::scanner::WallFilter;
use super::sector::{Sector, beam_direction, point_spread};
use super::signal::Signal;
use super::solved::ReadyFlow;
use super::stage::{Moment, Stage};

/// Packets to a sample, and scatterers to a packet: a mean power scatters by about one part in the root of the former
const PACKETS: usize = 900;
const SCATTERERS: usize = 8;

/// Power and first lag (re, im) at a place of the sector, over the full-signal power
fn pulse_by_pulse(
    recipe: &Recipe,
    moment: &Moment,
    filter: &PacketFilter,
    place: [f64; 3],
    draw: &mut Draw,
) -> [f64; 3] {
    let doppler = &recipe.doppler;
    let [lateral, elevational, axial] = point_spread(recipe, place[2]);
    let widths = [lateral / place[2], elevational / place[2], axial];
    let short = |v: Vector3<f64>| [v.x as f32, v.y as f32, v.z as f32];
    let mut sums = [0.0; 3];
    for _ in 0..PACKETS {
        let mut packet = vec![[0.0; 2]; doppler.packet];
        for _ in 0..SCATTERERS {
            let normals = Quantiles::get().four(draw.0.next_u64()).map(f64::from);
            let at: [f64; 3] = std::array::from_fn(|axis| place[axis] + widths[axis] * normals[axis]);
            let beam = beam_direction(at[0], at[1]);
            let met = moment.sample(short(beam * at[2]), short(beam));
            let velocity = f64::from(met.velocity);
            let broad = doppler.broadening * velocity;
            let variance = f64::from(met.variance) + doppler.rest_m_s * doppler.rest_m_s + broad * broad;
            let step = PI * (velocity + variance.sqrt() * normals[3]) / doppler.nyquist_m_s;
            let (start, size) = (draw.between(0.0, TAU), f64::from(met.blood.max(0.0)).sqrt());
            let ((sin, cos), (turn_sin, turn_cos)) = (libm::sincos(start), libm::sincos(step));
            let mut now = [size * cos, size * sin];
            for sum in &mut packet {
                *sum = [sum[0] + now[0], sum[1] + now[1]];
                now = [now[0] * turn_cos - now[1] * turn_sin, now[1] * turn_cos + now[0] * turn_sin];
            }
        }
        let left = filter.apply(&packet);
        let lags = (left.len() - 1) as f64;
        sums[0] += left.iter().map(|y| y[0] * y[0] + y[1] * y[1]).sum::<f64>() / left.len() as f64;
        for two in left.windows(2) {
            sums[1] += (two[1][0] * two[0][0] + two[1][1] * two[0][1]) / lags;
            sums[2] += (two[1][1] * two[0][0] - two[1][0] * two[0][1]) / lags;
        }
    }
    sums.map(|sum| sum / (PACKETS * SCATTERERS) as f64 / filter.power().constant())
}

#[test]
fn a_solved_flow_scanned_pulse_by_pulse_is_the_closed_form() {
    let flow = ReadyFlow::new(&library_flow("round-33-thick").unwrap());
    for wall_filter in [WallFilter::Polynomial { order: 1 }, WallFilter::Recursive { cutoff_m_s: 0.14 }] {
        let mut recipe = Recipe::default();
        recipe.flow.solved = Some(flow.header.name.clone());
        recipe.scan.beam_angle_deg = 20.0;
        recipe.blood.speed_m_s = 0.15;
        recipe.doppler.wall_filter = wall_filter;
        let nyquist = recipe.doppler.nyquist_m_s;
        let filter = PacketFilter::new(wall_filter, recipe.doppler.packet, nyquist);
        let stage = Stage::new(&recipe, Some(&flow)).unwrap();
        let half = Vector3::new(9.0, 9.0, 11.0);
        let bounds = [stage.mount.centre - half, stage.mount.centre + half];
        let reach = Vector3::repeat(5.0);
        let moment = Moment::new(&stage, 0.2, Vector3::zeros(), [bounds[0] - reach, bounds[1] + reach]);
        let sector = Sector::covering(&recipe.doppler, &bounds[0], &bounds[1]);
        let closed = beams::echoes(&recipe, &Signal::new(nyquist, &filter), &moment, &sector, &bounds);

        let mut draw = Draw(Pcg64::new(5, 7));
        // Closed and pulse by pulse: sums of power; squares of what power and lag differ by, over the power; of phases.
        let (mut power, mut apart, mut phases) = ([0.0; 2], [0.0; 2], Vec::new());
        let (mut count, mut fast) = (0.0, 0);
        for plane in (0..sector.count[1]).step_by(4) {
            for sample in (0..sector.count[2]).step_by(7) {
                for beam in (plane % 3..sector.count[0]).step_by(4) {
                    let index = [beam, plane, sample];
                    let [p, re, im, _] = closed[sector.index(index)].to_array().map(f64::from);
                    let place =
                        std::array::from_fn(|axis| sector.at(axis, [beam, plane, sample][axis] as f64));
                    let point = beam_direction(place[0], place[1]) * place[2];
                    let within = (0..3).all(|a| point[a] > bounds[0][a] && point[a] < bounds[1][a]);
                    // What a display shows: above the lowest threshold in use.
                    if p < 0.1 || !within {
                        continue;
                    }
                    let slow = pulse_by_pulse(&recipe, &moment, &filter, place, &mut draw);
                    power = [power[0] + p, power[1] + slow[0]];
                    apart[0] += ((slow[0] - p) / p).powi(2);
                    apart[1] += ((slow[1] - re).powi(2) + (slow[2] - im).powi(2)) / (p * p);
                    count += 1.0;
                    let length = libm::hypot(re, im) / p;
                    fast += usize::from(length < 0.5);
                    if length > 0.5 {
                        let turn = libm::atan2(slow[2] * re - slow[1] * im, slow[1] * re + slow[2] * im);
                        phases.push(turn * nyquist / PI);
                    }
                }
            }
        }
        let (ratio, [power_rms, lag_rms]) = (power[1] / power[0], apart.map(|sum: f64| (sum / count).sqrt()));
        let bias_m_s = phases.iter().sum::<f64>() / phases.len() as f64;
        let rms_m_s = (phases.iter().map(|v| v * v).sum::<f64>() / phases.len() as f64).sqrt();
        println!(
            "{count} samples, {fast} incoherent: power {ratio:.4}, rms {power_rms:.3}, lag rms {lag_rms:.3}, \
             velocity {bias_m_s:+.4} rms {rms_m_s:.4} m/s"
        );
        assert!(phases.len() > 60 && fast > 20, "{} {fast}", phases.len());
        assert!((ratio - 1.0).abs() < 0.02, "{ratio}");
        assert!(power_rms < 0.07 && lag_rms < 0.07, "{power_rms} {lag_rms}");
        assert!(bias_m_s.abs() < 0.005 && rms_m_s < 0.03, "{bias_m_s} {rms_m_s}");
    }
}
