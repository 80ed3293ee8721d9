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
use narrows::format::OpenOptions;
use narrows::format::dicom::{WriteOptions, write};
use narrows::job::Watch;
use narrows::phantom::{Recipe, simulate};
use narrows::review::{Drawn, JetId};
use narrows::severity::Item;
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
        let folder = tempfile::tempdir().expect("a folder for the test");
        let bench = Self { folder };
        std::fs::create_dir_all(bench.samples()).expect("a folder of samples");
        let mut recipe = Recipe::from_toml(RECIPE).expect("the recipe is sound");
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
    let until = Instant::now() + Duration::from_mins(2);
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

fn en_face(harness: &Harness<'static, Option<Desk>>) -> egui::Rect {
    harness.get_by_label_contains("En-face cut of").rect()
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
    assert!(harness.query_by_label_contains("Not counted").is_some());
    assert!(harness.query_by_label_contains("Trace: a tracing is not counted").is_some());
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
    let until = Instant::now() + Duration::from_mins(1);
    while harness.query_by_label_contains(text).is_none() {
        assert!(Instant::now() < until, "nobody said {text:?}");
        std::thread::sleep(Duration::from_millis(10));
        harness.run_steps(2);
    }
}

#[test]
fn a_folder_opens_as_the_one_volume_in_it_and_tells_which_there_are() {
    let bench = Bench::new();
    let mut harness = bench.desk();
    open_path(&mut harness, &bench.samples());
    settle(&mut harness);
    assert_eq!(desk(&harness).session().expect("a session").review().source.file, "crescent.dcm");
    press(&mut harness, Modifiers::COMMAND, Key::S);
    assert!(bench.review().is_file(), "the review lies beside the volume, not beside the folder");
    std::fs::copy(bench.volume(), bench.samples().join("second.dcm")).expect("copied");
    open_path(&mut harness, &bench.samples());
    wait_for(&mut harness, "there are 2 volumes");
    assert!(harness.query_by_label_contains("crescent.dcm, second.dcm").is_some());
}

#[test]
fn every_control_has_a_name_in_every_step_and_size() {
    let bench = Bench::new();
    for (size, scale) in [(Vec2::new(1280.0, 800.0), 1.0), (Vec2::new(1920.0, 1080.0), 2.0)] {
        let mut harness = bench.desk_of(size, scale);
        harness.check_accessibility();
        harness.get_by_label("Open sample: Crescent").click();
        settle(&mut harness);
        for step in ["Trust", "Jet", "Cut", "Trace", "Beat", "Weigh", "Report"] {
            harness.get_by_label_contains(&format!("{step}: ")).click();
            harness.run_steps(3);
            harness.check_accessibility();
        }
        press(&mut harness, Modifiers::NONE, Key::F1);
        harness.check_accessibility();
        // The three cuts, the profile, the tilt map and the frame stand beside each other.
        let names =
            ["En-face cut of", "Long axis cut", "Level of the cut", "Tilt of the cut", "three dimensions"];
        let rects: Vec<egui::Rect> =
            names.iter().map(|name| harness.get_by_label_contains(name).rect()).collect();
        let screen = egui::Rect::from_min_size(Pos2::ZERO, size);
        for (i, rect) in rects.iter().enumerate() {
            assert!(screen.contains_rect(*rect), "{} is cut off: {rect:?}", names[i]);
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
    harness.get_by_label_contains("Cut: ").click();
    harness.run_steps(3);
    assert!(harness.query_by_label_contains("Cut: mark anterior and posterior").is_some());
    harness.get_by_label("Anterior annulus").click();
    harness.run_steps(3);
    let centre = en_face(&harness).center();
    for x in [-90.0, 90.0] {
        let at = centre + Vec2::new(x, 40.0);
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
    assert!(marks.anterior.is_some() && marks.posterior.is_some());
    assert!(!desk(&harness).reading().expect("a reading").axes_assumed);
    assert!(harness.query_by_label_contains("Cut: on the jet, directions named").is_some());
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
    let rect = en_face(&harness);
    let picture = harness.render().expect("a software adapter is there");
    let mut tracing = 0;
    let mut shades = std::collections::BTreeSet::new();
    for y in rect.top() as u32 + 4..rect.bottom() as u32 - 4 {
        for x in rect.left() as u32 + 4..rect.right() as u32 - 4 {
            let [r, g, b, _] = picture.get_pixel(x, y).0;
            // The tracing's orange (#E69F00), which no velocity and no tissue has.
            tracing += usize::from(r.abs_diff(0xE6) < 4 && g.abs_diff(0x9F) < 4 && b < 6);
            shades.insert([r / 16, g / 16, b / 16]);
        }
    }
    assert!(tracing > 150, "{tracing} pixels of the tracing");
    assert!(shades.len() > 40, "the cut has {} shades", shades.len());
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
    harness.get_by_label_contains("Weigh: ").click();
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
        desk.open_knowing(bench.volume(), known);
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
    wait_for(&mut harness, "En-face cut of");
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
    harness.get_by_label_contains("Weigh: ").click();
    harness.run_steps(3);
    for heading in ["CW Doppler", "Flow convergence"] {
        harness.get_by_label(heading).click();
        // The heading opens over a moment.
        harness.run_steps(20);
    }
    let evidence = |harness: &Harness<'static, Option<Desk>>| {
        desk(harness).session().expect("a session").review().work.evidence.clone()
    };
    type_into(&mut harness, "EROA by PISA in mm²", "30 ± 5");
    let number = evidence(&harness).number(Item::PisaEroaMm2).expect("it was entered");
    assert_eq!((number.value, number.low, number.high), (30.0, 25.0, 35.0));
    assert!(harness.query_by_label_contains("Weigh: one other measure").is_some());
    // It stands on the scale, beside what the volume says.
    assert!(harness.query_by_label_contains("30 mm² (25 to 35)").is_some());
    // What cannot be meant is not taken, and says why.
    type_into(&mut harness, "CW peak velocity in m/s", "fast");
    assert!(evidence(&harness).get(Item::CwPeakMS).is_none());
    assert!(harness.query_by_label_contains("is not a number").is_some());
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
    harness.get_by_label_contains("Weighed against: ").click();
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
    harness.get_by_label_contains("Cut: ").click();
    harness.run_steps(3);
    harness.get_by_label_contains("Area against frame").click();
    harness.run_steps(2);
    settle(&mut harness);
    harness.run_steps(3);
    assert!(
        harness.query_by_label_contains("Area and widths against frame").is_some(),
        "the figure is there"
    );
    harness.check_accessibility();
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
    assert!(harness.query_by_label_contains("Area and widths against frame").is_none());

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
    assert!(harness.query_by_label_contains("No change can be claimed").is_some());
    assert!(harness.query_by_label_contains("Both are the same file.").is_some());
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
    assert!(again.query_by_label_contains("In this review: later.dcm, the later one.").is_some());
    again.get_by_label("Show the comparison").click();
    again.run_steps(2);
    settle(&mut again);
    again.run_steps(3);
    assert!(again.query_by_label_contains("No change can be claimed").is_some());
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
    assert!(again.query_by_label_contains("No change can be claimed").is_none());
    again.get_by_label("Take it out").click();
    again.run_steps(3);
    assert!(again.query_by_label_contains("In this review: later.dcm").is_none());
    press(&mut again, Modifiers::COMMAND, Key::Z);
    again.run_steps(3);
    assert!(again.query_by_label_contains("In this review: later.dcm").is_some());
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
    assert!(harness.query_by_label_contains("nothing was read yet").is_some());
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
    let reported = area(&harness);
    let show = |harness: &mut Harness<'static, Option<Desk>>| {
        harness.get_by_label("Show the truth").click();
        harness.run_steps(2);
        settle(harness);
        harness.run_steps(3);
    };
    harness.get_by_label_contains("Cut: ").click();
    harness.run_steps(3);
    show(&mut harness);
    assert!(harness.query_by_label_contains("the key of this practice set is not here").is_some());
    // The key comes to lie beside the folder; a changed one is found out.
    let key_path = bench.folder.path().join("sample-volumes.key.json");
    let text = key_text(&key);
    std::fs::write(&key_path, format!("{text} ")).expect("written");
    show(&mut harness);
    assert!(harness.query_by_label_contains("not the one that the list was sealed with").is_some());
    std::fs::write(&key_path, &text).expect("written");
    // One reading saved, then one that turned the cut away.
    press(&mut harness, Modifiers::COMMAND, Key::S);
    settle(&mut harness);
    show(&mut harness);
    let error = format!("{:+.1} mm²  (", reported - true_area).replace('-', "−");
    assert!(harness.query_by_label_contains(&error).is_some(), "{error} is told");
    assert!(harness.query_by_label_contains("Error by attempt").is_some(), "the figure is there");
    harness.check_accessibility();
    press(&mut harness, Modifiers::NONE, Key::Escape);
    harness.run_steps(3);
    press(&mut harness, Modifiers::NONE, Key::T);
    show(&mut harness);
    assert!(harness.query_by_label_contains("Cases read again went from").is_some());
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
    // A tracing that is kept before the review is saved is in what is saved.
    let keep = stroke(Key::T, Modifiers::NONE);
    harness.input_mut().events.extend([keep, stroke(Key::S, Modifiers::COMMAND)].concat());
    harness.run_steps(6);
    settle(&mut harness);
    let saved = std::fs::read_to_string(bench.review()).expect("a review");
    assert!(saved.contains("\"drawn\": \"proposed\""), "the tracing is in it");
}
