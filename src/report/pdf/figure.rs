//! A figure's SVG drawn into PDF: lines and areas stay vectors, letters stay letters.
//!
//! The SVG is read by the same parser that paints it to PNG, so both show the same. Only what our
//! own writer makes is drawn: paths, rows of letters, pictures, groups with a clip, flat colours and
//! straight gradients. Anything else would be left out, and our writer makes nothing else.

use krilla::color::rgb;
use krilla::geom::{Path, PathBuilder, Size, Transform};
use krilla::image::Image;
use krilla::paint::{
    Fill, FillRule, LineCap, LineJoin, LinearGradient, Paint, SpreadMethod, Stop, Stroke, StrokeDash,
};
use krilla::surface::Surface;
use resvg::tiny_skia;
use resvg::usvg::{self, Group, ImageKind, Node, Tree};

use super::super::paint::options;
use super::PdfError;
use super::draw::{Ink, Pen, glyphs, share};
use super::face::Weight;

/// Reads a figure
pub(crate) fn tree(svg: &str) -> Result<Tree, PdfError> {
    Ok(Tree::from_str(svg, &options())?)
}

/// Width and height of a figure, from its first line alone
pub(crate) fn size(svg: &str) -> Option<(f64, f64)> {
    let head = svg.lines().next()?;
    let side = |name: &str| -> Option<f64> {
        let rest = &head[head.find(name)? + name.len()..];
        rest[..rest.find('"')?].parse().ok()
    };
    Some((side(" width=\"")?, side(" height=\"")?)).filter(|(w, h)| *w > 0.0 && *h > 0.0)
}

/// Draws a figure in its own units
pub(crate) fn draw(surface: &mut Surface<'_>, tree: &Tree, pen: &Pen<'_>) -> Result<(), PdfError> {
    group(surface, tree.root(), pen)
}

fn group(surface: &mut Surface<'_>, of: &Group, pen: &Pen<'_>) -> Result<(), PdfError> {
    surface.push_transform(&transform(of.transform()));
    let clip = of.clip_path().and_then(|clip| outline_of(clip.root()));
    if let Some(clip) = &clip {
        surface.push_clip_path(clip, &FillRule::NonZero);
    }
    let drawn = of.children().iter().try_for_each(|node| match node {
        Node::Group(below) => group(surface, below, pen),
        Node::Path(path) => {
            draw_path(surface, path);
            Ok(())
        }
        Node::Image(picture) => draw_picture(surface, picture),
        Node::Text(text) => {
            draw_text(surface, text, pen);
            Ok(())
        }
    });
    if clip.is_some() {
        surface.pop();
    }
    surface.pop();
    drawn
}

/// The outline of the first path in a clip
fn outline_of(group: &Group) -> Option<Path> {
    group.children().iter().find_map(|node| match node {
        Node::Path(shape) => path(shape.data(), tiny_skia::Transform::identity()),
        Node::Group(below) => outline_of(below),
        _ => None,
    })
}

fn draw_path(surface: &mut Surface<'_>, shape: &usvg::Path) {
    if !shape.is_visible() {
        return;
    }
    let Some(outline) = path(shape.data(), tiny_skia::Transform::identity()) else { return };
    surface.set_fill(shape.fill().map(fill));
    surface.set_stroke(shape.stroke().map(stroke));
    if shape.fill().is_some() || shape.stroke().is_some() {
        surface.draw_path(&outline);
    }
}

fn draw_text(surface: &mut Surface<'_>, text: &usvg::Text, pen: &Pen<'_>) {
    for chunk in text.chunks() {
        let (Some(x), Some(y), Some(span)) = (chunk.x(), chunk.y(), chunk.spans().first()) else { continue };
        let size = f64::from(span.font_size().get());
        let width = pen.face.width(chunk.text(), size, Weight::Plain);
        let left = f64::from(x)
            - match chunk.anchor() {
                usvg::TextAnchor::Start => 0.0,
                usvg::TextAnchor::Middle => width / 2.0,
                usvg::TextAnchor::End => width,
            };
        let at = (left, f64::from(y));
        // A rim behind the letters is drawn first, and only the letters themselves are text.
        if span.paint_order() == usvg::PaintOrder::StrokeAndFill && span.stroke().is_some() {
            surface.set_fill(None);
            surface.set_stroke(span.stroke().map(stroke));
            glyphs(surface, pen, at, size, (Weight::Plain, Ink::Shapes), chunk.text());
            surface.set_stroke(None);
        } else {
            surface.set_stroke(span.stroke().map(stroke));
        }
        surface.set_fill(span.fill().map(fill));
        glyphs(surface, pen, at, size, (Weight::Plain, Ink::Letters), chunk.text());
    }
}

fn draw_picture(surface: &mut Surface<'_>, picture: &usvg::Image) -> Result<(), PdfError> {
    match picture.kind() {
        ImageKind::PNG(bytes) => {
            let (width, height, pixels) = decoded(bytes)?;
            let image = Image::from_rgba8(pixels, width, height);
            if let Some(size) = Size::from_wh(width as f32, height as f32) {
                surface.draw_image(image, size);
            }
            Ok(())
        }
        // A picture whose size differs from its place comes as a drawing that holds it.
        ImageKind::SVG(inner) => inner.root().children().iter().try_for_each(|node| match node {
            Node::Image(picture) => draw_picture(surface, picture),
            _ => Ok(()),
        }),
        _ => Ok(()),
    }
}

/// The pixels of a PNG of 8-bit red, green, blue
fn decoded(bytes: &[u8]) -> Result<(u32, u32, Vec<u8>), PdfError> {
    let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
    decoder.set_transformations(png::Transformations::normalize_to_color8() | png::Transformations::ALPHA);
    let mut reader = decoder.read_info()?;
    let mut pixels = vec![0; reader.output_buffer_size().unwrap_or(0)];
    let info = reader.next_frame(&mut pixels)?;
    pixels.truncate(info.buffer_size());
    Ok((info.width, info.height, pixels))
}

fn path(data: &tiny_skia::Path, by: tiny_skia::Transform) -> Option<Path> {
    let data = data.clone().transform(by)?;
    let mut builder = PathBuilder::new();
    for segment in data.segments() {
        match segment {
            tiny_skia::PathSegment::MoveTo(p) => builder.move_to(p.x, p.y),
            tiny_skia::PathSegment::LineTo(p) => builder.line_to(p.x, p.y),
            tiny_skia::PathSegment::QuadTo(a, p) => builder.quad_to(a.x, a.y, p.x, p.y),
            tiny_skia::PathSegment::CubicTo(a, b, p) => builder.cubic_to(a.x, a.y, b.x, b.y, p.x, p.y),
            tiny_skia::PathSegment::Close => builder.close(),
        }
    }
    builder.finish()
}

fn transform(from: tiny_skia::Transform) -> Transform {
    Transform::from_row(from.sx, from.ky, from.kx, from.sy, from.tx, from.ty)
}

fn rgb(colour: usvg::Color) -> rgb::Color {
    rgb::Color::new(colour.red, colour.green, colour.blue)
}

fn paint(from: &usvg::Paint) -> Paint {
    match from {
        usvg::Paint::Color(colour) => rgb(*colour).into(),
        usvg::Paint::LinearGradient(gradient) => LinearGradient {
            x1: gradient.x1(),
            y1: gradient.y1(),
            x2: gradient.x2(),
            y2: gradient.y2(),
            transform: transform(gradient.transform()),
            spread_method: SpreadMethod::Pad,
            stops: gradient
                .stops()
                .iter()
                .map(|stop| Stop {
                    offset: share(stop.offset().get()),
                    color: rgb(stop.color()).into(),
                    opacity: share(stop.opacity().get()),
                })
                .collect(),
            anti_alias: false,
        }
        .into(),
        _ => rgb::Color::new(128, 128, 128).into(),
    }
}

fn fill(from: &usvg::Fill) -> Fill {
    Fill { paint: paint(from.paint()), opacity: share(from.opacity().get()), rule: FillRule::NonZero }
}

fn stroke(from: &usvg::Stroke) -> Stroke {
    Stroke {
        paint: paint(from.paint()),
        width: from.width().get(),
        miter_limit: from.miterlimit().get(),
        line_cap: match from.linecap() {
            usvg::LineCap::Butt => LineCap::Butt,
            usvg::LineCap::Round => LineCap::Round,
            usvg::LineCap::Square => LineCap::Square,
        },
        line_join: match from.linejoin() {
            usvg::LineJoin::Round => LineJoin::Round,
            usvg::LineJoin::Bevel => LineJoin::Bevel,
            usvg::LineJoin::Miter | usvg::LineJoin::MiterClip => LineJoin::Miter,
        },
        opacity: share(from.opacity().get()),
        dash: from.dasharray().map(|array| StrokeDash { array: array.to_vec(), offset: from.dashoffset() }),
    }
}
