//! Deviations against averaging time, both axes logarithmic.

use plotters::coord::combinators::IntoLogRange;
use plotters::element::{Circle, Cross, EmptyElement, PathElement, TriangleMarker};
use plotters::prelude::{
    ChartBuilder, IntoDrawingArea, IntoFont, LineSeries, RGBColor, SVGBackend, SeriesLabelPosition,
};
use plotters::style::{BLACK, Color, WHITE};

use super::Deviations;

const SIZE: (u32, u32) = (960, 640);

// Told apart by every common kind of colour vision, and in grey by their marks (M. Okabe, K. Ito, *Color Universal Design*, 2008).
pub(crate) const BLUE: RGBColor = RGBColor(0, 114, 178);
pub(crate) const VERMILLION: RGBColor = RGBColor(213, 94, 0);

/// A drawing of `rows` as SVG with `title` above it; `None` where no deviation is above zero, which has no place on a
/// logarithmic axis. Single zeros are left out.
pub fn svg(title: &str, rows: &[Deviations]) -> Option<String> {
    let curve = |of: fn(&Deviations) -> f64| -> Vec<(f64, f64)> {
        rows.iter().map(|row| (row.tau_s, of(row))).filter(|(_, value)| *value > 0.0).collect()
    };
    let [adev, oadev, mdev] =
        [curve(|row| row.adev.value), curve(|row| row.oadev.value), curve(|row| row.mdev.value)];
    let all = || adev.iter().chain(&oadev).chain(&mdev);
    let x = whole_decades(all().map(|point| point.0))?;
    let y = whole_decades(all().map(|point| point.1))?;
    let mut svg = String::new();
    draw(&mut svg, title, (x, y), [&adev, &oadev, &mdev]).ok()?;
    Some(svg)
}

/// Exponents of the whole decades that hold all values.
pub(crate) fn whole_decades(values: impl Iterator<Item = f64>) -> Option<(i32, i32)> {
    let (least, most) = values.fold((f64::INFINITY, 0f64), |(least, most), v| (least.min(v), most.max(v)));
    if !(least > 0.0 && most.is_finite() && least <= most) {
        return None;
    }
    // The logarithm of a power of ten may miss the whole number by its last bit.
    let low = (least.log10() + 1e-9).floor() as i32;
    let high = (most.log10() - 1e-9).ceil() as i32;
    Some((low, high.max(low + 1)))
}

type Exponents = (i32, i32);
type Curve = [(f64, f64)];

fn draw(
    svg: &mut String,
    title: &str,
    (x, y): (Exponents, Exponents),
    [adev, oadev, mdev]: [&Curve; 3],
) -> Result<(), Box<dyn std::error::Error>> {
    let axis = |(low, high): Exponents| (10f64.powi(low)..10f64.powi(high)).log_scale();
    let count = |(low, high): Exponents| usize::try_from(high - low).unwrap_or(1);
    let text = |size: i32| ("sans-serif", size).into_font();

    let area = SVGBackend::with_string(svg, SIZE).into_drawing_area();
    area.fill(&WHITE)?;
    let mut chart = ChartBuilder::on(&area)
        .margin(20)
        // Half of the last label hangs over.
        .margin_right(45)
        .caption(title, text(20))
        .x_label_area_size(60)
        .y_label_area_size(80)
        .build_cartesian_2d(axis(x), axis(y))?;
    chart
        .configure_mesh()
        .x_desc("averaging time tau, s")
        .y_desc("fractional frequency deviation")
        .axis_desc_style(text(18))
        .label_style(text(16))
        .x_labels(count(x))
        .y_labels(count(y))
        .x_max_light_lines(10)
        .y_max_light_lines(10)
        .bold_line_style(BLACK.mix(0.3))
        .light_line_style(BLACK.mix(0.08))
        .x_label_formatter(&|seconds| plain(*seconds))
        .y_label_formatter(&|value| power(*value))
        .draw()?;

    chart
        .draw_series(LineSeries::new(oadev.iter().copied(), BLUE.stroke_width(2)))?
        .label("OADEV, overlapping Allan")
        .legend(|place| {
            EmptyElement::at(place)
                + PathElement::new([(0, 0), (24, 0)], BLUE.stroke_width(2))
                + Circle::new((12, 0), 4, BLUE.filled())
        });
    chart.draw_series(oadev.iter().map(|point| Circle::new(*point, 4, BLUE.filled())))?;
    chart
        .draw_series(LineSeries::new(mdev.iter().copied(), VERMILLION.stroke_width(2)))?
        .label("MDEV, modified Allan")
        .legend(|place| {
            EmptyElement::at(place)
                + PathElement::new([(0, 0), (24, 0)], VERMILLION.stroke_width(2))
                + TriangleMarker::new((12, 0), 6, VERMILLION.filled())
        });
    chart.draw_series(mdev.iter().map(|point| TriangleMarker::new(*point, 6, VERMILLION.filled())))?;
    chart
        .draw_series(adev.iter().map(|point| Cross::new(*point, 5, BLACK.stroke_width(2))))?
        .label("ADEV, Allan without overlap")
        .legend(|(x, y)| Cross::new((x + 12, y), 5, BLACK.stroke_width(2)));
    // Away from where the curves end.
    let middle = f64::from(y.0 + y.1) / 2.0;
    let corner = match oadev.last() {
        Some((_, last)) if last.log10() < middle => SeriesLabelPosition::UpperRight,
        _ => SeriesLabelPosition::LowerRight,
    };
    chart
        .configure_series_labels()
        .position(corner)
        .label_font(text(16))
        .background_style(WHITE.mix(0.9))
        .border_style(BLACK.mix(0.3))
        .draw()?;
    area.present()?;
    Ok(())
}

/// A power of ten in digits where they are few, 0.001 to 100000.
pub(crate) fn plain(value: f64) -> String {
    let exponent = value.log10().round() as i32;
    if (-3..=5).contains(&exponent) { 10f64.powi(exponent).to_string() } else { power(value) }
}

/// A power of ten with its exponent.
pub(crate) fn power(value: f64) -> String {
    let exponent = value.log10().round() as i32;
    const RAISED: [char; 10] = ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'];
    let digits = exponent.unsigned_abs().to_string();
    let raised = digits.bytes().filter_map(|digit| RAISED.get(usize::from(digit.wrapping_sub(b'0'))));
    format!("10{}{}", if exponent < 0 { "⁻" } else { "" }, raised.collect::<String>())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_hold_whole_decades() {
        let of = |values: &[f64]| whole_decades(values.iter().copied());
        assert_eq!(of(&[1.0, 28_800.0]), Some((0, 5)));
        assert_eq!(of(&[2.4e-5, 1.5e-4]), Some((-5, -3)));
        assert_eq!(of(&[0.1, 1000.0]), Some((-1, 3)));
        assert_eq!(of(&[1e-7]), Some((-7, -6)));
        assert_eq!(of(&[3.0]), Some((0, 1)));
        assert_eq!(of(&[]), None);
    }

    #[test]
    fn labels_are_short() {
        assert_eq!([1e-4, 1e-3, 1.0, 1e5, 1e6].map(plain), ["10⁻⁴", "0.001", "1", "100000", "10⁶"]);
        assert_eq!([1e-12, 1.0, 1e10].map(power), ["10⁻¹²", "10⁰", "10¹⁰"]);
    }

    #[test]
    fn zeros_have_no_place_and_markup_in_a_title_is_text() {
        let flat = crate::stability::Phase::from_fractional(&[1.0; 9], 1.0).unwrap();
        let rows = |phase: &crate::stability::Phase| -> Vec<_> {
            phase.octaves().into_iter().filter_map(|m| phase.deviations(m)).collect()
        };
        assert_eq!(svg("flat", &rows(&flat)), None);
        assert_eq!(svg("none", &[]), None);
        // Every mean of two neighbours is the same: only the deviation at m = 1 is above zero.
        let saw = [0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0];
        let saw = crate::stability::Phase::from_fractional(&saw, 1.0).unwrap();
        assert_eq!(saw.deviations(2).unwrap().oadev.value, 0.0);
        assert!(svg("saw", &rows(&saw)).is_some());
        let noise = crate::stability::Phase::from_fractional(&[0.0, 2.0, 1.0, 5.0, 3.0, 4.0], 1.0).unwrap();
        let drawn = svg("<pump> & saw", &rows(&noise)).unwrap();
        assert!(drawn.contains("&lt;pump&gt; &amp; saw"), "{drawn}");
        for part in ["averaging time tau, s", "fractional frequency deviation", "OADEV", "MDEV", "ADEV"] {
            assert!(drawn.contains(part), "{part}");
        }
    }
}
