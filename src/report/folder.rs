//! The report folder: written aside, then moved into place.
//!
//! A folder that does not exist yet appears at once, by one rename. An existing folder keeps what
//! is not ours; our own files are replaced one by one, `index.html` last, and figures left over
//! from an earlier report are removed. A page or document there that is not ours stops the
//! writing before anything is touched.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::archive::{self, Archive};
use super::figure::{self, FigureError, Subject, View};
use super::html::{self, PageFigure};
use super::paint::{PaintError, png_from_svg};
use super::pdf::{PaperOptions, PdfError, pdf};
use super::{AreaUnit, table, words};
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
    /// A file under one of our names was not written by us
    #[error("writing the report: not one of ours, and would be overwritten: {}", .0.display())]
    Foreign(PathBuf),
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

/// Writes `results.json`, `index.html`, `report.pdf`, `jets.csv`, `frames.csv`, `grading.csv` and
/// `figures/` into a folder, and the files for an archive where they are wanted
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
    refuse_foreign(folder)?;
    let files = contents(results, volume, options)?;
    put(files, folder, "results.json", &options.watch)
}

/// Puts files into a folder: aside first, then in place; `main` is the document among them
pub(super) fn put(
    files: Vec<File>,
    folder: &Path,
    main: &str,
    watch: &Watch,
) -> Result<ReportPaths, ReportError> {
    let parent = match folder.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    fs::create_dir_all(parent).map_err(at("making the folder", parent))?;
    let aside = aside_folder(parent).map_err(at("making a folder in", parent))?;
    for (name, bytes) in &files {
        let path = aside.path().join(name);
        if let Some(inside) = path.parent() {
            fs::create_dir_all(inside).map_err(at("making the folder", inside))?;
        }
        fs::write(&path, bytes).map_err(at("writing", &path))?;
    }
    watch.step("writing", 1, 1)?;
    if folder.exists() {
        replace_ours(aside.path(), folder, &files)?;
    } else {
        let from = aside.keep();
        if let Err(error) = fs::rename(&from, folder) {
            // Nothing of ours stays behind; the first error is the one worth telling.
            let _ = fs::remove_dir_all(&from);
            return Err(at("moving the report to", folder)(error));
        }
    }
    let mut names: Vec<PathBuf> = files.into_iter().map(|(name, _)| PathBuf::from(name)).collect();
    names.sort();
    Ok(ReportPaths {
        folder: folder.to_owned(),
        page: folder.join("index.html"),
        results: folder.join(main),
        files: names,
    })
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
        figures.push(PageFigure { jet: html::ACQUISITION, caption, svg });
    }
    let scale = results.severity.as_ref().and_then(|grading| figure::grading(grading, unit));
    if let Some(svg) = scale.map(|svg| svg.finish()) {
        files.push((format!("{FIGURES}/{GRADING}.svg"), svg.clone().into_bytes()));
        files.push((format!("{FIGURES}/{GRADING}.png"), png_from_svg(&svg, options.png_scale)?));
    }
    files.push(("grading.csv".into(), table::grading(results).into_bytes()));
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

/// A folder beside the final one, with the rights of any new folder, removed when dropped
pub(super) fn aside_folder(parent: &Path) -> io::Result<tempfile::TempDir> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".narrows-report-").suffix(".tmp");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        builder.permissions(fs::Permissions::from_mode(0o777));
    }
    builder.tempdir_in(parent)
}

/// Refuses a folder that is a file, or that holds another's page or document under our names
pub(super) fn refuse_foreign(folder: &Path) -> Result<(), ReportError> {
    if folder.exists() && !folder.is_dir() {
        return Err(ReportError::Foreign(folder.to_owned()));
    }
    let marks = [
        ("index.html", html::GENERATOR),
        ("results.json", crate::measure::results::SCHEMA),
        ("comparison.json", crate::measure::COMPARISON_SCHEMA),
        ("report.pdf", "narrows"),
        (archive::REPORT, "narrows"),
    ];
    for (name, mark) in marks {
        let path = folder.join(name);
        match fs::read(&path) {
            Ok(bytes) => {
                if !bytes.windows(mark.len()).any(|window| window == mark.as_bytes()) {
                    return Err(ReportError::Foreign(path));
                }
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(at("reading", &path)(error)),
        }
    }
    Ok(())
}

fn replace_ours(aside: &Path, folder: &Path, files: &[File]) -> Result<(), ReportError> {
    let figures = folder.join(FIGURES);
    if files.iter().any(|(name, _)| name.starts_with(FIGURES)) {
        fs::create_dir_all(&figures).map_err(at("making the folder", &figures))?;
    }
    for (name, _) in files {
        let to = folder.join(name);
        fs::rename(aside.join(name), &to).map_err(at("replacing", &to))?;
    }
    let kept = |name: &str| files.iter().any(|(kept, _)| kept == name);
    for (inside, place) in [(format!("{FIGURES}/"), &figures), (String::new(), &folder.to_owned())] {
        let Ok(entries) = fs::read_dir(place) else { continue };
        for entry in entries.flatten() {
            let name = entry.file_name();
            let Some(name) = name.to_str() else { continue };
            let ours = if inside.is_empty() { is_picture_name(name) } else { is_figure_name(name) };
            if ours && !kept(&format!("{inside}{name}")) {
                fs::remove_file(entry.path()).map_err(at("removing the old figure", &entry.path()))?;
            }
        }
    }
    // A report without its archive files must not lie beside those of another measurement.
    let old = folder.join(archive::REPORT);
    if !kept(archive::REPORT) && old.exists() {
        fs::remove_file(&old).map_err(at("removing the old report", &old))?;
    }
    Ok(())
}

/// What follows `jet-N-VIEW` in a name of that form
fn after_view(name: &str) -> Option<&str> {
    let name = ["before-", "after-", "both-"].iter().find_map(|when| name.strip_prefix(when)).unwrap_or(name);
    let (number, rest) = name.strip_prefix("jet-")?.split_once('-')?;
    let digits = !number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit());
    View::ALL.iter().filter(|_| digits).find_map(|view| rest.strip_prefix(view.name()))
}

/// Whether a name is `jet-N-VIEW.svg` or `.png`, perhaps of a comparison, or that of the
/// acquisition or of the grading
fn is_figure_name(name: &str) -> bool {
    let picture = |end: &str| end == ".svg" || end == ".png";
    [STITCH, GRADING, "weighing"].iter().any(|own| name.strip_prefix(own).is_some_and(picture))
        || after_view(name).is_some_and(picture)
}

/// Whether a name is that of a picture for an archive
fn is_picture_name(name: &str) -> bool {
    after_view(name) == Some(archive::PICTURE)
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
        assert_eq!(first.len(), 12 + 2 + 2 + 6);
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
    fn an_existing_folder_keeps_what_is_not_ours() {
        let (volume, mut results) = (fixture::volume(), fixture::results());
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().join("report");
        write_folder(&results, &volume, &folder, &quick()).unwrap();
        fs::write(folder.join("notes.txt"), "mine").unwrap();
        fs::write(folder.join("figures/jet-2-en-face.svg"), "old").unwrap();
        fs::write(folder.join("figures/jet-2-sketch.svg"), "mine").unwrap();
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
                "/notes.txt",
                "/report.pdf",
                "/results.json",
                "figures/jet-2-sketch.svg"
            ]
        );
    }

    #[test]
    fn a_foreign_page_is_never_overwritten() {
        let (volume, results) = (fixture::volume(), fixture::results());
        let temp = tempfile::tempdir().unwrap();
        fs::write(temp.path().join("index.html"), "<p>my site</p>").unwrap();
        let refused = write_folder(&results, &volume, temp.path(), &quick());
        assert!(matches!(refused, Err(ReportError::Foreign(_))));
        assert_eq!(read_all(temp.path()).len(), 1);
        let file = temp.path().join("a-file");
        fs::write(&file, "x").unwrap();
        assert!(matches!(write_folder(&results, &volume, &file, &quick()), Err(ReportError::Foreign(_))));
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

#[cfg(test)]
mod dump {
    #[test]
    fn dump() {
        let results = crate::report::fixture::results();
        let volume = crate::report::fixture::volume();
        super::write_folder(
            &results,
            &volume,
            std::path::Path::new("/tmp/out/report"),
            &super::ReportOptions::default(),
        )
        .unwrap();
    }
}
