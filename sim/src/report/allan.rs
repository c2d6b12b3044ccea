//! Overlapping Allan deviation of readings and of the truth, both axes logarithmic.

use plotters::coord::combinators::IntoLogRange;
use plotters::element::{Circle, TriangleMarker};
use plotters::prelude::{
    BLACK, ChartBuilder, Color, IntoDrawingArea, IntoFont, LineSeries, SVGBackend, WHITE,
};

use super::chart::{Drawn, SIZE};
use crate::stability::Deviations;
use crate::stability::plot::{BLUE, plain, power, whole_decades};

/// What a double's rounding makes of a constant frequency is below this.
const ROUNDING: f64 = 1e-13;

/// The picture; `None` where no deviation of the readings is above what rounding makes.
pub fn svg(readings: &[Deviations], truth: &[Deviations]) -> Option<String> {
    let curve = |rows: &[Deviations]| -> Vec<(f64, f64)> {
        let points = rows.iter().map(|row| (row.tau_s, row.oadev.value));
        points.filter(|(_, value)| *value > ROUNDING).collect()
    };
    let (readings, truth) = (curve(readings), curve(truth));
    let all = || readings.iter().chain(&truth);
    let x = whole_decades(all().map(|point| point.0)).filter(|_| !readings.is_empty())?;
    let y = whole_decades(all().map(|point| point.1))?;
    let mut text = String::new();
    draw(&mut text, (x, y), &readings, &truth).ok()?;
    Some(text)
}

type Exponents = (i32, i32);

fn draw(
    text: &mut String,
    (x, y): (Exponents, Exponents),
    readings: &[(f64, f64)],
    truth: &[(f64, f64)],
) -> Drawn {
    let axis = |(low, high): Exponents| (10f64.powi(low)..10f64.powi(high)).log_scale();
    let count = |(low, high): Exponents| usize::try_from(high - low).unwrap_or(1);
    let font = |size: i32| ("sans-serif", size).into_font();
    let area = SVGBackend::with_string(text, SIZE).into_drawing_area();
    area.fill(&WHITE)?;
    let mut chart = ChartBuilder::on(&area)
        .margin(8)
        .margin_right(32)
        .x_label_area_size(48)
        .y_label_area_size(78)
        .build_cartesian_2d(axis(x), axis(y))?;
    chart
        .configure_mesh()
        .x_desc("averaging time, s")
        .y_desc("deviation, fraction of the frequency")
        .axis_desc_style(font(15))
        .label_style(font(14))
        .x_labels(count(x))
        .y_labels(count(y))
        .x_max_light_lines(10)
        .y_max_light_lines(10)
        .bold_line_style(BLACK.mix(0.2))
        .light_line_style(BLACK.mix(0.05))
        .x_label_formatter(&|seconds| plain(*seconds))
        .y_label_formatter(&|value| power(*value))
        .draw()?;
    chart.draw_series(LineSeries::new(truth.iter().copied(), BLACK.stroke_width(2)))?;
    chart.draw_series(truth.iter().map(|at| TriangleMarker::new(*at, 6, BLACK.filled())))?;
    chart.draw_series(LineSeries::new(readings.iter().copied(), BLUE.stroke_width(2)))?;
    chart.draw_series(readings.iter().map(|at| Circle::new(*at, 4, BLUE.filled())))?;
    area.present()?;
    Ok(())
}
