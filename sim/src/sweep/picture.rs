//! The picture of a sweep: lines for one key, heat maps for two, and beside the measurement what the noise permits.

use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::prelude::{BLACK, IntoDrawingArea, RGBColor, SVGBackend, WHITE};

use super::measure::{Measure, Spread};
use super::solve::Limit;
use super::{Cell, Sweep, Vary};
use crate::report::chart::{Axis, DARK, Drawn, Mark, Named, name, panel, room_for, short};
use crate::report::over_time::Range;
use crate::stability::plot::{BLUE, VERMILLION};

// The rest of the palette that every common kind of colour vision tells apart (M. Okabe, K. Ito, *Color Universal Design*, 2008).
const GREEN: RGBColor = RGBColor(0, 158, 115);
const PURPLE: RGBColor = RGBColor(204, 121, 167);
const GREY: RGBColor = RGBColor(128, 128, 128);
const ORANGE: RGBColor = RGBColor(230, 159, 0);

/// Of each series in turn: five colours and four marks tell twenty apart, and any four without colour.
const COLORS: [RGBColor; 5] = [BLUE, VERMILLION, GREEN, PURPLE, ORANGE];
const MARKS: [Mark; 4] = [Mark::Dot, Mark::Triangle, Mark::Square, Mark::Cross];

/// Figures that differ by more than this are drawn on a logarithmic axis.
const WIDE: f64 = 20.0;

/// A picture of `measure` over the sweep as SVG that stands by itself, light or dark as its reader prefers, and with the value of a `limit`
/// as a line; `None` if no cell has a figure.
pub fn svg(sweep: &Sweep, measure: Measure, limit: Option<Limit>) -> Option<String> {
    let mut text = String::new();
    let drawn = match sweep.plan.vary.as_slice() {
        [only] => lines(&mut text, sweep, only, measure, limit),
        [first, second] => heat(&mut text, sweep, (first, second), measure),
        _ => return None,
    };
    drawn?.ok()?;
    // Behind the head: the style is the picture's own.
    let head = text.find('>')? + 1;
    text.insert_str(head, &format!("\n<style>\n{DARK}</style>"));
    Some(text)
}

/// The caption of a picture.
fn caption(sweep: &Sweep, measure: Measure) -> String {
    let name: String = sweep.plan.scenario.name.chars().take(40).collect();
    let bands = match sweep.plan.repeat {
        seeds @ 2.. if sweep.plan.vary.len() == 1 => format!("; bands from least to most of {seeds} seeds"),
        _ => String::new(),
    };
    format!("{name}: {}{bands}", sweep.title(measure))
}

/// Whether the axis of these figures is logarithmic, and its ends; `None` without figures.
fn room(figures: &[f64]) -> Option<(bool, f64, f64)> {
    let least = figures.iter().copied().reduce(f64::min)?;
    let most = figures.iter().copied().reduce(f64::max)?;
    if least > 0.0 && most > WIDE * least {
        return Some((true, least / 1.15, most * 1.15));
    }
    // From zero on, unless the figures are all far from it and close together.
    let low = if least >= 0.0 && least < 0.7 * most { 0.0 } else { least - 0.08 * (most - least) };
    let high = most + 0.08 * (most - low);
    // All alike: some room about them.
    let spare = if high > low { 0.0 } else { 0.5 * most.abs().max(1.0) };
    Some((false, low - spare, high + spare))
}

/// An axis for these figures, and where on it a figure is.
fn axis((log, low, high): (bool, f64, f64), title: String, count: u32) -> Axis {
    if log { Axis::logarithmic(low, high, title) } else { Axis::even(low..high, title, count) }
}

fn placed(log: bool) -> fn(f64) -> f64 {
    if log { f64::log10 } else { |value| value }
}

/// What is drawn of one series.
struct Line {
    name: String,
    color: RGBColor,
    mark: Mark,
    /// Unbroken stretches.
    stretches: Vec<Vec<(f64, Spread)>>,
    bounds: Vec<Vec<(f64, f64)>>,
}

/// Points in stretches that end where one is missing.
fn stretches<T>(points: impl Iterator<Item = (f64, Option<T>)>) -> Vec<Vec<(f64, T)>> {
    let mut all = vec![Vec::new()];
    for (x, y) in points {
        match (y, all.last_mut()) {
            (Some(y), Some(last)) => last.push((x, y)),
            _ => all.push(Vec::new()),
        }
    }
    all.retain(|stretch| !stretch.is_empty());
    all
}

fn of_series(sweep: &Sweep, vary: &Vary, measure: Measure, series: usize) -> Line {
    let x = placed(vary.log);
    let points = |of: &dyn Fn(&Cell) -> Option<Spread>| {
        stretches(sweep.series(series).iter().map(|cell| (x(cell.at[0]), of(cell))))
    };
    let bounds = sweep.series(series).iter().map(|cell| (x(cell.at[0]), cell.bound_mhz()));
    Line {
        name: sweep.plan.across(series).unwrap_or("measured").to_owned(),
        color: COLORS[series % COLORS.len()],
        mark: MARKS[series % MARKS.len()],
        stretches: points(&|cell| cell.spread(measure)),
        bounds: if measure.is_error() { stretches(bounds) } else { Vec::new() },
    }
}

fn lines(
    text: &mut String,
    sweep: &Sweep,
    vary: &Vary,
    measure: Measure,
    limit: Option<Limit>,
) -> Option<Drawn> {
    let all: Vec<_> =
        (0..sweep.plan.series()).map(|series| of_series(sweep, vary, measure, series)).collect();
    let spreads = all.iter().flat_map(|line| line.stretches.iter().flatten());
    let mut figures: Vec<f64> = spreads.flat_map(|(_, s)| [s.least, s.value, s.most]).collect();
    room(&figures)?;
    figures.extend(all.iter().flat_map(|line| line.bounds.iter().flatten()).map(|(_, bound)| *bound));
    let limit = limit.filter(|limit| limit.measure == measure);
    figures.extend(limit.map(|limit| limit.value));
    let room = room(&figures)?;
    let (from, to) = vary.ends();
    let (low, high) = (from.min(to), from.max(to));
    let x_axis = axis((vary.log, low, high), vary.key.clone(), 8);
    let y_axis = axis(room, measure.axis(), 6);
    let axes = (x_axis, y_axis);
    Some(draw_lines(text, &caption(sweep, measure), axes, placed(room.0), &all, limit, sweep.plan.repeat > 1))
}

/// Width and height of the axes, pixels.
const LINES: (u32, u32) = (820, 540);

fn draw_lines(
    text: &mut String,
    caption: &str,
    (x_axis, y_axis): (Axis, Axis),
    y: fn(f64) -> f64,
    all: &[Line],
    limit: Option<Limit>,
    spreads: bool,
) -> Drawn {
    // The same bound of all is drawn once.
    let one = all.iter().all(|line| line.bounds == all[0].bounds);
    let bounded: Vec<_> =
        all.iter().filter(|line| !line.bounds.is_empty()).take(if one { 1 } else { all.len() }).collect();
    let of_bound = |line: &Line| if one { BLACK } else { line.color };
    let mut names: Vec<Named> =
        all.iter().map(|line| (line.name.clone(), Some(line.mark), line.color)).collect();
    names.extend(bounded.iter().map(|line| {
        let whose = if one { String::new() } else { format!(" {}", line.name) };
        (format!("noise permits{whose}, rms"), None, of_bound(line))
    }));
    let area = SVGBackend::with_string(text, (LINES.0 + room_for(&names), LINES.1)).into_drawing_area();
    area.fill(&WHITE)?;
    let (left, right) = area.split_horizontally(LINES.0);
    name(&right, &names)?;
    panel(&left, caption, x_axis, y_axis, |chart| {
        let bands =
            all.iter().filter(|_| spreads).flat_map(|line| line.stretches.iter().map(move |s| (line, s)));
        for (line, stretch) in bands {
            let range = |spread: &Spread| Range { low: y(spread.least), high: y(spread.most) };
            let band: Vec<_> = stretch.iter().map(|(x, spread)| (*x, range(spread))).collect();
            chart.envelope(&band, line.color, 0.15, 0)?;
        }
        for line in &bounded {
            for stretch in &line.bounds {
                let points: Vec<_> = stretch.iter().map(|(x, bound)| (*x, y(*bound))).collect();
                chart.dashed(&points, of_bound(line))?;
            }
        }
        for line in all {
            for stretch in &line.stretches {
                chart.curve(stretch.iter().map(|(x, spread)| (*x, y(spread.value))), line.color, 2)?;
                stretch.iter().try_for_each(|(x, s)| chart.mark((*x, y(s.value)), line.mark, line.color))?;
            }
        }
        limit.map_or(Ok(()), |limit| chart.level(y(limit.value), BLACK, 1))
    })?;
    Ok(area.present()?)
}

/// Viridis at ninths: even steps of lightness, for all kinds of colour vision and in grey (S. van der Walt, N. Smith, 2015; public domain).
const VIRIDIS: [RGBColor; 9] = [
    RGBColor(68, 1, 84),
    RGBColor(71, 44, 122),
    RGBColor(59, 81, 139),
    RGBColor(44, 113, 142),
    RGBColor(33, 144, 141),
    RGBColor(39, 173, 129),
    RGBColor(92, 200, 99),
    RGBColor(170, 220, 50),
    RGBColor(253, 231, 37),
];

/// The colour of a share of the scale, 0 to 1.
fn shade(share: f64) -> RGBColor {
    let at = share.clamp(0.0, 1.0) * (VIRIDIS.len() - 1) as f64;
    let below = (at.floor() as usize).min(VIRIDIS.len() - 2);
    let (a, b, t) = (VIRIDIS[below], VIRIDIS[below + 1], at - below as f64);
    let mix = |a: u8, b: u8| (f64::from(a) + t * (f64::from(b) - f64::from(a))).round() as u8;
    RGBColor(mix(a.0, b.0), mix(a.1, b.1), mix(a.2, b.2))
}

/// Width and height of one map, and width of the scale, pixels.
const MAP: (u32, u32) = (470, 420);
const SCALE: u32 = 150;
/// Height of the caption.
const TITLE: u32 = 30;

/// One map.
struct Map {
    caption: String,
    /// Row by row as the first key goes, along the second.
    figures: Vec<Option<f64>>,
    /// Whether a figure that is missing is marked.
    measured: bool,
}

fn heat(text: &mut String, sweep: &Sweep, (down, across): (&Vary, &Vary), measure: Measure) -> Option<Drawn> {
    let mut maps = Vec::new();
    let mut columns = 1;
    for series in 0..sweep.plan.series() {
        let cells = sweep.series(series);
        let name = sweep.plan.across(series).map_or("measured".into(), |name| format!("{name}, measured"));
        let measured = cells.iter().map(|cell| cell.spread(measure).map(|spread| spread.value)).collect();
        maps.push(Map { caption: name, figures: measured, measured: true });
        let bounds: Vec<_> = cells.iter().map(Cell::bound_mhz).collect();
        if measure.is_error() {
            columns = 2;
            maps.push(Map { caption: "noise permits, rms".into(), figures: bounds, measured: false });
        }
    }
    let measured = maps.iter().step_by(columns).flat_map(|map| &map.figures).flatten().copied();
    room(&measured.collect::<Vec<_>>())?;
    let figures: Vec<_> = maps.iter().flat_map(|map| &map.figures).flatten().copied().collect();
    let (log, low, high) = room(&figures)?;
    // The scale ends where the figures do, or at zero; where all are alike it has some room about them.
    let least = figures.iter().copied().fold(high, f64::min);
    let most = figures.iter().copied().fold(low, f64::max);
    let (low, high) =
        if least < most { (if log { least } else { low.max(0.0).min(least) }, most) } else { (low, high) };
    let rows = sweep.plan.series();
    let size = (MAP.0 * columns as u32 + SCALE, MAP.1 * rows as u32 + TITLE);
    let area = SVGBackend::with_string(text, size).into_drawing_area();
    let draw = || -> Drawn {
        area.fill(&WHITE)?;
        let (title, area) = area.split_vertically(TITLE);
        title.titled(&caption(sweep, measure), ("sans-serif", 18))?;
        let (left, right) = area.split_horizontally(MAP.0 * columns as u32);
        let y = placed(log);
        let share = |figure: f64| (y(figure) - y(low)) / (y(high) - y(low));
        for (area, map) in left.split_evenly((rows, columns)).iter().zip(&maps) {
            draw_map(area, map, (down, across), share)?;
        }
        let (scale, _) = right.split_vertically(MAP.1);
        draw_scale(&scale, axis((log, low, high), measure.axis(), 6))
    };
    let drawn = draw();
    Some(drawn.and_then(|()| Ok(area.present()?)))
}

fn draw_map(
    area: &DrawingArea<SVGBackend, Shift>,
    map: &Map,
    (down, across): (&Vary, &Vary),
    share: impl Fn(f64) -> f64,
) -> Drawn {
    let labels = |vary: &Vary| vary.values.iter().map(|value| short(*value)).collect::<Vec<_>>();
    let x = Axis::places(&labels(across), across.key.clone(), 6);
    let y = Axis::places(&labels(down), down.key.clone(), 8);
    panel(area, &map.caption, x, y, |chart| {
        for (place, figure) in map.figures.iter().enumerate() {
            let (row, column) = (place / across.values.len(), place % across.values.len());
            let (x, y) = (column as f64, row as f64);
            match figure {
                Some(figure) => chart.cell(x..x + 1.0, y..y + 1.0, shade(share(*figure)))?,
                None if map.measured => chart.mark((x + 0.5, y + 0.5), Mark::Cross, GREY)?,
                None => {}
            }
        }
        Ok(())
    })
}

/// Bars of the scale: more than the eye tells apart.
const SHADES: u32 = 64;

fn draw_scale(area: &DrawingArea<SVGBackend, Shift>, axis: Axis) -> Drawn {
    let (low, high) = (axis.range.start, axis.range.end);
    let at = |k: u32| low + f64::from(k) / f64::from(SHADES) * (high - low);
    let x = Axis { range: 0.0..1.0, title: String::new(), ticks: Vec::new() };
    panel(area, " ", x, axis, |chart| {
        (0..SHADES).try_for_each(|k| {
            chart.cell(0.0..1.0, at(k)..at(k + 1), shade((f64::from(k) + 0.5) / f64::from(SHADES)))
        })
    })
}
