//! `humtick stability` as its users meet it: exit status, what goes where, pictures.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

fn humtick(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_humtick")).args(arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

fn stability(path: &Path, options: &[&str]) -> Output {
    let mut arguments = vec!["stability", path.to_str().unwrap()];
    arguments.extend(options);
    humtick(&arguments)
}

#[track_caller]
fn done(path: &Path, options: &[&str]) -> String {
    let output = stability(path, options);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    text(&output.stdout)
}

/// What the program says of something it cannot do: exit status 2, nothing on standard output.
#[track_caller]
fn refusal(path: &Path, options: &[&str]) -> String {
    let output = stability(path, options);
    assert_eq!((output.status.code(), text(&output.stdout).as_str()), (Some(2), ""));
    text(&output.stderr)
}

/// A folder with the nine frequencies of NIST SP 1065, section 12.4, as `log.csv`.
fn small_set() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.csv");
    std::fs::write(&path, "y\n892\n809\n823\n798\n671\n644\n883\n903\n677\n").unwrap();
    (folder, path)
}

const SMALL: [&str; 5] = ["--column", "y", "--interval", "1", "--per-unit"];

fn small(more: &[&'static str]) -> Vec<&'static str> {
    [&SMALL, more].concat()
}

#[test]
fn the_published_figures_come_out_in_every_format() {
    let (_folder, path) = small_set();
    let table = done(&path, &SMALL);
    let rows: Vec<Vec<_>> = table.lines().skip(1).map(|line| line.split_whitespace().collect()).collect();
    assert_eq!(rows[0], ["tau", "s", "adev", "oadev", "mdev", "tdev", "s", "n"]);
    assert_eq!(rows[1], ["1.000", "9.123e1", "9.123e1", "9.123e1", "5.267e1", "8"]);
    assert_eq!(rows[2], ["2.000", "1.158e2", "8.595e1", "7.479e1", "8.636e1", "6"]);
    assert_eq!(rows.len(), 3);

    let csv = done(&path, &small(&["--format", "csv"]));
    let lines: Vec<_> = csv.lines().collect();
    assert!(lines[0].starts_with("# ") && lines[0].ends_with("all 9 values, no gap; per unit"), "{csv}");
    assert_eq!(lines[1], "tau_s,adev,oadev,mdev,tdev_s,n");
    let cells: Vec<f64> = lines[3].split(',').map(|cell| cell.parse().unwrap()).collect();
    assert!((cells[2] - 85.95287).abs() < 5e-6 && cells[5] == 6.0, "{csv}");

    let jsonl = done(&path, &small(&["--format", "jsonl"]));
    let lines: Vec<Value> = jsonl.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!((&lines[0]["kind"], lines[0]["values"].as_u64()), (&"header".into(), Some(9)));
    assert_eq!(lines[2]["kind"], "deviation");
    for (key, value) in
        [("tau_s", 2.0), ("adev", 115.8082), ("oadev", 85.95287), ("mdev", 74.78849), ("tdev_s", 86.35831)]
    {
        assert!((lines[2][key].as_f64().unwrap() - value).abs() < 5e-5, "{key}: {jsonl}");
    }
}

#[test]
fn averaging_times_can_be_chosen() {
    let (_folder, path) = small_set();
    let taus = |taus: &'static str| {
        let csv = done(&path, &small(&["--format", "csv", "--taus", taus]));
        csv.lines().skip(2).map(|line| line.split(',').next().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(taus("octaves"), ["1", "2"]);
    assert_eq!(taus("decades"), ["1", "2"]);
    assert_eq!(taus("3, 1"), ["3", "1"]);
    let message = refusal(&path, &small(&["--taus", "1,4"]));
    assert!(message.ends_with("log.csv: averaging time 4 s: this series gives 1 to 3 s\n"), "{message}");
    assert!(refusal(&path, &small(&["--taus", "1,,2"])).contains("expected octaves, decades, or seconds"));
}

#[test]
fn what_measure_writes_can_be_read() {
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/workshop-50hz.csv");
    let folder = tempfile::tempdir().unwrap();
    let figures = |format: &str| {
        let log = humtick(&["measure", example.to_str().unwrap(), "--format", format]).stdout;
        let path = folder.path().join(format);
        std::fs::write(&path, log).unwrap();
        let table = done(&path, &["--nominal", "50"]);
        let (header, rows) = table.split_once('\n').unwrap();
        assert!(header.contains("overlap: deviations at shorter averaging times read low"), "{header}");
        assert!(header.ends_with("fractions of 50 Hz"), "{header}");
        rows.to_owned()
    };
    let rows = figures("jsonl");
    assert_eq!(rows, figures("csv"));
    // A minute of readings ten times a second: up to 128 of them in a third of it.
    assert_eq!(rows.lines().count(), 1 + 8, "{rows}");
}

#[test]
fn pictures_are_written_whole_or_not_at_all() {
    let (folder, path) = small_set();
    let picture = |name: &str| {
        let file = folder.path().join(name);
        let output = stability(&path, &[&SMALL[..], &["--picture", file.to_str().unwrap()]].concat());
        (output, file)
    };
    let (output, svg) = picture("small.svg");
    assert_eq!(output.status.code(), Some(0));
    let drawn = std::fs::read_to_string(svg).unwrap();
    assert!(drawn.starts_with("<svg") && drawn.trim_end().ends_with("</svg>"), "{drawn}");
    assert!(drawn.contains("averaging time tau, s") && drawn.contains("log.csv: 9 values"), "{drawn}");

    let (output, pdf) = picture("small.pdf");
    assert_eq!((output.status.code(), pdf.exists()), (Some(2), false));
    assert!(text(&output.stderr).contains("expected a picture's name ending in .svg"));
    let (output, _) = picture("no/such/folder.svg");
    assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0));

    let flat = folder.path().join("flat.csv");
    std::fs::write(&flat, "y\n5\n5\n5\n5\n").unwrap();
    assert!(done(&flat, &SMALL).contains("0.000e0"));
    let svg = folder.path().join("flat.svg");
    let output = stability(&flat, &[&SMALL[..], &["--picture", svg.to_str().unwrap()]].concat());
    assert!(text(&output.stdout).contains("0.000e0") && !svg.exists());
    assert!(output.status.code() == Some(2) && text(&output.stderr).contains("every deviation is zero"));
}

#[test]
fn wrong_use_exits_2_with_place_and_advice() {
    let (_folder, path) = small_set();
    for (options, part) in [
        (
            &["--per-unit"][..],
            "log.csv:1: no column frequency_hz: name the frequency's with --column NAME; found y",
        ),
        (&["--column", "y"], "log.csv:1: no column t_s, time_s, second or seconds: give --interval SECONDS"),
        (&["--column", "y", "--interval", "0"], "--interval is 0, expected a number from 1e-9 to 1e12"),
        (&["--nominal", "50", "--per-unit"], "cannot be used with"),
        (&["--interval", "1", "--time-column", "y"], "cannot be used with"),
    ] {
        let message = refusal(&path, options);
        assert!(message.contains(part), "{message}");
    }
    assert!(refusal(Path::new("no-such.csv"), &[]).starts_with("humtick: no-such.csv: "));
    let help = text(&humtick(&["stability", "--help"]).stdout);
    assert!(help.contains("Example:") && help.contains("humtick stability workshop.jsonl"), "{help}");
}

/// A file of the recordings; where they are not, says so past the capture of the test harness.
#[allow(clippy::explicit_write, reason = "`eprintln!` is captured, and a skipped test must show")]
fn recording(name: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("HUMTICK_RECORDINGS").map(PathBuf::from);
    if folder.is_none() {
        writeln!(std::io::stderr(), "skipped: HUMTICK_RECORDINGS is not set").unwrap();
    }
    folder.map(|folder| folder.join(name))
}

/// A day of a 60 Hz grid. Expected figures: the definition in numpy, each window summed afresh.
#[test]
fn a_day_of_a_real_grid() {
    let Some(path) = recording("series/day-60hz-1s-per-unit.csv") else { return };
    let options =
        ["--column", "frequency_pu_of_60Hz", "--per-unit", "--taus", "1,10,100,16384", "--format", "csv"];
    let csv = done(&path, &options);
    assert!(csv.lines().next().unwrap().contains("all 86400 values, no gap"), "{csv}");
    let rows: Vec<Vec<f64>> =
        csv.lines().skip(2).map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect()).collect();
    let numpy = [
        [1.0, 2.3792996e-5, 2.3792996e-5, 2.3792996e-5, 1.3736893e-5, 86_399.0],
        [10.0, 6.7204476e-5, 6.7263568e-5, 6.1342051e-5, 3.5415850e-4, 86_381.0],
        [100.0, 8.1066394e-5, 8.0237386e-5, 6.7813405e-5, 3.9152088e-3, 86_201.0],
        [16_384.0, 1.1848342e-4, 1.2134452e-4, 9.6131393e-5, 9.0933634e-1, 53_633.0],
    ];
    assert_eq!(rows.len(), numpy.len());
    for (ours, numpy) in rows.iter().flatten().zip(numpy.iter().flatten()) {
        assert!((ours / numpy - 1.0).abs() < 1e-7, "{ours} for {numpy}");
    }
}

/// A blackout: rows without a value are gaps. Values of the clamp, 40 Hz, are the recorder's and nobody can tell.
#[test]
fn the_longest_stretch_of_a_record_with_gaps() {
    let Some(path) = recording("series/blackout-50hz-2s.csv") else { return };
    let table = done(&path, &["--column", "AnalyzerL1Frequency", "--interval", "2"]);
    let header = table.lines().next().unwrap();
    let told =
        "longest unbroken stretch: 539 of 3600 values, from value 483 on (gaps: 10, values missing: 10)";
    assert!(header.contains(told), "{header}");
}
