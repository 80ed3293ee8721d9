//! Area against time: the beat of one jet.

use super::super::chart::{Axis, Chart};
use super::super::colour;
use super::super::svg::{Anchor, Dash, Face, Halo, Stroke, Svg};
use super::super::words;
use super::{Subject, heading};
use crate::measure::results::{FrameResult, Interval};

/// Draws the area of a jet against time, with its interval and the bounds of systole
pub(crate) fn draw(subject: &Subject<'_>) -> Svg {
    let jet = subject.jet;
    let title = format!("Jet {}: {} regurgitation", jet.id, words::pattern(jet.systole.pattern));
    let mut svg = Svg::new(1000.0, 500.0, &title);
    let under = format!(
        "vena contracta area against time; present in {} % of systole",
        words::fixed(100.0 * jet.systole.present_fraction, 0)
    );
    heading(&mut svg, &title, &under);
    let frames: Vec<&FrameResult> = jet.frames.iter().filter(|frame| frame.time_s.is_finite()).collect();
    if frames.is_empty() {
        svg.text(
            (500.0, 250.0),
            Face::new(17.0, colour::QUIET).anchored(Anchor::Middle),
            "no frame was measured",
        );
        return svg;
    }
    let (unit, per) = (subject.unit, subject.unit.per_mm2());
    let ms = |seconds: f64| 1e3 * seconds;
    let [start, end] = jet.systole.bounds_s;
    let times = frames.iter().map(|frame| frame.time_s).chain([start, end]).filter(|t| t.is_finite());
    let (low, high) = times.fold((f64::MAX, f64::MIN), |(low, high), t| (low.min(t), high.max(t)));
    let most = frames.iter().filter_map(|f| f.vca_mm2).map(|vca| vca.high * per).filter(|h| h.is_finite());
    let margin = 0.02 * (high - low).max(0.02);
    let chart = Chart::new(
        (92.0, 112.0),
        (880.0, 270.0),
        Axis::within(ms(low - margin), ms(high + margin), 10.0),
        Axis::covering(0.0, 1.05 * most.fold(per, f64::max), 5.0),
    );
    chart.shade(&mut svg, ms(start), ms(end), "#8A949C", 0.14);
    chart.draw_axes(&mut svg, "ms after the R wave", &format!("area, {}", unit.sign()));
    let (from, to) = (chart.at(ms(start), 0.0).0, chart.at(ms(end), 0.0).0);
    svg.text(
        (f64::midpoint(from, to), chart.top() - 8.0),
        Face::new(14.0, colour::QUIET).anchored(Anchor::Middle),
        "systole",
    );
    let mean = jet.systole.mean_vca_mm2 * per;
    svg.line(
        chart.at(ms(start), mean),
        chart.at(ms(end), mean),
        Stroke::solid(colour::QUIET, 1.6).dashed(Dash::Dashed),
    );
    for run in frames.chunk_by(|a, b| a.vca_mm2.is_some() && b.vca_mm2.is_some()) {
        let run: Vec<(f64, Interval)> =
            run.iter().filter_map(|frame| Some((ms(frame.time_s), frame.vca_mm2?.scaled(per)))).collect();
        let upper = run.iter().map(|(t, vca)| chart.at(*t, vca.high));
        let lower = run.iter().rev().map(|(t, vca)| chart.at(*t, vca.low));
        svg.area(&upper.chain(lower).collect::<Vec<_>>(), colour::CURVE, 0.2);
        let line: Vec<_> = run.iter().map(|(t, vca)| chart.at(*t, vca.value)).collect();
        svg.polyline(&line, Stroke::solid(colour::CURVE, 2.4));
    }
    for frame in &frames {
        let t = ms(frame.time_s);
        match frame.vca_mm2.map(|vca| vca.scaled(per)) {
            None => svg.dot(chart.at(t, 0.0), 4.5, "#ffffff", colour::QUIET),
            Some(vca) => {
                svg.line(chart.at(t, vca.low), chart.at(t, vca.high), Stroke::solid(colour::CURVE, 1.4));
                let peak = frame.frame == jet.peak_frame;
                let (radius, fill) = match (peak, frame.hidden) {
                    (true, _) => (6.5, colour::TRACING),
                    (false, true) => (4.5, "#ffffff"),
                    (false, false) => (4.0, colour::CURVE),
                };
                svg.dot(chart.at(t, vca.value), radius, fill, if peak { colour::INK } else { colour::CURVE });
            }
        }
    }
    key(&mut svg, subject);
    svg
}

fn key(svg: &mut Svg, subject: &Subject<'_>) {
    let hidden = subject.jet.frames.iter().any(|frame| frame.hidden);
    let y = if hidden { 462.0 } else { 470.0 };
    let face = Face::new(14.0, colour::INK).with(Halo::None);
    svg.dot((98.0, y - 5.0), 6.0, colour::TRACING, colour::INK);
    svg.text((112.0, y), face, "peak frame, traced");
    svg.rect((290.0, y - 12.0), (26.0, 14.0), colour::CURVE, 0.2);
    svg.text((324.0, y), face, "95 % interval");
    svg.dot((470.0, y - 5.0), 4.5, "#ffffff", colour::QUIET);
    svg.text((482.0, y), face, "no jet");
    if hidden {
        svg.dot((98.0, y + 19.0), 4.5, "#ffffff", colour::CURVE);
        svg.text((112.0, y + 24.0), face, "VC dropout: what may be hidden");
    }
    svg.line((570.0, y - 5.0), (600.0, y - 5.0), Stroke::solid(colour::QUIET, 1.6).dashed(Dash::Dashed));
    let mean = format!("mean over systole {}", subject.unit.text(subject.jet.systole.mean_vca_mm2));
    svg.text((608.0, y), face, &mean);
}
