#![no_std]
#![no_main]
#![feature(abi_avr_interrupt)]
//! The same sensor written the naive way: the last period by an f32 division, two decimals, no window, no gate, no uncertainty, no word of a
//! lost signal. For the table of costs.

use avr_sensor::{interrupts, serial, timer};
use humtick::source::EdgeQueue;
use humtick::{Edge, Source, Stamp};

static QUEUE: EdgeQueue<8> = EdgeQueue::new();

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_10() {
    // SAFETY: this is a handler.
    QUEUE.send(Edge::rising(unsafe { timer::captured() }));
}

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_13() {
    // SAFETY: this is the overflow's handler.
    unsafe { timer::overflowed() }
}

#[unsafe(no_mangle)]
extern "C" fn main() -> ! {
    serial::start();
    timer::start_capturing();
    interrupts::enable();
    let (mut last, mut edges) = (Stamp::new(0), 0u8);
    loop {
        while let Ok(edge) = (&QUEUE).next_edge() {
            let hertz = naive_edge(last, edge.stamp);
            last = edge.stamp;
            edges += 1;
            if edges == 5 {
                edges = 0;
                let mut line = [0; 12];
                naive_line(hertz, &mut line);
                serial::write(&line);
            }
        }
        interrupts::sleep_unless(|| !QUEUE.is_empty());
    }
}

#[inline(never)]
#[unsafe(no_mangle)]
fn naive_edge(last: Stamp, stamp: Stamp) -> f32 {
    2e6 / (stamp - last).count() as f32
}

#[inline(never)]
#[unsafe(no_mangle)]
fn naive_line(hertz: f32, line: &mut [u8; 12]) {
    let mut rest = (hertz * 100.0 + 0.5) as u32;
    *line = *b"        . \r\n";
    for place in [9, 8, 6, 5, 4, 3] {
        line[place] = b'0' + (rest % 10) as u8;
        rest /= 10;
    }
    line[7] = b'.';
}
