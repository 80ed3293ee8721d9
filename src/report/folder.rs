//! What the report folder holds; [`super::switch`] puts it in place.

use std::io;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::archive::{self, Archive};
use super::document::{self, PageFigure};
use super::figure::{self, FigureError, Subject, View};
use super::html;
use super::paint::{PaintError, png_from_svg};
use super::pdf::{PaperOptions, PdfError, pdf};
use super::{AreaUnit, switch, table, words};
use crate::format::dicom::WriteError;
use crate::job::{Cancelled, Watch};
use crate::measure::results::{JetResult, Results};
use crate::volume::Volume4;

/// How a report is written
#[derive(Clone, Debug)]
pub struct ReportOptions {
    /// Pixels of the PNG figures for a unit of the SVG
    pub png_scale: f32,
    /// Paper, units, reader, settings told
    pub paper: PaperOptions,
    /// Whether files for an archive of images are written too
    pub archive: Option<Archive>,
    /// Told of progress, and asked whether to stop
    pub watch: Watch,
}

impl Default for ReportOptions {
    fn default() -> Self {
        Self { png_scale: 1.6, paper: PaperOptions::default(), archive: None, watch: Watch::silent() }
    }
}

/// Where a report was written
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReportPaths {
    /// The folder
    pub folder: PathBuf,
    /// The page
    pub page: PathBuf,
    /// `results.json`, or the document of another kind of report
    pub results: PathBuf,
    /// All files, relative to the folder, sorted
    pub files: Vec<PathBuf>,
}

/// Why a report was not written
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A figure could not be drawn
    #[error(transparent)]
    Figure(#[from] FigureError),
    /// A figure could not be painted
    #[error(transparent)]
    Paint(#[from] PaintError),
    /// The paper could not be made
    #[error(transparent)]
    Pdf(#[from] PdfError),
    /// A file for an archive could not be made
    #[error("writing a DICOM file of the report: {0}")]
    Dicom(#[from] WriteError),
    /// The results could not be put into JSON
    #[error("writing the results as JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// A file or folder refused
    #[error("{action} {}: {source}", path.display())]
    Io {
        /// What was attempted
        action: &'static str,
        /// On what
        path: PathBuf,
        /// What the system said
        source: io::Error,
    },
    /// A file under one of our names was not written by us, or was changed since
    #[error("this was not written by the program, or was changed since, and would be lost: {}", .0.display())]
    Foreign(PathBuf),
    /// A folder that holds much else, or that somebody stands in
    #[error("this folder is not the report's own: {}", .0.display())]
    Shared(PathBuf),
    /// Stopped
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

impl ReportError {
    /// What the user can do about it
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::Io { .. } => Some("choose another folder with --out"),
            Self::Foreign(_) => Some("choose another folder with --out, or move that file away"),
            Self::Shared(_) => Some("name a folder of its own with --out; it need not exist"),
            Self::Figure(_)
            | Self::Paint(_)
            | Self::Pdf(_)
            | Self::Dicom(_)
            | Self::Json(_)
            | Self::Cancelled(_) => None,
        }
    }
}

const FIGURES: &str = "figures";
/// Name of the figure of steps between sub-volumes
const STITCH: &str = "acquisition-stitch";
/// Name of the figure of the grading
const GRADING: &str = "grading";

/// Writes `results.json`, `index.html`, `report.pdf`, `jets.csv`, `frames.csv`, `grading.csv`,
/// `figures/` and the list of them into a folder, and the files for an archive where they are wanted
///
/// # Errors
/// See [`ReportError`]; nothing under the final name is half written.
pub fn write_folder(
    results: &Results,
    volume: &Volume4,
    folder: &Path,
    options: &ReportOptions,
) -> Result<ReportPaths, ReportError> {
    // The cheapest refusals first: before a figure is drawn.
    switch::refuse(folder, &["index.html", "report.pdf", "results.json", "jets.csv"])?;
    let files = contents(results, volume, options)?;
    switch::put(files, folder, "results.json", &options.watch)
}

/// `results.json` as it is written and printed: pretty, with a newline at its end
///
/// # Errors
/// Where a number cannot be written, which plain results never hold.
pub fn results_json(results: &Results) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(results)?;
    text.push('\n');
    Ok(text)
}

/// A file of a report: its name in the folder, its bytes
pub(super) type File = (String, Vec<u8>);

/// Every file with its bytes; the page last, so that it is also replaced last
fn contents(results: &Results, volume: &Volume4, options: &ReportOptions) -> Result<Vec<File>, ReportError> {
    let unit = options.paper.unit;
    let drawn = draw(results, volume, unit, &options.watch)?;
    let painted: Vec<Vec<File>> = drawn
        .par_iter()
        .enumerate()
        .map(|(done, drawing)| {
            options.watch.step("painting", done, drawn.len())?;
            let svg = &drawing.figure.svg;
            let name = format!("jet-{}-{}", drawing.figure.jet, drawing.view.name());
            let png = png_from_svg(svg, options.png_scale)?;
            let mut files: Vec<File> = vec![
                (format!("{FIGURES}/{name}.svg"), svg.clone().into_bytes()),
                (format!("{FIGURES}/{name}.png"), png),
            ];
            if let Some(archive) = options.archive.as_ref().filter(|_| archive::VIEWS.contains(&drawing.view))
            {
                let title = format!("Jet {}, {}", drawing.figure.jet, drawing.view.name());
                files.push((format!("{name}{}", archive::PICTURE), archive.picture(svg, &title, done + 1)?));
            }
            Ok(files)
        })
        .collect::<Result<_, ReportError>>()?;
    let mut files: Vec<File> = painted.into_iter().flatten().collect();
    let mut figures: Vec<PageFigure> = drawn.into_iter().map(|drawing| drawing.figure).collect();
    if let Some(svg) = figure::stitch(volume, results)? {
        let svg = svg.finish();
        files.push((format!("{FIGURES}/{STITCH}.png"), png_from_svg(&svg, options.png_scale)?));
        files.push((format!("{FIGURES}/{STITCH}.svg"), svg.clone().into_bytes()));
        let caption = "How much the tissue changes from each plane to the next, over the change around it. Where \
                       beats did not match, the picture steps: orange, dashed in the slice, a dot in the curve."
            .into();
        figures.push(PageFigure { jet: document::ACQUISITION, caption, svg });
    }
    let scale = results.severity.as_ref().and_then(|grading| figure::grading(grading, unit));
    if let Some(svg) = scale.map(|svg| svg.finish()) {
        files.push((format!("{FIGURES}/{GRADING}.svg"), svg.clone().into_bytes()));
        files.push((format!("{FIGURES}/{GRADING}.png"), png_from_svg(&svg, options.png_scale)?));
    }
    files.push(("grading.csv".into(), table::grading(results, unit).into_bytes()));
    if let Some(archive) = &options.archive {
        files.push((archive::REPORT.into(), archive.report(results)?));
    }
    files.push(("jets.csv".into(), table::jets(results, unit).into_bytes()));
    files.push(("frames.csv".into(), table::frames(results, unit).into_bytes()));
    files.push(("report.pdf".into(), pdf(results, &figures, &options.paper)?));
    files.push(("results.json".into(), results_json(results)?.into_bytes()));
    files.push(("index.html".into(), html::page(results, &figures, unit).into_bytes()));
    Ok(files)
}

/// A figure drawn
struct Drawing {
    view: View,
    figure: PageFigure,
}

/// Every figure of every jet, in the order of the report
fn draw(
    results: &Results,
    volume: &Volume4,
    unit: AreaUnit,
    watch: &Watch,
) -> Result<Vec<Drawing>, ReportError> {
    let wanted: Vec<(&JetResult, View)> =
        results.jets.iter().flat_map(|jet| View::ALL.map(|view| (jet, view))).collect();
    wanted
        .par_iter()
        .enumerate()
        .map(|(done, (jet, view))| {
            watch.step("drawing", done, wanted.len())?;
            let subject = Subject { unit, ..Subject::at_peak(volume, results, jet) };
            let svg = figure::draw(*view, &subject)?.finish();
            let figure = PageFigure { jet: jet.id, caption: caption(*view, jet, unit), svg };
            Ok(Drawing { view: *view, figure })
        })
        .collect()
}

/// The report as a PDF alone
///
/// # Errors
/// See [`ReportError`].
pub fn report_pdf(
    results: &Results,
    volume: &Volume4,
    options: &ReportOptions,
) -> Result<Vec<u8>, ReportError> {
    let drawn = draw(results, volume, options.paper.unit, &options.watch)?;
    let figures: Vec<PageFigure> = drawn.into_iter().map(|drawing| drawing.figure).collect();
    Ok(pdf(results, &figures, &options.paper)?)
}

fn caption(view: View, jet: &JetResult, unit: AreaUnit) -> String {
    match view {
        View::EnFace => "The plane perpendicular to the jet at its vena contracta. Orange, solid: the tracing. Pale, thin and \
                         dashed: the circle that the long-axis width alone implies. Sky blue, dashed: long-axis \
                         width. Reddish purple, dotted: commissural width."
            .into(),
        View::LongAxis => "The plane along the jet that contains the long-axis direction. Orange, solid: where the \
                           en-face plane lies."
            .into(),
        View::Commissural => "The plane along the jet, at a right angle to the long-axis plane. Orange, solid: where \
                              the en-face plane lies."
            .into(),
        View::Profile => "The vena contracta is the narrowest cross-section between the convergence upstream and the \
                          expansion downstream."
            .into(),
        View::Time => words::systole(jet, unit),
        View::Convergence => words::convergence(&jet.convergence, unit),
    }
}

pub(super) fn at(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> ReportError {
    let path = path.to_owned();
    move |source| ReportError::Io { action, path, source }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fixture;
    use std::collections::BTreeMap;
    use std::fs;

    fn read_all(folder: &Path) -> BTreeMap<String, Vec<u8>> {
        let mut all = BTreeMap::new();
        for sub in ["", FIGURES] {
            let Ok(entries) = fs::read_dir(folder.join(sub)) else { continue };
            for entry in entries.flatten().filter(|entry| entry.path().is_file()) {
                let name = format!("{sub}/{}", entry.file_name().to_str().unwrap());
                all.insert(name, fs::read(entry.path()).unwrap());
            }
        }
        all
    }

    fn quick() -> ReportOptions {
        ReportOptions { png_scale: 0.5, ..ReportOptions::default() }
    }

    #[test]
    fn two_runs_write_the_same_bytes() {
        let (volume, results) = (fixture::volume(), fixture::results());
        let temp = tempfile::tempdir().unwrap();
        let [a, b] = ["a", "deep/er/b"].map(|name| temp.path().join(name));
        let paths = write_folder(&results, &volume, &a, &quick()).unwrap();
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        pool.install(|| write_folder(&results, &volume, &b, &quick()).unwrap());
        let (first, second) = (read_all(&a), read_all(&b));
        assert_eq!(first.len(), 12 + 2 + 2 + 7);
        assert_eq!(paths.files.len(), first.len());
        assert!(first == second);
        let back: Results = serde_json::from_slice(&first["/results.json"]).unwrap();
        assert_eq!(back, results);
        // Nothing is left beside the reports.
        let mut beside: Vec<_> =
            fs::read_dir(temp.path()).unwrap().flatten().map(|e| e.file_name()).collect();
        beside.sort();
        assert_eq!(beside, ["a", "deep"]);
        let png = &first["figures/jet-1-en-face.png"];
        // Width and height stand at bytes 16 and 20 of a PNG (its specification, section 11.2.1).
        let side = |from: usize| u32::from_be_bytes(png[from..from + 4].try_into().unwrap());
        assert_eq!((side(16), side(20)), (500, 325));
    }

    #[test]
    fn a_report_in_place_of_another_keeps_what_is_not_ours_and_leaves_nothing_of_the_old() {
        let (volume, mut results) = (fixture::volume(), fixture::results());
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().join("report");
        write_folder(&results, &volume, &folder, &quick()).unwrap();
        // The comparison of the old report is part of it.
        let beside = vec![("index.html".to_owned(), b"old".to_vec())];
        switch::put(beside, &folder.join("comparison"), "index.html", &Watch::silent()).unwrap();
        fs::create_dir_all(folder.join("mine/deep")).unwrap();
        for name in ["notes.txt", "figures/jet-2-en-face.svg", "figures/jet-2-sketch.svg", "mine/deep/a"] {
            fs::write(folder.join(name), name).unwrap();
        }
        results.jets.clear();
        results.trust.stitch = None;
        results.severity = None;
        write_folder(&results, &volume, &folder, &quick()).unwrap();
        let names: Vec<String> = read_all(&folder).into_keys().collect();
        assert_eq!(
            names,
            [
                "/frames.csv",
                "/grading.csv",
                "/index.html",
                "/jets.csv",
                "/manifest.json",
                "/notes.txt",
                "/report.pdf",
                "/results.json",
                "figures/jet-2-en-face.svg",
                "figures/jet-2-sketch.svg"
            ]
        );
        assert_eq!(fs::read_to_string(folder.join("mine/deep/a")).unwrap(), "mine/deep/a");
        let back: Results = serde_json::from_slice(&fs::read(folder.join("results.json")).unwrap()).unwrap();
        assert!(back.jets.is_empty() && !folder.join("comparison").exists());
        assert_eq!(fs::read_dir(temp.path()).unwrap().count(), 1);
    }

    #[test]
    fn what_is_not_ours_is_never_overwritten_or_removed() {
        let (volume, results) = (fixture::volume(), fixture::results());
        let refused = |folder: &Path| {
            let before = read_all(folder);
            let error = write_folder(&results, &volume, folder, &quick()).unwrap_err();
            assert!(error.hint().is_some());
            assert!(read_all(folder) == before, "{error}");
            assert_eq!(fs::read_dir(folder.parent().unwrap()).unwrap().count(), 1, "{error}");
            error
        };
        // A file of somebody else under each of our names, the word of ours in it or not.
        for name in
            ["index.html", "jets.csv", "report.pdf", "figures/jet-1-en-face.svg", "manifest.json", "figures"]
        {
            let temp = tempfile::tempdir().unwrap();
            let folder = temp.path().join("theirs");
            fs::create_dir_all(folder.join(name).parent().unwrap()).unwrap();
            fs::write(folder.join(name), "narrows, but written by me").unwrap();
            assert!(matches!(refused(&folder), ReportError::Foreign(_)), "{name}");
        }
        // One of ours that somebody changed is theirs now.
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().join("report");
        write_folder(&results, &volume, &folder, &quick()).unwrap();
        let mut table = fs::read(folder.join("jets.csv")).unwrap();
        table.extend(b"my remark\n");
        fs::write(folder.join("jets.csv"), table).unwrap();
        assert!(matches!(refused(&folder), ReportError::Foreign(path) if path.ends_with("jets.csv")));
        // A crowded folder is not a report's own; nor is a file.
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().join("home");
        fs::create_dir(&folder).unwrap();
        for number in 0..=1000 {
            fs::write(folder.join(format!("{number}.txt")), "mine").unwrap();
        }
        assert!(matches!(refused(&folder), ReportError::Shared(_)));
        let file = temp.path().join("a-file");
        fs::write(&file, "x").unwrap();
        assert!(matches!(write_folder(&results, &volume, &file, &quick()), Err(ReportError::Foreign(_))));
        let here = std::env::current_dir().unwrap();
        for folder in [here.as_path(), Path::new("."), here.parent().unwrap()] {
            assert!(matches!(write_folder(&results, &volume, folder, &quick()), Err(ReportError::Shared(_))));
        }
    }

    #[test]
    fn at_every_moment_the_folder_holds_one_whole_report() {
        // Another thread looks while two reports take turns: it must never see parts of both.
        let (volume, results) = (fixture::volume(), fixture::results());
        let mut other = results.clone();
        other.source.file = "the other.dcm".into();
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().join("report");
        write_folder(&results, &volume, &folder, &quick()).unwrap();
        let done = std::sync::atomic::AtomicBool::new(false);
        std::thread::scope(|scope| {
            let look = || {
                let mut looks = 0;
                while !done.load(std::sync::atomic::Ordering::Relaxed) {
                    // One open folder is one report, whatever its name leads to meanwhile.
                    #[cfg(target_os = "linux")]
                    {
                        use std::os::fd::AsRawFd as _;
                        let open = fs::File::open(&folder).unwrap();
                        let inside = PathBuf::from(format!("/proc/self/fd/{}", open.as_raw_fd()));
                        let read = |name: &str| fs::read_to_string(inside.join(name));
                        // Taken away between two looks, it is an old one: look again.
                        if let (Ok(json), Ok(table)) = (read("results.json"), read("jets.csv")) {
                            assert_eq!(json.contains("the other.dcm"), table.contains("the other.dcm"));
                            looks += 1;
                        }
                    }
                }
                looks
            };
            let looker = scope.spawn(look);
            for turn in 0..6 {
                let results = if turn % 2 == 0 { &other } else { &results };
                write_folder(results, &volume, &folder, &quick()).unwrap();
            }
            done.store(true, std::sync::atomic::Ordering::Relaxed);
            assert!(looker.join().unwrap() > 0 || cfg!(not(target_os = "linux")));
        });
    }

    #[test]
    fn what_a_kill_between_two_steps_left_is_brought_back_or_taken_away() {
        let (volume, results) = (fixture::volume(), fixture::results());
        let temp = tempfile::tempdir().unwrap();
        let [folder, old] = ["report", ".narrows-old-report"].map(|name| temp.path().join(name));
        write_folder(&results, &volume, &folder, &quick()).unwrap();
        fs::write(folder.join("mine.txt"), "mine").unwrap();
        // Moved away and not replaced: what is not ours comes back with it.
        fs::rename(&folder, &old).unwrap();
        write_folder(&results, &volume, &folder, &quick()).unwrap();
        assert_eq!(fs::read_to_string(folder.join("mine.txt")).unwrap(), "mine");
        assert!(!old.exists());
        // Replaced and not taken away, with a file that came at the last moment.
        fs::create_dir(&old).unwrap();
        fs::write(old.join("late.txt"), "late").unwrap();
        fs::hard_link(folder.join("mine.txt"), old.join("mine.txt")).unwrap();
        write_folder(&results, &volume, &folder, &quick()).unwrap();
        for name in ["mine", "late"] {
            assert_eq!(fs::read_to_string(folder.join(format!("{name}.txt"))).unwrap(), name);
        }
        assert_eq!(fs::read_dir(temp.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_cancelled_report_leaves_nothing() {
        let (volume, results) = (fixture::volume(), fixture::results());
        let temp = tempfile::tempdir().unwrap();
        let options = quick();
        options.watch.token().cancel();
        let folder = temp.path().join("report");
        assert!(matches!(write_folder(&results, &volume, &folder, &options), Err(ReportError::Cancelled(_))));
        assert_eq!(fs::read_dir(temp.path()).unwrap().count(), 0);
    }
}
