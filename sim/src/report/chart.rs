//! The look of pictures: pairs of axes, and curves, envelopes, cells and marks on them.

use std::error::Error;
use std::ops::Range;

use plotters::coord::ranged1d::{KeyPointHint, KeyPointWeight, NoDefaultFormatting, Ranged, ValueFormatter};
use plotters::coord::{CoordTranslate, Shift};
use plotters::drawing::DrawingArea;
use plotters::element::{
    Circle, Cross, DashedPathElement, EmptyElement, PathElement, Polygon, Rectangle, Text, TriangleMarker,
};
use plotters::prelude::{
    BLACK, Cartesian2d, ChartBuilder, ChartContext, Color, IntoDrawingArea, IntoFont, RGBColor, SVGBackend,
    WHITE,
};

use super::over_time;

/// Width and height in pixels; the page stretches them.
const SIZE: (u32, u32) = (760, 380);

/// With blue and vermillion told apart by every common kind of colour vision (M. Okabe, K. Ito, *Color Universal Design*, 2008).
pub const SKY: RGBColor = RGBColor(86, 180, 233);

/// What turns a picture dark where a reader wants that, as style sheet.
pub const DARK: &str = include_str!("dark.css");

/// Marks that tell curves apart without colour.
#[derive(Clone, Copy, Debug)]
pub enum Mark {
    Dot,
    Triangle,
    Square,
    Cross,
}

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

    /// Of logarithms to base ten, `low` to `high` before these are taken, with ticks at 1, 2 and 5 of a decade where there are few
    /// decades and else at whole ones.
    pub fn logarithmic(low: f64, high: f64, title: String) -> Self {
        let range = low.log10()..high.log10();
        let steps: &[f64] = if range.end - range.start < 3.3 { &[1.0, 2.0, 5.0] } else { &[1.0] };
        // Ends that are ticks are not lost to a last bit.
        let holds = |at: &f64| (range.start - 1e-9..=range.end + 1e-9).contains(at);
        let whole = |end: f64| end.clamp(-300.0, 300.0) as i32;
        let all = (whole(range.start.floor())..=whole(range.end.ceil()))
            .flat_map(|k| steps.iter().map(move |step| step.log10() + f64::from(k)));
        let ticks: Vec<_> = all.filter(holds).map(|at| (at, short(10f64.powf(at)))).collect();
        // Less than the room between two ticks: even ones of the logarithm's own.
        if ticks.len() < 2 && range.start < range.end {
            let ticks = (0..=4).map(|k| range.start + f64::from(k) / 4.0 * (range.end - range.start));
            let ticks = ticks.map(|at| (at, short(10f64.powf(at)))).collect();
            return Self { range, title, ticks };
        }
        Self { range, title, ticks }
    }

    /// One place for each of `labels`, with as many of these as there is room for.
    pub fn places(labels: &[String], title: String, room: usize) -> Self {
        let every = labels.len().div_ceil(room.max(1)).max(1);
        let ticks =
            labels.iter().enumerate().step_by(every).map(|(i, label)| (i as f64 + 0.5, label.clone()));
        Self { range: 0.0..labels.len() as f64, title, ticks: ticks.collect() }
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
    panel(&area, "", x, y, draw)?;
    area.present()?;
    Ok(())
}

/// A pair of axes on `area`, with a `caption` above it if that is not empty.
pub fn panel(
    area: &DrawingArea<SVGBackend, Shift>,
    caption: &str,
    x: Axis,
    y: Axis,
    draw: impl FnOnce(&mut Chart) -> Drawn,
) -> Drawn {
    let font = |size: i32| ("sans-serif", size).into_font();
    let (x_title, y_title) = (x.title.clone(), y.title.clone());
    let mut builder = ChartBuilder::on(area);
    // Half of the last label hangs over.
    builder.margin(8).margin_right(24).x_label_area_size(54).y_label_area_size(86);
    if !caption.is_empty() {
        builder.caption(caption, font(18));
    }
    let mut chart = builder.build_cartesian_2d(x, y)?;
    chart
        .configure_mesh()
        .x_desc(x_title)
        .y_desc(y_title)
        .axis_desc_style(font(18))
        .label_style(font(17))
        .bold_line_style(BLACK.mix(0.15))
        .light_line_style(BLACK.mix(0.0))
        .draw()?;
    draw(&mut Chart(chart))
}

/// A number in the fewest digits that tell four places of it.
pub fn short(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return value.to_string();
    }
    let decimals = 3 - value.abs().log10().floor() as i32;
    // Rounding by its decimal digits, so that nothing is left behind the fourth.
    let rounded: f64 = format!("{value:.3e}").parse().unwrap_or(value);
    if (-3..=9).contains(&decimals) { rounded.to_string() } else { format!("{rounded:e}") }
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

/// A curve's name, mark and colour; without a mark it is one of dashes.
pub type Named = (String, Option<Mark>, RGBColor);

/// Room that names need beside a picture, in pixels: a letter is some 8 wide, as digits are.
pub fn room_for(names: &[Named]) -> u32 {
    let longest = names.iter().map(|(name, ..)| name.chars().count()).max().unwrap_or_default();
    8 * u32::try_from(longest).unwrap_or(0) + 60
}

/// What the curves stand for, one below the other.
pub fn name(area: &DrawingArea<SVGBackend, Shift>, names: &[Named]) -> Drawn {
    let font = ("sans-serif", 16).into_font();
    for (y, (name, mark, color)) in (46..).step_by(24).zip(names) {
        let line = [(4, y), (32, y)];
        match mark {
            Some(mark) => {
                area.draw(&PathElement::new(line, color.stroke_width(2)))?;
                draw_mark(area, (18, y), *mark, *color)?;
            }
            None => area.draw(&DashedPathElement::new(line, 8, 5, color.stroke_width(2)))?,
        }
        area.draw(&Text::new(name.as_str(), (40, y - 7), font.clone()))?;
    }
    Ok(())
}

fn draw_mark<C: CoordTranslate>(
    area: &DrawingArea<SVGBackend, C>,
    at: C::From,
    mark: Mark,
    color: RGBColor,
) -> Drawn
where
    C::From: Clone + 'static,
{
    match mark {
        Mark::Dot => area.draw(&Circle::new(at, 4, color.filled()))?,
        Mark::Triangle => area.draw(&TriangleMarker::new(at, 6, color.filled()))?,
        Mark::Square => {
            area.draw(&(EmptyElement::at(at) + Rectangle::new([(-4, -4), (4, 4)], color.filled())))?
        }
        Mark::Cross => area.draw(&Cross::new(at, 5, color.stroke_width(2)))?,
    }
    Ok(())
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

    /// A cell, without an edge.
    pub fn cell(&mut self, x: Range<f64>, y: Range<f64>, color: RGBColor) -> Drawn {
        let corners = [(x.start, y.start), (x.end, y.end)];
        // Its outline covers the gap that rounding leaves between neighbours.
        self.0.plotting_area().draw(&Rectangle::new(corners, color.filled()))?;
        Ok(self.0.plotting_area().draw(&Rectangle::new(corners, color.stroke_width(1)))?)
    }

    /// A curve of dashes.
    pub fn dashed(&mut self, points: &[(f64, f64)], color: RGBColor) -> Drawn {
        let points = points.iter().copied();
        Ok(self.0.plotting_area().draw(&DashedPathElement::new(points, 8, 5, color.stroke_width(2)))?)
    }

    /// One of the marks.
    pub fn mark(&mut self, at: (f64, f64), mark: Mark, color: RGBColor) -> Drawn {
        draw_mark(self.0.plotting_area(), at, mark, color)
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
