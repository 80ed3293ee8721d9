//! `narrows` measures the neck of a regurgitant jet in a gated 3D colour Doppler volume.
//!
//! The modules below stand in order: each uses only those above it (a test reads the `use` lines
//! and enforces it). Numbers are made in the pure core, from [`mod@unit`] to [`measure`]; files,
//! pictures, pages, graphics and commands stand below and never compute one.
//!
//! Not a medical device: results defer to local protocols and to the licensed reader.

pub mod unit;

pub mod job;

pub mod space;

pub mod numeric;

pub mod volume;

pub mod sample;

pub mod outline;

pub mod network;

pub mod jet;

pub mod trust;

pub mod planimetry;

pub mod beat;

pub mod severity;

pub mod phantom;

pub mod measure;

pub mod study;

pub mod format;

pub mod review;

pub mod report;

pub mod cohort;

pub mod gpu;

#[cfg(feature = "gui")]
pub mod ui;

#[cfg(feature = "gui")]
pub mod app;

pub mod cli;

#[cfg(feature = "python")]
pub mod python;
