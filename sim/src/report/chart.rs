//! The look of the report's pictures: one pair of axes, and curves, envelopes and marks on it.

use std::error::Error;
use std::ops::Range;

use plotters::coord::ranged1d::{KeyPointHint, KeyPointWeight, NoDefaultFormatting, Ranged, ValueFormatter};
use plotters::element::{Circle, PathElement, Polygon, Rectangle, TriangleMarker};
use plotters::prelude::{
    BLACK, Cartesian2d, ChartBuilder, ChartContext, Color, IntoDrawingArea, IntoFont, RGBColor, SVGBackend,
    WHITE,
};

use super::over_time;

/// Width and height in pixels; the page stretches them.
const SIZE: (u32, u32) = (760, 380);

/// With blue and vermillion told apart by every common kind of colour vision (M. Okabe, K. Ito, *Color Universal Design*, 2008).
pub const SKY: RGBColor = RGBColor(86, 180, 233);

/// An axis.
pub struct Axis {
    /// From one end to the other.
    pub range: Range<f64>,
    /// What it shows, with its unit.
    pub title: String,
    /// Where lines run across, and what is written there.
    pub ticks: Vec<(f64, String)>,
}

impl Axis {
    /// With even ticks, some `count` of them: steps of 1, 2 or 5 and zeros.
    pub fn even(range: Range<f64>, title: String, count: u32) -> Self {
        let rough = (range.end - range.start) / f64::from(count);
        let decade = rough.log10().floor();
        let mantissa = rough / 10f64.powf(decade);
        let (times, decade) = match mantissa {
            m if m < 1.5 => (1.0, decade),
            m if m < 3.5 => (2.0, decade),
            m if m < 7.5 => (5.0, decade),
            _ => (1.0, decade + 1.0),
        };
        let step = times * 10f64.powf(decade);
        let decimals = (-decade).clamp(0.0, 12.0) as usize;
        let steps = |value: f64| value / step;
        let (first, last) = (steps(range.start).ceil(), steps(range.end).floor());
        // A range that is none has no ticks, and no picture.
        let count = if (last - first).abs() <= 100.0 { (last - first) as i32 } else { -1 };
        let ticks = (0..=count).map(|k| (first + f64::from(k)) * step);
        let ticks = ticks.map(|value| (value, figure(value, decimals))).collect();
        Self { range, title, ticks }
    }

    /// Of logarithms to base ten, with a tick at each whole one from `low` to `high`.
    pub fn decades(low: i32, high: i32, title: &str, label: impl Fn(f64) -> String) -> Self {
        let ticks = (low..=high).map(|k| (f64::from(k), label(10f64.powi(k)))).collect();
        Self { range: f64::from(low)..f64::from(high), title: title.into(), ticks }
    }

    /// Whether anything can be drawn along it.
    fn is_sane(&self) -> bool {
        self.range.start.is_finite() && self.range.end.is_finite() && self.range.start < self.range.end
    }
}

impl Ranged for Axis {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, (from, to): (i32, i32)) -> i32 {
        let share = (value.clamp(self.range.start, self.range.end) - self.range.start)
            / (self.range.end - self.range.start);
        from + (share * f64::from(to - from)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        match hint.weight() {
            KeyPointWeight::Bold => self.ticks.iter().map(|tick| tick.0).collect(),
            KeyPointWeight::Any => Vec::new(),
        }
    }

    fn range(&self) -> Range<f64> {
        self.range.clone()
    }
}

impl ValueFormatter<f64> for Axis {
    fn format_ext(&self, value: &f64) -> String {
        self.ticks.iter().find(|tick| tick.0 == *value).map_or(String::new(), |tick| tick.1.clone())
    }
}

/// Of drawing into a string: nothing that happens.
pub type Drawn = Result<(), Box<dyn Error>>;

/// A pair of axes to draw on. What lies beyond their ends is drawn at the end.
pub struct Chart<'a, 'b>(ChartContext<'a, SVGBackend<'b>, Cartesian2d<Axis, Axis>>);

/// A picture as SVG; `None` if an axis has no length.
pub fn svg(x: Axis, y: Axis, draw: impl FnOnce(&mut Chart) -> Drawn) -> Option<String> {
    if !x.is_sane() || !y.is_sane() {
        return None;
    }
    let mut text = String::new();
    picture(&mut text, x, y, draw).ok()?;
    Some(text)
}

fn picture(text: &mut String, x: Axis, y: Axis, draw: impl FnOnce(&mut Chart) -> Drawn) -> Drawn {
    let area = SVGBackend::with_string(text, SIZE).into_drawing_area();
    area.fill(&WHITE)?;
    let font = |size: i32| ("sans-serif", size).into_font();
    let (x_title, y_title) = (x.title.clone(), y.title.clone());
    let mut chart = ChartBuilder::on(&area)
        .margin(8)
        // Half of the last label hangs over.
        .margin_right(24)
        .x_label_area_size(54)
        .y_label_area_size(86)
        .build_cartesian_2d(x, y)?;
    chart
        .configure_mesh()
        .x_desc(x_title)
        .y_desc(y_title)
        .axis_desc_style(font(18))
        .label_style(font(17))
        .bold_line_style(BLACK.mix(0.15))
        .light_line_style(BLACK.mix(0.0))
        .draw()?;
    draw(&mut Chart(chart))?;
    area.present()?;
    Ok(())
}

/// A label; zero without a sign, a minus as long as a plus.
fn figure(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(zero) if zero.bytes().all(|b| matches!(b, b'0' | b'.')) => zero.to_owned(),
        Some(digits) => format!("\u{2212}{digits}"),
        None => text,
    }
}

impl Chart<'_, '_> {
    /// A curve of `width` pixels.
    pub fn curve(
        &mut self,
        points: impl IntoIterator<Item = (f64, f64)>,
        color: RGBColor,
        width: u32,
    ) -> Drawn {
        let points: Vec<_> = points.into_iter().collect();
        Ok(self.0.plotting_area().draw(&PathElement::new(points, color.stroke_width(width)))?)
    }

    /// The room between the least and the most of each column: filled if it has an `opacity`, outlined if it has a `width`.
    pub fn envelope(
        &mut self,
        columns: &[(f64, over_time::Range)],
        color: RGBColor,
        opacity: f64,
        width: u32,
    ) -> Drawn {
        let up = columns.iter().map(|(t, range)| (*t, range.high));
        let down = columns.iter().rev().map(|(t, range)| (*t, range.low));
        let mut outline: Vec<_> = up.chain(down).collect();
        if opacity > 0.0 {
            self.0.plotting_area().draw(&Polygon::new(outline.clone(), color.mix(opacity).filled()))?;
        }
        if width > 0 {
            outline.extend(outline.first().copied());
            self.curve(outline, color, width)?;
        }
        Ok(())
    }

    /// A bar between two heights.
    pub fn bar(&mut self, x: Range<f64>, y: Range<f64>, color: RGBColor) -> Drawn {
        let corners = [(x.start, y.start), (x.end, y.end)];
        Ok(self.0.plotting_area().draw(&Rectangle::new(corners, color.mix(0.6).filled()))?)
    }

    /// A dot.
    pub fn dot(&mut self, at: (f64, f64), color: RGBColor) -> Drawn {
        Ok(self.0.plotting_area().draw(&Circle::new(at, 5, color.filled()))?)
    }

    /// A triangle.
    pub fn triangle(&mut self, at: (f64, f64), color: RGBColor) -> Drawn {
        Ok(self.0.plotting_area().draw(&TriangleMarker::new(at, 8, color.filled()))?)
    }

    /// A line from one side to the other.
    pub fn level(&mut self, y: f64, color: RGBColor, width: u32) -> Drawn {
        let x = self.0.x_range();
        self.curve([(x.start, y), (x.end, y)], color, width)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(range: Range<f64>, count: u32) -> Vec<String> {
        Axis::even(range, String::new(), count).ticks.into_iter().map(|tick| tick.1).collect()
    }

    #[test]
    fn ticks_are_round_and_told_apart() {
        assert_eq!(
            labels(-0.013..0.021, 7),
            ["\u{2212}0.010", "\u{2212}0.005", "0.000", "0.005", "0.010", "0.015", "0.020"]
        );
        assert_eq!(labels(0.0..120.0, 8), ["0", "20", "40", "60", "80", "100", "120"]);
        assert_eq!(labels(49.9..50.1, 4), ["49.90", "49.95", "50.00", "50.05", "50.10"]);
        assert_eq!(labels(0.0..9e5, 9).len(), 10);
        assert!(labels(1.0..1.0, 8).is_empty() && labels(0.0..f64::INFINITY, 8).is_empty());
    }

    #[test]
    fn what_has_no_length_has_no_picture_and_what_lies_beyond_stays_inside() {
        let axis = |range| Axis::even(range, "t".into(), 5);
        for range in [0.0..0.0, 1.0..0.0, f64::NAN..1.0, 0.0..f64::INFINITY] {
            assert_eq!(svg(axis(range), axis(0.0..1.0), |_| Ok(())), None);
        }
        let drawn = svg(axis(0.0..1.0), axis(0.0..1.0), |chart| chart.dot((7.0, -1e300), SKY)).unwrap();
        let circle = drawn.split("<circle").nth(1).unwrap();
        let coordinate = |key: &str| -> f64 {
            circle.split(&format!("{key}=\"")).nth(1).unwrap().split('"').next().unwrap().parse().unwrap()
        };
        assert!(coordinate("cx") <= f64::from(SIZE.0) && coordinate("cy") <= f64::from(SIZE.1), "{circle}");
    }
}
