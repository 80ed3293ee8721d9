//! The numerical tools, callable from other languages: requests as JSON on stdin, answers on stdout.
//!
//! `tests/python` holds them against numpy, scipy, scikit-image and shapely. The input is a list of
//! objects with an `op`; the output a list of answers in the same order.

use std::io::Read;

use anyhow::{Context, Result, bail};
use narrows::numeric::blur::{Edge, gaussian, gaussian_3d};
use narrows::numeric::contour::{Closed, iso_lines};
use narrows::numeric::label::{Touch2, Touch3, label, label_3d};
use narrows::numeric::{Image, optimise, quadrature, special, stats};
use narrows::outline::Outline;
use narrows::sample::{FlowSampler, FrameSampler, Raster, flow_cut, scalar_cut};
use narrows::space::{Cut, Grid, VolumePoint};
use narrows::unit::{MetresPerSecond, Mm, Seconds};
use narrows::volume::{Channel, ChannelKind, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4};
use serde::Deserialize;
use serde_json::{Value, json};

/// What can be asked
#[derive(Deserialize)]
#[serde(tag = "op", rename_all = "snake_case")]
enum Request {
    /// Everything measured on a polygon, and the polygon moved by each offset
    Outline { points: Vec<[f64; 2]>, offsets: Vec<f64>, line: [f64; 4] },
    /// Share of each pixel inside a polygon
    Coverage { points: Vec<[f64; 2]>, width: usize, height: usize, pixel: f64 },
    /// Lines of equal value
    Contour { width: usize, height: usize, data: Vec<Option<f64>>, level: f64 },
    /// Connected parts; `corners` for 8 or 26 neighbours
    Label { shape: [usize; 3], mask: Vec<bool>, corners: bool },
    /// Gaussian blur; `mirror` for mirrored edges, else zeros
    Blur { shape: [usize; 3], data: Vec<f64>, sigma: [f64; 3], mirror: bool },
    /// A cut through codes on a grid of unit spacing at the origin
    Cut {
        shape: [usize; 3],
        bits: u32,
        codes: Vec<u16>,
        zero_code: u16,
        nyquist: f64,
        centre: [f64; 3],
        normal: [f64; 3],
        toward: [f64; 3],
        width: usize,
        height: usize,
        pixel: f64,
    },
    /// Special functions at each number
    Special { at: Vec<f64> },
    /// Averages, spreads and quantiles
    Stats { values: Vec<f64>, quantiles: Vec<f64> },
    /// A weighted line
    Line { points: Vec<(f64, f64, f64)> },
    /// Nodes of a quadrature rule, and the minimum of a cubic between two ends
    Tools { nodes: usize, cubic: [f64; 4], ends: [f64; 2] },
}

fn main() -> Result<()> {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text).context("reading requests")?;
    let requests: Vec<Request> = serde_json::from_str(&text).context("understanding requests")?;
    let answers = requests.into_iter().map(answer).collect::<Result<Vec<Value>>>()?;
    println!("{}", serde_json::to_string(&answers)?);
    Ok(())
}

fn answer(request: Request) -> Result<Value> {
    Ok(match request {
        Request::Outline { points, offsets, line } => outline(points, &offsets, line)?,
        Request::Coverage { points, width, height, pixel } => {
            let raster = Raster { width, height, pixel: Mm::new(pixel) };
            json!(Outline::try_from(points)?.coverage(&raster).data())
        }
        Request::Contour { width, height, data, level } => {
            let data = data.into_iter().map(|v| v.unwrap_or(f64::NAN)).collect();
            let image = Image::from_rows(width, height, data).context("the picture's size")?;
            let lines = iso_lines(&image, level);
            json!(
                lines
                    .iter()
                    .map(|l| json!({"points": l.points, "closed": l.closed == Closed::Yes}))
                    .collect::<Vec<_>>()
            )
        }
        Request::Label { shape, mask, corners } => {
            let labels = if shape[2] == 1 {
                let mask = Image::from_rows(shape[0], shape[1], mask).context("the mask's size")?;
                label(&mask, if corners { Touch2::Corner } else { Touch2::Side })
            } else {
                let touch = if corners { Touch3::Corner } else { Touch3::Face };
                label_3d(&mask, shape, touch).context("the mask's size")?
            };
            json!({"labels": labels.labels, "sizes": labels.sizes})
        }
        Request::Blur { shape, data, sigma, mirror } => {
            let edge = if mirror { Edge::Reflect } else { Edge::Zero };
            if shape[2] == 1 {
                let image = Image::from_rows(shape[0], shape[1], data).context("the array's size")?;
                json!(gaussian(&image, [sigma[0], sigma[1]], edge).data())
            } else {
                let data = data.into_iter().map(|value| value as f32).collect();
                json!(gaussian_3d(data, shape, sigma, edge).context("the array's size")?)
            }
        }
        Request::Cut { .. } => cut(request)?,
        Request::Special { at } => json!({
            "erf": at.iter().map(|x| special::erf(*x)).collect::<Vec<_>>(),
            "cdf": at.iter().map(|x| special::normal_cdf(*x)).collect::<Vec<_>>(),
            "quantile": at.iter().map(|x| special::normal_quantile(*x)).collect::<Vec<_>>(),
        }),
        Request::Stats { values, quantiles } => json!({
            "mean": stats::mean(&values),
            "sd": stats::standard_deviation(&values),
            "median": stats::median(&values),
            "median_deviation": stats::median_deviation(&values),
            "quantiles": quantiles.iter().map(|p| stats::quantile(&values, *p)).collect::<Vec<_>>(),
        }),
        Request::Line { points } => {
            let line = stats::line_fit(&points).context("points on one place")?;
            json!({"slope": line.slope, "intercept": line.intercept})
        }
        Request::Tools { nodes, cubic: [a, b, c, d], ends: [low, high] } => {
            let found = optimise::minimum(low, high, 1e-10, |x| ((a * x + b) * x + c) * x + d);
            json!({
                "nodes": quadrature::GaussLegendre::new(nodes).nodes(),
                "minimum": [found.at, found.value],
            })
        }
    })
}

fn outline(points: Vec<[f64; 2]>, offsets: &[f64], [u, v, du, dv]: [f64; 4]) -> Result<Value> {
    use narrows::space::CutPoint;
    let shape = Outline::try_from(points)?;
    let feret = shape.feret();
    let moments = shape.second_moments();
    let centre = shape.centroid();
    Ok(json!({
        "area": shape.area(),
        "perimeter": shape.perimeter(),
        "centroid": [centre.u, centre.v],
        "hull": shape.hull(),
        "feret": [feret.max, feret.min],
        "solidity": shape.solidity(),
        "moments": [moments.major, moments.minor],
        "chord": shape.chord(CutPoint::new(u, v), CutPoint::new(du, dv)),
        "offsets": offsets
            .iter()
            .map(|by| {
                let moved = shape.offset(Mm::new(*by)).ok();
                json!({"area": shape.offset_area(Mm::new(*by)), "points": moved})
            })
            .collect::<Vec<_>>(),
    }))
}

fn cut(request: Request) -> Result<Value> {
    let Request::Cut { shape, bits, codes, zero_code, nyquist, centre, normal, toward, width, height, pixel } =
        request
    else {
        bail!("not a cut");
    };
    let voxels = codes.len();
    let samples = || match bits {
        8 => Samples::from_u8(codes.iter().map(|c| *c as u8).collect(), 1, voxels),
        _ => Samples::from_u16(&codes, 1, voxels),
    };
    let scale = VelocityScale::full_cycle(bits, zero_code, MetresPerSecond::new(nyquist))?;
    let volume = Volume4::new(
        Grid::axis_aligned(shape, [1.0; 3], [0.0; 3])?,
        Timeline::regular(1, Seconds::new(0.1))?,
        None,
        Provenance::default(),
        vec![Channel::new(Scale::Tissue, samples()?), Channel::new(Scale::Velocity(scale), samples()?)],
    )?;
    let normal = narrows::space::direction(normal.into()).context("a normal without length")?;
    let centre = VolumePoint::new(centre[0], centre[1], centre[2]);
    let plane = Cut::new(centre, normal, toward.into());
    let raster = Raster { width, height, pixel: Mm::new(pixel) };
    let scalar = FrameSampler::new(&volume, ChannelKind::Tissue, 0).context("no tissue")?;
    let flow = FlowSampler::new(&volume, 0).context("no velocity")?;
    let shown = flow_cut(&flow, &plane, &raster);
    Ok(json!({
        "scalar": scalar_cut(&scalar, &plane, &raster).data(),
        "velocity": shown.velocity.data(),
        "coherence": shown.coherence.data(),
        "coloured": shown.coloured.data(),
    }))
}
