//! A small SVG writer: lines, shapes, text and pictures, in order.
//!
//! Figures are few and simple, so a page of code beats a dependency, and the text comes out the
//! same byte for byte on every machine: numbers have at most two decimals, attributes one order.
//! Whoever draws passes page units (pixels at scale one); nothing here knows millimetres.

use std::fmt::Write as _;

/// A point on the page
pub type At = (f64, f64);

/// How a line is broken
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dash {
    /// Unbroken
    Solid,
    /// Long strokes
    Dashed,
    /// Dots
    Dotted,
}

/// How a line is drawn
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stroke {
    /// Colour, `#rrggbb`
    pub colour: &'static str,
    /// Width in page units
    pub width: f64,
    /// How it is broken
    pub dash: Dash,
    /// 0 to 1
    pub opacity: f64,
}

impl Stroke {
    /// A solid, opaque line
    pub const fn solid(colour: &'static str, width: f64) -> Self {
        Self { colour, width, dash: Dash::Solid, opacity: 1.0 }
    }

    /// The same line broken otherwise
    pub const fn dashed(self, dash: Dash) -> Self {
        Self { dash, ..self }
    }

    fn attributes(self) -> String {
        let mut text =
            format!(" fill=\"none\" stroke=\"{}\" stroke-width=\"{}\"", self.colour, num(self.width));
        let dash = match self.dash {
            Dash::Solid => None,
            Dash::Dashed => Some((4.0 * self.width, 2.5 * self.width)),
            Dash::Dotted => Some((0.01, 2.2 * self.width)),
        };
        if let Some((on, off)) = dash {
            let _ = write!(text, " stroke-dasharray=\"{} {}\"", num(on), num(off));
        }
        text.push_str(match self.dash {
            Dash::Dotted => " stroke-linecap=\"round\"",
            Dash::Solid | Dash::Dashed => " stroke-linejoin=\"round\"",
        });
        if self.opacity < 1.0 {
            let _ = write!(text, " stroke-opacity=\"{}\"", num(self.opacity));
        }
        text
    }
}

/// Which end of a text its position is
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// The left end
    Start,
    /// The middle
    Middle,
    /// The right end
    End,
}

/// What stands behind the letters
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Halo {
    /// Nothing: text on paper
    None,
    /// A dark rim: text on a picture
    Dark,
    /// The text's own colour: a heavier face
    Bold,
}

/// How a text is set
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Face {
    /// Size in page units
    pub size: f64,
    /// Colour, `#rrggbb`
    pub colour: &'static str,
    /// Which end the position is
    pub anchor: Anchor,
    /// What stands behind the letters
    pub halo: Halo,
}

impl Face {
    /// Text that starts at its position
    pub const fn new(size: f64, colour: &'static str) -> Self {
        Self { size, colour, anchor: Anchor::Start, halo: Halo::None }
    }

    /// The same face, otherwise anchored
    pub const fn anchored(self, anchor: Anchor) -> Self {
        Self { anchor, ..self }
    }

    /// The same face with something behind it
    pub const fn with(self, halo: Halo) -> Self {
        Self { halo, ..self }
    }
}

/// An SVG drawing in the making
#[derive(Clone, Debug)]
pub struct Svg {
    width: f64,
    height: f64,
    title: String,
    body: String,
}

impl Svg {
    /// An empty drawing on white; `title` is read out by screen readers
    pub fn new(width: f64, height: f64, title: &str) -> Self {
        let mut svg = Self { width, height, title: escape(title), body: String::new() };
        svg.rect((0.0, 0.0), (width, height), "#ffffff", 1.0);
        svg
    }

    /// Width and height in page units
    pub fn size(&self) -> (f64, f64) {
        (self.width, self.height)
    }

    /// A straight line
    pub fn line(&mut self, a: At, b: At, stroke: Stroke) {
        self.polyline(&[a, b], stroke);
    }

    /// A broken line through these points
    pub fn polyline(&mut self, points: &[At], stroke: Stroke) {
        if points.len() > 1 {
            let list = list(points);
            let _ = writeln!(self.body, "<polyline points=\"{list}\"{}/>", stroke.attributes());
        }
    }

    /// A closed outline
    pub fn outline(&mut self, points: &[At], stroke: Stroke) {
        if points.len() > 2 {
            let list = list(points);
            let _ = writeln!(self.body, "<polygon points=\"{list}\"{}/>", stroke.attributes());
        }
    }

    /// A filled area without a rim
    pub fn area(&mut self, points: &[At], colour: &str, opacity: f64) {
        if points.len() > 2 {
            let _ = writeln!(
                self.body,
                "<polygon points=\"{}\" fill=\"{colour}\" fill-opacity=\"{}\"/>",
                list(points),
                num(opacity)
            );
        }
    }

    /// A filled rectangle
    pub fn rect(&mut self, corner: At, size: At, colour: &str, opacity: f64) {
        let _ = writeln!(
            self.body,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{colour}\" fill-opacity=\"{}\"/>",
            num(corner.0),
            num(corner.1),
            num(size.0.max(0.0)),
            num(size.1.max(0.0)),
            num(opacity)
        );
    }

    /// A gradient that runs down its shape, used as the colour `url(#id)`; `id` must be unique
    pub fn gradient(&mut self, id: &str, stops: &[(f64, String)]) {
        let mut sorted: Vec<&(f64, String)> = stops.iter().collect();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        let _ = write!(self.body, "<linearGradient id=\"{id}\" x1=\"0\" y1=\"0\" x2=\"0\" y2=\"1\">");
        for (offset, colour) in sorted {
            let _ = write!(self.body, "<stop offset=\"{}\" stop-color=\"{colour}\"/>", num(*offset));
        }
        self.body.push_str("</linearGradient>\n");
    }

    /// A circle
    pub fn circle(&mut self, centre: At, radius: f64, stroke: Stroke) {
        let _ = writeln!(
            self.body,
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\"{}/>",
            num(centre.0),
            num(centre.1),
            num(radius),
            stroke.attributes()
        );
    }

    /// A dot with a rim
    pub fn dot(&mut self, centre: At, radius: f64, fill: &str, rim: &str) {
        let _ = writeln!(
            self.body,
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{fill}\" stroke=\"{rim}\" stroke-width=\"1.6\"/>",
            num(centre.0),
            num(centre.1),
            num(radius)
        );
    }

    /// A line of text
    pub fn text(&mut self, at: At, face: Face, text: &str) {
        let anchor = match face.anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let halo = match face.halo {
            Halo::None => String::new(),
            Halo::Dark => format!(
                " stroke=\"#000000\" stroke-opacity=\"0.7\" stroke-width=\"{}\" stroke-linejoin=\"round\" \
                 paint-order=\"stroke\"",
                num(face.size * 0.28)
            ),
            Halo::Bold => format!(
                " stroke=\"{}\" stroke-width=\"{}\" stroke-linejoin=\"round\"",
                face.colour,
                num(face.size * 0.035)
            ),
        };
        let _ = writeln!(
            self.body,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\" fill=\"{}\" text-anchor=\"{anchor}\"{halo}>{}</text>",
            num(at.0),
            num(at.1),
            num(face.size),
            face.colour,
            escape(text)
        );
    }

    /// A line of text that runs upward
    pub fn text_upward(&mut self, at: At, face: Face, text: &str) {
        let _ = writeln!(self.body, "<g transform=\"translate({} {}) rotate(-90)\">", num(at.0), num(at.1));
        self.text((0.0, 0.0), face, text);
        self.body.push_str("</g>\n");
    }

    /// A PNG picture stretched over a rectangle
    pub fn picture(&mut self, corner: At, size: At, png: &[u8]) {
        let _ = writeln!(
            self.body,
            "<image x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" preserveAspectRatio=\"none\" \
             href=\"data:image/png;base64,{}\"/>",
            num(corner.0),
            num(corner.1),
            num(size.0),
            num(size.1),
            base64(png)
        );
    }

    /// Draws what `draw` draws only inside a rectangle; `id` must be unique in the page
    pub fn clipped(&mut self, id: &str, corner: At, size: At, draw: impl FnOnce(&mut Self)) {
        let _ = writeln!(
            self.body,
            "<clipPath id=\"{id}\"><rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/></clipPath>\n\
             <g clip-path=\"url(#{id})\">",
            num(corner.0),
            num(corner.1),
            num(size.0),
            num(size.1)
        );
        draw(self);
        self.body.push_str("</g>\n");
    }

    /// The finished drawing
    pub fn finish(&self) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" \
             font-family=\"Ubuntu, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif\" role=\"img\">\n\
             <title>{}</title>\n{}</svg>\n",
            self.title,
            self.body,
            w = num(self.width),
            h = num(self.height)
        )
    }
}

/// A number with at most two decimals; what is not finite becomes zero, so a drawing stays valid
pub fn num(value: f64) -> String {
    if !value.is_finite() {
        return "0".into();
    }
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

/// Text made safe inside XML and HTML, in elements and in double-quoted attributes
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\t' | '\n' | '\r' => out.push(' '),
            // Not allowed in XML at all.
            c if c.is_control() => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

fn list(points: &[At]) -> String {
    let mut text = String::new();
    for (x, y) in points.iter().filter(|(x, y)| x.is_finite() && y.is_finite()) {
        if !text.is_empty() {
            text.push(' ');
        }
        let _ = write!(text, "{},{}", num(*x), num(*y));
    }
    text
}

/// Bytes in base 64 (RFC 4648)
pub fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let [a, b, c] = [0, 1, 2].map(|i| u32::from(chunk.get(i).copied().unwrap_or(0)));
        let word = a << 16 | b << 8 | c;
        for digit in 0..4 {
            if digit <= chunk.len() {
                out.push(char::from(LETTERS[(word >> (18 - 6 * digit) & 63) as usize]));
            } else {
                out.push('=');
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_of_the_published_vectors() {
        // RFC 4648, section 10.
        let pairs = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, coded) in pairs {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
        assert_eq!(base64(&[0xff, 0xef, 0xbe]), "/+++");
    }

    #[test]
    fn numbers_are_short_and_always_numbers() {
        assert_eq!(num(1.0), "1");
        assert_eq!(num(-0.001), "0");
        assert_eq!(num(100.0), "100");
        assert_eq!(num(2.345), "2.35");
        assert_eq!(num(f64::NAN), "0");
    }

    #[test]
    fn a_drawing_is_xml_whatever_the_words() {
        let mut svg = Svg::new(100.0, 50.0, "a < b & \"c\"");
        svg.text((1.0, 2.0), Face::new(12.0, "#111111"), "<script>\u{1}");
        svg.polyline(&[(0.0, 0.0), (f64::NAN, 1.0), (2.0, 2.0)], Stroke::solid("#000000", 1.0));
        svg.clipped("c1", (0.0, 0.0), (10.0, 10.0), |svg| {
            svg.circle((5.0, 5.0), 2.0, Stroke::solid("#000000", 1.0).dashed(Dash::Dotted));
        });
        let text = svg.finish();
        assert!(text.contains("a &lt; b &amp; &quot;c&quot;") && text.contains("&lt;script&gt;\u{fffd}"));
        assert!(text.contains("points=\"0,0 2,2\""));
        assert!(resvg::usvg::Tree::from_str(&text, &resvg::usvg::Options::default()).is_ok());
    }
}
