//! The board behind `board.c`.

use std::error::Error;
use std::ffi::{CString, c_char, c_int};

/// Interrupt vectors of the ATmega328P, reset included.
pub const VECTORS: usize = 26;

/// Cycles of something that was done again and again.
#[derive(Clone, Copy)]
#[repr(C)]
pub struct Cost {
    /// How often.
    pub count: u64,
    /// All together.
    pub total: u64,
    /// The fewest.
    pub least: u64,
    /// The most.
    pub most: u64,
}

#[repr(C)]
struct Opaque([u8; 0]);

unsafe extern "C" {
    fn board_new(elf: *const c_char, port: c_char, pin: c_int) -> *mut Opaque;
    fn board_edges(board: *mut Opaque, cycles: *const u64, levels: *const u8, edges: usize);
    fn board_paint(board: *mut Opaque, from: u16);
    fn board_stack(board: *const Opaque) -> u16;
    fn board_watch(board: *mut Opaque, entry: u32) -> c_int;
    fn board_run(board: *mut Opaque, cycle: u64) -> c_int;
    fn board_sent(board: *const Opaque, bytes: *mut *const u8, at: *mut *const u64) -> usize;
    fn board_captures(board: *const Opaque, captures: *mut *const u64) -> usize;
    fn board_started(board: *const Opaque) -> u64;
    fn board_interrupt(board: *const Opaque, vector: c_int) -> Cost;
    fn board_span(board: *const Opaque, span: c_int) -> Cost;
}

/// Level changes on the pin, in order of time.
pub struct Edges {
    cycles: Vec<u64>,
    levels: Vec<u8>,
}

impl Edges {
    /// Reads `CYCLE LEVEL` or `CYCLE` a line.
    pub fn parse(text: &str) -> Result<Self, Box<dyn Error>> {
        let mut edges = Self { cycles: Vec::new(), levels: Vec::new() };
        for (number, line) in text.lines().enumerate() {
            let wrong =
                || format!("line {}: wanted a cycle, or a cycle and 0 or 1, not {line:?}", number + 1);
            let (cycle, level) =
                line.split_once(' ').map_or((line, None), |(cycle, level)| (cycle, Some(level)));
            let cycle: u64 = cycle.parse().map_err(|_| wrong())?;
            match level {
                None => {
                    edges.push(cycle, 1, number)?;
                    edges.push(cycle + 16, 0, number)?;
                }
                Some("1") => edges.push(cycle, 1, number)?,
                Some("0") => edges.push(cycle, 0, number)?,
                Some(_) => return Err(wrong().into()),
            }
        }
        Ok(edges)
    }

    fn push(&mut self, cycle: u64, level: u8, number: usize) -> Result<(), Box<dyn Error>> {
        if self.cycles.last().is_some_and(|last| *last > cycle) {
            return Err(format!("line {}: cycle {cycle} is before the last one", number + 1).into());
        }
        self.cycles.push(cycle);
        self.levels.push(level);
        Ok(())
    }
}

/// The emulated board. There is one a process, and it lives as long.
pub struct Board(*mut Opaque);

impl Board {
    /// A board with the firmware of `elf`, whose edges come to `pin`, such as B0.
    pub fn new(elf: &str, pin: &str) -> Result<Self, Box<dyn Error>> {
        let &[port @ b'B'..=b'D', bit @ b'0'..=b'7'] = pin.as_bytes() else {
            return Err(format!("a pin is B0 to D7, not {pin}").into());
        };
        let path = CString::new(elf)?;
        // SAFETY: the path is a string; the shim copies what it keeps.
        let board = unsafe { board_new(path.as_ptr(), port as c_char, c_int::from(bit - b'0')) };
        if board.is_null() {
            return Err(format!("{elf}: not a firmware that libsimavr can load").into());
        }
        Ok(Self(board))
    }

    /// Paints the memory from `from` on, to see later how much of it the stack used.
    pub fn paint(&mut self, from: u16) {
        // SAFETY: the board lives, and all 64 KiB of addresses below its end are memory of the shim's.
        unsafe { board_paint(self.0, from) }
    }

    /// Bytes of stack used.
    pub fn stack(&self) -> u16 {
        // SAFETY: the board lives.
        unsafe { board_stack(self.0) }
    }

    /// Counts the cycles of the function at `entry`, from now on.
    pub fn watch(&mut self, entry: u32) -> Result<(), Box<dyn Error>> {
        // SAFETY: the board lives.
        if unsafe { board_watch(self.0, entry) } < 0 {
            return Err("too many functions to watch".into());
        }
        Ok(())
    }

    /// Plays `edges` and runs to `cycle`; false if the processor has stopped before.
    pub fn run(&mut self, edges: &Edges, cycle: u64) -> bool {
        // SAFETY: the board lives, and does not look at the edges after this call.
        unsafe {
            board_edges(self.0, edges.cycles.as_ptr(), edges.levels.as_ptr(), edges.cycles.len());
            board_run(self.0, cycle) != 0
        }
    }

    /// The bytes that the serial port has sent, and the cycle of each.
    pub fn sent(&self) -> (&[u8], &[u64]) {
        let (mut bytes, mut at) = (std::ptr::null(), std::ptr::null());
        // SAFETY: the shim's arrays have that many elements, and stay as long as nothing runs.
        unsafe {
            match board_sent(self.0, &mut bytes, &mut at) {
                0 => (&[], &[]),
                len => (std::slice::from_raw_parts(bytes, len), std::slice::from_raw_parts(at, len)),
            }
        }
    }

    /// Every capture that the firmware has read, in ticks of 8 cycles since it started the timer.
    pub fn captures(&self) -> &[u64] {
        let mut captures = std::ptr::null();
        // SAFETY: as for the bytes.
        unsafe {
            match board_captures(self.0, &mut captures) {
                0 => &[],
                len => std::slice::from_raw_parts(captures, len),
            }
        }
    }

    /// The cycle in which the firmware started the timer.
    pub fn started(&self) -> u64 {
        // SAFETY: the board lives.
        unsafe { board_started(self.0) }
    }

    /// Cycles of an interrupt's handler.
    pub fn interrupt(&self, vector: usize) -> Cost {
        // SAFETY: the board lives; vectors are below 26.
        unsafe { board_interrupt(self.0, vector.min(VECTORS - 1) as c_int) }
    }

    /// Cycles of the function watched as number `span`.
    pub fn span(&self, span: usize) -> Cost {
        // SAFETY: as many were watched.
        unsafe { board_span(self.0, span as c_int) }
    }
}
