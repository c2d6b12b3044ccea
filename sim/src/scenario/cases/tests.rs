use std::path::Path;

use super::*;

fn of(text: &str) -> Result<Vec<Case>, String> {
    cases(text, Path::new("cellar.toml"), Instead::default()).map_err(|error| error.to_string())
}

fn labels(text: &str) -> Vec<String> {
    of(text).unwrap().into_iter().map(|case| case.label).collect()
}

#[test]
fn a_file_without_cases_is_one_without_a_label() {
    let only = of("seed = 3").unwrap();
    assert_eq!((only.len(), only[0].label.as_str(), only[0].scenario.seed), (1, "", 3));
    assert_eq!(only[0].scenario, Scenario::from_toml("seed = 3", Path::new("cellar.toml")).unwrap());
}

#[test]
fn lists_of_one_table_go_together_and_tables_are_crossed() {
    let text = "[[cases]]\ngrid.offset_mhz = [-500, 0]\nlimits.max_error_mhz = [2, 1]\n\
                [[cases]]\n\"meter.estimator\" = [\"end-to-end\", 'hann']\nmeter.window_s = [10, 2.0]\n";
    let all = of(text).unwrap();
    let seen: Vec<_> = all
        .iter()
        .map(|case| {
            let s = &case.scenario;
            (
                case.label.as_str(),
                s.grid.offset_mhz,
                s.limits.max_error_mhz.map(|(_, most)| most),
                s.meter.estimator.name(),
                s.meter.window_s,
            )
        })
        .collect();
    assert_eq!(
        seen,
        [
            ("offset_mhz=-500,estimator=end-to-end,window_s=10", -500.0, Some(2.0), "end-to-end", 10.0),
            ("offset_mhz=-500,estimator=hann,window_s=2.0", -500.0, Some(2.0), "hann", 2.0),
            ("offset_mhz=0,estimator=end-to-end,window_s=10", 0.0, Some(1.0), "end-to-end", 10.0),
            ("offset_mhz=0,estimator=hann,window_s=2.0", 0.0, Some(1.0), "hann", 2.0),
        ]
    );
}

#[test]
fn a_number_in_a_key_is_a_place_in_a_list() {
    let text = "[voltage]\nharmonics = [[3, 1, 0], [5, 2, 0]]\n\
                [[disturb]]\nkind = \"phase-jump\"\nat_s = 3\ndegrees = 4\n\
                [[cases]]\nvoltage.harmonics.2.1 = [7, 9]\ndisturb.1.degrees = [10, 20]\n";
    let all = of(text).unwrap();
    assert_eq!(all[1].label, "harmonics.2.1=9,degrees=20");
    assert_eq!(all[1].scenario.voltage.harmonics, [(3, 1.0, 0.0), (9, 2.0, 0.0)]);
    assert!(matches!(all[1].scenario.disturb[..], [super::super::Disturb::PhaseJump { degrees: 20.0, .. }]));
}

#[test]
fn labels_may_be_given_and_limits_alone_tell_cases_apart() {
    assert_eq!(labels("[[cases]]\nlabel = [\"low\", \"high\"]\nseed = [1, 2]"), ["low", "high"]);
    assert_eq!(labels("[[cases]]\nlimits.lock_s = [1, 2]"), ["lock_s=1", "lock_s=2"]);
    assert_eq!(
        labels("[[cases]]\nvoltage.harmonics = [[[2, 1,  0]], []]"),
        ["harmonics=[[2, 1, 0]]", "harmonics=[]"]
    );
}

#[test]
fn a_value_put_in_from_outside_is_the_last_word_and_leaves_labels_alone() {
    let text = "[front_end]\nnoise_percent = 1.0\n[[cases]]\nseed = [4, 5]\n";
    let all = of(&with_value(text, "front_end.noise_percent", "0.3")).unwrap();
    assert_eq!(all.iter().map(|case| case.label.as_str()).collect::<Vec<_>>(), ["seed=4", "seed=5"]);
    assert!(all.iter().all(|case| case.scenario.front_end.noise_percent == 0.3));
    let twice = with_value(&with_value("seed = 1", "seed", "2"), "meter.estimator", "\"hann\"");
    let only = Scenario::from_toml(&twice, Path::new("x.toml")).unwrap();
    assert_eq!((only.seed, only.meter.estimator.name()), (2, "hann"));
}

#[test]
fn what_is_wrong_is_told_at_its_line() {
    let refused = |text: &str, message: &str| {
        let error = of(text).unwrap_err();
        assert!(error.starts_with(&format!("cellar.toml:{message}")), "{text}\n{error}");
    };
    refused(
        "seed = 1\n[[cases]]\ngrid.offset_mzh = [1]",
        "3: [grid] constant: unknown key \"offset_mzh\"; did you mean offset_mhz? ",
    );
    refused(
        "[[cases]]\nfrontend.noise_percent = [1]",
        "2: unknown key \"frontend\"; did you mean front_end? ",
    );
    refused("[[cases]]\nmeter.window_s = [\n1,\n1e6]", "4: [meter] window_s = 1e6 is outside 0.001 to 1000");
    refused("[[cases]]\nseed = 4", "2: [[cases]] seed is not a list of values: expected seed = [...]");
    refused("[[cases]]\nseed = []", "2: [[cases]] seed is not a list of values");
    refused(
        "[[cases]]\n\nseed = [1, 2]\nlimits.lock_s = [1]",
        "4: [[cases]] limits.lock_s has 1 values, and seed has 2: ",
    );
    refused(
        "[[cases]]\nseed = [1]\nlabel = [\"a\", \"b\"]",
        "3: [[cases]] label has 2 values, and seed has 1",
    );
    refused(
        "[[cases]]\nseed = [1, 1]",
        "2: [[cases]] \"seed=1\" comes twice: tell them apart with a list label",
    );
    refused(
        "[[cases]]\nlabel = [1]\nseed = [2]",
        "2: [[cases]] label: expected a line of up to 200 characters",
    );
    refused("seed = 2\n[[cases]]\n", "2: [[cases]] is empty");
    refused("[cases]\nseed = [1]", "1: cases are not a list of tables; begin each with [[cases]]");
    refused("cases = [1]", "1: [[cases]] holds something else than tables");
    refused(
        "[[cases]]\ndisturb.1.degrees = [1]",
        "2: [[cases]] disturb.1.degrees: the file has no list disturb",
    );
    let jump = "[[disturb]]\nkind = \"phase-jump\"\nat_s = 3\ndegrees = 4\n[[cases]]\n";
    refused(
        &format!("{jump}disturb.2.degrees = [1]"),
        "6: [[cases]] disturb.2.degrees: there is no place 2 in a list of 1: expected 1 to 1",
    );
    refused(&format!("{jump}disturb.0.degrees = [1]"), "6: [[cases]] disturb.0.degrees: there is no place 0");
    refused(
        "seed = 4\n[[cases]]\nseed.of.it = [1]",
        "3: [[cases]] seed.of.it: there is no of in what is one value",
    );
    let many = format!(
        "[[cases]]\nseed = {:?}\n[[cases]]\nduration_s = {:?}",
        (0..101).collect::<Vec<_>>(),
        (1..101).collect::<Vec<_>>()
    );
    refused(&many, "2: [[cases]] come to more than 10000");
    // One behind the end.
    refused(
        &with_value("seed = 1", "front_end.noise_percent", "300"),
        "4: [front_end] noise_percent = 300 is outside 0 to 100",
    );
}

#[test]
fn one_scenario_is_not_made_of_many() {
    let error =
        Scenario::from_toml("seed = 1\n[[cases]]\nseed = [1, 2]", Path::new("cellar.toml")).unwrap_err();
    assert_eq!(error.to_string(), "cellar.toml:2: [[cases]] make 2 scenarios of this file: choose one");
}

#[test]
fn a_case_is_chosen_by_its_label() {
    let cases = || of("[[cases]]\nseed = [4, 15]").unwrap();
    assert_eq!(choose(cases(), Some("seed=15")).unwrap().scenario.seed, 15);
    assert_eq!(choose(cases(), None).unwrap_err(), "has 2 cases: choose one with --case: seed=4; seed=15");
    assert_eq!(
        choose(cases(), Some("seed=5")).unwrap_err(),
        "no case is called \"seed=5\"; did you mean seed=15? There are: seed=4; seed=15"
    );
    assert_eq!(choose(of("seed = 6").unwrap(), None).unwrap().scenario.seed, 6);
    assert_eq!(choose(of("").unwrap(), Some("x")).unwrap_err(), "has no cases: leave --case out");
}
