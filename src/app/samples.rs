//! The sample volumes on the start screen, each with a picture.

use std::path::{Path, PathBuf};

use egui::ColorImage;

use crate::format::{HashWhen, OpenOptions, open};
use crate::gpu::CutView;
use crate::review::{Base, Source, Turn};
use crate::ui::Card;
use crate::unit::Mm;
use crate::volume::Volume4;

use super::layer::color_image;

/// Pixels of a card's picture
const SIZE: [u32; 2] = [448, 340];

/// The folder of the sample volumes: beside the program, above it, where it was built, or here
pub(super) fn folder() -> Option<PathBuf> {
    let name = "sample-volumes";
    let program = std::env::current_exe().ok();
    let above = program.iter().flat_map(|path| path.ancestors().skip(1).take(4));
    let mut places: Vec<PathBuf> = above.map(Path::to_owned).collect();
    places.push(PathBuf::from(env!("CARGO_MANIFEST_DIR")));
    places.push(PathBuf::from("."));
    places.into_iter().map(|place| place.join(name)).find(|folder| folder.is_dir())
}

/// A card for each volume of a folder, in the order of their names
pub(super) fn cards(folder: &Path) -> Vec<Card> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = entries
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "dcm"))
        .collect();
    paths.sort();
    paths.into_iter().map(card).collect()
}

fn card(path: PathBuf) -> Card {
    let stem = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    let mut title: String = stem.replace(['-', '_'], " ");
    if let Some(first) = title.get(..1) {
        title = first.to_uppercase() + &title[1..];
    }
    let text = match stem.as_str() {
        "crescent" => "A bent gap along a closing line: one width misses most of its area.",
        "round" => "A round orifice, where one width is enough.",
        "elliptical" => "An oval orifice: two widths, two answers.",
        "two-jets" => "Two orifices: their areas add, their widths do not.",
        "late-systolic" => "Regurgitation in late systole: the peak frame overstates it.",
        _ => "",
    };
    Card { title, text: text.to_owned(), path, picture: None }
}

/// The frame with the most colour
fn most_colour(volume: &Volume4) -> usize {
    let Some((velocity, scale)) = volume.velocity() else { return 0 };
    let zero = scale.zero_code();
    let coloured = |frame: &usize| {
        let codes = velocity.frame(*frame);
        // Every seventh voxel tells as well as all of them.
        (0..codes.len()).step_by(7).filter(|index| codes.at(*index) != zero).count()
    };
    (0..volume.frames()).max_by_key(coloured).unwrap_or(0)
}

/// The picture of a volume: along the beam through the middle, where there is the most colour
pub(super) fn picture(path: &Path) -> Option<ColorImage> {
    let options = OpenOptions { hash: HashWhen::Later, ..OpenOptions::default() };
    let volume = open(path, &options).ok()?;
    let start = Source::of(&volume, "").start.cut()?;
    let base = Base::new(start.centre(), start.normal(), Some(start.u().into_inner()));
    let shape = volume.grid.shape();
    let spacing = volume.grid.spacing_mm();
    let side = (0..3).map(|i| shape[i] as f64 * spacing[i]).fold(f64::INFINITY, f64::min);
    let mut view = CutView::new(base.long_axis(&Turn::default()), SIZE, Mm::new(side / f64::from(SIZE[1])));
    view.tissue.high = 0.9;
    view.flow.gain = 0.05;
    let frame = most_colour(&volume);
    Some(color_image(&crate::gpu::cut_picture(&volume, frame, &view)))
}
