//! A sweep as records: a line of JSON or of CSV for each place, with every measure.

use std::io::{self, Write};

use humtick_sim::sweep::confidence::{CONFIDENCE, share};
use humtick_sim::sweep::measure::Measure;
use humtick_sim::sweep::solve::{At, Farthest, Limit, Solution};
use humtick_sim::sweep::{Cell, Sweep};
use serde_json::{Value, json};

use crate::cli::trial::record::{cell as csv_cell, write_object};

/// Every figure of a place by its name; null where unknown. `value`, `least` and `most` are those of `measure`.
fn fields(sweep: &Sweep, cell: &Cell, measure: Measure, limit: Option<Limit>) -> Vec<(String, Value)> {
    let plan = &sweep.plan;
    let across =
        plan.across.iter().map(|across| across.key.clone()).zip(plan.across(cell.series).map(|v| json!(v)));
    let varied = plan.keys().map(str::to_owned).zip(cell.at.iter().map(|value| json!(value)));
    let spread = cell.spread(measure);
    let mut fields: Vec<_> =
        std::iter::once(("kind".to_owned(), json!("place"))).chain(across).chain(varied).collect();
    let mut add = |name: &str, value: Value| fields.push((name.to_owned(), value));
    add("seed", json!(plan.seeds().0));
    add("seeds", json!(cell.seeds.len()));
    add("measure", json!(measure.name()));
    add("value", json!(spread.map(|s| s.value)));
    add("least", json!(spread.map(|s| s.least)));
    add("most", json!(spread.map(|s| s.most)));
    add("bound_mhz", json!(cell.bound_mhz()));
    add("holding", json!(limit.map(|limit| limit.held(&cell.seeds))));
    for measure in Measure::ALL {
        add(measure.name(), json!(cell.spread(measure).map(|s| s.value)));
    }
    fields
}

/// What a limit came to.
fn solution(sweep: &Sweep, solution: &Solution) -> Vec<(String, Value)> {
    let (outcome, at, next) = match solution.farthest {
        Farthest::None(first) => ("none", first, None),
        Farthest::All(last) => ("all", last, None),
        Farthest::Between(value, next) => ("found", value, Some(next)),
    };
    let (low, high) = share(at.held, solution.count);
    let of_next = |of: fn(At) -> Value| next.map_or(Value::Null, of);
    let interval = solution.half.interval;
    let fields = [
        ("kind", json!("solution")),
        ("across", json!(sweep.plan.across(solution.series))),
        ("key", json!(solution.key)),
        ("measure", json!(solution.limit.measure.name())),
        ("limit", json!(solution.limit.value)),
        ("outcome", json!(outcome)),
        ("value", json!(at.value)),
        ("seeds", json!(solution.count)),
        ("holding", json!(at.held)),
        ("confidence", json!(CONFIDENCE)),
        ("share_low", json!(low)),
        ("share_high", json!(high)),
        ("next_value", of_next(|next| json!(next.value))),
        ("next_holding", of_next(|next| json!(next.held))),
        ("half_value", json!(solution.half.value)),
        ("half_low", json!(interval.map(|i| i.0))),
        ("half_high", json!(interval.map(|i| i.1))),
        ("contradicting", json!(solution.contradicting)),
    ];
    fields.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()
}

pub fn write_json(
    out: &mut impl Write,
    sweep: &Sweep,
    measure: Measure,
    limit: Option<Limit>,
    solutions: &[Solution],
) -> io::Result<()> {
    let cells = sweep.cells.iter().map(|cell| fields(sweep, cell, measure, limit));
    let solutions = solutions.iter().map(|found| solution(sweep, found));
    cells.chain(solutions).try_for_each(|record| write_object(out, &record))
}

/// Places under their heads; what was solved for on lines that begin with #.
pub fn write_csv(
    out: &mut impl Write,
    sweep: &Sweep,
    measure: Measure,
    limit: Option<Limit>,
    solutions: &[Solution],
) -> io::Result<()> {
    let mut heads = false;
    for cell in &sweep.cells {
        let fields = fields(sweep, cell, measure, limit);
        // Every line is a place.
        let fields = &fields[1..];
        if !heads {
            let names: Vec<_> = fields.iter().map(|(name, _)| name.as_str()).collect();
            writeln!(out, "{}", names.join(","))?;
            heads = true;
        }
        let cells: Vec<_> = fields.iter().map(|(_, value)| csv_cell(value)).collect();
        writeln!(out, "{}", cells.join(","))?;
    }
    for found in solutions {
        let across = sweep.plan.across(found.series).map_or(String::new(), |name| format!("{name}: "));
        writeln!(out, "# {}", crate::cli::plain(&format!("{across}{}", found.sentences().join("; "))))?;
    }
    Ok(())
}
