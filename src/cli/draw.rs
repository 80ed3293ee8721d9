//! `narrows draw`: one picture, without a display.

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::progress::Progress;
use super::{Exit, Failure, input, output};
use crate::measure::{self, Options};
use crate::report::svg::Svg;
use crate::report::{PlainCut, Subject, View, figure, png_from_svg};
use crate::space::{Cut, Direction, VolumePoint, direction};
use crate::unit::Mm;
use crate::volume::Volume4;

#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("what").required(true).args(["cut", "view"])))]
pub(super) struct Arguments {
    /// The volume
    file: PathBuf,
    /// A plane: a point in mm, its normal, and a roll in degrees about it
    #[arg(long, value_name = "X,Y,Z/NX,NY,NZ[/ROLL]", value_parser = cut, allow_hyphen_values = true)]
    cut: Option<Cut>,
    /// A figure of the measurement
    #[arg(long, value_enum, value_name = "VIEW")]
    view: Option<Name>,
    /// Which jet, 1 for the largest
    #[arg(long, default_value_t = 1, conflicts_with = "cut")]
    jet: usize,
    /// Which frame, counted from 1 [default: the jet's peak frame; the first with --cut]
    #[arg(long, value_name = "NUMBER")]
    frame: Option<NonZeroUsize>,
    /// Side of the square shown by --cut, in mm [default: the whole volume]
    #[arg(long, value_name = "MM", value_parser = side, conflicts_with = "view")]
    side: Option<Mm>,
    /// The picture to write; its name ends in .png or .svg
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    #[command(flatten)]
    known: input::Known,
    /// Anterior-posterior direction, as in `measure`
    #[arg(long, value_name = "X,Y,Z", value_parser = input::along, allow_hyphen_values = true)]
    ap: Option<Direction>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Name {
    /// Perpendicular to the jet at its vena contracta, with the tracing
    EnFace,
    /// Along the jet, with the long-axis width
    LongAxis,
    /// Along the jet, with the commissural width
    Commissural,
    /// Area against position along the jet
    Profile,
    /// Area against time
    Time,
    /// Flow against speed upstream of the vena contracta
    Convergence,
}

impl From<Name> for View {
    fn from(name: Name) -> Self {
        match name {
            Name::EnFace => Self::EnFace,
            Name::LongAxis => Self::LongAxis,
            Name::Commissural => Self::Commissural,
            Name::Profile => Self::Profile,
            Name::Time => Self::Time,
            Name::Convergence => Self::Convergence,
        }
    }
}

/// How the picture is stored, told by its name
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Svg,
    Png,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let kind = kind(&arguments.output)?;
    output::refuse_input(&arguments.file, &arguments.output)?;
    let progress = Progress::start();
    let volume = input::open(&[&arguments.file], &arguments.known)?;
    let svg = match (arguments.cut, arguments.view) {
        (Some(cut), _) => {
            let side = arguments.side.unwrap_or_else(|| PlainCut::whole_side(&volume));
            figure::plain(&volume, &PlainCut { cut, frame: arguments.frame.map_or(0, index), side })?
        }
        (None, Some(view)) => measured(&volume, view.into(), arguments, &progress)?,
        (None, None) => return Err(Failure::internal("drawing neither a cut nor a view")),
    };
    drop(progress);
    let text = svg.finish();
    let bytes = match kind {
        Kind::Svg => text.into_bytes(),
        Kind::Png => png_from_svg(&text, 2.0)?,
    };
    output::write(&arguments.output, &bytes)?;
    output::say(&format!("wrote {}", arguments.output.display()));
    Ok(Exit::Done)
}

fn measured(
    volume: &Volume4,
    view: View,
    arguments: &Arguments,
    progress: &Progress,
) -> Result<Svg, Failure> {
    let options = Options { anterior_posterior: arguments.ap, ..Options::default() };
    let results = measure::measure(volume, &options, progress.watch())?;
    let Some(jet) = results.jets.iter().find(|jet| jet.id == arguments.jet) else {
        let found = results.jets.len();
        return Err(Failure::usage(
            format!("there is no jet {} to draw, {found} found: {}", arguments.jet, arguments.file.display()),
            if found == 0 { "draw a cut with --cut instead" } else { "choose one with --jet" },
        ));
    };
    let frame = arguments.frame.map_or(jet.peak_frame, index);
    Ok(figure::draw(view, &Subject { frame, ..Subject::at_peak(volume, &results, jet) })?)
}

/// The index of a frame that is counted from 1
fn index(frame: NonZeroUsize) -> usize {
    frame.get() - 1
}

fn kind(path: &Path) -> Result<Kind, Failure> {
    let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    match extension.as_deref() {
        Some("svg") => Ok(Kind::Svg),
        Some("png") => Ok(Kind::Png),
        _ => Err(Failure::usage(
            format!("the kind of picture is not clear from its name: {}", path.display()),
            "end the name in .png or .svg",
        )),
    }
}

fn side(text: &str) -> Result<Mm, String> {
    match text.parse::<f64>() {
        Ok(mm) if mm > 0.0 && mm <= PlainCut::LONGEST_SIDE_MM => Ok(Mm::new(mm)),
        _ => Err(format!("not a length between 0 and {} mm", PlainCut::LONGEST_SIDE_MM)),
    }
}

fn cut(text: &str) -> Result<Cut, String> {
    let parts: Vec<&str> = text.split('/').collect();
    let (point, normal, roll) = match parts[..] {
        [point, normal] => (point, normal, 0.0),
        [point, normal, roll] => {
            let roll: f64 = roll.trim().parse().map_err(|_| "the roll is not a number of degrees")?;
            (point, normal, roll)
        }
        _ => return Err("not of the form X,Y,Z/NX,NY,NZ[/ROLL]".into()),
    };
    if !roll.is_finite() {
        return Err("the roll is not a number of degrees".into());
    }
    let centre = input::triple(point)?;
    let normal = direction(input::triple(normal)?).ok_or("the normal needs a length")?;
    let cut = Cut::perpendicular_to(VolumePoint::new(centre.x, centre.y, centre.z), normal);
    Ok(cut.rolled(roll.to_radians()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cut_is_read_as_typed() {
        let read = cut("-1,2,3/0,0,-2/90").unwrap();
        assert_eq!(read.centre().to_array(), [-1.0, 2.0, 3.0]);
        assert!((read.normal().z + 1.0).abs() < 1e-12);
        let flat = cut("0,0,0/0,0,1").unwrap();
        let rolled = cut("0,0,0/0,0,1/90").unwrap();
        assert!((rolled.u().into_inner() - flat.v().into_inner()).norm() < 1e-12);
        for wrong in ["", "1,2,3", "1,2,3/0,0,0", "1,2,3/0,0,1/x", "1,2/0,0,1", "1,2,3/0,0,1/0/0"] {
            assert!(cut(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn the_name_tells_the_kind() {
        assert_eq!(kind(Path::new("a.PNG")).ok(), Some(Kind::Png));
        assert_eq!(kind(Path::new("a.b.svg")).ok(), Some(Kind::Svg));
        assert!(kind(Path::new("a")).is_err());
    }
}
