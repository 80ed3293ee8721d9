//! What a file holds, told also where it cannot be measured.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::volume::ChannelKind;

/// What was seen in a file
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Inspection {
    /// File name without its folder
    pub file: String,
    /// Length in bytes
    pub bytes: u64,
    /// BLAKE3 in hexadecimal; empty where it was not taken
    pub blake3: String,
    /// Name of the format
    pub format: String,
    /// UID of the transfer syntax; in formats other than DICOM, how samples are stored, in words
    pub transfer_syntax: String,
    /// UID of the object class; empty in formats other than DICOM
    pub object_class: String,
    /// Its name, where known
    pub object_class_name: Option<String>,
    /// Modules of interest, and whether each is there
    pub modules: Vec<(String, Present)>,
    /// What the dimensions count, in their order
    pub dimensions: Vec<String>,
    /// Rows, columns and number of frames as declared
    pub rows_columns_frames: Option<[u32; 3]>,
    /// Channels by data type
    pub channels: Vec<ChannelSeen>,
    /// Voxels along x, y, z
    pub grid: Option<[usize; 3]>,
    /// Millimetres between voxels along x, y, z
    pub voxel_mm: Option<[f64; 3]>,
    /// Times of the frames, seconds from the R wave
    pub times_s: Vec<f64>,
    /// R-R interval in seconds
    pub rr_s: Option<f64>,
    /// Beats the volume was gathered from
    pub gated_beats: Option<u32>,
    /// Where the beams start, mm
    pub apex_mm: Option<[f64; 3]>,
    /// The Nyquist velocity the file states, m/s
    pub stated_nyquist_m_s: Option<f64>,
    /// The Nyquist velocity used, m/s
    pub nyquist_m_s: Option<f64>,
    /// Lowest and highest displayed velocity, m/s
    pub velocity_limits_m_s: Option<[f64; 2]>,
    /// What was noted on the way
    #[serde(flatten)]
    pub notes: Notes,
    /// What stands against using it
    pub problem: Option<Problem>,
}

/// Whether something is in the file
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Present {
    /// It is
    Yes,
    /// It is not
    No,
}

/// What was noted while reading
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Notes {
    /// What the file left open and how it was filled, a sentence each
    pub assumed: Vec<String>,
    /// What is worth knowing, a sentence each
    pub observed: Vec<String>,
    /// What is not there
    pub missing: Vec<String>,
    /// What is in the file and not in the volume made of it
    #[serde(default)]
    pub left_out: Vec<String>,
    /// Those of `assumed` that stood in the file, in the words of others
    #[serde(skip)]
    pub told: Vec<String>,
}

impl Notes {
    /// Notes an assumption, once
    pub fn assume(&mut self, sentence: impl Into<String>) {
        let sentence = sentence.into();
        if !self.assumed.contains(&sentence) {
            self.assumed.push(sentence);
        }
    }

    /// Notes an assumption that stood in the file, in the words of others
    pub fn tell(&mut self, sentence: &str) {
        self.assume(sentence);
        self.told.push(sentence.to_owned());
    }

    /// Notes what of the file is not in the volume
    pub fn leave_out(&mut self, what: impl Into<String>) {
        self.left_out.push(what.into());
    }
}

/// An error told as data
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Problem {
    /// What is wrong
    pub error: String,
    /// What the user may do about it
    pub hint: String,
}

/// What the file says about one data type
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct ChannelSeen {
    /// The standard's name of it
    pub data_type: String,
    /// Our channel, where it is one
    pub channel: Option<ChannelKind>,
    /// Bits of a code
    pub bits: u32,
    /// UCUM code of the real-world units
    pub units: Option<String>,
    /// Real-world value of one code step
    pub slope: Option<f64>,
    /// Real-world value of code 0
    pub intercept: Option<f64>,
    /// Whether the codes wrap around
    pub cyclic: Option<bool>,
    /// Code of zero velocity
    pub zero_code: Option<u32>,
}

impl fmt::Display for Inspection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "file        {} ({} bytes)", self.file, self.bytes)?;
        if !self.blake3.is_empty() {
            writeln!(f, "blake3      {}", self.blake3)?;
        }
        if self.object_class.is_empty() {
            writeln!(f, "format      {}, {}", self.format, self.transfer_syntax)?;
        } else {
            writeln!(f, "format      {}, transfer syntax {}", self.format, self.transfer_syntax)?;
            let class = self.object_class_name.as_deref().unwrap_or("unknown");
            writeln!(f, "class       {class} ({})", self.object_class)?;
        }
        for (module, present) in &self.modules {
            let word = if *present == Present::Yes { "present" } else { "absent" };
            writeln!(f, "module      {module}: {word}")?;
        }
        if !self.dimensions.is_empty() {
            writeln!(f, "dimensions  {}", self.dimensions.join(", "))?;
        }
        if let Some([rows, columns, frames]) = self.rows_columns_frames {
            writeln!(f, "pixels      {frames} frames of {rows} rows and {columns} columns")?;
        }
        if let (Some([x, y, z]), Some([dx, dy, dz])) = (self.grid, self.voxel_mm) {
            writeln!(f, "grid        {x} x {y} x {z} voxels of {dx:.4} x {dy:.4} x {dz:.4} mm")?;
        }
        for channel in &self.channels {
            write!(f, "channel     {}, {} bits", channel.data_type, channel.bits)?;
            match (&channel.units, channel.slope, channel.intercept) {
                (Some(units), Some(slope), Some(intercept)) => {
                    write!(f, ", value = {slope:.6} code {intercept:+.6} [{units}]")?;
                }
                _ => write!(f, ", no real-world mapping")?,
            }
            if let Some(cyclic) = channel.cyclic {
                f.write_str(if cyclic { ", cyclic" } else { ", not cyclic" })?;
            }
            if let Some(zero) = channel.zero_code {
                write!(f, ", zero at {zero}")?;
            }
            writeln!(f, "{}", if channel.channel.is_some() { "" } else { " (not used)" })?;
        }
        if let (Some(first), Some(last)) = (self.times_s.first(), self.times_s.last()) {
            writeln!(f, "times       {} from {first:.4} to {last:.4} s", self.times_s.len())?;
        }
        if let Some(rr) = self.rr_s {
            writeln!(f, "R-R         {rr:.4} s")?;
        }
        if let Some(beats) = self.gated_beats {
            writeln!(f, "gated       over {beats} beats")?;
        }
        if let Some([x, y, z]) = self.apex_mm {
            writeln!(f, "apex        {x:.3}, {y:.3}, {z:.3} mm")?;
        }
        if let (Some(nyquist), Some([low, high])) = (self.nyquist_m_s, self.velocity_limits_m_s) {
            let source =
                if self.stated_nyquist_m_s == Some(nyquist) { "stated" } else { "not stated in the file" };
            writeln!(f, "velocity    {low:.4} to {high:.4} m/s, Nyquist {nyquist:.4} m/s ({source})")?;
        }
        let lists = [
            ("assumed", &self.notes.assumed),
            ("noted", &self.notes.observed),
            ("missing", &self.notes.missing),
            ("left out", &self.notes.left_out),
        ];
        for (name, list) in lists {
            for line in list {
                writeln!(f, "{name:<11} {line}")?;
            }
        }
        if let Some(problem) = &self.problem {
            writeln!(f, "problem     {}", problem.error)?;
            writeln!(f, "hint        {}", problem.hint)?;
        }
        Ok(())
    }
}
