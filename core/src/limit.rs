//! Every limit of the crate, once, with its reason. Checks, messages and test generators read them here.

/// Slowest counter in hertz. Below 1 kHz one tick is 5 % of a 50 Hz period and no estimator helps.
pub const MIN_TICK_HZ: u32 = 1_000;

/// Fastest counter in hertz: one nanosecond a tick, finer than any capture unit's synchroniser.
pub const MAX_TICK_HZ: u32 = 1_000_000_000;

/// Shortest period in ticks. With fewer, one tick of quantisation is more than 1.6 % of a period
/// and the gate around an expected crossing has no room to be narrower than the cycle.
pub const MIN_PERIOD: u32 = 64;

/// Longest period in ticks, 2^27: periods are tracked in sixteenths of a tick in 32 bits, offsets from them with a sign.
/// 0.5 Hz fits up to a 67 MHz counter.
pub const MAX_PERIOD: u32 = 1 << 27;

/// Two stamps this far apart or farther cannot be told from a step backwards: half of the 32-bit scale.
pub const HORIZON: u32 = 1 << 31;

/// Largest window, in crossings: 1.6 s at 10 kHz. The sums of the fit are proven for this many in 64 bits.
pub const MAX_CROSSINGS: usize = 1 << 14;

/// Longest hold-off, in thousandths of the shortest period: the next crossing comes a whole one after the last, and a tenth is left for
/// jitter and for the gate.
pub const MAX_HOLDOFF_PERMILLE: u16 = 900;

/// Smallest factor from the scatter to the gate. A gate that cuts the innovations it learns from grows again by half its factor a time;
/// from three on it so outgrows any scatter.
pub const MIN_GATE_FACTOR: u8 = 3;

/// Largest factor from the scatter to the gate: 50 times 3/8 of the longest period fits in 32 bits.
pub const MAX_GATE_FACTOR: u8 = 50;

/// Highest floor of the gate, in millionths of the shortest period. A quarter period and two ticks are within the three eighths at
/// which every gate ends.
pub const MAX_GATE_FLOOR_PPM: u32 = 250_000;

/// Shortest coasting, in cycles, that can be asked for: after a jump of more than half a period four crossings have gone by when the
/// fourth edge of the chain that takes over comes.
pub const MIN_COAST: u8 = 4;

/// Longest coasting, in cycles, that can be asked for: the step from one crossing to the next is kept in eight bits.
pub const MAX_COAST: u8 = 250;

/// Largest error, tolerance or standard uncertainty of a clock, in parts per billion: 10 %, what an untrimmed RC oscillator needs
/// (value from memory).
pub const MAX_CLOCK_PPB: u32 = 100_000_000;

/// Cycles a window must hold before it gives a reading, unless it is full with fewer. Right after a lock or a step the first few
/// crossings can still be a transient's, and their scatter, with two or three degrees of freedom, hardly knows. Ten cycles are the basic
/// window of IEC 61000-4-30 at 50 Hz (200 ms; value from memory).
pub const LEAST_CYCLES: u32 = 10;

/// Largest tapered window, in crossings of one polarity: 20 s at 50 Hz. Its weighted sums are proven for this many in 64 bits.
pub const MAX_TAPERED: usize = 1 << 10;

/// Largest window of either polarity where both are used, in crossings: their sums are brought together in 64 bits.
pub const MAX_BOTH: usize = 1 << 12;

/// Shortest interval between aligned readings, in milliseconds: ten cycles at 50 Hz, twelve at 60 Hz, the basic window of
/// IEC 61000-4-30 (value from memory).
pub const MIN_INTERVAL_MS: u32 = 200;
