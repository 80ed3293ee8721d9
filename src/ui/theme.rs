//! The look: dark and quiet, large type, the Okabe-Ito colours for the three cuts.
//!
//! Colours of meaning come from one published set (M. Okabe and K. Ito, Color Universal Design,
//! 2008; hexadecimal values from memory) and are never the only carrier: each cut has its line
//! style as well, each state its word.

use egui::{Color32, CornerRadius, FontFamily, FontId, Margin, Stroke, TextStyle, Vec2};

/// Behind everything
pub(super) const GROUND: Color32 = Color32::from_rgb(0x11, 0x13, 0x16);
/// Panels
pub(super) const PANEL: Color32 = Color32::from_rgb(0x18, 0x1B, 0x1F);
/// Windows over panels: no other eye than [`is_background`] tells the two apart
const WINDOW: Color32 = Color32::from_rgb(0x19, 0x1C, 0x20);
/// Things that can be pressed
pub(super) const RAISED: Color32 = Color32::from_rgb(0x25, 0x29, 0x2F);
/// Hair lines
pub(super) const LINE: Color32 = Color32::from_rgb(0x33, 0x38, 0x40);
/// Text
pub(super) const TEXT: Color32 = Color32::from_rgb(0xDD, 0xE1, 0xE6);
/// Text that explains
pub(super) const QUIET: Color32 = Color32::from_rgb(0x9A, 0xA3, 0xAE);
/// En-face cut and its tracing: orange, solid
pub(super) const EN_FACE: Color32 = Color32::from_rgb(0xE6, 0x9F, 0x00);
/// Long-axis cut: sky blue, dashed
pub(super) const LONG_AXIS: Color32 = Color32::from_rgb(0x56, 0xB4, 0xE9);
/// Commissural cut: reddish purple, dotted
pub(super) const COMMISSURAL: Color32 = Color32::from_rgb(0xCC, 0x79, 0xA7);
/// Good
pub(super) const GOOD: Color32 = Color32::from_rgb(0x00, 0x9E, 0x73);
/// Needs attention
pub(super) const WARN: Color32 = Color32::from_rgb(0xF0, 0xE4, 0x42);
/// Must not be used
pub(super) const BAD: Color32 = Color32::from_rgb(0xD5, 0x5E, 0x00);

/// How a line is drawn: the second carrier of what it means
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum LineStyle {
    /// En face
    Solid,
    /// Long axis
    Dashed,
    /// Commissural
    Dotted,
    /// What one width implies
    DashDot,
}

/// A plane at which the picture steps: bluish green, lightened
pub(super) const STITCH: Color32 = Color32::from_rgb(0x4C, 0xD0, 0xA8);

/// How an outline is told from the others: by colour, line and name
///
/// Each is drawn on a black line wider than its own, so that it is seen on any colour of either map: on a dark one the
/// light line stands out, on a light one the black. A test holds both to a contrast of 3 : 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Mark {
    /// Its name in the legend
    pub name: &'static str,
    /// Colour of the line
    pub colour: Color32,
    /// How it is drawn
    pub style: LineStyle,
    /// How wide, points
    pub width: f32,
}

/// The reader's tracing
pub(super) const OWN: Mark = Mark { name: "your tracing", colour: WARN, style: LineStyle::Solid, width: 2.4 };
/// The displayed outline as the program draws it
pub(super) const PROPOSAL: Mark =
    Mark { name: "proposal, as displayed", colour: Color32::WHITE, style: LineStyle::Dashed, width: 2.0 };
/// The effective orifice behind the outline that the numbers are of
pub(super) const EFFECTIVE: Mark = Mark {
    name: "effective orifice",
    colour: Color32::from_rgb(0x6E, 0xC6, 0xF5),
    style: LineStyle::Dotted,
    width: 2.4,
};
/// The circle that one width implies
pub(super) const CIRCLE: Mark = Mark {
    name: "circle of the width",
    colour: Color32::from_rgb(0xB8, 0xB8, 0xB8),
    style: LineStyle::DashDot,
    width: 1.4,
};
/// A tracing that is not counted
pub(super) const FAULTY: Mark = Mark {
    name: "not counted",
    colour: Color32::from_rgb(0xF3, 0x91, 0x60),
    style: LineStyle::Dashed,
    width: 2.4,
};

/// Text for the one number that matters
pub(super) fn big() -> FontId {
    FontId::new(34.0, FontFamily::Proportional)
}

/// Numbers on lines of a picture
pub(super) fn tiny() -> FontId {
    FontId::new(11.0, FontFamily::Proportional)
}

/// Text that explains
pub(super) fn small() -> FontId {
    FontId::new(12.5, FontFamily::Proportional)
}

/// Running text
pub(super) fn body() -> FontId {
    FontId::new(14.5, FontFamily::Proportional)
}

/// Headings of panes
pub(super) fn heading() -> FontId {
    FontId::new(16.0, FontFamily::Proportional)
}

/// Lays the look on a context; done once
pub fn apply(ctx: &egui::Context) {
    ctx.set_theme(egui::Theme::Dark);
    ctx.all_styles_mut(|style| {
        style.text_styles = [
            (TextStyle::Small, small()),
            (TextStyle::Body, body()),
            (TextStyle::Button, body()),
            (TextStyle::Monospace, FontId::new(13.5, FontFamily::Monospace)),
            (TextStyle::Heading, FontId::new(20.0, FontFamily::Proportional)),
        ]
        .into();
        style.spacing.item_spacing = Vec2::new(8.0, 6.0);
        style.spacing.button_padding = Vec2::new(9.0, 4.0);
        style.spacing.interact_size.y = 26.0;
        style.spacing.slider_width = 120.0;
        style.interaction.tooltip_delay = 0.4;
        let visuals = &mut style.visuals;
        *visuals = egui::Visuals::dark();
        visuals.panel_fill = PANEL;
        visuals.window_fill = WINDOW;
        visuals.extreme_bg_color = GROUND;
        visuals.faint_bg_color = RAISED;
        visuals.override_text_color = Some(TEXT);
        visuals.window_stroke = Stroke::new(1.0, LINE);
        visuals.selection.bg_fill = Color32::from_rgb(0x3A, 0x33, 0x1F);
        visuals.selection.stroke = Stroke::new(1.5, EN_FACE);
        visuals.hyperlink_color = LONG_AXIS;
        let corner = CornerRadius::same(4);
        for widget in [
            &mut visuals.widgets.noninteractive,
            &mut visuals.widgets.inactive,
            &mut visuals.widgets.hovered,
            &mut visuals.widgets.active,
            &mut visuals.widgets.open,
        ] {
            widget.corner_radius = corner;
        }
        visuals.widgets.noninteractive.bg_stroke = Stroke::new(1.0, LINE);
        visuals.widgets.noninteractive.fg_stroke = Stroke::new(1.0, TEXT);
        visuals.widgets.inactive.bg_fill = RAISED;
        visuals.widgets.inactive.weak_bg_fill = RAISED;
        visuals.widgets.inactive.fg_stroke = Stroke::new(1.2, TEXT);
        visuals.widgets.hovered.weak_bg_fill = Color32::from_rgb(0x30, 0x36, 0x3E);
        visuals.widgets.hovered.bg_stroke = Stroke::new(1.0, QUIET);
        visuals.widgets.active.weak_bg_fill = Color32::from_rgb(0x3A, 0x41, 0x4A);
    });
}

/// The frame of a panel
pub(super) fn panel(margin: i8) -> egui::Frame {
    egui::Frame::new().fill(PANEL).inner_margin(Margin::same(margin))
}

/// What a window is cleared to: the colour of panels, gamma encoded
pub fn background() -> [f32; 4] {
    PANEL.to_normalized_gamma_f32()
}

/// Whether this is no more than the ground of a panel, behind everything else on it
pub fn is_background(shape: &egui::Shape) -> bool {
    matches!(shape, egui::Shape::Rect(rect) if rect.fill == PANEL && rect.stroke.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gpu::{ColourMap, VelocityLut, linear_from_srgb};
    use crate::unit::MetresPerSecond;
    use crate::volume::VelocityScale;

    /// Relative luminance (WCAG 2)
    fn luminance([r, g, b]: [u8; 3]) -> f64 {
        let [r, g, b] = linear_from_srgb([r, g, b]);
        0.2126 * r + 0.7152 * g + 0.0722 * b
    }

    /// Contrast ratio (WCAG 2)
    fn contrast(a: [u8; 3], b: [u8; 3]) -> f64 {
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        a.max(b) / a.min(b)
    }

    fn rgb(colour: Color32) -> [u8; 3] {
        [colour.r(), colour.g(), colour.b()]
    }

    #[test]
    fn panels_are_background_and_windows_over_them_are_not() {
        let grounds = |show: &dyn Fn(&mut egui::Ui)| {
            let ctx = egui::Context::default();
            apply(&ctx);
            // A window is laid out in one pass and seen from the next on.
            let mut shapes = Vec::new();
            for _ in 0..3 {
                let mut output = ctx.run_ui(egui::RawInput::default(), |ui| show(ui));
                output.textures_delta.clear();
                shapes = output.shapes;
            }
            (shapes.len(), shapes.iter().filter(|clipped| is_background(&clipped.shape)).count())
        };
        let (_, panels) = grounds(&|ui| {
            egui::CentralPanel::default().frame(panel(4)).show(ui, |ui| ui.label("panel"));
        });
        assert_eq!(panels, 1);
        let (all, windows) = grounds(&|ui| {
            egui::Window::new("window").show(ui.ctx(), |ui| ui.label("text"));
            egui::Frame::popup(ui.style()).show(ui, |ui| ui.label("notice"));
        });
        assert!(all > 3 && windows == 0, "{windows} of {all}");
    }

    #[test]
    fn every_outline_is_seen_on_every_colour_of_either_map_and_of_tissue() {
        let scale = VelocityScale::full_cycle(8, 128, MetresPerSecond::new(0.58)).unwrap();
        let mut grounds: Vec<[u8; 3]> = (0..=255).map(|grey| [grey; 3]).collect();
        for map in [ColourMap::TowardAway, ColourMap::Ring] {
            grounds.extend(VelocityLut::new(map, &scale).colours());
        }
        for mark in [OWN, PROPOSAL, EFFECTIVE, CIRCLE, FAULTY] {
            for ground in &grounds {
                let best = contrast(rgb(mark.colour), *ground).max(contrast([0; 3], *ground));
                assert!(best >= 3.0, "{}: {best:.2} on {ground:?}", mark.name);
            }
        }
    }

    #[test]
    fn outlines_differ_in_line_and_in_colour() {
        let marks = [OWN, PROPOSAL, EFFECTIVE, CIRCLE];
        for (index, one) in marks.iter().enumerate() {
            for other in &marks[index + 1..] {
                assert_ne!(one.style, other.style, "{} and {}", one.name, other.name);
                assert_ne!(one.colour, other.colour);
            }
        }
    }
}
