//! The same stamps through the host, Cortex-M0, Cortex-M3 and RV32IMC: what the sensor says is the same to the last digit, and each
//! firmware stays within its budget.

#[path = "common/budget.rs"]
mod costs;
mod emulator;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use emulator::{Board, CORTEX_M0, CORTEX_M3, RISC_V};
use full_sensor::{Input, News, Sensor, record};
use humtick::link::{MAX_LINE, line};
use humtick::{Edge, Stamp, TickRate};
use humtick_sim::board;
use humtick_sim::scenario::Scenario;
use humtick_sim::scenario::built_in;
use humtick_sim::timeline::extender;
use object::{Object as _, ObjectSection as _, ObjectSymbol as _, SectionKind};
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

/// A scenario's mains on a timer of the sensor's rate, beside a pulse per second which comes so many ticks late in a second and goes for the
/// last third, and the time every 50 ms.
fn inputs(text: &str, late: f64) -> Vec<Input> {
    let scenario = Scenario::from_toml(text, Path::new("built in")).unwrap();
    assert_eq!(scenario.timer.tick_hz, 2_000_000);
    let extend = extender(scenario.timer.bits).unwrap();
    let mut all: Vec<(u64, Input)> =
        board::captures(&scenario, 1).map(|h| (h.ticks, Input::Mains(extend(h.capture)))).collect();
    let mut random = Pcg64Mcg::seed_from_u64(1);
    let jitter = Normal::new(0.0, 0.2).unwrap();
    for second in 1..(scenario.duration_s * 2.0 / 3.0) as u64 {
        let at = (second as f64 * (2e6 + late) + jitter.sample(&mut random)) as u64;
        all.push((at, Input::Pulse(Edge::rising(Stamp::new(at as u32)))));
    }
    for turn in 0..(scenario.duration_s * 20.0) as u64 {
        all.push((turn * 100_000, Input::Time(Stamp::new((turn * 100_000) as u32))));
    }
    all.sort_by_key(|(at, _)| *at);
    all.into_iter().map(|(_, input)| input).collect()
}

fn built_in(name: &str) -> &'static str {
    built_in::ALL.iter().find(|(n, _)| *n == name).unwrap().1
}

/// What the sensor says on the host.
fn news(inputs: &[Input]) -> Vec<News> {
    let mut sensor = Sensor::new(TickRate::from_hz(2_000_000).unwrap()).unwrap();
    let mut all = Vec::new();
    for input in inputs {
        sensor.take(*input, |news| all.push(news));
    }
    all
}

/// Their readings as the firmware writes them.
fn lines(news: &[News]) -> Vec<u8> {
    let mut to = [0; MAX_LINE];
    let mut all = Vec::new();
    for news in news {
        if let News::Reading(record) = news {
            all.extend_from_slice(line(record, &mut to));
        }
    }
    all
}

/// A folder of this test's own, with the inputs in it.
fn folder(name: &str, inputs: &[Input]) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("qemu").join(name);
    std::fs::create_dir_all(&folder).unwrap();
    let bytes: Vec<u8> = inputs.iter().flat_map(|input| record::encode(*input)).collect();
    std::fs::write(folder.join("stamps.bin"), bytes).unwrap();
    folder
}

const SCENARIOS: [&str; 3] = ["saw-start", "plant-islands", "welding-neighbour"];

fn says_what_the_host_says(board: &Board) {
    if !board.is_there() {
        return;
    }
    let firmware = board.build(board.example, &[]);
    for scenario in SCENARIOS {
        let inputs = inputs(built_in(scenario), 74.0);
        let folder = folder(&format!("{} {scenario}", board.name), &inputs);
        board.run(&firmware, &folder);
        let (said, wanted) = (std::fs::read(folder.join("lines.txt")).unwrap(), lines(&news(&inputs)));
        assert!(wanted.len() > 30_000 && wanted.starts_with(b"h1 0 "));
        let differ = said.split(|b| *b == b'\n').zip(wanted.split(|b| *b == b'\n')).find(|(a, b)| a != b);
        let shown = differ.map(|(a, b)| (String::from_utf8_lossy(a), String::from_utf8_lossy(b)));
        assert!(said == wanted, "{} over {scenario}: {shown:?}", board.name);
        if scenario == "plant-islands" {
            golden(&said, board.name);
        }
    }
}

/// The first half minute as it looks in a terminal, beside the source that all boards share.
#[track_caller]
fn golden(said: &[u8], board: &str) {
    let text = std::str::from_utf8(said).unwrap().replace('\r', "");
    let start: String = text.split_inclusive('\n').take(300).collect();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/full-sensor/golden.txt");
    if costs::blessed() {
        std::fs::write(&path, &start).unwrap();
    }
    assert!(start == std::fs::read_to_string(&path).unwrap(), "{board}: not {}", path.display());
}

#[test]
fn cortex_m0_says_what_the_host_says() {
    says_what_the_host_says(&CORTEX_M0);
}

#[test]
fn cortex_m3_says_what_the_host_says() {
    says_what_the_host_says(&CORTEX_M3);
}

#[test]
fn risc_v_says_what_the_host_says() {
    says_what_the_host_says(&RISC_V);
}

/// Events, ten-second readings and the clock's standing go through defmt's frames and back.
#[test]
fn the_log_is_decoded() {
    let board = CORTEX_M3;
    if !board.is_there() {
        return;
    }
    let firmware = board.build(board.example, &["log"]);
    let inputs = inputs(built_in("plant-islands"), 74.0);
    let folder = folder("log", &inputs);
    let frames = board.run(&firmware, &folder);
    let table = defmt_decoder::Table::parse(&std::fs::read(&firmware).unwrap()).unwrap().unwrap();
    let mut decoder = table.new_stream_decoder();
    decoder.received(&frames);
    let mut said = Vec::new();
    while let Ok(frame) = decoder.decode() {
        said.push(frame.display_message().to_string());
    }
    let news = news(&inputs);
    let wanted: Vec<_> =
        news.iter().filter(|n| !matches!(n, News::Reading(_))).map(|n| format!("{n:?}")).collect();
    assert!(
        wanted.iter().any(|w| w.starts_with("Event(Left(")) && wanted.iter().any(|w| w.starts_with("Clock(")),
        "{wanted:?}"
    );
    assert_eq!(said, wanted);
}

/// Bytes of flash, and the names of all that is linked.
fn linked(firmware: &Path) -> (f64, Vec<String>) {
    let bytes = std::fs::read(firmware).unwrap();
    let file = object::File::parse(&*bytes).unwrap();
    let in_flash = |kind| {
        matches!(
            kind,
            SectionKind::Text | SectionKind::ReadOnlyData | SectionKind::ReadOnlyString | SectionKind::Data
        )
    };
    // Of what is loaded: debug information has no address.
    let flash: u64 = file
        .sections()
        .filter(|s| s.address() > 0 || s.name() == Ok(".vector_table"))
        .filter(|s| in_flash(s.kind()))
        .map(|s| s.size())
        .sum();
    let names = file.symbols().filter_map(|symbol| symbol.name().ok().map(str::to_owned)).collect();
    (flash as f64, names)
}

/// Instructions, bytes of flash and of stack; the sensor with everything on, and a plain meter's costs.
#[test]
fn costs_are_within_their_budget_and_near_it() {
    let mut measured = costs::Table::new();
    for board in [CORTEX_M0, CORTEX_M3] {
        if !board.is_there() {
            return;
        }
        let inputs = inputs(built_in("plant-islands"), 74.0);
        let folder = folder(&format!("{} costs", board.name), &inputs);
        let sensor = board.build(board.example, &[]);
        board.run(&sensor, &folder);
        let stack = std::fs::read(folder.join("stack.bin")).unwrap();
        let stack = u32::from_le_bytes(stack.try_into().unwrap());
        let flash = |program| linked(&board.build(program, &[])).0;
        let mut row = BTreeMap::from([
            ("flash".to_owned(), flash("bare")),
            ("flash_of_a_plain_meter".to_owned(), flash("plain")),
            ("stack".to_owned(), stack.into()),
        ]);
        board.run(&board.build("costs", &[]), &folder);
        for line in std::fs::read_to_string(folder.join("costs.txt")).unwrap().lines() {
            let cells: Vec<_> = line.split('\t').collect();
            let (times, instructions): (f64, f64) = (cells[1].parse().unwrap(), cells[2].parse().unwrap());
            assert!(times > 1_000.0, "{line}");
            row.insert(cells[0].replace(' ', "_"), instructions / times);
        }
        assert_eq!(row.len(), 7, "{row:?}");
        measured.insert(board.name.to_lowercase(), row);
    }
    let head = "# What the firmware may take: bytes, and instructions under qemu (a lower bound of cycles). Written by\n\
                # `HUMTICK_BLESS=1 cargo test --test qemu costs`, which leaves 1 % of room.\n";
    costs::hold(&Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/cortex-m-sensor"), head, &measured);
}

/// The same for RISC-V, whose program is measured with the emulator's files in it.
#[test]
fn costs_of_risc_v_are_within_their_budget_and_near_it() {
    let board = RISC_V;
    if !board.is_there() {
        return;
    }
    let (flash, _) = linked(&board.build(board.example, &[]));
    assert!(flash > 10_000.0, "{flash}");
    let measured = costs::Table::from([("rv32imc".into(), BTreeMap::from([("flash".to_owned(), flash)]))]);
    let head = "# What the firmware may take, in bytes. Written by `HUMTICK_BLESS=1 cargo test --test qemu costs`, which leaves 1 % of room.\n";
    costs::hold(&Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/riscv-sensor"), head, &measured);
}

/// No panic, no text formatting, no allocator, no float, nothing of 128 bits, with everything on. The emulator's files apart, whose way
/// of reading and writing may panic.
#[test]
fn the_firmware_holds_nothing_it_must_not() {
    let is_forbidden = |name: &String| {
        let parts = ["panicking", "core3fmt", "__rust_alloc", "__rg_", "compiler_builtins5float"];
        parts.iter().any(|part| name.contains(part))
            || ["__aeabi_f", "__aeabi_d"].iter().any(|start| name.starts_with(start))
            || name.starts_with("__") && name.ends_with("ti3")
    };
    for (board, program) in
        [CORTEX_M0, CORTEX_M3].into_iter().flat_map(|board| [(board, "bare"), (board, "plain")])
    {
        if !board.is_there() {
            return;
        }
        let (flash, names) = linked(&board.build(program, &[]));
        let wrong: Vec<_> = names.iter().filter(|name| is_forbidden(name)).collect();
        assert!(wrong.is_empty() && names.len() > 20 && flash > 10_000.0, "{}: {wrong:?}", board.name);
    }
    // The bench, which divides in single precision and prints, shows that both would have been found.
    let (_, names) = linked(&CORTEX_M0.build("costs", &[]));
    assert!(
        ["core3fmt", "divsf3"]
            .iter()
            .all(|part| names.iter().any(|name| name.contains(part) && is_forbidden(name)))
    );
}
