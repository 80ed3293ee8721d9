//! Velocities read back from a colour-coded volume, given the velocity bar that coloured it.
//!
//! A bar is a list of colours, each over a stretch of velocity. A voxel takes the velocity of the colour
//! nearest to its own in CIELAB, where distances are those that the eye sees and that lossy storage
//! keeps small. Grey voxels, and voxels far from every colour of the bar, are tissue. What is lost
//! stays lost: velocities that the bar shows in grey or black have no colour of their own and come out
//! as none, and under colour no tissue is known.
//!
//! The error is told in two parts: the steps of the bar (and of the codes), and what the distances say
//! of how much colours were disturbed. Only what pushed a colour off the bar can be seen; what pushed
//! it along the bar cannot. So the distance that 95 % of the coloured voxels keep is taken as the size
//! of a push along the bar as well, and the velocity that it moves through is the error.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::Deserialize;

use super::bytes::beside_path;
use super::codes::Component;
use super::colour::Lab;
use crate::format::{ABSURD, Notes};
use crate::unit::MetresPerSecond;
use crate::volume::{Channel, ColoursRead, Samples, Scale, SharedBytes, VelocityScale};

/// Colours closer to grey than this are tissue: our own choice, a little over three just noticeable
/// differences
const GREY: f64 = 8.0;
/// Voxels farther than this from every colour of the bar are tissue: our own choice, likewise
const FAR: f64 = 10.0;
/// Steps in which stops are interpolated: finer than 8-bit colours change
const FINE: usize = 4096;
/// A description longer than this is none
const LONGEST: u64 = 1 << 20;
/// Volumes of more colours are noise: lossy storage leaves a few hundred thousand (our own choice)
const MOST_COLOURS: usize = 1 << 21;
/// A picture of a bar is small
const LARGEST_PICTURE: usize = 64 << 20;

/// A velocity bar: which colour stands for which velocity
#[derive(Clone, Debug, PartialEq)]
pub struct VelocityBar {
    runs: Vec<Run>,
    limits: [f64; 2],
    nyquist: Option<f64>,
    grey: Vec<[f64; 2]>,
}

/// What a bar makes of colours
#[allow(clippy::struct_field_names, reason = "the name of the value that is handed on")]
pub(in crate::format) struct Read {
    /// Tissue and velocity
    pub(in crate::format) channels: [Channel; 2],
    /// How well it went
    pub(in crate::format) colours_read: ColoursRead,
}

/// Reads colours beside each other, x fastest, then y, z, frame; `nyquist` overrules the bar's own
///
/// # Errors
/// Says in words why they cannot be read.
pub(in crate::format) fn read_colours(
    bar: &VelocityBar,
    bytes: &SharedBytes,
    shape: [usize; 3],
    frames: usize,
    nyquist: Option<MetresPerSecond>,
    notes: &mut Notes,
) -> Result<Read, String> {
    bar.read_all(&Component::of_colours(bytes, shape, frames), nyquist, notes)
}

/// The ends of a stretch of velocity, and its colour
type Stretch = ([f64; 2], [u8; 3]);

/// One colour over a stretch of velocity
#[derive(Clone, Copy, Debug, PartialEq)]
struct Run {
    low: f64,
    high: f64,
    lab: Lab,
}

impl Run {
    fn middle(&self) -> f64 {
        f64::midpoint(self.low, self.high)
    }
}

/// Why a velocity bar cannot be used
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BarError {
    /// Its description or picture cannot be read
    #[error("cannot read the velocity bar: {source}: {}", path.display())]
    Read {
        /// Which file
        path: PathBuf,
        /// What the system said
        source: std::io::Error,
    },
    /// The description is not understood
    #[error("cannot use the velocity bar: {message}: {}", path.display())]
    Words {
        /// What is wrong
        message: String,
        /// Which file
        path: PathBuf,
    },
}

impl BarError {
    /// What the user may do about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Read { .. } => "check the name, the folder and your right to read it",
            Self::Words { .. } => {
                "a bar is a TOML file: [[stops]] with m_s and rgb, or strip = \"bar.png\" with ends_m_s; see \
                 docs/formats.md"
            }
        }
    }
}

/// The description of a bar
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Words {
    /// Colours at velocities, rising; between them colours are interpolated
    #[serde(default)]
    stops: Vec<Stop>,
    /// A picture of the bar, beside the description
    strip: Option<String>,
    /// Velocity at the top (or left) and at the bottom (or right) edge of the picture, m/s
    ends_m_s: Option<[f64; 2]>,
    /// Nyquist velocity, m/s; half the span of the bar where it is not given
    nyquist_m_s: Option<f64>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Stop {
    /// Velocity, positive toward the probe
    m_s: f64,
    /// Its colour, sRGB
    rgb: [u8; 3],
}

impl VelocityBar {
    /// Reads the description of a bar and, where it names one, the picture beside it
    ///
    /// # Errors
    /// See [`BarError`].
    pub fn open(path: &Path) -> Result<Self, BarError> {
        let read = |path: &Path, most: u64| {
            let refuse = |source| BarError::Read { path: path.to_owned(), source };
            let length = std::fs::metadata(path).map_err(refuse)?.len();
            if length > most {
                let message = format!("{length} bytes are too many");
                return Err(BarError::Words { message, path: path.to_owned() });
            }
            std::fs::read(path).map_err(refuse)
        };
        let refuse = |message: String| BarError::Words { message, path: path.to_owned() };
        let text = String::from_utf8(read(path, LONGEST)?).map_err(|_| refuse("it is no text".to_owned()))?;
        let words: Words = toml::from_str(&text).map_err(|error| refuse(error.message().to_owned()))?;
        let samples = match (&words.strip, words.stops.as_slice()) {
            (Some(strip), []) => {
                let ends =
                    words.ends_m_s.ok_or_else(|| refuse("it gives a strip without ends_m_s".into()))?;
                let beside = beside_path(Some(path), strip).map_err(|error| refuse(error.to_string()))?;
                let picture = read(&beside, LARGEST_PICTURE as u64)?;
                along_strip(&strip_colours(&picture).map_err(refuse)?, ends)
            }
            (None, stops @ [_, _, ..]) => between_stops(stops).map_err(refuse)?,
            _ => return Err(refuse("it needs either two or more stops, or a strip".to_owned())),
        };
        Self::new(&samples, words.nyquist_m_s).map_err(refuse)
    }

    /// A bar of colours over rising stretches of velocity
    fn new(samples: &[Stretch], nyquist: Option<f64>) -> Result<Self, String> {
        let finite = samples.iter().flat_map(|(ends, _)| ends).chain(&nyquist).all(|v| v.abs() <= ABSURD);
        if !finite || nyquist.is_some_and(|nyquist| nyquist <= 0.0) {
            return Err("one of its velocities is not usable".to_owned());
        }
        let (Some((first, _)), Some((last, _))) = (samples.first(), samples.last()) else {
            return Err("it has no colours".to_owned());
        };
        let limits = [first[0], last[1]];
        if limits[0] >= limits[1] {
            return Err("its velocities do not rise".to_owned());
        }
        let mut joined: Vec<Stretch> = Vec::new();
        for (ends, rgb) in samples {
            match joined.last_mut() {
                Some((before, same)) if same == rgb => before[1] = ends[1],
                _ => joined.push((*ends, *rgb)),
            }
        }
        let (mut runs, mut grey): (Vec<Run>, Vec<[f64; 2]>) = (Vec::new(), Vec::new());
        for ([low, high], rgb) in joined {
            let lab = Lab::of(rgb);
            if lab.chroma() >= GREY {
                runs.push(Run { low, high, lab });
            } else if let Some(last) = grey.last_mut().filter(|last| last[1] == low) {
                last[1] = high;
            } else {
                grey.push([low, high]);
            }
        }
        if runs.is_empty() {
            return Err("it is grey all along".to_owned());
        }
        Ok(Self { runs, limits, nyquist, grey })
    }

    /// The scale of codes that hold what the bar shows; `stated` overrules the bar's own Nyquist velocity
    ///
    /// # Errors
    /// Says in words why none can.
    pub(super) fn scale(
        &self,
        stated: Option<MetresPerSecond>,
        notes: &mut Notes,
    ) -> Result<VelocityScale, String> {
        let [low, high] = self.limits;
        let half = (high - low) / 2.0;
        let nyquist = stated.map(MetresPerSecond::get).or(self.nyquist).unwrap_or_else(|| {
            notes.assume(format!(
                "the Nyquist velocity {half:.4} m/s was taken as half the span of the velocity bar"
            ));
            half
        });
        if half > nyquist * 1.01 {
            return Err(format!(
                "the velocity bar spans {:.4} m/s, more than the cycle of a Nyquist velocity of {nyquist:.4} m/s",
                2.0 * half
            ));
        }
        let step = nyquist / 128.0;
        // The bar's middle comes to the middle of the codes.
        let zero = (128.0 - f64::midpoint(low, high) / step).round().clamp(0.0, 255.0) as u16;
        VelocityScale::full_cycle(8, zero, MetresPerSecond::new(nyquist)).map_err(|error| error.to_string())
    }

    /// Tissue and velocity of all colours
    pub(super) fn read_all(
        &self,
        colours: &Component<'_>,
        nyquist: Option<MetresPerSecond>,
        notes: &mut Notes,
    ) -> Result<Read, String> {
        let scale = self.scale(nyquist, notes)?;
        let inverted = self.invert(colours, &scale, notes)?;
        let (frames, voxels) = (colours.layout.frames, colours.layout.voxels());
        let make = |scale, codes| {
            let samples = Samples::from_u8(codes, frames, voxels).map_err(|error| error.to_string())?;
            Ok::<_, String>(Channel::new(scale, samples))
        };
        let channels =
            [make(Scale::Tissue, inverted.tissue)?, make(Scale::Velocity(scale), inverted.velocity)?];
        Ok(Read { channels, colours_read: inverted.colours_read })
    }

    /// What a colour says
    fn read(&self, rgb: [u8; 3]) -> Reading {
        let lab = Lab::of(rgb);
        let [r, g, b] = rgb.map(f64::from);
        // Luma of ITU-R BT.709.
        let grey = (0.2126 * r + 0.7152 * g + 0.0722 * b).round() as u8;
        if lab.chroma() < GREY {
            return Reading::Tissue(grey);
        }
        let distances: Vec<f64> = self.runs.iter().map(|run| run.lab.distance(lab)).collect();
        let best = (0..distances.len()).reduce(|a, b| if distances[b] < distances[a] { b } else { a });
        let Some(best) = best.filter(|best| distances[*best] <= FAR) else { return Reading::Stray(grey) };
        Reading::Flow { run: best, distance: distances[best] }
    }

    /// How far in velocity the bar goes from a run within a distance of its colour
    fn reach(&self, run: usize, distance: f64) -> f64 {
        let Run { lab, .. } = self.runs[run];
        let velocity = self.runs[run].middle();
        let near = self.runs.iter().filter(|other| other.lab.distance(lab) <= distance);
        near.map(|other| (other.middle() - velocity).abs()).fold(0.0, f64::max)
    }

    /// Codes of velocity and of tissue for every voxel; tells the error in `notes`
    pub(super) fn invert(
        &self,
        colours: &Component<'_>,
        scale: &VelocityScale,
        notes: &mut Notes,
    ) -> Result<Inverted, String> {
        // A volume has many voxels and few colours.
        let mut seen: HashMap<[u8; 3], u64> = HashMap::new();
        colours.for_each_colour(|rgb| {
            if seen.len() <= MOST_COLOURS {
                *seen.entry(rgb).or_default() += 1;
            }
        });
        if seen.len() > MOST_COLOURS {
            return Err(format!("the voxels have more than {MOST_COLOURS} different colours"));
        }
        let mut counted: Vec<([u8; 3], u64)> = seen.into_iter().collect();
        counted.sort_unstable();
        let readings: Vec<Reading> = counted.par_iter().map(|(rgb, _)| self.read(*rgb)).collect();
        let colours_read = self.tell(&counted, &readings, scale, notes);
        let (low, high) = scale.limits();
        let table: HashMap<[u8; 3], (u8, u8)> = counted
            .iter()
            .zip(&readings)
            .map(|((rgb, _), reading)| {
                let codes = match *reading {
                    // The fastest must not round over the end of the codes.
                    Reading::Flow { run, .. } => {
                        let velocity = self.runs[run].middle().clamp(low.get(), high.get());
                        (scale.code(MetresPerSecond::new(velocity)) as u8, 0)
                    }
                    Reading::Tissue(grey) | Reading::Stray(grey) => (scale.zero_code() as u8, grey),
                };
                (*rgb, codes)
            })
            .collect();
        let voxels = colours.layout.voxels() * colours.layout.frames;
        let mut inverted = Inverted {
            velocity: Vec::with_capacity(voxels),
            tissue: Vec::with_capacity(voxels),
            colours_read,
        };
        colours.for_each_colour(|rgb| {
            let (velocity, tissue) = table.get(&rgb).copied().unwrap_or_default();
            inverted.velocity.push(velocity);
            inverted.tissue.push(tissue);
        });
        Ok(inverted)
    }

    fn tell(
        &self,
        counted: &[([u8; 3], u64)],
        readings: &[Reading],
        scale: &VelocityScale,
        notes: &mut Notes,
    ) -> ColoursRead {
        let step = self.runs.iter().map(|run| run.high - run.low).fold(0.0, f64::max);
        // A whole code: at the end of the codes, and beside the code of no colour, none is nearer.
        let steps = step / 2.0 + scale.step().get().abs();
        let (mut distances, mut of_runs) = (Vec::new(), vec![0; self.runs.len()]);
        let mut stray = 0;
        for ((_, count), reading) in counted.iter().zip(readings) {
            match *reading {
                Reading::Flow { run, distance } => {
                    distances.push((distance, *count));
                    of_runs[run] += count;
                }
                Reading::Stray(_) => stray += count,
                Reading::Tissue(_) => {}
            }
        }
        let flow: u64 = of_runs.iter().sum();
        let pushed = share(&mut distances, 0.95);
        let mut reaches: Vec<(f64, u64)> = of_runs
            .iter()
            .enumerate()
            .filter(|(_, count)| **count > 0)
            .map(|(run, count)| (self.reach(run, pushed), *count))
            .collect();
        let pushed_along = share(&mut reaches, 0.95);
        notes.assume(format!(
            "velocities were read back from colours with the velocity bar given ({flow} coloured voxels): off by up to \
             {steps:.4} m/s for half the largest step of the bar and one velocity code; 95 % of them lie within {pushed:.2} \
             (CIELAB) of the bar's colours, and colours pushed along the bar by as much would be off by up to \
             {pushed_along:.4} m/s more"
        ));
        if stray > 0 {
            notes.assume(format!(
                "{stray} voxels are coloured but farther than {FAR} (CIELAB) from every colour of the velocity bar; they were \
                 taken as tissue"
            ));
        }
        for [low, high] in &self.grey {
            notes.assume(format!(
                "the velocity bar is grey or black from {low:.4} to {high:.4} m/s: such velocities cannot be told from tissue \
                 and were read as none"
            ));
        }
        notes.assume("under colour no tissue is known; it was set to 0");
        ColoursRead {
            error: MetresPerSecond::new(steps + pushed_along),
            stray: stray as f64 / (flow + stray).max(1) as f64,
        }
    }
}

/// What a colour says
#[derive(Clone, Copy, Debug, PartialEq)]
enum Reading {
    /// Flow: the nearest run of the bar, and how far its colour is
    Flow { run: usize, distance: f64 },
    /// Grey: tissue of this brightness
    Tissue(u8),
    /// A colour that the bar does not have
    Stray(u8),
}

/// Codes of every voxel, x fastest, then y, z, frame
pub(super) struct Inverted {
    pub(super) velocity: Vec<u8>,
    pub(super) tissue: Vec<u8>,
    pub(super) colours_read: ColoursRead,
}

/// The value that this share of what was counted does not pass; 0 where nothing was
fn share(counted: &mut [(f64, u64)], part: f64) -> f64 {
    counted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: u64 = counted.iter().map(|(_, count)| count).sum();
    let wanted = (part * total as f64).ceil() as u64;
    let mut passed = 0;
    for (value, count) in counted.iter() {
        passed += count;
        if passed >= wanted {
            return *value;
        }
    }
    0.0
}

/// Colours between stops, in small steps
fn between_stops(stops: &[Stop]) -> Result<Vec<Stretch>, String> {
    let (first, last) = (stops[0].m_s, stops[stops.len() - 1].m_s);
    // Two stops at one velocity make a jump of colour there.
    if !stops.windows(2).all(|pair| pair[0].m_s <= pair[1].m_s) || !(last - first).is_finite() {
        return Err("the velocities of its stops do not rise".to_owned());
    }
    let mut samples = Vec::new();
    for pair in stops.windows(2) {
        let width = pair[1].m_s - pair[0].m_s;
        if width == 0.0 {
            continue;
        }
        let parts = ((width / (last - first) * FINE as f64).ceil() as usize).clamp(1, FINE);
        let edge = |i: usize| pair[0].m_s + width * i as f64 / parts as f64;
        for i in 0..parts {
            let share = (i as f64 + 0.5) / parts as f64;
            let rgb = std::array::from_fn(|k| {
                let (a, b) = (f64::from(pair[0].rgb[k]), f64::from(pair[1].rgb[k]));
                (a + (b - a) * share).round() as u8
            });
            samples.push(([edge(i), edge(i + 1)], rgb));
        }
    }
    Ok(samples)
}

/// The colours of a strip as rising velocities
fn along_strip(colours: &[[u8; 3]], [first, last]: [f64; 2]) -> Vec<Stretch> {
    let edge = |i: usize| first + (last - first) * i as f64 / colours.len() as f64;
    let stretch = |i: usize| if first < last { [edge(i), edge(i + 1)] } else { [edge(i + 1), edge(i)] };
    let mut samples: Vec<_> = colours.iter().enumerate().map(|(i, rgb)| (stretch(i), *rgb)).collect();
    if last < first {
        samples.reverse();
    }
    samples
}

/// The colours along the middle of the longer side of a picture
fn strip_colours(picture: &[u8]) -> Result<Vec<[u8; 3]>, String> {
    let limits = png::Limits { bytes: LARGEST_PICTURE };
    let mut decoder = png::Decoder::new_with_limits(std::io::Cursor::new(picture), limits);
    decoder.set_transformations(png::Transformations::EXPAND | png::Transformations::STRIP_16);
    let fault = |error: png::DecodingError| format!("its strip is no usable PNG picture: {error}");
    let mut reader = decoder.read_info().map_err(fault)?;
    let size = reader.output_buffer_size().filter(|size| *size <= LARGEST_PICTURE);
    let mut pixels = vec![0; size.ok_or("its strip is too large")?];
    let info = reader.next_frame(&mut pixels).map_err(fault)?;
    let channels = match info.color_type {
        png::ColorType::Rgb => 3,
        png::ColorType::Rgba => 4,
        other => return Err(format!("its strip has no colours: {other:?}")),
    };
    let (width, height) = (info.width as usize, info.height as usize);
    let pixel = |x: usize, y: usize| {
        let at = y * info.line_size + x * channels;
        [pixels[at], pixels[at + 1], pixels[at + 2]]
    };
    Ok(if height >= width {
        (0..height).map(|y| pixel(width / 2, y)).collect()
    } else {
        (0..width).map(|x| pixel(x, height / 2)).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const STOPS: [Stop; 4] = [
        Stop { m_s: -0.6, rgb: [0, 255, 255] },
        Stop { m_s: 0.0, rgb: [0, 0, 90] },
        Stop { m_s: 0.0, rgb: [90, 0, 0] },
        Stop { m_s: 0.6, rgb: [255, 255, 0] },
    ];

    fn bar() -> VelocityBar {
        VelocityBar::new(&between_stops(&STOPS).unwrap(), None).unwrap()
    }

    /// The colour of a velocity by the definition of the bar
    fn colour(v: f64) -> [u8; 3] {
        let (a, b, share) = if v < 0.0 { (0, 1, (v + 0.6) / 0.6) } else { (2, 3, v / 0.6) };
        std::array::from_fn(|k| {
            let (a, b) = (f64::from(STOPS[a].rgb[k]), f64::from(STOPS[b].rgb[k]));
            (a + (b - a) * share).round() as u8
        })
    }

    #[test]
    fn every_velocity_comes_back_within_the_stated_step() {
        let bar = bar();
        let step = bar.runs.iter().map(|run| run.high - run.low).fold(0.0, f64::max);
        assert!(step < 0.01, "{step}");
        for i in 0..1200 {
            let v = -0.5995 + 0.001 * f64::from(i);
            let Reading::Flow { run, distance } = bar.read(colour(v)) else { panic!("{v}") };
            let velocity = bar.runs[run].middle();
            assert!((velocity - v).abs() <= step / 2.0 + 1e-9, "{v} came back as {velocity}");
            assert_eq!(distance, 0.0);
        }
    }

    #[test]
    fn what_is_said_of_disturbed_colours_holds() {
        use rand_core::Rng as _;
        let bar = bar();
        let mut random = rand_pcg::Pcg64::new(3, 9);
        for size in [2u64, 5, 9] {
            let (mut distances, mut errors) = (Vec::new(), Vec::new());
            for i in 0..4000 {
                let v = -0.59 + 0.000_295 * f64::from(i);
                let rgb = colour(v).map(|c| {
                    let push = (random.next_u64() % (2 * size + 1)) as i16 - size as i16;
                    (i16::from(c) + push).clamp(0, 255) as u8
                });
                let Reading::Flow { run, distance } = bar.read(rgb) else { continue };
                distances.push((distance, 1));
                errors.push((run, (bar.runs[run].middle() - v).abs()));
            }
            assert!(errors.len() > 3500, "{}", errors.len());
            let pushed = share(&mut distances, 0.95);
            let mut reaches: Vec<(f64, u64)> =
                errors.iter().map(|(run, _)| (bar.reach(*run, pushed), 1)).collect();
            let told = share(&mut reaches, 0.95) + 0.005;
            let inside = errors.iter().filter(|(_, error)| *error <= told).count();
            assert!(inside as f64 >= 0.95 * errors.len() as f64, "{size}: {inside} within {told}");
        }
    }

    #[test]
    fn grey_and_strange_colours_are_tissue() {
        let bar = bar();
        assert_eq!(bar.read([100, 100, 100]), Reading::Tissue(100));
        assert_eq!(bar.read([0, 0, 0]), Reading::Tissue(0));
        assert!(matches!(bar.read([0, 255, 0]), Reading::Stray(_)));
        assert!(matches!(bar.read([255, 0, 255]), Reading::Stray(_)));
    }

    #[test]
    fn a_strip_reads_from_its_top() {
        let colours = [[255, 255, 0], [255, 0, 0], [0, 0, 255], [0, 255, 255]];
        let bar = VelocityBar::new(&along_strip(&colours, [0.6, -0.6]), None).unwrap();
        assert_eq!(bar.limits, [-0.6, 0.6]);
        let Reading::Flow { run, .. } = bar.read([255, 255, 0]) else { panic!() };
        assert!((bar.runs[run].middle() - 0.45).abs() < 1e-12);
        let scale = bar.scale(None, &mut Notes::default()).unwrap();
        assert_eq!((scale.nyquist().get(), scale.zero_code()), (0.6, 128));
        assert!(bar.scale(Some(MetresPerSecond::new(0.3)), &mut Notes::default()).is_err());
    }

    #[test]
    fn a_colour_that_stands_twice_says_how_far_it_may_be_off() {
        let colours = [[255, 0, 0], [0, 0, 255], [255, 0, 0]];
        let bar = VelocityBar::new(&along_strip(&colours, [-0.6, 0.6]), None).unwrap();
        let Reading::Flow { run, distance } = bar.read([255, 0, 0]) else { panic!() };
        assert!((bar.runs[run].middle() + 0.4).abs() < 1e-12);
        assert!((bar.reach(run, distance) - 0.8).abs() < 1e-12);
    }

    #[test]
    fn useless_bars_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bar.toml");
        for (text, word) in [
            ("", "either"),
            ("strip = \"../x.png\"\nends_m_s = [1, -1]", "beside"),
            ("strip = \"x.png\"", "ends_m_s"),
            ("[[stops]]\nm_s = 1\nrgb = [0, 0, 300]", "300"),
            ("[[stops]]\nm_s = 1\nrgb = [0, 0, 3]\nhue = 1", "hue"),
            ("[[stops]]\nm_s = 1\nrgb = [0, 0, 255]\n[[stops]]\nm_s = 0\nrgb = [255, 0, 0]", "do not rise"),
            ("[[stops]]\nm_s = nan\nrgb = [0, 0, 255]\n[[stops]]\nm_s = 0\nrgb = [255, 0, 0]", "rise"),
            ("[[stops]]\nm_s = -1\nrgb = [0, 0, 0]\n[[stops]]\nm_s = 1\nrgb = [9, 9, 9]", "grey"),
        ] {
            std::fs::write(&path, text).unwrap();
            let error = VelocityBar::open(&path).unwrap_err();
            assert!(error.to_string().contains(word), "{text}: {error}");
            assert!(!error.hint().is_empty());
        }
        assert!(matches!(VelocityBar::open(&folder.path().join("none")), Err(BarError::Read { .. })));
    }
}
