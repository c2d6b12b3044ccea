//! The tables `[[disturb]]`.

use super::{read, refusal, refused};
use crate::scenario::Disturb;

#[test]
fn each_kind_of_disturbance() {
    let one = |text: &str| match read(&format!("[[disturb]]\nkind = {text}")).disturb.as_slice() {
        [one] => one.clone(),
        other => panic!("{other:?}"),
    };
    let dip = |length_s, residual_percent, times, every_s| Disturb::Dip {
        at_s: 5.0,
        length_s,
        residual_percent,
        times,
        every_s,
    };
    assert_eq!(one("\"dip\"\nat_s = 5\ncycles = 2.5\nresidual_percent = 40"), dip(0.05, 40.0, 1, 10.0));
    assert_eq!(
        one("\"interruption\"\nat_s = 5\nlength_s = 2\ntimes = 3\nevery_s = 4"),
        dip(2.0, 0.0, 3, 4.0)
    );
    assert_eq!(
        one("\"amplitude-step\"\nat_s = 5\npercent = 110"),
        Disturb::AmplitudeStep { at_s: 5.0, percent: 110.0 }
    );
    assert_eq!(
        one("\"impulses\"\nrate_hz = 1\nsize_percent = 2\nwidth_us = 3\nstart_s = 4"),
        Disturb::Impulses { rate_hz: 1.0, size_percent: 2.0, width_us: 3.0, start_s: 4.0, stop_s: 60.0 }
    );
    let burst = |length_ms, pulse_hz| Disturb::Burst {
        at_s: 5.0,
        length_ms,
        pulse_hz,
        period_ms: 300.0,
        times: 1,
        size_percent: -80.0,
        width_us: 0.05,
    };
    assert_eq!(one("\"burst\"\nat_s = 5\nsize_percent = -80"), burst(15.0, 5_000.0));
    assert_eq!(one("\"burst\"\nat_s = 5\nsize_percent = -80\npulse_hz = 1e5"), burst(0.75, 100_000.0));
    assert_eq!(
        one("\"notches\"\nphase_deg = 30\ndepth_percent = 40\nwidth_us = 100\nstop_s = 50"),
        Disturb::Notches {
            per_cycle: 6,
            phase_deg: 30.0,
            depth_percent: 40.0,
            width_us: 100.0,
            start_s: 0.0,
            stop_s: 50.0
        }
    );
    assert_eq!(
        one("\"phase-jump\"\nat_s = 5\ndegrees = -3"),
        Disturb::PhaseJump { at_s: 5.0, degrees: -3.0 }
    );
    assert_eq!(
        one("\"signalling\"\nat_s = 5\nhz = 175\npercent = 2\npulse_s = 0.5\ntimes = 7"),
        Disturb::Signalling { at_s: 5.0, hz: 175.0, percent: 2.0, pulse_s: 0.5, every_s: 1.0, times: 7 }
    );
}

/// Table 1 and 2 of IEC 61000-4-11: 25 cycles of 50 Hz last as long as 30 of 60 Hz.
#[test]
fn the_dips_of_a_class_come_one_after_another() {
    let dips = |nominal, class, times| {
        let text = format!(
            "nominal_hz = {nominal}\n[[disturb]]\nkind = \"dip\"\npreset = \"class-{class}\"\nat_s = 5\ntimes = {times}"
        );
        let all = read(&text).disturb.into_iter().map(|disturb| match disturb {
            Disturb::Dip { at_s, length_s, residual_percent, every_s: 10.0, times: n } if n == times => {
                (at_s, residual_percent, length_s)
            }
            other => panic!("{other:?}"),
        });
        all.collect::<Vec<_>>()
    };
    assert_eq!(dips(50, 2, 1), [(5.0, 0.0, 0.01), (15.0, 0.0, 0.02), (25.0, 70.0, 0.5), (35.0, 0.0, 5.0)]);
    let class_3 = dips(60, 3, 3);
    assert_eq!(class_3[2], (65.0, 40.0, 0.2));
    assert_eq!(class_3.last(), Some(&(155.0, 0.0, 5.0)));
    assert_eq!(class_3.len(), 6);
    refused(
        "nominal_hz = 400\n[[disturb]]\nkind = \"dip\"\nat_s = 5\npreset = \"class-2\"",
        "5: [[disturb]] dip: the classes are of 50 and 60 Hz, and nominal_hz is 400",
    );
}

#[test]
fn a_disturbance_says_what_it_lacks() {
    let disturb = |text: &str| refusal(&format!("\n[[disturb]]\n{text}"));
    assert_eq!(
        disturb("at_s = 3"),
        "2: [[disturb]] kind is missing: expected one of dip, interruption, amplitude-step, impulses, burst, notches, \
         phase-jump, signalling"
    );
    assert!(
        disturb("kind = \"dips\"\nat_s = 3").starts_with(
            "3: [[disturb]] kind = \"dips\" is not one of the words it may be; did you mean dip?"
        )
    );
    for (text, message) in [
        (
            "kind = \"dip\"\nat_s = 3\nlength_s = 1",
            "2: [[disturb]] dip: residual_percent is missing: expected 0 to 200",
        ),
        (
            "kind = \"dip\"\nat_s = 3\nresidual_percent = 1",
            "2: [[disturb]] dip: length_s is missing: expected seconds, or cycles in its place",
        ),
        (
            "kind = \"interruption\"\nat_s = 3\nlength_s = 1\ncycles = 3",
            "6: [[disturb]] interruption: cycles and length_s say the same: expected one of them",
        ),
        (
            "kind = \"interruption\"\nat_s = 3\nlength_s = 2\ntimes = 2\nevery_s = 2",
            "7: [[disturb]] interruption: every_s = 2 is no longer than a dip of 2 s: the dips would overlap",
        ),
        (
            "kind = \"notches\"\nphase_deg = 0\ndepth_percent = 50\nwidth_us = 3334",
            "6: [[disturb]] notches: width_us = 3334: expected less than the 3333.3 us from notch to notch",
        ),
        (
            "kind = \"impulses\"\nrate_hz = 1\nsize_percent = 2\nwidth_us = 3\nstart_s = 5\nstop_s = 4",
            "8: [[disturb]] impulses: stop_s = 4 is before start_s = 5",
        ),
        (
            "kind = \"burst\"\nat_s = 1\nsize_percent = 2\nwidth_us = 200",
            "6: [[disturb]] burst: width_us = 200: expected less than the 200 us from pulse to pulse",
        ),
        (
            "kind = \"burst\"\nat_s = 1\nsize_percent = 2\nlength_ms = 301\ntimes = 2",
            "6: [[disturb]] burst: length_ms = 301 is longer than period_ms = 300: the bursts would overlap",
        ),
        (
            "kind = \"signalling\"\nat_s = 1\nhz = 175\npercent = 2\npulse_s = 1\nevery_s = 1",
            "8: [[disturb]] signalling: every_s = 1 is no longer than pulse_s = 1: the pulses would run together",
        ),
        (
            "kind = \"dip\"\nat_s = 1\npreset = \"class-2\"\nevery_s = 5",
            "6: [[disturb]] dip: every_s = 5: expected more than the 5 s of the longest dip",
        ),
        // A preset has its own lengths.
        (
            "kind = \"dip\"\nat_s = 1\npreset = \"class-2\"\nlength_s = 5",
            "6: [[disturb]] dip: unknown key \"length_s\"; did you mean every_s? Known: kind, preset, at_s, times, every_s",
        ),
    ] {
        assert_eq!(disturb(text), message, "{text}");
    }
}
