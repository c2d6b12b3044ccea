//! The simulator that visits only what matters, against one that visits everything.

use std::path::Path;

use humtick::Polarity;
use humtick_sim::course::{Course, Part};
use humtick_sim::mains::Mains;
use humtick_sim::scenario::Scenario;

#[path = "../benches/dense/mod.rs"]
mod dense;

use dense::Dense;

/// First edge of each rising burst in sigma over slew from the true crossing, and how many edges it has.
#[derive(Default)]
struct Bursts {
    cycle: i64,
    first: Vec<f64>,
    sizes: Vec<f64>,
}

impl Bursts {
    /// An edge at so many turns of the grid's phase.
    fn take(&mut self, turns: f64) {
        let cycle = turns.round() as i64;
        if (turns - cycle as f64).abs() > 0.25 {
            return;
        }
        if self.first.is_empty() || cycle != self.cycle {
            self.first.push(turns - cycle as f64);
            self.sizes.push(0.0);
            self.cycle = cycle;
        }
        *self.sizes.last_mut().unwrap() += 1.0;
    }
}

/// Largest distance of the two empirical distributions, in units of sqrt((n + m)/(n m)).
fn kolmogorov(mut a: Vec<f64>, mut b: Vec<f64>) -> f64 {
    a.sort_by(f64::total_cmp);
    b.sort_by(f64::total_cmp);
    let (mut i, mut j, mut worst) = (0, 0, 0.0f64);
    let (n, m) = (a.len() as f64, b.len() as f64);
    while i < a.len() && j < b.len() {
        let x = a[i].min(b[j]);
        while i < a.len() && a[i] <= x {
            i += 1;
        }
        while j < b.len() && b[j] <= x {
            j += 1;
        }
        worst = worst.max((i as f64 / n - j as f64 / m).abs());
    }
    worst / ((n + m) / (n * m)).sqrt()
}

/// Beyond 1.95 two samples of one distribution come once in a thousand (Smirnov's table; Knuth, TAOCP 3.3.1).
const ONE_IN_A_THOUSAND: f64 = 1.95;

fn compare(r: f64, hysteresis_sigma: f64) -> (f64, f64) {
    let (bandwidth, seconds) = (4_000.0, 400.0);
    let sigma = r * 50.0 * 3f64.sqrt() / bandwidth;
    let text = format!(
        "duration_s = {seconds}\n[front_end]\nlowpass_hz = \"none\"\nnoise_bandwidth_hz = {bandwidth}\nnoise_percent = {}\n\
         hysteresis_percent = {}\n",
        100.0 * sigma,
        100.0 * sigma * hysteresis_sigma
    );
    let scenario = Scenario::from_toml(&text, Path::new("test")).unwrap();
    let mut fast = Bursts::default();
    for t in Mains::new(&scenario, 2) {
        fast.take(50.0 * t.at.seconds());
    }
    let plain = Dense {
        harmonics: vec![],
        sigma,
        bandwidth,
        points: 40,
        hysteresis: sigma * hysteresis_sigma,
        seed: 3,
    };
    let mut every = Bursts::default();
    plain.run(Course::new(vec![Part::Constant(50.0)]), seconds, |at, _, _| every.take(50.0 * at));
    assert!(fast.first.len() > 19_900 && every.first.len() > 19_900);
    (kolmogorov(fast.first, every.first), kolmogorov(fast.sizes, every.sizes))
}

#[test]
fn bursts_are_distributed_alike() {
    for (r, hysteresis) in [(0.3, 0.0), (1.0, 0.0), (3.55, 0.0), (3.55, 1.0)] {
        let (first, sizes) = compare(r, hysteresis);
        println!("r {r}, W {hysteresis}: {first:.2} {sizes:.2}");
        assert!(first < ONE_IN_A_THOUSAND, "first edges, r {r}, W {hysteresis}: {first}");
        assert!(sizes < ONE_IN_A_THOUSAND, "sizes, r {r}, W {hysteresis}: {sizes}");
    }
}

/// The test can tell a tenth more noise.
#[test]
fn the_distance_notices_a_difference() {
    let a: Vec<f64> = (0..20_000).map(|i| (f64::from(i) + 0.5) / 20_000.0).collect();
    let b = a.iter().map(|x| 0.5 + (x - 0.5) * 1.1).collect();
    assert!(kolmogorov(a.clone(), a.clone()) < 1e-9);
    assert!(kolmogorov(a, b) > ONE_IN_A_THOUSAND);
}

/// Without noise: every crossing of a distorted, swinging mains to 1 ns, the sum of its sines bisected.
#[test]
fn crossings_without_noise_agree_to_a_nanosecond() {
    let text = "duration_s = 20\n[grid]\nshape = \"swing\"\nsize_mhz = 300.0\nperiod_s = 7.0\n[voltage]\n\
                harmonics = \"en50160\"\n[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0\nhysteresis_percent = 1.0\n";
    let scenario = Scenario::from_toml(text, Path::new("test")).unwrap();
    let mut phase = humtick_sim::course::History::new(humtick_sim::mains::grid::course(&scenario));
    let wave = |turns: f64| {
        let one = |(order, percent, degrees): &(u32, f64, f64)| {
            percent / 100.0 * (std::f64::consts::TAU * (f64::from(*order) * turns + degrees / 360.0)).sin()
        };
        (std::f64::consts::TAU * turns).sin() + scenario.voltage.harmonics.iter().map(one).sum::<f64>()
    };
    let mut count = 0;
    for t in Mains::new(&scenario, 1) {
        let rising = t.polarity == Polarity::Rising;
        let sum = phase.sum(t.at);
        let cycle = (sum.part * 2.0).round() / 2.0;
        // The threshold's root within a twentieth of a turn of the zero.
        let (mut low, mut high) = (cycle - 0.05, cycle + 0.05);
        let level = if rising { 0.005 } else { -0.005 };
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if (wave(middle) > level) == rising { high = middle } else { low = middle }
        }
        let off_s = (sum.part - low) / phase.rate(t.at);
        assert!(off_s.abs() < 1e-9, "{off_s} s at {:?}", t.at);
        count += 1;
    }
    assert!((1_999..=2_001).contains(&count), "{count}");
}
