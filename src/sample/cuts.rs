//! Whole cuts.

use rayon::prelude::*;

use crate::numeric::Image;
use crate::space::Cut;
use crate::volume::Codes;

use super::kernel::{Code, Phasors, Windows};
use super::lanes::{flow_row, scalar_row};
use super::phasor::Phases;
use super::rows::Rows;
use super::{FlowSampler, FrameSampler, Raster};

/// The flow on a cut; every picture has the raster's shape, NaN outside the volume
#[derive(Clone, Debug)]
pub struct FlowCut {
    /// Displayed velocity, m/s, within the displayed limits; 0 where nothing is coloured
    pub velocity: Image<f64>,
    /// Length of the mean phasor of the coloured neighbours, 0 to 1; 1 where nothing is coloured
    pub coherence: Image<f64>,
    /// Interpolated share of coloured voxels, 0 to 1
    pub coloured: Image<f64>,
}

/// A scalar channel (tissue, power codes, variance codes) on a cut, NaN outside the volume
pub fn scalar_cut(sampler: &FrameSampler<'_>, cut: &Cut, raster: &Raster) -> Image<f64> {
    let mut image = blank(raster);
    scalar_cut_into(sampler, cut, raster, &mut image);
    image
}

/// As [`scalar_cut`], into a picture that is kept from cut to cut (made anew where its shape is another)
///
/// New memory costs more than the reading itself: whoever draws one cut after the other keeps it.
pub fn scalar_cut_into(sampler: &FrameSampler<'_>, cut: &Cut, raster: &Raster, image: &mut Image<f64>) {
    fit(image, raster);
    fill_scalars(&[sampler], cut, raster, std::slice::from_mut(image));
}

/// Several scalar channels (or frames) on the same cut, in the order given; where they lie on one
/// grid in one width, positions are worked out once for all
pub fn scalar_cuts(samplers: &[&FrameSampler<'_>], cut: &Cut, raster: &Raster) -> Vec<Image<f64>> {
    let mut images: Vec<Image<f64>> = samplers.iter().map(|_| blank(raster)).collect();
    let same = |a: &FrameSampler<'_>, b: &FrameSampler<'_>| {
        a.grid() == b.grid()
            && matches!((a.codes(), b.codes()), (Codes::U8(_), Codes::U8(_)) | (Codes::U16(_), Codes::U16(_)))
    };
    let mut from = 0;
    while from < samplers.len() {
        let alike = samplers[from..].iter().take_while(|s| same(samplers[from], s)).count();
        fill_scalars(&samplers[from..from + alike], cut, raster, &mut images[from..from + alike]);
        from += alike;
    }
    images
}

/// The velocity channel on a cut, phase-safe, with its coherence and the coloured share
pub fn flow_cut(sampler: &FlowSampler<'_>, cut: &Cut, raster: &Raster) -> FlowCut {
    let mut flow = FlowCut { velocity: blank(raster), coherence: blank(raster), coloured: blank(raster) };
    flow_cut_into(sampler, cut, raster, &mut flow);
    flow
}

/// As [`flow_cut`], into pictures that are kept; see [`scalar_cut_into`]
pub fn flow_cut_into(sampler: &FlowSampler<'_>, cut: &Cut, raster: &Raster, flow: &mut FlowCut) {
    let FlowCut { velocity, coherence, coloured } = flow;
    fit(velocity, raster);
    fit(coherence, raster);
    fit(coloured, raster);
    fill_flow(sampler, cut, raster, [velocity.data_mut(), coherence.data_mut(), coloured.data_mut()]);
}

/// The displayed velocity alone on a cut, phase-safe: the same as in [`flow_cut`], sooner
pub fn velocity_cut(sampler: &FlowSampler<'_>, cut: &Cut, raster: &Raster) -> Image<f64> {
    let mut image = blank(raster);
    velocity_cut_into(sampler, cut, raster, &mut image);
    image
}

/// As [`velocity_cut`], into a picture that is kept; see [`scalar_cut_into`]
pub fn velocity_cut_into(sampler: &FlowSampler<'_>, cut: &Cut, raster: &Raster, image: &mut Image<f64>) {
    fit(image, raster);
    fill_flow(sampler, cut, raster, [image.data_mut(), &mut [], &mut []]);
}

/// A picture whose every pixel will be written
fn blank(raster: &Raster) -> Image<f64> {
    Image::filled(raster.width, raster.height, 0.0)
}

fn fit(image: &mut Image<f64>, raster: &Raster) {
    if (image.width(), image.height()) != (raster.width, raster.height) {
        *image = blank(raster);
    }
}

/// Fills one picture for each sampler; all lie on one grid in one width
fn fill_scalars(samplers: &[&FrameSampler<'_>], cut: &Cut, raster: &Raster, images: &mut [Image<f64>]) {
    let Some(first) = samplers.first() else { return };
    let (grid, width) = (first.grid(), raster.width);
    if width == 0 {
        return;
    }
    let rows = Rows::new(grid, cut, raster);
    let mut bytes = Vec::new();
    let mut words = Vec::new();
    for sampler in samplers {
        match sampler.codes() {
            Codes::U8(codes) => bytes.push(Windows::<u8>::new(codes, grid.shape())),
            Codes::U16(codes) => words.push(Windows::<u16>::new(codes, grid.shape())),
        }
    }
    // Row y of every picture.
    let mut by_row: Vec<Vec<&mut [f64]>> = (0..raster.height).map(|_| Vec::new()).collect();
    for image in images {
        for (row, all) in image.data_mut().chunks_mut(width).zip(&mut by_row) {
            all.push(row);
        }
    }
    by_row.par_iter_mut().enumerate().for_each(|(y, out)| {
        let row = rows.row(y);
        if bytes.is_empty() {
            scalar_row(&row, &words, out);
        } else {
            scalar_row(&row, &bytes, out);
        }
    });
}

fn fill_flow(sampler: &FlowSampler<'_>, cut: &Cut, raster: &Raster, out: [&mut [f64]; 3]) {
    if raster.width == 0 {
        return;
    }
    match sampler.phases() {
        Phases::Byte(codes, table) => fill(sampler, codes, &**table, cut, raster, out),
        Phases::Word(codes, table) => fill(sampler, codes, table, cut, raster, out),
    }
}

fn fill<T: Code + Sync, P: Phasors + Sync>(
    sampler: &FlowSampler<'_>,
    codes: &[T],
    table: &P,
    cut: &Cut,
    raster: &Raster,
    [velocity, coherence, coloured]: [&mut [f64]; 3],
) {
    let rows = Rows::new(sampler.grid(), cut, raster);
    let windows = Windows::new(codes, sampler.grid().shape());
    let display = sampler.display();
    let width = raster.width;
    // A picture that is not wanted has no rows: it is made of empty ones.
    let mut coherence = coherence.chunks_mut(width);
    let mut coloured = coloured.chunks_mut(width);
    let mut by_row: Vec<[&mut [f64]; 3]> = velocity
        .chunks_mut(width)
        .map(|row| [row, coherence.next().unwrap_or(&mut []), coloured.next().unwrap_or(&mut [])])
        .collect();
    by_row.par_iter_mut().enumerate().for_each(|(y, [velocity, coherence, coloured])| {
        flow_row(&rows.row(y), &windows, table, &display, [velocity, coherence, coloured]);
    });
}

#[cfg(test)]
mod tests;
