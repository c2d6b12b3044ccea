//! The look of the report's pictures: one pair of axes, and curves, envelopes and marks on it.

use std::error::Error;
use std::ops::Range;

use plotters::coord::types::RangedCoordf64;
use plotters::element::{Circle, PathElement, Polygon, Rectangle, TriangleMarker};
use plotters::prelude::{
    BLACK, Cartesian2d, ChartBuilder, ChartContext, Color, IntoDrawingArea, IntoFont, RGBColor, SVGBackend,
    WHITE,
};

use super::over_time;

/// Width and height in pixels; the page stretches them.
pub const SIZE: (u32, u32) = (760, 380);

/// With blue and vermillion told apart by every common kind of colour vision (M. Okabe, K. Ito, *Color Universal Design*, 2008).
pub const SKY: RGBColor = RGBColor(86, 180, 233);

/// An axis.
pub struct Axis {
    /// From one end to the other.
    pub range: Range<f64>,
    /// What it shows, with its unit.
    pub title: String,
}

impl Axis {
    /// Whether anything can be drawn along it.
    fn is_sane(&self) -> bool {
        self.range.start.is_finite() && self.range.end.is_finite() && self.range.start < self.range.end
    }

    /// Digits after the point that tell ten labels apart.
    fn decimals(&self) -> usize {
        let step = (self.range.end - self.range.start) / 10.0;
        (-step.log10().floor()).clamp(0.0, 12.0) as usize
    }
}

/// Of drawing into a string: nothing that happens.
pub type Drawn = Result<(), Box<dyn Error>>;

/// A pair of axes to draw on. What lies beyond their ends is drawn at the end.
pub struct Chart<'a, 'b> {
    chart: ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>,
    x: Range<f64>,
    y: Range<f64>,
}

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
    let mut chart = ChartBuilder::on(&area)
        .margin(8)
        // Half of the last label hangs over.
        .margin_right(24)
        .x_label_area_size(48)
        .y_label_area_size(78)
        .build_cartesian_2d(x.range.clone(), y.range.clone())?;
    let (x_decimals, y_decimals) = (x.decimals(), y.decimals());
    chart
        .configure_mesh()
        .x_desc(&x.title)
        .y_desc(&y.title)
        .axis_desc_style(font(15))
        .label_style(font(14))
        .x_labels(9)
        .y_labels(7)
        .bold_line_style(BLACK.mix(0.15))
        .light_line_style(BLACK.mix(0.0))
        .x_label_formatter(&|value| figure(*value, x_decimals))
        .y_label_formatter(&|value| figure(*value, y_decimals))
        .draw()?;
    draw(&mut Chart { chart, x: x.range, y: y.range })?;
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
    fn inside(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (x.clamp(self.x.start, self.x.end), y.clamp(self.y.start, self.y.end))
    }

    /// A curve of `width` pixels.
    pub fn curve(
        &mut self,
        points: impl IntoIterator<Item = (f64, f64)>,
        color: RGBColor,
        width: u32,
    ) -> Drawn {
        let points: Vec<_> = points.into_iter().map(|point| self.inside(point)).collect();
        self.chart.plotting_area().draw(&PathElement::new(points, color.stroke_width(width)))?;
        Ok(())
    }

    /// The room between the least and the most of each column, with its outline if it has a `width`.
    pub fn envelope(
        &mut self,
        columns: &[(f64, over_time::Range)],
        color: RGBColor,
        opacity: f64,
        width: u32,
    ) -> Drawn {
        let up = columns.iter().map(|(t, range)| (*t, range.high));
        let down = columns.iter().rev().map(|(t, range)| (*t, range.low));
        let outline: Vec<_> = up.chain(down).map(|point| self.inside(point)).collect();
        let area = self.chart.plotting_area();
        area.draw(&Polygon::new(outline.clone(), color.mix(opacity).filled()))?;
        if width > 0 {
            let closed: Vec<_> = outline.iter().copied().chain(outline.first().copied()).collect();
            area.draw(&PathElement::new(closed, color.stroke_width(width)))?;
        }
        Ok(())
    }

    /// A bar on the bottom.
    pub fn bar(&mut self, x: Range<f64>, height: f64, color: RGBColor) -> Drawn {
        let corners = [self.inside((x.start, self.y.start)), self.inside((x.end, height))];
        self.chart.plotting_area().draw(&Rectangle::new(corners, color.mix(0.6).filled()))?;
        Ok(())
    }

    /// A dot.
    pub fn dot(&mut self, at: (f64, f64), color: RGBColor) -> Drawn {
        self.chart.plotting_area().draw(&Circle::new(self.inside(at), 5, color.filled()))?;
        Ok(())
    }

    /// A triangle.
    pub fn triangle(&mut self, at: (f64, f64), color: RGBColor) -> Drawn {
        self.chart.plotting_area().draw(&TriangleMarker::new(self.inside(at), 8, color.filled()))?;
        Ok(())
    }

    /// A line from one side to the other.
    pub fn level(&mut self, y: f64, color: RGBColor, width: u32) -> Drawn {
        let (from, to) = (self.x.start, self.x.end);
        self.curve([(from, y), (to, y)], color, width)
    }
}
