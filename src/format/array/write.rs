//! A `Volume4` as an array file with its sidecar.
//!
//! Samples lie x fastest, then y, z, frame, channel, so that each frame of each channel is one
//! stretch that reading lends without a copy. The bytes depend on the volume and the options alone.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::layout::Packing;
use super::meta_image::Stored;
use super::{ArrayError, Sidecar, meta_image, nifti, nrrd};
use crate::format::atomic::{self, Ready};
use crate::volume::Volume4;

/// An array file as it is written
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::format) enum Target {
    /// `.nii`, or `.nii.gz`
    Nifti,
    /// `.nrrd`
    Nrrd,
    /// `.nhdr` with its samples beside
    NrrdDetached,
    /// `.mha`
    MetaImage,
    /// `.mhd` with its samples beside
    MetaImageDetached,
}

/// Whether samples are packed
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::format) enum Pack {
    /// They are as they are; can be mapped, opens fastest
    No,
    /// They are deflated
    Deflate,
}

impl Target {
    /// Name of the file with the samples, where it is another one
    fn detached(self, path: &Path, pack: Pack) -> Option<PathBuf> {
        let extension = match (self, pack) {
            (Self::NrrdDetached | Self::MetaImageDetached, Pack::No) => "raw",
            (Self::NrrdDetached, Pack::Deflate) => "raw.gz",
            (Self::MetaImageDetached, Pack::Deflate) => "zraw",
            _ => return None,
        };
        Some(path.with_extension(extension))
    }

    /// Every file that is written
    pub(in crate::format) fn files(self, path: &Path, pack: Pack) -> Vec<PathBuf> {
        let sidecar = Sidecar::path_of(path);
        self.detached(path, pack).into_iter().chain([sidecar, path.to_owned()]).collect()
    }
}

/// Writes a volume and its sidecar, each whole or not at all, the named file last
///
/// # Errors
/// [`ArrayError::MixedBits`], [`ArrayError::NoChannels`], [`ArrayError::TooLarge`],
/// [`ArrayError::Outside`], [`ArrayError::Io`].
pub(in crate::format) fn write(
    volume: &Volume4,
    path: &Path,
    target: Target,
    pack: Pack,
) -> Result<(), ArrayError> {
    let bits = bits(volume)?;
    let detached = target.detached(path, pack);
    let name = detached.as_deref().map(name).transpose()?;
    let meta = matches!(target, Target::MetaImage | Target::MetaImageDetached);
    // Packed at once: the length stands in the header, before the samples.
    let packed = if meta && pack == Pack::Deflate { Some(zlib(volume)?) } else { None };
    let mut ready: Vec<Ready> = Vec::new();
    if let Some(file) = &detached {
        ready.push(atomic::prepare(file, |out| match (&packed, pack) {
            (Some(packed), _) => Ok(out.write_all(packed)?),
            (None, Pack::No) => samples(volume, out),
            (None, Pack::Deflate) => gzip(&[], volume, out),
        })?);
    }
    let sidecar = Sidecar::of(volume).to_json();
    ready.push(atomic::prepare(&Sidecar::path_of(path), |out| -> Result<(), ArrayError> {
        Ok(out.write_all(sidecar.as_bytes())?)
    })?);
    let packing = if pack == Pack::No { Packing::Raw } else { Packing::Gzip };
    ready.push(atomic::prepare(path, |out| -> Result<(), ArrayError> {
        match (target, pack) {
            (Target::Nifti, Pack::Deflate) => gzip(&nifti::header(volume, bits)?, volume, out),
            (Target::Nifti, Pack::No) => {
                out.write_all(&nifti::header(volume, bits)?)?;
                samples(volume, out)
            }
            (Target::Nrrd, _) => {
                out.write_all(&nrrd::header(volume, bits, packing, None))?;
                if pack == Pack::No { samples(volume, out) } else { gzip(&[], volume, out) }
            }
            (Target::NrrdDetached, _) => {
                Ok(out.write_all(&nrrd::header(volume, bits, packing, name.as_deref()))?)
            }
            (Target::MetaImage | Target::MetaImageDetached, _) => {
                let stored = Stored { detached: name.as_deref(), packed: packed.as_ref().map(Vec::len) };
                out.write_all(&meta_image::header(volume, bits, stored))?;
                match (&packed, target) {
                    (_, Target::MetaImageDetached) => Ok(()),
                    (Some(packed), _) => Ok(out.write_all(packed)?),
                    (None, _) => samples(volume, out),
                }
            }
        }
    })?);
    for file in ready {
        file.put()?;
    }
    Ok(())
}

/// The bits that all channels share
fn bits(volume: &Volume4) -> Result<u32, ArrayError> {
    let expected = volume.channels().first().ok_or(ArrayError::NoChannels)?.samples().bits();
    for channel in volume.channels() {
        let found = channel.samples().bits();
        if found != expected {
            return Err(ArrayError::MixedBits { kind: channel.kind(), found, expected });
        }
    }
    Ok(expected)
}

/// The name of a file as a header can hold it
fn name(path: &Path) -> Result<String, ArrayError> {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let plain = path.file_name().and_then(|name| name.to_str()).is_some_and(|name| {
        name == name.trim()
            && !name.starts_with("LIST")
            && !name.contains(|c: char| c.is_control() || matches!(c, '%' | '\\'))
            && !name.eq_ignore_ascii_case("local")
    });
    if plain { Ok(name.into_owned()) } else { Err(ArrayError::Outside { name: name.into_owned() }) }
}

/// All samples: channel after channel, frame after frame
fn samples(volume: &Volume4, out: &mut dyn Write) -> Result<(), ArrayError> {
    for channel in volume.channels() {
        for frame in 0..volume.frames() {
            out.write_all(&channel.samples().frame(frame).le_bytes())?;
        }
    }
    Ok(())
}

/// A gzip stream without name or date, of `first` and then all samples
fn gzip(first: &[u8], volume: &Volume4, out: &mut dyn Write) -> Result<(), ArrayError> {
    let mut packer = flate2::write::GzEncoder::new(out, flate2::Compression::default());
    packer.write_all(first)?;
    samples(volume, &mut packer)?;
    packer.finish()?;
    Ok(())
}

/// All samples as a zlib stream; its length must be known before it is written
fn zlib(volume: &Volume4) -> Result<Vec<u8>, io::Error> {
    let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
    for channel in volume.channels() {
        for frame in 0..volume.frames() {
            packer.write_all(&channel.samples().frame(frame).le_bytes())?;
        }
    }
    packer.finish()
}
