//! A sweep in rows and columns, for terminals and pages.

use super::solve::Limit;
use super::{Cell, Sweep};
use crate::report::chart::short;
use crate::sweep::measure::Measure;

/// A table.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// What its figures are.
    pub title: String,
    /// Heads of its columns.
    pub heads: Vec<String>,
    /// Rows of as many figures; a dash where nothing is known.
    pub rows: Vec<Vec<String>>,
}

fn figure(value: Option<f64>) -> String {
    value.map_or("-".into(), short)
}

/// `measure` of all cells: one table, a row each, or with two keys varied a table for each series, the second key across. With a `limit`
/// the rows say how many seeds keep it.
pub fn tables(sweep: &Sweep, measure: Measure, limit: Option<Limit>) -> Vec<Table> {
    let title = sweep.title(measure);
    match sweep.plan.vary.len() {
        1 => vec![of_one(sweep, measure, limit, title)],
        _ => (0..sweep.plan.series()).map(|series| of_two(sweep, measure, series, &title)).collect(),
    }
}

/// The bound of each cell, where all series have the same.
fn common_bound(sweep: &Sweep) -> Option<Vec<Option<f64>>> {
    let of = |series| sweep.series(series).iter().map(Cell::bound_mhz).collect::<Vec<_>>();
    let first = of(0);
    // Where one series' bound does not hold another's may.
    let same = |other: &Vec<Option<f64>>| {
        other.iter().zip(&first).all(|(a, b)| a.is_none() || b.is_none() || a == b)
    };
    let all: Vec<_> = (0..sweep.plan.series()).map(of).collect();
    all.iter().all(same).then(|| (0..first.len()).map(|i| all.iter().find_map(|series| series[i])).collect())
}

fn of_one(sweep: &Sweep, measure: Measure, limit: Option<Limit>, title: String) -> Table {
    let plan = &sweep.plan;
    let named = |series: usize, what: &str| match plan.across(series) {
        Some(name) if what.is_empty() => name.to_owned(),
        Some(name) => format!("{name} {what}"),
        None => what.to_owned(),
    };
    let mut columns: Vec<(String, Vec<String>)> = Vec::new();
    columns.push((plan.vary[0].key.clone(), plan.vary[0].values.iter().map(f64::to_string).collect()));
    for series in 0..plan.series() {
        let column = |of: &dyn Fn(&Cell) -> String| sweep.series(series).iter().map(of).collect();
        let what = if plan.series() > 1 { "" } else { measure.name() };
        columns.push((named(series, what), column(&|cell| figure(cell.spread(measure).map(|s| s.value)))));
        if plan.series() == 1 && plan.repeat > 1 {
            columns.push(("least".into(), column(&|cell| figure(cell.spread(measure).map(|s| s.least)))));
            columns.push(("most".into(), column(&|cell| figure(cell.spread(measure).map(|s| s.most)))));
        }
        if let Some(limit) = limit {
            let held = |cell: &Cell| format!("{}/{}", limit.held(&cell.seeds), cell.seeds.len());
            columns.push((named(series, "holds"), column(&held)));
        }
    }
    if measure.is_error() {
        match common_bound(sweep) {
            Some(bounds) => columns.push(("noise permits".into(), bounds.into_iter().map(figure).collect())),
            None => columns.extend((0..plan.series()).map(|series| {
                let bounds = sweep.series(series).iter().map(|cell| figure(cell.bound_mhz())).collect();
                (named(series, "permitted"), bounds)
            })),
        }
    }
    let rows = 0..plan.vary[0].values.len();
    let rows = rows.map(|i| columns.iter().map(|(_, cells)| cells[i].clone()).collect()).collect();
    Table { title, heads: columns.into_iter().map(|(head, _)| head).collect(), rows }
}

fn of_two(sweep: &Sweep, measure: Measure, series: usize, title: &str) -> Table {
    let plan = &sweep.plan;
    let (down, across) = (&plan.vary[0], &plan.vary[1]);
    let name = plan.across(series).map_or(String::new(), |name| format!("{name}: "));
    let heads = std::iter::once(String::new()).chain(across.values.iter().map(f64::to_string)).collect();
    let rows = sweep.series(series).chunks(across.values.len()).zip(&down.values).map(|(cells, value)| {
        let figures = cells.iter().map(|cell| figure(cell.spread(measure).map(|s| s.value)));
        std::iter::once(value.to_string()).chain(figures).collect()
    });
    let title = format!("{name}{title}; {} down, {} across", down.key, across.key);
    Table { title, heads, rows: rows.collect() }
}

impl Table {
    /// Columns one beside the other, right-aligned, two spaces apart.
    pub fn plain(&self) -> String {
        let mut widths: Vec<usize> = self.heads.iter().map(|head| head.chars().count()).collect();
        for row in &self.rows {
            for (width, cell) in widths.iter_mut().zip(row) {
                *width = (*width).max(cell.chars().count());
            }
        }
        let line = |cells: &[String]| {
            let cells = cells.iter().zip(&widths).map(|(cell, width)| format!("{cell:>width$}"));
            cells.collect::<Vec<_>>().join("  ") + "\n"
        };
        let rows: String = self.rows.iter().map(|row| line(row)).collect();
        format!("{}\n{}{rows}", self.title, line(&self.heads))
    }
}
