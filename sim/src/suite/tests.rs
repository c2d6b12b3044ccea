use super::*;

fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in files {
        let path = folder.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }
    folder
}

fn names(items: &[Item]) -> Vec<&str> {
    items.iter().map(|item| item.name.as_str()).collect()
}

#[test]
fn files_come_in_the_order_of_their_paths_and_cases_in_theirs() {
    let cases = "[[cases]]\ngrid.offset_mhz = [5, -5]\n";
    let folder = folder(&[
        ("pump.toml", ""),
        ("b/saw.toml", cases),
        ("a.toml", ""),
        ("b/notes.txt", ""),
        (".hidden/c.toml", ""),
        ("b/generator.expect.toml", "[grid]\n"),
        ("b/generator.csv", "# tick_hz = 1000\nticks\n20\n40\n"),
        ("b/bench/expect.toml", "[grid]\n"),
        ("b/bench/any.csv", "# tick_hz = 1000\nticks\n20\n40\n"),
    ]);
    let items = find(folder.path(), None).unwrap();
    assert_eq!(
        names(&items),
        ["a", "b/bench", "b/generator", "b/saw [offset_mhz=5]", "b/saw [offset_mhz=-5]", "pump"]
    );
    assert!(items.iter().all(|item| item.trial.is_ok()));
    let one = find(&folder.path().join("b/saw.toml"), None).unwrap();
    assert_eq!(names(&one), ["saw [offset_mhz=5]", "saw [offset_mhz=-5]"]);
}

/// Or the one would be held against the other's baseline.
#[test]
fn a_scenario_and_a_recording_of_one_name_are_told_apart() {
    let folder = folder(&[
        ("saw.toml", ""),
        ("saw.expect.toml", "[grid]\n"),
        ("saw/expect.toml", "[grid]\n"),
        ("pump.expect.toml", "[grid]\n"),
    ]);
    let items = find(folder.path(), None).unwrap();
    let mut all = names(&items);
    all.sort_unstable();
    assert_eq!(all, ["pump", "saw", "saw.expect", "saw/expect"]);
}

#[test]
fn changes_are_every_meters_and_no_scenario() {
    let folder = folder(&[
        ("holdoff.toml", "holdoff = 0.3\n"),
        ("pump.toml", "nominal_hz = 400\n[meter]\nwindow_s = 2\n"),
    ]);
    let changes = Changes::from_file(&folder.path().join("holdoff.toml")).unwrap();
    let items = find(folder.path(), Some(&changes)).unwrap();
    assert_eq!(names(&items), ["pump"]);
    let meter = items[0].trial.as_ref().unwrap().scenario().meter;
    assert_eq!((meter.holdoff, meter.window_s), (0.3, 2.0));
    assert_eq!(meter.nominal, crate::settings::Nominal::Hertz(400.0));
}

#[test]
fn what_cannot_be_read_is_named_and_the_rest_is_run() {
    let folder = folder(&[
        ("broken.toml", "seed = \n"),
        ("good.toml", "duration_s = 5\n"),
        ("lost.expect.toml", "[grid]\n"),
        ("torn.expect.toml", "[grid]\n"),
        ("torn.csv", "# tick_hz = 1000\nticks\n20\nx\n"),
        ("other.toml", "window_s = 1\n"),
    ]);
    fs::write(folder.path().join("bytes.toml"), [0xff, 0xfe]).unwrap();
    fs::create_dir(folder.path().join("dir.toml")).unwrap();
    let items = find(folder.path(), None).unwrap();
    let outcomes = run(&items, 2, None, |_| {}).unwrap();
    let verdicts: Vec<_> = outcomes.iter().map(|o| (o.name.as_str(), o.verdict())).collect();
    let bad = |name| (name, Verdict::Unreadable);
    assert_eq!(
        verdicts,
        [bad("broken"), bad("bytes"), ("good", Verdict::Unlimited), bad("lost"), bad("other"), bad("torn")]
            .map(|verdict| verdict)
    );
    let why = |place: usize| outcomes[place].unreadable.clone().unwrap();
    assert!(why(0).contains("broken.toml:1: "), "{}", why(0));
    assert!(why(4).contains("other.toml:1: unknown key \"window_s\""), "{}", why(4));
    assert!(why(5).contains("torn.csv:4: "), "{}", why(5));
}

#[test]
fn nothing_is_an_error() {
    let folder = folder(&[("notes.txt", "")]);
    assert!(find(folder.path(), None).unwrap_err().contains("no file below it ends in .toml"));
    assert!(find(&folder.path().join("none"), None).is_err());
}

/// The order of the results is the items', whatever the number of threads, and the figures are the same.
#[test]
fn threads_change_nothing() {
    let scenario = |seed: u32| format!("duration_s = {}\nseed = {seed}\n[limits]\nlock_s = 1\n", 30 - seed);
    let files: Vec<_> = (1..9).map(|seed| (format!("{seed}.toml"), scenario(seed))).collect();
    let files: Vec<_> = files.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
    let folder = folder(&files);
    let items = find(folder.path(), None).unwrap();
    let mut told = 0;
    let three = run(&items, 3, None, |_| told += 1).unwrap();
    assert_eq!(told, 8);
    assert_eq!(three, run(&items, 1, None, |_| {}).unwrap());
    assert!(three.iter().zip(&items).all(|(outcome, item)| outcome.name == item.name));
}

#[test]
fn pages_have_names_of_their_own() {
    let item = |name: &str| Item { name: name.into(), file: PathBuf::new(), trial: Err(String::new()) };
    let items = ["saw [x=1]", "saw [x=1", "../Index", "\u{e4}\u{e4}", ""].map(item);
    let pages = Pages::new(Path::new("pages"), &items);
    let names: Vec<_> = (0..5).map(|place| pages.name(place)).collect();
    assert_eq!(names, ["saw-x-1.html", "saw-x-1-2.html", "index-2.html", "scenario.html", "scenario-2.html"]);
}
