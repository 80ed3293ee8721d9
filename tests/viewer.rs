//! The viewer through its accessibility tree: what a reader does, by name and by hand.
//!
//! No window and no display: the same desk as in the window, in a harness that presses what a
//! screen reader would. Every run also checks that each control has a name.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use egui::{Key, Modifiers, Pos2, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;

use narrows::app::{Desk, DeskOptions, Dialogs, DrawWhen};
use narrows::format::dicom::{WriteOptions, write};
use narrows::format::{OpenOptions, open};
use narrows::job::Watch;
use narrows::measure::Results;
use narrows::phantom::{Recipe, simulate};
use narrows::review::{self, Drawn, JetId, Session};
use narrows::severity::{By, Item};
use narrows::study::list::key_text;
use narrows::study::practice::{self, MadeCase};
use narrows::unit::MetresPerSecond;

#[path = "viewer/picture.rs"]
mod picture;

const RECIPE: &str = include_str!("viewer/small.toml");

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        Self::of(|_| {})
    }

    /// With the usual recipe, changed
    fn of(change: impl Fn(&mut Recipe)) -> Self {
        Self::with(RECIPE, change)
    }

    /// With a recipe, changed
    fn with(recipe: &str, change: impl Fn(&mut Recipe)) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let bench = Self { folder };
        std::fs::create_dir_all(bench.samples()).expect("a folder of samples");
        let mut recipe = Recipe::from_toml(recipe).expect("the recipe is sound");
        change(&mut recipe);
        let (volume, _) = simulate(&recipe, &Watch::silent()).expect("the recipe can be simulated");
        write(&volume, &bench.volume(), &WriteOptions::default()).expect("the volume can be written");
        bench
    }

    fn samples(&self) -> PathBuf {
        self.folder.path().join("sample-volumes")
    }

    fn volume(&self) -> PathBuf {
        self.samples().join("crescent.dcm")
    }

    fn review(&self) -> PathBuf {
        self.samples().join("crescent.review.json")
    }

    fn desk(&self) -> Harness<'static, Option<Desk>> {
        self.desk_of(Vec2::new(1440.0, 900.0), 1.0)
    }

    fn desk_of(&self, size: Vec2, scale: f32) -> Harness<'static, Option<Desk>> {
        let options = DeskOptions {
            state_folder: self.folder.path().join("state"),
            samples: Some(self.samples()),
            draw: DrawWhen::AtOnce,
            dialogs: Dialogs::None,
        };
        let mut harness = Harness::builder().with_size(size).with_pixels_per_point(scale).build_ui_state(
            move |ui, desk: &mut Option<Desk>| {
                let ctx = ui.ctx().clone();
                desk.get_or_insert_with(|| Desk::new(&ctx, options.clone()).expect("threads")).ui(ui);
            },
            None,
        );
        harness.run_steps(3);
        harness
    }

    fn opened(&self) -> Harness<'static, Option<Desk>> {
        Self::open_sample(self.desk())
    }

    /// On a screen so high that the whole ledger is on it
    fn opened_high(&self) -> Harness<'static, Option<Desk>> {
        Self::open_sample(self.desk_of(Vec2::new(1440.0, 1800.0), 1.0))
    }

    fn open_sample(mut harness: Harness<'static, Option<Desk>>) -> Harness<'static, Option<Desk>> {
        harness.get_by_label("Open sample: Crescent").click();
        settle(&mut harness);
        harness
    }
}

fn desk<'a>(harness: &'a Harness<'static, Option<Desk>>) -> &'a Desk {
    harness.state().as_ref().expect("the desk is there after the first step")
}

/// Steps until the measurement and the reading are there
fn settle(harness: &mut Harness<'static, Option<Desk>>) {
    // Generous: a machine that builds beside it is ten times slower.
    let until = Instant::now() + Duration::from_mins(15);
    harness.run_steps(3);
    loop {
        harness.run_steps(2);
        let there = desk(harness);
        if there.session().is_some() && there.is_settled() {
            break;
        }
        assert!(Instant::now() < until, "the desk did not settle");
        std::thread::sleep(Duration::from_millis(10));
    }
    harness.run_steps(2);
}

fn press(harness: &mut Harness<'static, Option<Desk>>, modifiers: Modifiers, key: Key) {
    harness.key_press_modifiers(modifiers, key);
    harness.run_steps(2);
    settle(harness);
}

fn drag(harness: &mut Harness<'static, Option<Desk>>, from: Pos2, to: Pos2) {
    harness.hover_at(from);
    harness.run_steps(1);
    harness.drag_at(from);
    harness.run_steps(1);
    for share in [0.3, 0.6, 1.0] {
        harness.hover_at(from + (to - from) * share);
        harness.run_steps(1);
    }
    harness.drop_at(to);
    harness.run_steps(2);
    settle(harness);
}

fn click(harness: &mut Harness<'static, Option<Desk>>, name: &str) {
    harness.get_by_label(name).click();
    harness.run_steps(2);
    settle(harness);
}

/// Draws a tracing of these corners, from the middle of the en-face picture
fn draw(harness: &mut Harness<'static, Option<Desk>>, corners: &[(f32, f32)]) {
    let middle = en_face(harness).center();
    press(harness, Modifiers::NONE, Key::N);
    for (x, y) in corners {
        let at = middle + Vec2::new(*x, *y);
        harness.hover_at(at);
        harness.run_steps(1);
        harness.drag_at(at);
        harness.run_steps(1);
        harness.drop_at(at);
        // A slow hand: no double clicks.
        harness.run_steps(62);
    }
    press(harness, Modifiers::NONE, Key::Enter);
}

fn area(harness: &Harness<'static, Option<Desk>>) -> f64 {
    desk(harness).reading().and_then(|reading| reading.area).expect("an area is shown").value
}

fn session<'a>(harness: &'a Harness<'static, Option<Desk>>) -> &'a Session {
    desk(harness).session().expect("a session")
}

/// The numbers as the reader left them
fn numbers<'a>(harness: &'a Harness<'static, Option<Desk>>) -> &'a Results {
    session(harness).numbers().expect("numbers")
}

/// What the report of the review as it is now would say
fn reported(bench: &Bench, harness: &Harness<'static, Option<Desk>>) -> Results {
    let volume = open(&bench.volume(), &OpenOptions::default()).expect("it opens");
    review::numbers(session(harness).review(), &volume, &Watch::silent()).expect("numbers")
}

/// Presses and lets go in one place
fn click_at(harness: &mut Harness<'static, Option<Desk>>, at: Pos2) {
    harness.hover_at(at);
    harness.run_steps(1);
    harness.drag_at(at);
    harness.run_steps(1);
    harness.drop_at(at);
    // A slow hand: no double clicks.
    harness.run_steps(60);
}

fn en_face(harness: &Harness<'static, Option<Desk>>) -> egui::Rect {
    harness.get_by_label_contains("En-face plane of").rect()
}

#[test]
fn a_reader_opens_turns_traces_undoes_saves_and_reopens_to_the_same_numbers() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    let session = desk(&harness).session().expect("a session");
    assert_eq!(session.review().place.jet, JetId::Found(1), "the first jet is shown");
    let proposed = area(&harness);
    let measured = session.review().results.as_ref().expect("results").jets[0].vca_mm2.value;
    assert!((proposed - measured).abs() < 1e-9, "untouched, the numbers are the measurement's own");

    // Turn: arrows, and back.
    press(&mut harness, Modifiers::SHIFT, Key::ArrowRight);
    press(&mut harness, Modifiers::NONE, Key::ArrowRight);
    let tilt = desk(&harness).reading().expect("a reading").tilt_deg;
    assert!((tilt - 6.0).abs() < 1e-9, "five degrees and one: {tilt}");
    let slant = desk(&harness).reading().expect("a reading").obliquity_percent;
    assert!((slant - 0.5508).abs() < 1e-3, "1 / cos 6 degrees is 1.005508 (closed form): {slant}");
    press(&mut harness, Modifiers::COMMAND, Key::Z);
    press(&mut harness, Modifiers::COMMAND, Key::Z);
    assert!(desk(&harness).session().expect("a session").turn().is_none());
    assert!((area(&harness) - proposed).abs() < 1e-9);

    // A drag in the picture is one step.
    let middle = en_face(&harness).left_top() + Vec2::new(60.0, 200.0);
    drag(&mut harness, middle, middle + Vec2::new(50.0, 0.0));
    let lean = desk(&harness).reading().expect("a reading").tilt_deg;
    assert!((lean - 10.0).abs() < 0.5, "50 points are 10 degrees: {lean}");
    press(&mut harness, Modifiers::COMMAND, Key::Z);
    assert!(desk(&harness).session().expect("a session").turn().is_none());

    // Keep the proposal, grow it, smooth it.
    click(&mut harness, "Keep the proposal");
    let kept = area(&harness);
    assert!((kept / proposed - 1.0).abs() < 0.05, "{kept} against {proposed}");
    press(&mut harness, Modifiers::NONE, Key::G);
    assert!(area(&harness) > kept);
    click(&mut harness, "Smooth: Tracing 1");
    let session = desk(&harness).session().expect("a session");
    assert_eq!(session.review().work.tracings[0].drawn, Drawn::Corrected);
    let last = area(&harness);

    // Save, close, reopen.
    press(&mut harness, Modifiers::COMMAND, Key::S);
    assert!(bench.review().is_file());
    assert!(!desk(&harness).session().expect("a session").is_unsaved());
    harness.get_by_label("Back to the start").click();
    harness.run_steps(3);
    assert!(desk(&harness).session().is_none());
    harness.get_by_label("Path of a volume or a review").focus();
    harness.run_steps(1);
    let path = bench.review().display().to_string();
    harness.get_by_label("Path of a volume or a review").type_text(&path);
    harness.run_steps(2);
    harness.get_by_label("Go").click();
    settle(&mut harness);
    assert_eq!(area(&harness).to_bits(), last.to_bits(), "the same numbers, to the last bit");
}

#[test]
fn a_tracing_is_drawn_by_clicks_and_an_invalid_one_is_never_counted() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    // A bow tie: its edges cross.
    draw(&mut harness, &[(-60.0, -60.0), (60.0, 60.0), (60.0, -60.0), (-60.0, 60.0)]);
    let session = desk(&harness).session().expect("a session");
    let tracing = session.review().work.tracings.first().expect("a tracing was drawn");
    assert_eq!(tracing.points_mm.len(), 4);
    assert!(session.review().work.fault(tracing).is_some());
    assert_eq!(desk(&harness).reading().expect("a reading").summed, 0, "a crossed polygon is not counted");
    // In words, without numbers of vertices; where it is, the mark on the picture says.
    assert!(harness.query_by_label("Not counted: its edges cross").is_some());
    let faults = faults(&harness, Vec2::new(1440.0, 900.0), "crossed", true);
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert!(harness.query_all_by_label_contains("Trace: a tracing is not counted").next().is_some());
}

#[test]
fn work_that_was_left_behind_is_offered_and_taken_up() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::T);
    let left = area(&harness);
    // Closing without saving keeps the work in its recovery file.
    drop(harness);
    let mut harness = bench.desk();
    harness.get_by_label("Take it up again").click();
    settle(&mut harness);
    assert_eq!(area(&harness).to_bits(), left.to_bits());
    assert!(desk(&harness).session().expect("a session").is_unsaved());
    press(&mut harness, Modifiers::COMMAND, Key::S);
    drop(harness);
    let harness = bench.desk();
    assert!(harness.query_by_label("Take it up again").is_none(), "saved work is not offered again");
}

#[test]
fn a_moved_volume_is_asked_for_and_a_different_one_refused() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::T);
    press(&mut harness, Modifiers::COMMAND, Key::S);
    let kept = area(&harness);
    drop(harness);
    let moved = bench.folder.path().join("moved.dcm");
    std::fs::rename(bench.volume(), &moved).expect("the volume can be moved");
    let other = bench.folder.path().join("other.dcm");
    let recipe = RECIPE.replace("seed = 77", "seed = 78");
    let (volume, _) =
        simulate(&Recipe::from_toml(&recipe).expect("sound"), &Watch::silent()).expect("simulated");
    write(&volume, &other, &WriteOptions::default()).expect("written");

    let mut harness = bench.desk();
    open_path(&mut harness, &bench.review());
    wait_for(&mut harness, "is not where it was");
    open_path(&mut harness, &other);
    wait_for(&mut harness, "this is a different volume");
    open_path(&mut harness, &moved);
    settle(&mut harness);
    assert_eq!(area(&harness).to_bits(), kept.to_bits());
}

fn open_path(harness: &mut Harness<'static, Option<Desk>>, path: &Path) {
    if let Some(desk) = harness.state_mut() {
        desk.open(path.to_owned());
    }
    harness.run_steps(2);
}

fn wait_for(harness: &mut Harness<'static, Option<Desk>>, text: &str) {
    let until = Instant::now() + Duration::from_mins(2);
    while harness.query_all_by_label_contains(text).next().is_none() {
        assert!(Instant::now() < until, "nobody said {text:?}: {}", all_texts(harness));
        std::thread::sleep(Duration::from_millis(10));
        harness.run_steps(2);
    }
}

#[test]
fn of_a_folder_or_several_files_the_reader_chooses_a_volume_by_its_series() {
    let bench = Bench::new();
    let mut harness = bench.desk();
    open_path(&mut harness, &bench.samples());
    settle(&mut harness);
    let file = |harness: &Harness<'static, Option<Desk>>| session(harness).review().source.file.clone();
    assert_eq!(file(&harness), "crescent.dcm", "the one volume opens by itself");
    press(&mut harness, Modifiers::COMMAND, Key::S);
    assert!(
        bench.review().is_file(),
        "the review lies beside the volume, not beside the folder: {}",
        all_texts(&harness)
    );
    let second = bench.samples().join("second.dcm");
    std::fs::copy(bench.volume(), &second).expect("copied");
    let mut other = open(&bench.volume(), &OpenOptions::default()).expect("it opens");
    other.provenance.file = "third.dcm".into();
    narrows::format::save(&other, &bench.samples().join("third.nrrd"), &WriteOptions::default())
        .expect("written");
    open_path(&mut harness, &bench.samples());
    wait_for(&mut harness, "3 volumes: which one?");
    // Those of one series under one heading, what has none apart.
    assert_eq!(harness.query_all_by_label_contains("Series ").count(), 1);
    assert_eq!(harness.query_all_by_label("Without a series").count(), 1);
    harness.check_accessibility();
    press(&mut harness, Modifiers::NONE, Key::Escape);
    assert!(harness.query_all_by_label_contains("which one?").next().is_none());
    // The same of files that are dropped together.
    for path in [bench.volume(), second] {
        harness.input_mut().dropped_files.push(std::sync::Arc::new(Dropped(path)));
    }
    harness.run_steps(2);
    wait_for(&mut harness, "2 volumes: which one?");
    // A window lies where it stays from its second pass on.
    harness.run_steps(10);
    harness.get_by_label_contains("second.dcm, ").click();
    let until = Instant::now() + Duration::from_mins(2);
    while file(&harness) != "second.dcm" {
        assert!(Instant::now() < until, "the chosen one does not open: {}", all_texts(&harness));
        harness.run_steps(2);
    }
    assert!(harness.query_all_by_label_contains("which one?").next().is_none());
}

/// A file that is let go over the window
#[derive(Debug)]
struct Dropped(PathBuf);

impl egui::DroppedFile for Dropped {
    fn path(&self) -> &Path {
        &self.0
    }

    fn bytes(&self) -> Result<Vec<u8>, String> {
        Err("nobody asks".into())
    }
}

#[test]
fn paths_are_typed_where_there_is_no_dialog() {
    let bench = Bench::new();
    let mut harness = bench.desk();
    let typed = |harness: &mut Harness<'static, Option<Desk>>, path: &Path| {
        harness.get_by_label("Path").focus();
        harness.run_steps(1);
        press_only(harness, Modifiers::COMMAND, Key::A);
        harness.get_by_label("Path").type_text(&path.display().to_string());
        harness.run_steps(2);
        press_only(harness, Modifiers::NONE, Key::Enter);
        assert!(harness.query_by_label("Path").is_none(), "it is taken: {}", all_texts(harness));
    };
    press_only(&mut harness, Modifiers::COMMAND, Key::O);
    wait_for(&mut harness, "type the path");
    typed(&mut harness, &bench.volume());
    wait_for(&mut harness, "En-face plane of");
    settle(&mut harness);
    press(&mut harness, Modifiers::NONE, Key::T);
    let elsewhere = bench.folder.path().join("second look");
    press(&mut harness, Modifiers::COMMAND | Modifiers::SHIFT, Key::S);
    wait_for(&mut harness, "Save the review as");
    typed(&mut harness, &elsewhere);
    settle(&mut harness);
    let saved = bench.folder.path().join("second look.review.json");
    assert!(saved.is_file(), "with the ending by which a review is known");
    assert!(!session(&harness).is_unsaved());
    // A name that is taken is refused, and the file stays as it is.
    let taken = bench.folder.path().join("taken.review.json");
    std::fs::write(&taken, "mine").expect("written");
    press(&mut harness, Modifiers::COMMAND | Modifiers::SHIFT, Key::S);
    typed(&mut harness, &taken);
    wait_for(&mut harness, "there is a file of that name already");
    assert_eq!(std::fs::read_to_string(&taken).expect("a file"), "mine");
    // Opened by a typed path, over what is open.
    press(&mut harness, Modifiers::COMMAND, Key::O);
    typed(&mut harness, &saved);
    settle(&mut harness);
    assert_eq!(session(&harness).review().work.tracings.len(), 1);
}

/// Presses a key and waits for nothing
fn press_only(harness: &mut Harness<'static, Option<Desk>>, modifiers: Modifiers, key: Key) {
    harness.key_press_modifiers(modifiers, key);
    harness.run_steps(3);
}

#[test]
fn every_control_has_a_name_in_every_step_and_size() {
    let bench = Bench::new();
    for (width, height, scale) in
        [(1024.0, 640.0, 1.0), (1024.0, 640.0, 2.0), (1920.0, 1080.0, 2.0), (3840.0, 2160.0, 1.0)]
    {
        let size = Vec2::new(width, height);
        let mut harness = bench.desk_of(size, scale);
        harness.check_accessibility();
        harness.get_by_label("Open sample: Crescent").click();
        settle(&mut harness);
        for step in ["Trust", "Jet", "Plane", "Trace", "Beat", "Grade", "Report"] {
            harness.get_by_label_contains(&format!("{step}: ")).click();
            harness.run_steps(3);
            harness.check_accessibility();
        }
        press(&mut harness, Modifiers::NONE, Key::F1);
        harness.check_accessibility();
        // The three cuts, the profile, the tilt map and the frame stand beside each other.
        let names = [
            "En-face plane of",
            "Long axis plane",
            "Level of the plane",
            "Tilt of the plane",
            "three dimensions",
        ];
        let rects: Vec<egui::Rect> =
            names.iter().map(|name| harness.get_by_label_contains(name).rect()).collect();
        let screen = egui::Rect::from_min_size(Pos2::ZERO, size);
        for (i, rect) in rects.iter().enumerate() {
            assert!(screen.contains_rect(*rect), "{} is plane off: {rect:?}", names[i]);
            assert!(rect.width() > 60.0 && rect.height() > 60.0, "{} is too small: {rect:?}", names[i]);
            for (j, other) in rects.iter().enumerate().skip(i + 1) {
                assert!(!rect.shrink(0.5).intersects(*other), "{} lies on {}", names[i], names[j]);
            }
        }
    }
}

#[test]
fn two_clicks_name_the_anterior_posterior_direction() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    harness.get_by_label_contains("Plane: ").click();
    harness.run_steps(3);
    assert!(harness.query_all_by_label_contains("Plane: mark anterior and posterior").next().is_some());
    harness.get_by_label("Anterior annulus").click();
    harness.run_steps(3);
    let centre = en_face(&harness).center();
    for x in [-50.0, 50.0] {
        let at = centre + Vec2::new(x, 30.0);
        harness.hover_at(at);
        harness.run_steps(1);
        harness.drag_at(at);
        harness.run_steps(1);
        harness.drop_at(at);
        harness.run_steps(2);
    }
    settle(&mut harness);
    let session = desk(&harness).session().expect("a session");
    let marks = session.review().work.landmarks;
    assert!(marks.anterior.is_some() && marks.posterior.is_some(), "{marks:?} {}", all_texts(&harness));
    assert!(!desk(&harness).reading().expect("a reading").axes_assumed);
    assert!(harness.query_all_by_label_contains("Plane: on the jet, directions named").next().is_some());
    // The long-axis cut now runs from the one mark to the other: u of the en-face cut is along it.
    let along = narrows::space::direction(
        nalgebra_vector(marks.posterior.expect("set")) - nalgebra_vector(marks.anterior.expect("set")),
    )
    .expect("two different points");
    assert!(session.en_face().u().dot(&along) > 1.0 - 1e-9);
}

fn nalgebra_vector(point: [f64; 3]) -> nalgebra::Vector3<f64> {
    point.into()
}

#[test]
fn the_beat_plays_and_is_scrubbed() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::D);
    let frame = |harness: &Harness<'static, Option<Desk>>| {
        desk(harness).session().expect("a session").review().place.frame
    };
    let first = frame(&harness);
    press(&mut harness, Modifiers::NONE, Key::A);
    assert_ne!(frame(&harness), first);
    let before = frame(&harness);
    harness.key_press(Key::Space);
    let until = Instant::now() + Duration::from_secs(20);
    while frame(&harness) == before {
        assert!(Instant::now() < until, "the beat does not play");
        harness.run_steps(1);
    }
    harness.key_press(Key::Space);
    harness.run_steps(2);
    // Scrub to the last frame.
    let strip = harness.get_by_label("Frame").rect();
    let end = strip.right_center() - Vec2::new(3.0, 0.0);
    drag(&mut harness, strip.center(), end);
    let frames = desk(&harness).session().expect("a session").review().source.frames;
    assert_eq!(frame(&harness), frames - 1);
    assert!(!desk(&harness).session().expect("a session").can_undo(), "looking about is no edit");
}

#[test]
fn looking_at_a_volume_of_high_gain_changes_nothing() {
    // Its outline is drawn just above the gate, at a level with more digits than the slider shows.
    let bench = Bench::of(|recipe| recipe.doppler.gain = 0.553);
    let mut harness = bench.opened();
    // Through every field and out again.
    for _ in 0..40 {
        harness.key_press(Key::Tab);
        harness.run_steps(2);
    }
    settle(&mut harness);
    let session = desk(&harness).session().expect("a session");
    assert!(!session.can_undo(), "a step that nobody made");
    assert_eq!(session.review().work.settings.threshold, None);
    assert_ne!(session.review().place.jet, JetId::Free, "the jet that was found is shown");
}

#[test]
fn the_picture_shows_the_tracing_over_the_colours() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::T);
    let rect = en_face(&harness);
    let picture = harness.render().expect("a software adapter is there");
    let mut tracing = 0;
    let mut shades = std::collections::BTreeSet::new();
    for y in rect.top() as u32 + 4..rect.bottom() as u32 - 4 {
        for x in rect.left() as u32 + 4..rect.right() as u32 - 4 {
            let [r, g, b, _] = picture.get_pixel(x, y).0;
            // The tracing's yellow (#F0E442).
            tracing += usize::from(r.abs_diff(0xF0) < 6 && g.abs_diff(0xE4) < 6 && b.abs_diff(0x42) < 10);
            shades.insert([r / 16, g / 16, b / 16]);
        }
    }
    assert!(tracing > 150, "{tracing} pixels of the tracing");
    assert!(shades.len() > 40, "the plane has {} shades", shades.len());
}

/// The screen, small, once nothing moves on it any more
fn small(harness: &mut Harness<'static, Option<Desk>>) -> picture::Small {
    let mut before: Option<picture::Small> = None;
    for _ in 0..60 {
        harness.run_steps(3);
        let picture = harness.render().expect("a software adapter is there");
        let now = picture::Small::of(picture.width(), picture.height(), |x, y| picture.get_pixel(x, y).0);
        let same = before.as_ref().is_some_and(|before| before.difference(&now) == (0.0, 0.0));
        if same && desk(harness).is_at_rest() {
            return now;
        }
        before = Some(now);
        std::thread::sleep(Duration::from_millis(300));
    }
    panic!("the screen does not come to rest");
}

#[test]
fn the_screen_looks_as_it_did() {
    let bench = Bench::new();
    let mut harness = bench.desk();
    let start = small(&mut harness);
    let mut harness = Bench::open_sample(harness);
    let opened = small(&mut harness);
    harness.get_by_label_contains("Grade: ").click();
    let weighed = small(&mut harness);
    // The comparison sees a changed screen.
    assert!(opened.difference(&weighed).1 > 0.02, "{:?}", opened.difference(&weighed));
    start.must_resemble("screen-start");
    opened.must_resemble("screen-opened");
    weighed.must_resemble("screen-weighed");
}

#[test]
fn what_is_known_better_than_the_file_reaches_the_numbers() {
    let bench = Bench::new();
    let mut harness = bench.desk();
    let known = OpenOptions { nyquist: Some(MetresPerSecond::new(0.66)), ..OpenOptions::default() };
    if let Some(desk) = harness.state_mut() {
        desk.open_knowing(vec![bench.volume()], known);
    }
    settle(&mut harness);
    let nyquist = |harness: &Harness<'static, Option<Desk>>| {
        let review = desk(harness).session().expect("a session").review();
        review.results.as_ref().expect("results").source.nyquist_m_s
    };
    assert!((nyquist(&harness) - 0.66).abs() < 1e-12);
    let measured = area(&harness);
    press(&mut harness, Modifiers::COMMAND, Key::S);
    // Its review is looked at with the same again, though nothing is known of the review's own name: an
    // older engine's results are measured anew, and come out as they were.
    let saved = std::fs::read_to_string(bench.review()).expect("a review");
    let older = saved.replacen("\"engine\": \"1\"", "\"engine\": \"0\"", 1);
    assert_ne!(saved, older);
    std::fs::write(bench.review(), older).expect("the review can be changed");
    let mut again = bench.desk();
    open_path(&mut again, &bench.review());
    let engine = |harness: &Harness<'static, Option<Desk>>| {
        let results = desk(harness).session()?.review().results.as_ref()?;
        Some(results.tool.engine.clone())
    };
    let until = Instant::now() + Duration::from_mins(1);
    while engine(&again).as_deref() != Some("1") {
        assert!(Instant::now() < until, "it is not measured anew: {:?}", engine(&again));
        std::thread::sleep(Duration::from_millis(10));
        again.run_steps(2);
    }
    settle(&mut again);
    assert!((nyquist(&again) - 0.66).abs() < 1e-12, "{}", nyquist(&again));
    assert_eq!(area(&again).to_bits(), measured.to_bits());
    // Another file is read as it is.
    let other = bench.folder.path().join("other.dcm");
    std::fs::copy(bench.volume(), &other).expect("a copy");
    open_path(&mut harness, &other);
    let until = Instant::now() + Duration::from_mins(1);
    while !desk(&harness).title().starts_with("other.dcm") {
        assert!(Instant::now() < until, "the other volume does not open");
        harness.run_steps(2);
    }
    settle(&mut harness);
    assert!((nyquist(&harness) - 0.66).abs() > 0.01, "{}", nyquist(&harness));
}

#[test]
fn what_was_measured_for_one_volume_never_reaches_another() {
    let bench = Bench::new();
    let other = bench.folder.path().join("other.dcm");
    let recipe = RECIPE.replace("effective_area_mm2 = 42.0", "effective_area_mm2 = 18.0");
    let (volume, _) =
        simulate(&Recipe::from_toml(&recipe).expect("sound"), &Watch::silent()).expect("simulated");
    write(&volume, &other, &WriteOptions::default()).expect("written");
    let mut harness = bench.desk();
    open_path(&mut harness, &bench.volume());
    wait_for(&mut harness, "En-face plane of");
    assert!(!desk(&harness).is_settled(), "the first is still being measured");
    open_path(&mut harness, &other);
    let until = Instant::now() + Duration::from_mins(1);
    while desk(&harness).session().is_none_or(|session| session.review().source.file != "other.dcm") {
        assert!(Instant::now() < until, "the other volume does not open");
        harness.run_steps(1);
    }
    settle(&mut harness);
    let results = desk(&harness).session().and_then(|session| session.review().results.clone());
    let results = results.expect("results");
    assert_eq!(results.source.file, "other.dcm");
    assert_eq!(results.source.blake3, desk(&harness).session().expect("a session").review().source.blake3);
    assert!((area(&harness) - results.jets[0].vca_mm2.value).abs() < 1e-9);
}

/// Types into a field that has a name, and leaves it with Enter
fn type_into(harness: &mut Harness<'static, Option<Desk>>, name: &str, text: &str) {
    harness.get_by_label(name).focus();
    harness.run_steps(2);
    harness.get_by_label(name).type_text(text);
    harness.run_steps(2);
    press(harness, Modifiers::NONE, Key::Enter);
    harness.run_steps(3);
}

#[test]
fn what_else_is_known_is_entered_weighed_and_taken_back() {
    let bench = Bench::new();
    let mut harness = bench.opened_high();
    harness.get_by_label_contains("Grade: ").click();
    harness.run_steps(3);
    for heading in ["CW Doppler", "Flow convergence"] {
        harness.get_by_label(heading).click();
        // The heading opens over a moment.
        harness.run_steps(20);
    }
    let evidence = |harness: &Harness<'static, Option<Desk>>| {
        desk(harness).session().expect("a session").review().work.evidence.clone()
    };
    type_into(&mut harness, "EROA by PISA in cm²", "0.30 ± 0.05");
    let number = evidence(&harness).number(Item::PisaEroaMm2).expect("it was entered");
    let near = |value: f64, wanted: f64| (value - wanted).abs() < 1e-9;
    assert!(near(number.value, 30.0) && near(number.low, 25.0) && near(number.high, 35.0), "{number:?}");
    assert!(harness.query_all_by_label_contains("Grade: one other measure").next().is_some());
    // It stands on the scale, beside what the volume says.
    assert!(harness.query_all_by_label_contains("0.30 cm² (0.25 to 0.35)").next().is_some());
    // What cannot be meant is not taken, and says why.
    type_into(&mut harness, "CW peak velocity in m/s", "fast");
    assert!(evidence(&harness).get(Item::CwPeakMS).is_none());
    assert!(
        harness.query_all_by_label_contains("must be a number").next().is_some(),
        "{}",
        all_texts(&harness)
    );
    legible(&harness, "the form and what it refuses", false);
    type_into(&mut harness, "CW peak velocity in m/s", "500");
    assert!(evidence(&harness).get(Item::CwPeakMS).is_none(), "beyond what can be");
    // A choice.
    harness.get_by_label("CW signal density: not known").click();
    harness.run_steps(5);
    harness.get_by_label("dense").click();
    harness.run_steps(3);
    assert_eq!(evidence(&harness).choice(Item::CwDensity), Some("dense"));
    // Another table, and back.
    let title = |harness: &Harness<'static, Option<Desk>>| {
        desk(harness).session().and_then(|s| s.grading()).map(|w| w.criteria.title.clone())
    };
    let before = title(&harness);
    harness.get_by_label_contains("Graded by: ").click();
    harness.run_steps(5);
    harness.get_by_label("EACVI 2013").click();
    harness.run_steps(3);
    assert_eq!(title(&harness).as_deref(), Some("EACVI 2013"));
    press(&mut harness, Modifiers::COMMAND, Key::Z);
    assert_eq!(title(&harness), before);
    press(&mut harness, Modifiers::COMMAND, Key::Z);
    assert!(evidence(&harness).choice(Item::CwDensity).is_none(), "the choice is taken back");
}

#[test]
fn a_sweep_and_a_comparison_open_as_a_page_and_close() {
    let bench = Bench::new();
    let mut harness = bench.opened_high();
    harness.get_by_label_contains("Plane: ").click();
    harness.run_steps(3);
    harness.get_by_label_contains("Area against frame").click();
    harness.run_steps(2);
    settle(&mut harness);
    harness.run_steps(3);
    assert!(
        harness.query_all_by_label_contains("Area and widths against frame").next().is_some(),
        "the figure is there"
    );
    harness.check_accessibility();
    legible(&harness, "a sweep", true);
    harness.get_by_label("Write table and slide").click();
    harness.run_steps(2);
    settle(&mut harness);
    let swept = bench.samples().join("crescent-against-frame");
    let slide = std::fs::read(swept.join("sweep.png")).expect("a slide");
    // Width and height stand in the first chunk of a PNG: 16 by 9.
    let side = |at: usize| u32::from_be_bytes(slide[at..at + 4].try_into().expect("four bytes"));
    assert_eq!(side(16) * 9, side(20) * 16, "{} × {}", side(16), side(20));
    assert!(swept.join("sweep.csv").is_file());
    press(&mut harness, Modifiers::NONE, Key::Escape);
    harness.run_steps(3);
    assert!(harness.query_all_by_label_contains("Area and widths against frame").next().is_none());

    // The same volume under another name: nothing changed, and the page says that both are one file.
    let other = bench.folder.path().join("later.dcm");
    std::fs::copy(bench.volume(), &other).expect("a copy");
    harness.get_by_label_contains("Report: ").click();
    harness.run_steps(3);
    harness.get_by_label("File of the other volume").focus();
    harness.run_steps(2);
    harness.get_by_label("File of the other volume").type_text(&other.display().to_string());
    harness.run_steps(2);
    harness.get_by_label("It is the later").click();
    harness.run_steps(2);
    settle(&mut harness);
    harness.run_steps(3);
    assert!(harness.query_all_by_label_contains("No change can be claimed").next().is_some());
    assert!(harness.query_all_by_label_contains("Both are the same file.").next().is_some());
    // A path being typed runs on beyond its field.
    let typed = |fault: &String| !fault.contains("later.dcm");
    let size = harness.ctx.content_rect().size();
    let faults: Vec<String> =
        faults(&harness, size, "a comparison", false).into_iter().filter(typed).collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    harness.get_by_label("Write the comparison").click();
    harness.run_steps(2);
    settle(&mut harness);
    let stem = bench.volume();
    let stem = stem.file_stem().expect("a name").to_string_lossy();
    assert!(bench.volume().with_file_name(format!("{stem}-comparison")).join("index.html").is_file());

    // The review keeps what it is compared with: saved, moved with both volumes, and shown again.
    press(&mut harness, Modifiers::NONE, Key::Escape);
    press(&mut harness, Modifiers::COMMAND, Key::S);
    settle(&mut harness);
    let moved = bench.folder.path().join("moved");
    std::fs::create_dir(&moved).expect("a folder");
    let review = moved.join("crescent.review.json");
    std::fs::rename(bench.review(), &review).expect("moved");
    std::fs::copy(bench.volume(), moved.join("crescent.dcm")).expect("a copy");
    std::fs::rename(&other, moved.join("later.dcm")).expect("moved");
    let mut again = bench.desk_of(Vec2::new(1440.0, 1600.0), 1.0);
    open_path(&mut again, &review);
    settle(&mut again);
    again.get_by_label_contains("Report: ").click();
    again.run_steps(3);
    assert!(again.query_all_by_label_contains("In this review: later.dcm, the later one.").next().is_some());
    again.get_by_label("Show the comparison").click();
    again.run_steps(2);
    settle(&mut again);
    again.run_steps(3);
    assert!(again.query_all_by_label_contains("No change can be claimed").next().is_some());
    press(&mut again, Modifiers::NONE, Key::Escape);
    again.run_steps(3);
    // Another file under its name is refused, and nothing is lost.
    let recipe = RECIPE.replace("effective_area_mm2 = 42.0", "effective_area_mm2 = 18.0");
    let (volume, _) =
        simulate(&Recipe::from_toml(&recipe).expect("sound"), &Watch::silent()).expect("simulated");
    write(&volume, &moved.join("later.dcm"), &WriteOptions::default()).expect("written");
    again.get_by_label("Show the comparison").click();
    again.run_steps(2);
    settle(&mut again);
    again.run_steps(3);
    assert!(again.query_all_by_label_contains("No change can be claimed").next().is_none());
    again.get_by_label("Take it out").click();
    again.run_steps(3);
    assert!(again.query_all_by_label_contains("In this review: later.dcm").next().is_none());
    press(&mut again, Modifiers::COMMAND, Key::Z);
    again.run_steps(3);
    assert!(again.query_all_by_label_contains("In this review: later.dcm").next().is_some());
}

#[test]
fn a_reading_is_held_against_the_truth_once_its_key_is_there() {
    let bench = Bench::new();
    let recipe = Recipe::from_toml(RECIPE).expect("sound");
    let (_, truth) = simulate(&recipe, &Watch::silent()).expect("simulated");
    let (true_area, blake3) = (
        truth
            .jets
            .iter()
            .map(|jet| jet.frames[jet.peak_frame.expect("a jet")].effective_area_mm2)
            .sum::<f64>(),
        narrows::format::hash(&bench.volume()).expect("a hash"),
    );
    let made = MadeCase { file: "crescent.dcm".into(), blake3, recipe: "small.toml".into(), truth };
    let (list, key) = practice::make(vec![made], None);
    let list = serde_json::to_string(&list).expect("a list");
    std::fs::write(bench.samples().join("practice.json"), list).expect("written");
    let mut harness = bench.opened_high();
    // Of a set, so that it is read blind: nothing of the program is there until the learner has traced.
    let shown = desk(&harness);
    assert!(shown.session().expect("a session").review().is_blind());
    assert!(shown.session().expect("a session").review().results.is_none());
    let reading = shown.reading().expect("a reading");
    assert!(reading.outlines.is_empty() && reading.area.is_none() && reading.traced_mm2.is_none());
    click(&mut harness, "Show what the program finds");
    assert!(harness.query_all_by_label_contains("nothing was read yet").next().is_some());
    draw(&mut harness, &[(-50.0, -50.0), (50.0, -50.0), (50.0, 50.0), (-50.0, 50.0)]);
    assert!(desk(&harness).session().expect("a session").review().results.is_none());
    assert!(desk(&harness).reading().expect("a reading").area.is_some(), "the learner's own number is told");
    click(&mut harness, "Show what the program finds");
    let review = desk(&harness).session().expect("a session").review();
    assert!(review.results.is_some() && review.is_made_blind(&review.work.tracings[0]));
    // The rest is of the reading that the program proposes.
    harness.get_by_label_contains("Jet: ").click();
    harness.run_steps(3);
    click(&mut harness, "Remove: Jet A");
    harness.get_by_label("Jet 1").click();
    settle(&mut harness);
    // What is scored is what would be signed: the peak, whatever frame is in view.
    let reported = numbers(&harness).jets[0].vca_mm2.value;
    let show = |harness: &mut Harness<'static, Option<Desk>>| {
        harness.get_by_label("Show the truth").click();
        harness.run_steps(2);
        settle(harness);
        harness.run_steps(3);
    };
    harness.get_by_label_contains("Plane: ").click();
    harness.run_steps(3);
    show(&mut harness);
    assert!(harness.query_all_by_label_contains("the key of this practice set is not here").next().is_some());
    // The key comes to lie beside the folder; a changed one is found out.
    let key_path = bench.folder.path().join("sample-volumes.key.json");
    let text = key_text(&key);
    std::fs::write(&key_path, format!("{text} ")).expect("written");
    show(&mut harness);
    assert!(
        harness.query_all_by_label_contains("not the one that the list was sealed with").next().is_some()
    );
    std::fs::write(&key_path, &text).expect("written");
    // One reading saved, then one that turned the cut away.
    press(&mut harness, Modifiers::COMMAND, Key::S);
    settle(&mut harness);
    show(&mut harness);
    let error = format!("{:+.2} cm²  (", (reported - true_area) / 100.0).replace('-', "−");
    assert!(harness.query_all_by_label_contains(&error).next().is_some(), "{error} is told");
    assert!(harness.query_all_by_label_contains("Error by attempt").next().is_some(), "the figure is there");
    harness.check_accessibility();
    press(&mut harness, Modifiers::NONE, Key::Escape);
    harness.run_steps(3);
    press(&mut harness, Modifiers::NONE, Key::T);
    show(&mut harness);
    // A proposal that was kept is no blind reading, and is not held against one as what was learnt.
    assert!(harness.query_all_by_label_contains("counts apart from blind readings").next().is_some());
    assert!(harness.query_all_by_label_contains("Cases read again went from").next().is_none());
    harness.get_by_label("Write the scores").click();
    harness.run_steps(2);
    settle(&mut harness);
    let table = std::fs::read_to_string(bench.samples().join("crescent-practice").join("scores.csv"));
    let table = table.expect("a table");
    assert_eq!(table.lines().count(), 3, "heads and two attempts:\n{table}");
}

#[test]
fn keys_of_one_pass_act_one_after_the_other() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    // Down and up, as a hand does; down again without up would be a key held down.
    let stroke = |key, modifiers| {
        [true, false].map(|pressed| egui::Event::Key {
            key,
            physical_key: None,
            pressed,
            repeat: false,
            modifiers,
        })
    };
    let lean = || stroke(Key::ArrowRight, Modifiers::NONE);
    harness.input_mut().events.extend([lean(), lean(), lean()].concat());
    harness.run_steps(6);
    settle(&mut harness);
    let tilt = desk(&harness).reading().expect("a reading").tilt_deg;
    assert!((tilt - 3.0).abs() < 1e-9, "three presses are three degrees, not {tilt}");
    // Two keys in turn are two movements, not twenty.
    let roll = || stroke(Key::E, Modifiers::NONE);
    harness.input_mut().events.extend((0..10).flat_map(|_| [lean(), roll()].concat()));
    harness.run_steps(3);
    settle(&mut harness);
    let turn = session(&harness).turn();
    assert!((turn.roll.to_degrees().abs() - 10.0).abs() < 1e-9, "{turn:?}");
    let tilt = desk(&harness).reading().expect("a reading").tilt_deg;
    assert!((tilt - 13.0).abs() < 0.5, "{tilt}");
    // A tracing that is kept before the review is saved is in what is saved.
    let keep = stroke(Key::T, Modifiers::NONE);
    harness.input_mut().events.extend([keep, stroke(Key::S, Modifiers::COMMAND)].concat());
    harness.run_steps(6);
    settle(&mut harness);
    let saved = std::fs::read_to_string(bench.review()).expect("a review");
    assert!(saved.contains("\"drawn\": \"proposed\""), "the tracing is in it");
}

const TWO_JETS: &str = include_str!("../sample-volumes/two-jets.toml");
const LATE: &str = include_str!("../sample-volumes/late-systolic.toml");

/// A volume with fewer frames: faster, and still through systole
fn few(recipe: &mut Recipe) {
    (recipe.beat.frames, recipe.beat.interval_s) = (6, 0.07);
}

#[test]
fn one_orifice_counts_once_whoever_outlines_it_and_how_often() {
    let bench = Bench::new();
    let mut harness = bench.opened_high();
    let before = numbers(&harness).total.vca_mm2.value;
    // By hand, somewhat larger than the proposal.
    let outline = &desk(&harness).reading().expect("a reading").outlines[0];
    let field = narrows_field(&harness);
    let rect = en_face(&harness);
    let at = |point: &[f64; 2]| {
        let scale = f64::from(rect.width().min(rect.height())) / field;
        rect.center() + Vec2::new((point[0] * 1.1 * scale) as f32, (-point[1] * 1.1 * scale) as f32)
    };
    let corners: Vec<Pos2> =
        outline.handles.iter().step_by(outline.handles.len().div_ceil(14)).map(at).collect();
    press(&mut harness, Modifiers::NONE, Key::N);
    for corner in corners {
        click_at(&mut harness, corner);
    }
    press(&mut harness, Modifiers::NONE, Key::Enter);
    assert_eq!(desk(&harness).reading().expect("a reading").summed, 1);
    let drawn = numbers(&harness).total.vca_mm2.value;
    assert!(drawn < 1.6 * before, "{drawn} against {before}");
    // The proposal, by its key: it takes the place of the tracing.
    press(&mut harness, Modifiers::NONE, Key::T);
    assert_eq!(desk(&harness).reading().expect("a reading").summed, 1);
    let kept = numbers(&harness).total.vca_mm2.value;
    assert!((kept / before - 1.0).abs() < 1e-3, "{kept} against {before}");
    // A jet placed on it is no second one, traced by the program or by hand.
    harness.get_by_label_contains("Jet: ").click();
    harness.run_steps(3);
    click(&mut harness, "Place a jet on this plane");
    let placed = numbers(&harness).total.vca_mm2.value;
    assert!((placed / before - 1.0).abs() < 1e-3, "{placed} against {before}");
    assert!(harness.query_all_by_label_contains("this is the orifice of jet 1").next().is_some());
    let outline = desk(&harness).reading().expect("a reading").outlines[0].points.clone();
    assert!(outline.len() > 3);
    press(&mut harness, Modifiers::NONE, Key::T);
    let both = numbers(&harness).total.vca_mm2.value;
    assert!((both / before - 1.0).abs() < 0.1, "{both} against {before}");
    assert_eq!(reported(&bench, &harness).total, numbers(&harness).total, "the report says the same");
}

/// Side of the en-face picture, mm, where it is fitted to the jet
fn narrows_field(harness: &Harness<'static, Option<Desk>>) -> f64 {
    let jet = &session(harness).review().results.as_ref().expect("results").jets[0];
    (jet.shape.feret_max_mm * 2.0).clamp(15.0, 60.0)
}

#[test]
fn panel_curve_grading_and_report_read_the_same_beat() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::T);
    for _ in 0..8 {
        press(&mut harness, Modifiers::NONE, Key::G);
    }
    let proposed = session(&harness).review().results.as_ref().expect("results").total.vca_mm2.value;
    let frame = session(&harness).review().place.frame;
    let own = area(&harness);
    assert!(own > 1.2 * proposed, "{own} against {proposed}");
    let jet = session(&harness).jet(JetId::Found(1)).expect("jet 1");
    let near = |value: f64, what: &str| assert!((value - own).abs() < 1e-9, "{what}: {value}, panel {own}");
    near(jet.frames[frame].vca_mm2.expect("an area").value, "the curve");
    near(numbers(&harness).total.vca_mm2.value, "the headline");
    let placed = |harness: &Harness<'static, Option<Desk>>| {
        let grading = session(harness).grading().expect("a grading");
        let vca =
            grading.placements.iter().find(|at| at.items.contains(&Item::VcaMm2) && at.by == By::Volume);
        vca.and_then(|at| at.value).expect("the area is graded").value
    };
    near(placed(&harness), "the grading");
    assert_eq!(&reported(&bench, &harness), numbers(&harness), "the report");
    // And back.
    for _ in 0..9 {
        press(&mut harness, Modifiers::COMMAND, Key::Z);
    }
    assert!((placed(&harness) - proposed).abs() < 1e-9);
}

#[test]
fn several_jets_are_a_total_and_one_set_aside_counts_nowhere() {
    let bench = Bench::with(TWO_JETS, few);
    let mut harness = bench.opened_high();
    assert_eq!(numbers(&harness).jets.len(), 2);
    let total = numbers(&harness).total.vca_mm2.value;
    let shown = |area: f64| format!("Vena contracta area: {:.2} cm². Copy", area / 100.0);
    assert!(harness.query_by_label(&shown(total)).is_some(), "the headline is the total");
    assert!(harness.query_all_by_label_contains("all 2 jets").next().is_some());
    assert!(harness.query_all_by_label_contains("Jet 2, frame").next().is_some(), "the jets stand below it");
    harness.get_by_label_contains("Jet: ").click();
    harness.run_steps(3);
    click(&mut harness, "Set aside: Jet 2");
    let left = numbers(&harness);
    assert_eq!(left.jets.len(), 1);
    let alone = left.total.vca_mm2.value;
    assert!(alone < 0.9 * total, "{alone} of {total}");
    assert!(harness.query_by_label(&shown(alone)).is_some());
    let grading = session(&harness).grading().expect("a grading");
    let graded = grading.placements.iter().find(|at| at.items.contains(&Item::VcaMm2) && at.by == By::Volume);
    let graded = graded.and_then(|at| at.value).expect("the area is graded").value;
    assert!((graded - alone).abs() < 1e-9, "{graded} is graded, {alone} is left");
}

#[test]
fn a_leak_of_late_systole_shows_its_mean_beside_its_peak_and_no_tick() {
    let bench = Bench::with(LATE, few);
    let harness = bench.opened_high();
    let jet = &numbers(&harness).jets[0];
    assert!(jet.systole.peak_overstates_percent > 50.0, "{}", jet.systole.peak_overstates_percent);
    let mean = numbers(&harness).total.velocity_weighted_mean_mm2.expect("a mean").value;
    let shown = format!("Mean, velocity-weighted: {:.2} cm²", mean / 100.0);
    assert!(harness.query_all_by_label_contains(&shown).next().is_some(), "{shown}");
    assert!(harness.query_all_by_label_contains("the peak overstates the mean by").next().is_some());
    // The step asks for attention, in words as well.
    assert!(harness.query_all_by_label_contains("% over the mean").next().is_some());
}

#[test]
fn a_roll_and_a_proposal_kept_as_it_is_move_no_number() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    let told = |harness: &Harness<'static, Option<Desk>>| {
        let reading = desk(harness).reading().expect("a reading");
        let total = numbers(harness).total.vca_mm2;
        [reading.area, reading.long_axis, reading.commissural, Some(total)].map(|of| of.expect("a number"))
    };
    let before = told(&harness);
    for key in [Key::E, Key::T] {
        press(&mut harness, Modifiers::NONE, key);
        // Areas within 0.1 %; widths, read off an outline of fewer vertices, within 0.01 mm.
        for ((now, then), allowed) in told(&harness).into_iter().zip(before).zip([0.0, 0.01, 0.01, 0.0]) {
            for (now, then) in [(now.value, then.value), (now.low, then.low), (now.high, then.high)] {
                assert!((now - then).abs() < f64::max(1e-3 * then, allowed), "{key:?}: {now} was {then}");
            }
        }
    }
}

#[test]
fn nothing_is_said_of_a_plane_that_belongs_to_no_jet() {
    let bench = Bench::new();
    let mut harness = bench.desk();
    open_path(&mut harness, &bench.volume());
    wait_for(&mut harness, "En-face plane of");
    assert!(session(&harness).review().results.is_none(), "nothing is measured yet");
    let silent = |harness: &Harness<'static, Option<Desk>>| {
        harness.query_all_by_label_contains("off the jet axis").next().is_none()
            && harness.query_all_by_label_contains("away from the jet").next().is_none()
            && harness.query_all_by_label_contains("on the jet").next().is_none()
            && harness.query_all_by_label_contains("perpendicular").next().is_none()
            && harness.query_all_by_label_contains("directions named").next().is_none()
            && !all_texts(harness).contains("Level from the proposed plane")
    };
    harness.get_by_label_contains("Plane: ").click();
    harness.run_steps(3);
    assert!(silent(&harness), "before the measurement");
    settle(&mut harness);
    assert!(!silent(&harness), "of a jet it is said");
    press(&mut harness, Modifiers::NONE, Key::Num0);
    assert!(silent(&harness), "on the free plane");
    // And what is shown there is said to belong to no jet, while the headline stays that of the report.
    assert!(harness.query_all_by_label_contains("In view: Free plane").next().is_some());
    press(&mut harness, Modifiers::NONE, Key::Num1);
    press(&mut harness, Modifiers::NONE, Key::D);
    assert!(
        harness.query_all_by_label_contains("is in view").next().is_some(),
        "the headline's frame is another"
    );
}

#[test]
fn a_number_whose_plane_is_not_in_view_says_so() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::T);
    let said = "from your tracing, on another plane";
    assert!(harness.query_all_by_label_contains(said).next().is_none());
    press(&mut harness, Modifiers::SHIFT, Key::ArrowRight);
    assert!(harness.query_all_by_label_contains(said).next().is_some());
    let texts = all_texts(&harness);
    assert!(texts.contains("traced 5.0° and 0.0 mm from here"), "on the picture");
    assert!(!texts.contains("circle of the width"), "the circle is of the other plane");
}

#[test]
fn how_the_volume_is_shown_is_no_edit_and_moves_no_number() {
    let bench = Bench::new();
    let mut harness = bench.opened_high();
    let before = numbers(&harness).clone();
    for key in [Key::V, Key::O] {
        press(&mut harness, Modifiers::NONE, key);
    }
    harness.get_by_label_contains("Plane: ").click();
    harness.run_steps(3);
    let slider = harness.get_by_role_and_label(egui::Role::Slider, "Hide colour below").rect();
    drag(&mut harness, slider.left_center() + Vec2::new(8.0, 0.0), slider.center());
    let shown = session(&harness).review().work.settings;
    assert!(shown.colour_gain > 0.2, "{}", shown.colour_gain);
    assert!(!session(&harness).can_undo() && !session(&harness).is_unsaved());
    assert_eq!(numbers(&harness), &before);
    // An undo of an edit leaves it alone.
    press(&mut harness, Modifiers::NONE, Key::T);
    press(&mut harness, Modifiers::NONE, Key::V);
    let shown = session(&harness).review().work.settings;
    press(&mut harness, Modifiers::COMMAND, Key::Z);
    assert!(session(&harness).review().work.tracings.is_empty());
    assert_eq!(session(&harness).review().work.settings, shown);
}

#[test]
fn findings_have_names_and_the_worst_comes_first() {
    let bench = Bench::of(|recipe| recipe.beat.gated_beats = 2);
    let mut harness = bench.opened_high();
    let findings = &numbers(&harness).trust.findings;
    let bad: Vec<_> = findings.iter().filter(|at| at.verdict != narrows::trust::Verdict::Adequate).collect();
    assert!(!bad.is_empty() && bad.len() < findings.len());
    let name = narrows::report::words::finding_name(bad[0]);
    let good = findings.iter().find(|at| at.verdict == narrows::trust::Verdict::Adequate).expect("one");
    let good = narrows::report::words::finding_name(good);
    harness.get_by_label_contains("Trust: ").click();
    harness.run_steps(3);
    let (bad, good) = (harness.get_by_label(&name).rect(), harness.get_by_label(&good).rect());
    assert!(bad.top() < good.top() && bad.bottom() < 900.0, "{name} at {bad:?}, an adequate one at {good:?}");
}

#[test]
fn ten_presses_and_a_fast_drag_are_where_they_should_be_at_once() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    let strokes = (0..10).flat_map(|_| {
        [true, false].map(|pressed| egui::Event::Key {
            key: Key::ArrowRight,
            physical_key: None,
            pressed,
            repeat: false,
            modifiers: Modifiers::NONE,
        })
    });
    harness.input_mut().events.extend(strokes);
    harness.run_steps(1);
    let tilt = |harness: &Harness<'static, Option<Desk>>| {
        let session = session(harness);
        session.base().tilt(&session.turn()).to_degrees()
    };
    assert!((tilt(&harness) - 10.0).abs() < 1e-9, "one pass after the last press: {}", tilt(&harness));
    press(&mut harness, Modifiers::NONE, Key::Home);
    // The hand lets go far from where the last pass saw it.
    let from = en_face(&harness).left_top() + Vec2::new(60.0, 200.0);
    harness.hover_at(from);
    harness.run_steps(1);
    harness.drag_at(from);
    harness.run_steps(1);
    harness.hover_at(from + Vec2::new(20.0, 0.0));
    harness.run_steps(1);
    harness.hover_at(from + Vec2::new(80.0, 0.0));
    harness.drop_at(from + Vec2::new(80.0, 0.0));
    harness.run_steps(2);
    assert!((tilt(&harness) - 16.0).abs() < 1e-6, "80 points are 16 degrees: {}", tilt(&harness));
}

#[test]
fn work_left_by_going_back_did_not_end_and_keeps_its_undo() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::T);
    press(&mut harness, Modifiers::NONE, Key::G);
    harness.get_by_label("Back to the start").click();
    harness.run_steps(3);
    assert!(harness.query_all_by_label_contains("The program ended").next().is_none());
    assert!(harness.query_by_label("Unsaved work on crescent.dcm").is_some());
    let folder = bench.samples().display().to_string();
    let card = format!(" UTC, in {folder}");
    assert!(harness.query_all_by_label_contains(&card).next().is_some(), "the card names date and folder");
    harness.get_by_label("Take it up again").click();
    settle(&mut harness);
    press(&mut harness, Modifiers::COMMAND, Key::Z);
    press(&mut harness, Modifiers::COMMAND, Key::Z);
    assert!(session(&harness).review().work.tracings.is_empty(), "both steps are taken back");
    press(&mut harness, Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    assert_eq!(session(&harness).review().work.tracings.len(), 1);
    // Put off, it is not shown, and not lost.
    harness.get_by_label("Back to the start").click();
    harness.run_steps(3);
    harness.get_by_label("Not now").click();
    harness.run_steps(3);
    assert!(harness.query_by_label("Take it up again").is_none());
    drop(harness);
    assert!(bench.desk().query_by_label("Take it up again").is_some());
}

#[test]
fn notices_lie_over_no_picture_and_close_with_escape() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    harness.get_by_label_contains("Report: ").click();
    harness.run_steps(3);
    click(&mut harness, "Write report");
    assert!(harness.query_by_label("Open it").is_some(), "beside it, the way to open it");
    let told = |harness: &Harness<'static, Option<Desk>>| {
        harness.query_all_by_label_contains("Close: The report is written").next().map(|close| close.rect())
    };
    let notice = told(&harness).expect("it is said");
    for pane in ["En-face plane of", "Long axis plane", "Tilt of the plane", "three dimensions"] {
        let picture = harness.get_by_label_contains(pane).rect();
        assert!(!picture.intersects(notice), "{pane} is covered");
    }
    press(&mut harness, Modifiers::NONE, Key::Escape);
    assert!(told(&harness).is_none());
}

#[test]
fn steps_and_landmarks_have_keys() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    let field = |harness: &Harness<'static, Option<Desk>>| session(harness).review().place.field_mm;
    press(&mut harness, Modifiers::NONE, Key::Z);
    assert!(field(&harness) > 50.0, "the annulus fits");
    for (key, x) in [(Key::A, -50.0), (Key::P, 50.0)] {
        press(&mut harness, Modifiers::SHIFT, key);
        let centre = en_face(&harness).center();
        click_at(&mut harness, centre + Vec2::new(x, 30.0));
    }
    settle(&mut harness);
    let marks = session(&harness).review().work.landmarks;
    assert!(marks.anterior.is_some() && marks.posterior.is_some());
    press(&mut harness, Modifiers::NONE, Key::Z);
    assert!(field(&harness).abs() < 1e-9, "back at the jet");
    press(&mut harness, Modifiers::COMMAND, Key::Num1);
    assert!(harness.query_all_by_label_contains("This acquisition is").next().is_some());
    // Widths are read along the new directions without another press, as the report reads them.
    assert!(!numbers(&harness).jets[0].width_mm.axes_assumed);
    assert_eq!(&reported(&bench, &harness), numbers(&harness));
}

#[test]
fn a_tracing_is_carried_through_the_beat_and_lies_on_the_curve() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::T);
    press(&mut harness, Modifiers::SHIFT, Key::C);
    let found = session(&harness).review().found(JetId::Found(1)).expect("jet 1");
    let there: Vec<usize> =
        found.frames.iter().filter(|at| at.vca_mm2.is_some()).map(|at| at.frame).collect();
    assert!(there.len() > 1);
    let jet = session(&harness).jet(JetId::Found(1)).expect("jet 1");
    assert_eq!(jet.reading.traced_frames, there);
    press(&mut harness, Modifiers::COMMAND, Key::Z);
    assert_eq!(session(&harness).review().work.tracings.len(), 1, "one step");
}

#[test]
fn a_review_is_signed_off_and_goes_on_as_a_new_version() {
    let bench = Bench::new();
    let mut harness = bench.opened_high();
    press(&mut harness, Modifiers::NONE, Key::T);
    harness.get_by_label_contains("Report: ").click();
    harness.run_steps(3);
    type_into(&mut harness, "Name of the reader", "A. Reader");
    click(&mut harness, "Sign off");
    assert!(harness.query_all_by_label_contains("Version 1, signed off by A. Reader on ").next().is_some());
    assert!(numbers(&harness).cautions.iter().any(|said| said.starts_with("Signed off by A. Reader")));
    // The list at the step Trust is the report's.
    harness.get_by_label_contains("Trust: ").click();
    harness.run_steps(25);
    for caution in &numbers(&harness).cautions {
        assert!(harness.query_by_label(&format!("· {caution}")).is_some(), "{caution} is not said");
    }
    harness.get_by_label_contains("Report: ").click();
    harness.run_steps(25);
    // It is on the disk, and locked for keys and for the scale alike.
    let signed = std::fs::read_to_string(bench.review()).expect("saved by signing");
    assert!(signed.contains("A. Reader"));
    press(&mut harness, Modifiers::NONE, Key::G);
    assert_eq!(session(&harness).review().work.tracings[0].drawn, Drawn::Proposed, "it is locked");
    assert!(harness.query_all_by_label_contains("locked").next().is_some());
    harness.get_by_label_contains("Trust: ").click();
    harness.run_steps(3);
    type_into(&mut harness, "Nyquist velocity, m/s", "0.66");
    click(&mut harness, "Read again with it");
    assert_eq!(session(&harness).review().source.nyquist_given_m_s, None, "what was signed is not read anew");
    harness.get_by_label_contains("Report: ").click();
    harness.run_steps(25);
    click(&mut harness, "Begin a new version");
    press(&mut harness, Modifiers::NONE, Key::G);
    assert_eq!(session(&harness).review().work.tracings[0].drawn, Drawn::Corrected);
    press(&mut harness, Modifiers::COMMAND, Key::S);
    let still = std::fs::read_to_string(bench.review()).expect("the first version");
    assert_eq!(still, signed, "what was signed stays as it was");
    assert!(bench.samples().join("crescent-2.review.json").is_file(), "the second has a name of its own");
}

#[test]
fn the_velocity_scale_is_corrected_in_place_and_the_volume_is_offered_again() {
    let bench = Bench::new();
    let mut harness = bench.opened_high();
    press(&mut harness, Modifiers::NONE, Key::T);
    harness.get_by_label_contains("Trust: ").click();
    harness.run_steps(3);
    type_into(&mut harness, "Nyquist velocity, m/s", "0.66");
    type_into(&mut harness, "Baseline shift, m/s", "0.1");
    harness.get_by_label("Read again with it").click();
    let given = |harness: &Harness<'static, Option<Desk>>| {
        let source = &session(harness).review().source;
        source.nyquist_given_m_s.zip(source.baseline_given_m_s)
    };
    let until = Instant::now() + Duration::from_mins(1);
    while given(&harness).is_none() {
        assert!(Instant::now() < until, "it is not read again: {}", all_texts(&harness));
        harness.run_steps(2);
    }
    settle(&mut harness);
    let told = |results: &Results| (results.given.nyquist_m_s, results.given.baseline_shift_m_s);
    assert_eq!(told(numbers(&harness)), (Some(0.66), Some(0.1)));
    let [low, high] = numbers(&harness).source.velocity_limits_m_s;
    assert!((f64::midpoint(low, high) - 0.1).abs() < 0.01, "{low} to {high}");
    assert!((numbers(&harness).source.nyquist_m_s - 0.66).abs() < 1e-9);
    assert_eq!(session(&harness).review().work.tracings.len(), 1, "the work is kept");
    assert!(session(&harness).can_undo());
    // The review keeps both, and the report is of a volume read with both, as the command line reads it.
    press(&mut harness, Modifiers::COMMAND, Key::S);
    let review = review::load(&bench.review()).expect("a review");
    let known = review::as_read(&review, OpenOptions::default());
    let volume = open(&bench.volume(), &known).expect("it opens");
    let anew = review::numbers(&review, &volume, &Watch::silent()).expect("numbers");
    assert_eq!(&anew, numbers(&harness));
    press(&mut harness, Modifiers::NONE, Key::G);
    harness.get_by_label("Back to the start").click();
    harness.run_steps(3);
    assert!(harness.query_by_label("Open again: crescent.dcm").is_some());
    let orphans = harness.query_all_by_label("Take it up again").count();
    assert_eq!(orphans, 1, "one piece of work is left, not two");
}

#[test]
fn a_sweep_starts_from_what_the_reader_left() {
    let bench = Bench::of(few);
    let mut harness = bench.opened_high();
    press(&mut harness, Modifiers::NONE, Key::T);
    for _ in 0..5 {
        press(&mut harness, Modifiers::NONE, Key::G);
    }
    let own = numbers(&harness).total.vca_mm2.value;
    harness.get_by_label_contains("Plane: ").click();
    harness.run_steps(3);
    harness.get_by_label_contains("Area against roll").click();
    harness.run_steps(2);
    settle(&mut harness);
    let said =
        format!("The reader's area in frame {} is {own:.1} mm²", session(&harness).review().place.frame + 1);
    assert!(harness.query_all_by_label_contains(&said).next().is_some(), "{said}");
}

#[test]
fn a_plane_in_which_no_jet_is_read_shows_no_number() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::Num0);
    // Along the start plane's normal, away from the jet.
    let mut said = 0;
    for _ in 0..12 {
        for _ in 0..4 {
            harness.key_press_modifiers(Modifiers::SHIFT, Key::W);
        }
        harness.run_steps(2);
        settle(&mut harness);
        let reading = desk(&harness).reading().expect("a reading");
        if let Some(area) = reading.area {
            assert!(reading.trouble.is_none() && area.value > 1.0, "{area:?}");
        } else if reading.trouble.as_deref() == Some("no jet is read on this plane") {
            assert!(reading.outlines.is_empty() && reading.traced_mm2.is_none());
            said += 1;
        }
    }
    assert!(said > 0, "the rule was never asked");
}

/// Texts within a part of the screen
fn texts_in(harness: &Harness<'static, Option<Desk>>, part: egui::Rect) -> Vec<String> {
    let there = texts(harness).into_iter().filter(|(_, rect, clip)| part.intersects(rect.intersect(*clip)));
    there.map(|(text, ..)| text).collect()
}

#[test]
fn pictures_curve_and_scale_carry_what_a_reader_looks_for() {
    let bench = Bench::new();
    let mut harness = bench.opened_high();
    // Widths stand on the planes that they were read in.
    let widths = numbers(&harness).jets[0].width_mm;
    for (plane, width) in [("Long axis plane", widths.long_axis), ("Commissural plane", widths.commissural)] {
        let wanted = format!("{:.1} mm", width.value);
        let there = texts_in(&harness, harness.get_by_label_contains(plane).rect());
        assert!(there.contains(&wanted), "{plane}: {wanted} is not among {there:?}");
    }
    // The R wave and systole on the curve; the first frame comes after the R wave.
    let curve = texts_in(&harness, harness.get_by_label("Frame").rect().expand(3.0));
    assert!(curve.iter().any(|text| text == "systole"), "{curve:?}");
    assert!(curve.iter().any(|text| text == "R" || text.starts_with("‹ R,")), "{curve:?}");
    // The profile ends at a few times its least area.
    let profile = session(&harness).review().found(JetId::Found(1)).expect("jet 1").neck_profile.clone();
    let areas = || profile.iter().filter_map(|point| point.area_mm2).filter(|area| *area > 0.0);
    let least = areas().fold(f64::INFINITY, f64::min);
    let scale = texts_in(&harness, harness.get_by_label_contains("Level of the plane along").rect());
    let most =
        scale.iter().find_map(|text| text.strip_prefix("0 to ")?.split(' ').next()?.parse::<f64>().ok());
    let most = 100.0 * most.expect("the profile has a scale");
    assert!(most >= 0.99 * least && most <= 4.0 * least, "{most} for a least area of {least}");
    // The tilt map begins with the number in the panel.
    let panel = format!("{:.2} cm² to +", area(&harness) / 100.0);
    let disc = harness.get_by_label_contains("Tilt of the plane").rect();
    let until = Instant::now() + Duration::from_mins(5);
    while !texts_in(&harness, disc).iter().any(|text| text.starts_with(&panel)) {
        assert!(Instant::now() < until, "{panel} is not among {:?}", texts_in(&harness, disc));
        std::thread::sleep(Duration::from_millis(10));
        harness.run_steps(2);
    }
    let map = texts_in(&harness, disc);
    assert!(map.iter().any(|text| text == "10°"), "{map:?}");
    // Cut points on the grading scale: the published ends for the displayed area, 0.20 and 0.40 cm2.
    harness.get_by_label_contains("Grade: ").click();
    harness.run_steps(25);
    let row = harness.get_by_label_contains("VC area in 3D, displayed: ").rect();
    let cuts = texts_in(&harness, row);
    assert!(["0.20", "0.40"].iter().all(|cut| cuts.iter().any(|text| text.contains(cut))), "{cuts:?}");
}

#[test]
fn a_free_caliper_measures_and_moves_nothing() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    let revision = session(&harness).revision();
    let middle = en_face(&harness).center();
    let mut read = |from: Vec2, to: Vec2| {
        press(&mut harness, Modifiers::NONE, Key::K);
        drag(&mut harness, middle + from, middle + to);
        let said = texts(&harness).into_iter().find_map(|(text, ..)| {
            text.strip_suffix(" mm, caliper").and_then(|length| length.parse::<f64>().ok())
        });
        // Put away again.
        press(&mut harness, Modifiers::NONE, Key::K);
        said.expect("a length is shown")
    };
    let short = read(Vec2::new(-50.0, 0.0), Vec2::new(50.0, 0.0));
    let long = read(Vec2::new(-100.0, 0.0), Vec2::new(100.0, 0.0));
    let slanted = read(Vec2::new(-60.0, -80.0), Vec2::new(60.0, 80.0));
    assert!((long - 2.0 * short).abs() < 0.11, "{long} is twice {short}, to the tenth");
    assert!((slanted - long).abs() < 0.11, "sides of 120 and 160 are 200 points long: {slanted}");
    // The picture is as wide as the field.
    let field = session(&harness).review().place.field_mm;
    assert!(field.abs() < 1e-9 && short > 1.0, "{short} in a field of {field}");
    assert_eq!(session(&harness).revision(), revision, "kept nowhere");
    assert!(session(&harness).turn().is_none());
}

#[test]
fn planes_between_which_the_picture_steps_are_drawn() {
    let bench = Bench::of(|recipe| recipe.beat.shift_std_mm = 1.8);
    let harness = bench.opened();
    let trust = &session(&harness).review().results.as_ref().expect("results").trust;
    assert!(trust.stitch.as_ref().is_some_and(|stitch| !stitch.steps().is_empty()), "{:?}", trust.stitch);
    assert!(all_texts(&harness).contains("stitching plane"), "{}", all_texts(&harness));
}

#[test]
fn three_pieces_of_work_left_behind_are_shown_and_the_rest_counted() {
    let bench = Bench::new();
    let mut harness = bench.opened();
    press(&mut harness, Modifiers::NONE, Key::T);
    drop(harness);
    let state = bench.folder.path().join("state");
    let files = || std::fs::read_dir(&state).expect("the state").map(|entry| entry.expect("an entry").path());
    let one = files().find(|path| path.to_string_lossy().ends_with(".recovery.json")).expect("work was left");
    for copy in 0..4 {
        // A run that ended leaves its lock, free, beside its work.
        std::fs::copy(&one, state.join(format!("{copy}.recovery.json"))).expect("copied");
        std::fs::write(state.join(format!("{copy}.lock")), "").expect("written");
    }
    let mut harness = bench.desk();
    let offered =
        |harness: &Harness<'static, Option<Desk>>| harness.query_all_by_label("Take it up again").count();
    assert_eq!(offered(&harness), 3);
    assert!(harness.query_all_by_label_contains("and 2 older").next().is_some(), "{}", all_texts(&harness));
    legible(&harness, "three pieces of work", false);
    harness.query_all_by_label("Throw it away").next().expect("a button").click();
    harness.run_steps(3);
    assert!(harness.query_all_by_label_contains("and 2 older").next().is_some(), "once is not enough");
    harness.get_by_label("Throw it away for good").click();
    harness.run_steps(3);
    assert_eq!(offered(&harness), 3, "the next one comes up");
    assert!(harness.query_all_by_label_contains("and 1 older").next().is_some());
}

/// Every line of text on the screen: what it says, where it is, and what may be seen of it
fn texts(harness: &Harness<'static, Option<Desk>>) -> Vec<(String, egui::Rect, egui::Rect)> {
    fn gather(shape: &egui::Shape, clip: egui::Rect, found: &mut Vec<(String, egui::Rect, egui::Rect)>) {
        match shape {
            egui::Shape::Vec(shapes) => shapes.iter().for_each(|shape| gather(shape, clip, found)),
            // By rows: what is wrapped begins beside what stands before it.
            egui::Shape::Text(text) => {
                let rows = text.galley.rows.iter().filter(|row| !row.text().trim().is_empty());
                let at = |row: &egui::epaint::text::PlacedRow| {
                    row.rect_without_leading_space().translate(text.pos.to_vec2())
                };
                found.extend(rows.map(|row| (row.text(), at(row), clip)));
            }
            _ => {}
        }
    }
    let mut found = Vec::new();
    for clipped in &harness.output().shapes {
        gather(&clipped.shape, clipped.clip_rect, &mut found);
    }
    found
}

fn all_texts(harness: &Harness<'static, Option<Desk>>) -> String {
    texts(harness).into_iter().map(|(text, ..)| text).collect::<Vec<_>>().join(" | ")
}

/// What is cut off at a side, and where texts that should stand apart lie on each other
fn faults(harness: &Harness<'static, Option<Desk>>, size: Vec2, at: &str, apart: bool) -> Vec<String> {
    let screen = egui::Rect::from_min_size(Pos2::ZERO, size);
    let mut faults = Vec::new();
    let mut seen: Vec<(String, egui::Rect)> = Vec::new();
    for (text, rect, clip) in texts(harness) {
        let shown = rect.intersect(clip).intersect(screen);
        if shown.width() <= 1.0 || shown.height() <= 2.0 {
            continue;
        }
        let room = clip.intersect(screen).expand(1.5);
        if rect.left() < room.left() || rect.right() > room.right() {
            faults.push(format!("{at}: cut off: {text:?} at {rect:?} in {room:?}"));
        }
        for (other, there) in seen.iter().filter(|_| apart) {
            let both = shown.intersect(*there);
            if both.width() > 2.0 && both.height() > 3.0 {
                faults.push(format!("{at}: {other:?} at {there:?} lies under {text:?} at {shown:?}"));
            }
        }
        seen.push((text, shown));
    }
    faults
}

/// Nothing is cut off; nothing lies on another either, but for a window over what it belongs to
fn legible(harness: &Harness<'static, Option<Desk>>, at: &str, window: bool) {
    let faults = faults(harness, harness.ctx.content_rect().size(), at, !window);
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn a_very_long_name_is_shortened_wherever_it_stands() {
    let bench = Bench::with(TWO_JETS, few);
    let long = bench.samples().join(format!("{}.dcm", "a-very-long-name-".repeat(9)));
    std::fs::copy(bench.volume(), &long).expect("copied");
    let size = Vec2::new(1024.0, 640.0);
    let mut harness = bench.desk_of(size, 1.0);
    open_path(&mut harness, &long);
    settle(&mut harness);
    press(&mut harness, Modifiers::COMMAND, Key::S);
    // The notice names it too.
    legible(&harness, "a notice", true);
    press(&mut harness, Modifiers::NONE, Key::Escape);
    press(&mut harness, Modifiers::NONE, Key::T);
    for step in ["Trust", "Trace", "Report"] {
        harness.get_by_label_contains(&format!("{step}: ")).click();
        harness.run_steps(25);
        legible(&harness, step, false);
    }
    drop(harness);
    // Left behind, and among the files of late.
    let harness = bench.desk_of(size, 1.0);
    assert!(harness.query_by_label("Take it up again").is_some());
    legible(&harness, "what was left behind", false);
    let mut harness = bench.desk_of(size, 1.0);
    open_path(&mut harness, &bench.samples());
    wait_for(&mut harness, "volumes: which one?");
    harness.run_steps(10);
    legible(&harness, "which volume", true);
}

#[test]
fn no_text_is_cut_off_or_lies_on_another_in_any_step_size_and_scale() {
    let bench = Bench::with(TWO_JETS, few);
    let sizes = [
        (1024.0, 640.0, 1.0),
        (1024.0, 640.0, 2.0),
        (1280.0, 800.0, 1.5),
        (1920.0, 1080.0, 2.0),
        (2560.0, 1440.0, 1.0),
        (3840.0, 2160.0, 1.0),
    ];
    let mut all = Vec::new();
    for (width, height, scale) in sizes {
        let size = Vec2::new(width, height);
        let mut harness = bench.desk_of(size, scale);
        let at = format!("{width} x {height} at {scale}");
        all.extend(faults(&harness, size, &format!("start, {at}"), true));
        // What was measured once need not be measured for every size.
        if bench.review().exists() {
            open_path(&mut harness, &bench.review());
            wait_for(&mut harness, "En-face plane of");
            settle(&mut harness);
        } else {
            harness.get_by_label("Open sample: Crescent").click();
            wait_for(&mut harness, "En-face plane of");
            all.extend(faults(&harness, size, &format!("measuring, {at}"), true));
            settle(&mut harness);
            press(&mut harness, Modifiers::COMMAND, Key::S);
            // The notice lies over the panel until it is read.
            press(&mut harness, Modifiers::NONE, Key::Escape);
            press(&mut harness, Modifiers::NONE, Key::T);
        }
        for step in ["Trust", "Jet", "Plane", "Trace", "Beat", "Grade", "Report"] {
            harness.get_by_label_contains(&format!("{step}: ")).click();
            harness.run_steps(25);
            all.extend(faults(&harness, size, &format!("{step}, {at}"), true));
        }
        press(&mut harness, Modifiers::NONE, Key::F1);
        all.extend(faults(&harness, size, &format!("help, {at}"), false));
        // The sheet takes the height that there is.
        let last = texts(&harness).into_iter().find(|(text, ..)| text == "this sheet");
        let whole = last.is_some_and(|(_, rect, clip)| clip.contains_rect(rect.shrink(1.0)));
        if !whole && height >= 900.0 {
            all.push(format!("the help is cut off at {at}"));
        }
        press(&mut harness, Modifiers::NONE, Key::F1);
        press(&mut harness, Modifiers::COMMAND, Key::O);
        all.extend(faults(&harness, size, &format!("a path, {at}"), false));
    }
    assert!(all.is_empty(), "{}", all.join("\n"));
}
