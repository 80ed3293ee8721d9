//! Small pictures of the screen, kept in `tests/snapshots`, and how near a new one must come.
//!
//! A quarter of the size, each pixel the mean of sixteen: what moved, vanished or changed its colour
//! is seen, the way an adapter smooths a line is not. `NARROWS_SNAPSHOTS=write` makes them anew.

use std::fs::File;
use std::io::BufReader;
use std::path::PathBuf;

/// Pixels of the screen along the side of one pixel of a small picture
const SIDE: usize = 4;
/// Largest mean difference of a channel, of 255
const MEAN: f64 = 1.0;
/// Share of pixels that may differ by more than [`FAR`]
const SHARE: f64 = 0.005;
/// A difference that is seen, of 255
const FAR: u8 = 24;

/// A small picture: width, height, RGB
pub(crate) struct Small {
    width: usize,
    height: usize,
    rgb: Vec<u8>,
}

impl Small {
    /// Of a screen of so many pixels, each told by `pixel`
    pub(crate) fn of(width: u32, height: u32, pixel: impl Fn(u32, u32) -> [u8; 4]) -> Self {
        let (width, height) = (width as usize / SIDE, height as usize / SIDE);
        let mut rgb = Vec::with_capacity(3 * width * height);
        for i in 0..width * height {
            let (x, y) = (i % width * SIDE, i / width * SIDE);
            for channel in 0..3 {
                let all = (0..SIDE * SIDE).map(|k| {
                    let [x, y] = [x + k % SIDE, y + k / SIDE].map(|n| n as u32);
                    u32::from(pixel(x, y)[channel])
                });
                rgb.push((all.sum::<u32>() / (SIDE * SIDE) as u32) as u8);
            }
        }
        Self { width, height, rgb }
    }

    /// Mean difference of a channel, and the share of pixels that differ visibly
    pub(crate) fn difference(&self, other: &Self) -> (f64, f64) {
        assert_eq!((self.width, self.height), (other.width, other.height), "of one size");
        let apart: Vec<u8> = self.rgb.iter().zip(&other.rgb).map(|(a, b)| a.abs_diff(*b)).collect();
        let mean = apart.iter().map(|d| f64::from(*d)).sum::<f64>() / apart.len() as f64;
        let far = apart.chunks_exact(3).filter(|pixel| pixel.iter().any(|d| *d > FAR)).count();
        (mean, far as f64 / (self.width * self.height) as f64)
    }

    /// Compares with the picture kept under this name, or keeps this one where that is asked for
    pub(crate) fn must_resemble(&self, name: &str) {
        let path: PathBuf =
            [env!("CARGO_MANIFEST_DIR"), "tests", "snapshots", &format!("{name}.png")].iter().collect();
        if std::env::var_os("NARROWS_SNAPSHOTS").is_some_and(|asked| asked == "write") {
            return self.write(&path);
        }
        let (mean, share) = self.difference(&Self::read(&path));
        if mean > MEAN || share > SHARE {
            let seen = std::env::temp_dir().join(format!("narrows-{name}.png"));
            self.write(&seen);
            panic!(
                "{name} looks different: mean {mean:.2} of 255, {:.2} % of the pixels; it is in {}",
                100.0 * share,
                seen.display()
            );
        }
    }

    fn write(&self, path: &PathBuf) {
        let file = File::create(path).expect("the picture can be made");
        let mut encoder = png::Encoder::new(file, self.width as u32, self.height as u32);
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_compression(png::Compression::High);
        let mut writer = encoder.write_header().expect("a header");
        writer.write_image_data(&self.rgb).expect("the picture can be written");
    }

    fn read(path: &PathBuf) -> Self {
        let file = File::open(path).expect("a picture is kept; NARROWS_SNAPSHOTS=write makes it");
        let mut reader = png::Decoder::new(BufReader::new(file)).read_info().expect("a PNG");
        let mut rgb = vec![0; reader.output_buffer_size().expect("a size")];
        let info = reader.next_frame(&mut rgb).expect("a picture");
        Self { width: info.width as usize, height: info.height as usize, rgb }
    }
}
