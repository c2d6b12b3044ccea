use std::path::Path;

use super::*;
use crate::trial::Trial;

/// Ten seconds at the pump house.
const PUMP: &str = "name = 'pump house'\nseed = 7\nduration_s = 10\n[front_end]\nnoise_bandwidth_hz = 2000\nhysteresis_percent = 8\n";

pub(super) fn source(text: &str) -> Source {
    let path = Path::new("pump.toml").into();
    Source { text: text.into(), path, case: None, instead: Instead::default() }
}

pub(super) fn plan(text: &str, vary: &[&str], across: Option<&str>, repeat: u32) -> Result<Plan, SweepError> {
    let vary = vary.iter().map(|text| Vary::parse(text)).collect::<Result<_, _>>()?;
    Plan::new(source(text), vary, across.map(Across::parse).transpose()?, repeat, Readings::Whole)
}

fn refusal(text: &str, vary: &[&str], across: Option<&str>) -> String {
    plan(text, vary, across, 1).map(|_| ()).unwrap_err().to_string()
}

/// Each place is what a trial of a file that says so itself comes to, seed by seed.
#[test]
fn a_sweep_is_so_many_trials() {
    let vary = ["noise_percent=0.1..0.4:2", "window_s=0.2..0.5:2"];
    let sweep = plan(PUMP, &vary, Some("estimator=least-squares,hann"), 2).unwrap().run(2, |_| {}).unwrap();
    assert_eq!(sweep.cells.len(), 8);
    let mut seen = Vec::new();
    for cell in &sweep.cells {
        let [noise, window] = cell.at[..] else { panic!("{:?}", cell.at) };
        let estimator = ["least-squares", "hann"][cell.series];
        for (number, found) in cell.seeds.iter().enumerate() {
            let text = PUMP.replace("seed = 7", &format!("seed = {}", 7 + number));
            let text = format!(
                "{text}noise_percent = {noise}\n[meter]\nwindow_s = {window}\nestimator = '{estimator}'\n"
            );
            let score = Trial::from_toml(&text).unwrap().run().unwrap();
            assert_eq!(*found, Figures::new(&score, Readings::Whole), "{text}");
            seen.push(found.get(Measure::RmsErrorMhz).unwrap());
        }
    }
    seen.sort_by(f64::total_cmp);
    seen.dedup();
    assert_eq!(seen.len(), 16, "places that cannot be told apart");
}

#[test]
fn the_result_is_the_same_on_any_number_of_threads() {
    let run =
        |threads| plan(PUMP, &["noise_percent=0.1..2:5"], None, 2).unwrap().run(threads, |_| {}).unwrap();
    let figures = |sweep: Sweep| sweep.cells.into_iter().map(|cell| cell.seeds).collect::<Vec<_>>();
    let mut seconds = Vec::new();
    let one = plan(PUMP, &["noise_percent=0.1..2:5"], None, 2).unwrap();
    let whole = one.seconds();
    let one = figures(one.run(1, |second| seconds.push(second)).unwrap());
    assert_eq!(one, figures(run(3)));
    assert_eq!(one, figures(run(40)));
    assert!(seconds.is_sorted() && seconds.len() == 10 && seconds.last() == Some(&whole), "{seconds:?}");
}

/// Whole numbers stay so, however they are spaced; others are not rounded because their ends are whole.
#[test]
fn keys_for_whole_numbers_are_found_out() {
    let values = |vary: &str| plan(PUMP, &[vary], None, 1).unwrap().vary[0].clone();
    let bits = values("bits=8..12:10");
    assert!(bits.whole && bits.values == [8.0, 9.0, 10.0, 11.0, 12.0], "{bits:?}");
    assert!(values("gate_factor=3..50:log:4").values == [3.0, 8.0, 20.0, 50.0]);
    assert!(!values("noise_percent=0..1:3").whole && !values("window_s=1..2:3").whole);
}

#[test]
fn values_and_ranges_that_cannot_be_are_refused_before_anything_runs() {
    let with = |vary: &str| refusal(PUMP, &[vary], None);
    assert_eq!(
        with("noise_percent=0..120"),
        "with front_end.noise_percent = 120: [front_end] noise_percent = 120 is outside 0 to 100"
    );
    assert!(with("front_end.nois_percent=0..1").contains("did you mean front_end.noise_percent?"));
    assert_eq!(
        with("disturb.1.degrees=0..90"),
        "with disturb.1.degrees = 0: disturb.1.degrees: the file has no list disturb, and so no place in it"
    );
    assert!(with("bits=8..40").contains("bits = 40 is outside 8 to 32"));
    assert_eq!(refusal(PUMP, &[], None), "one or two keys can be varied at a time");
    let three = ["noise_percent=0..1", "window_s=1..2", "bits=8..16"];
    assert_eq!(refusal(PUMP, &three, None), "one or two keys can be varied at a time");
    assert_eq!(
        refusal(PUMP, &["window_s=1..2", "meter.window_s=1..3"], None),
        "meter.window_s is varied twice"
    );
    assert_eq!(refusal(PUMP, &["window_s=1..2"], Some("window_s=1,2")), "meter.window_s is varied twice");
    let wrong = refusal(PUMP, &["noise_percent=0..1"], Some("estimator=least-squares,han"));
    assert!(wrong.contains("did you mean hann?"), "{wrong}");
    let many = ["noise_percent=0..1:1000", "window_s=1..2:1000"];
    assert!(plan(PUMP, &many, None, 2).unwrap_err().to_string().contains("1000000 at most"));
    // What only goes wrong between the ends is told when it is come to, and nothing has run by then.
    let between = plan(PUMP, &["hysteresis_percent=8..180:3", "offset_percent=0..40:3"], None, 1).unwrap();
    let mut ran = 0;
    let error = between.run(1, |_| ran += 1).map(|_| ()).unwrap_err().to_string();
    assert!(
        error.starts_with("with front_end.hysteresis_percent = 180, front_end.offset_percent = 20: "),
        "{error}"
    );
    assert_eq!(ran, 0);
}

#[test]
fn disturbances_lists_and_cases_can_be_reached() {
    let text = format!(
        "{PUMP}[timer]\nlatency_us = [2, 10]\n[[disturb]]\nkind = 'phase-jump'\nat_s = 3\ndegrees = 1\n[[disturb]]\nkind = 'phase-jump'\nat_s = 5\ndegrees = 1\n\
         [[cases]]\nlabel = ['slow', 'fast']\ngrid.offset_mhz = [-500, 500]\n"
    );
    assert!(refusal(&text, &["disturb.2.degrees=1..9"], None).contains("choose one"));
    let case = |case: &str| Source { case: Some(case.into()), ..source(&text) };
    let vary = || {
        vec![Vary::parse("disturb.2.degrees=1..9:3").unwrap(), Vary::parse("latency_us.2=20..30:2").unwrap()]
    };
    let plan = Plan::new(case("fast"), vary(), None, 1, Readings::Whole).unwrap();
    let scenario = plan.scenario(0, &[9.0, 30.0]).unwrap();
    assert_eq!((scenario.timer.latency_us, scenario.grid.offset_mhz), ((2.0, 30.0), 500.0));
    let degrees = |place: usize| match scenario.disturb[place] {
        crate::scenario::Disturb::PhaseJump { degrees, .. } => degrees,
        ref other => panic!("{other:?}"),
    };
    assert_eq!((degrees(0), degrees(1), plan.scenario.name.as_str()), (1.0, 9.0, "pump house [fast]"));
    assert!(
        Plan::new(case("slo"), vary(), None, 1, Readings::Whole)
            .unwrap_err()
            .to_string()
            .contains("did you mean slow?")
    );
}

/// One duration for all in place of the file's, or one for each place.
#[test]
fn a_duration_is_given_or_varied() {
    let short = Source { instead: Instead { seed: Some(90), duration_s: Some(5.0) }, ..source(PUMP) };
    let vary = |text: &str| vec![Vary::parse(text).unwrap()];
    let plan = Plan::new(short.clone(), vary("noise_percent=0..1"), None, 3, Readings::Whole).unwrap();
    assert_eq!((plan.seconds(), plan.seeds()), (5.0 * 33.0, (90, 92)));
    let both = Plan::new(short, vary("duration_s=5..9"), None, 1, Readings::Whole);
    assert!(both.unwrap_err().to_string().contains("given as well"));
}

#[test]
fn tables_of_one_key_and_of_two() {
    let sweep = plan(PUMP, &["noise_percent=0.1..0.4:2"], Some("polarity=rising,both"), 2).unwrap();
    let sweep = sweep.run(2, |_| {}).unwrap();
    let limit = solve::Limit::parse("rms_error_mhz=0.15").unwrap();
    let table = &tabulate::tables(&sweep, Measure::RmsErrorMhz, Some(limit))[0];
    assert_eq!(
        table.heads,
        [
            "front_end.noise_percent",
            "rising",
            "rising holds",
            "both",
            "both holds",
            "rising permitted",
            "both permitted"
        ]
    );
    assert_eq!(
        (table.rows[0][0].as_str(), table.rows[0][2].as_str(), table.rows[1][2].as_str()),
        ("0.1", "2/2", "0/2")
    );
    let permitted: Vec<f64> = [5, 6].map(|column| table.rows[0][column].parse().unwrap()).into();
    assert!((permitted[0] / permitted[1] - 2f64.sqrt()).abs() < 0.03, "{permitted:?}");
    let plain = table.plain();
    assert!(
        plain
            .starts_with("rms error over whole windows, mHz\nfront_end.noise_percent   rising  rising holds"),
        "{plain}"
    );

    let sweep = plan(PUMP, &["noise_percent=0.1..0.4:3", "bits=15..16:2"], None, 1).unwrap();
    let sweep = sweep.run(2, |_| {}).unwrap();
    let of = |measure| tabulate::tables(&sweep, measure, None).remove(0);
    let table = of(Measure::LockS);
    assert_eq!(table.title, "first lock, s; front_end.noise_percent down, timer.bits across");
    assert_eq!((&table.heads[1..], table.rows.len()), (&["15".to_owned(), "16".to_owned()][..], 3));
    assert_eq!(table.rows[1][0], "0.25");
    let lock = sweep.cells[3].spread(Measure::LockS).unwrap().value;
    assert!((table.rows[1][2].parse::<f64>().unwrap() - lock).abs() < 1e-3 * lock, "{table:?}");
    assert_eq!(&of(Measure::SettlingS).rows[1][1..], ["-", "-"], "nothing has to settle");
}
