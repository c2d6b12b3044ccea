//! Rate of change of frequency: the bend of stamps over cycle numbers.

use super::Window;
use crate::arithmetic::{Rough, Scaled};
use crate::config::Length;
use crate::unit::Stamp;

/// The quadratic least-squares fit t = level + b x + c x^2 over the latest crossings, x in quarter cycles, each polarity with a
/// level of its own.
///
/// R = df/dt = -f^3 d^2t/dk^2, and its standard deviation under white jitter of sd s over N crossings of one polarity
/// f^3 s sqrt(720/(N(N^2-1)(N^2-4))) (the inverse of the normal equations' matrix).
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Bend {
    /// c in ticks per quarter cycle squared: negative if the frequency rises.
    pub c: Signed,
    /// Ticks a cycle in the middle of the crossings used.
    pub period: Scaled,
    /// Variance of c for unit variance of the stamps.
    pub variance: Rough,
    /// Residual variance in ticks^2.
    pub scatter: Option<Rough>,
    /// Degrees of freedom of the scatter.
    pub freedom: u32,
}

/// A [`Scaled`] with a sign.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Signed {
    pub negative: bool,
    pub size: Scaled,
}

impl Signed {
    const ZERO: Self = Self { negative: false, size: Scaled::ZERO };

    fn new(value: i64, exponent: i16) -> Self {
        Self { negative: value < 0, size: Scaled::new(value.unsigned_abs(), exponent) }
    }

    fn over(self, by: Scaled) -> Self {
        Self { size: self.size.over(by), ..self }
    }

    fn times(self, by: Self) -> Self {
        Self { negative: self.negative != by.negative, size: self.size.times(by.size) }
    }

    fn plus(self, other: Self) -> Self {
        if self.negative == other.negative {
            return Self { size: self.size.plus(other.size), ..self };
        }
        let (large, small) = if self.size.less_than(other.size) { (other, self) } else { (self, other) };
        Self { size: large.size.minus(small.size), ..large }
    }

    fn minus(self, other: Self) -> Self {
        self.plus(Self { negative: !other.negative, ..other })
    }
}

/// Most crossings of a polarity that are used, and the farthest they may lie from the middle, in quarter cycles. With residuals
/// of 20 bits the largest sum, n sum x^2 r - sum x^2 sum r, stays below 2^(8+20+20+8).
const MOST: u32 = 255;
const FARTHEST: u32 = 1 << 10;

/// Sums about the chain's own means, each over the number of its crossings.
struct Normal {
    xx: Signed,
    xq: Signed,
    qq: Signed,
    xr: Signed,
    qr: Signed,
    rr: Signed,
    n: u32,
}

/// The bend over the crossings within `length` before `now` in `windows`, one or two; `None` if they are too few.
pub(crate) fn bend<'a, const N: usize>(
    windows: impl Iterator<Item = &'a Window<N>> + Clone,
    now: Stamp,
    length: Length,
) -> Option<Bend> {
    let mut all = Normal {
        xx: Signed::ZERO,
        xq: Signed::ZERO,
        qq: Signed::ZERO,
        xr: Signed::ZERO,
        qr: Signed::ZERO,
        rr: Signed::ZERO,
        n: 0,
    };
    let mut chains = 0;
    // The first window's line is the measure for all: a slope more or less does not change the bend.
    let slope = windows.clone().next()?.period();
    let mut oldest = 0;
    for window in windows.clone() {
        let used = used(window, now, length)?;
        oldest = oldest.max(used.lag + 4 * used.far);
    }
    for window in windows {
        let one = normal(window, used(window, now, length)?, oldest / 2, slope)?;
        chains += 1;
        all = Normal {
            xx: all.xx.plus(one.xx),
            xq: all.xq.plus(one.xq),
            qq: all.qq.plus(one.qq),
            xr: all.xr.plus(one.xr),
            qr: all.qr.plus(one.qr),
            rr: all.rr.plus(one.rr),
            n: all.n + one.n,
        };
    }
    let det = all.xx.times(all.qq).minus(all.xq.times(all.xq));
    if det.negative || !Scaled::ZERO.less_than(det.size) {
        return None;
    }
    let b = all.qq.times(all.xr).minus(all.xq.times(all.qr)).over(det.size);
    let c = all.xx.times(all.qr).minus(all.xq.times(all.xr)).over(det.size);
    let freedom = all.n.checked_sub(chains + 2).filter(|f| *f > 0)?;
    let left = all.rr.minus(b.times(all.xr)).minus(c.times(all.qr));
    // b is a quarter of a cycle's.
    let period = Signed::new(slope.into(), 0).plus(Signed { size: b.size.times(Scaled::new(4, 0)), ..b });
    Some(Bend {
        c,
        period: period.size,
        variance: all.xx.size.over(det.size).rough(),
        scatter: (!left.negative).then(|| left.size.over(Scaled::new(freedom.into(), 0)).rough()),
        freedom,
    })
}

/// Which of a window's crossings are used.
struct Used {
    n: u32,
    /// Cycles from the oldest of them to the newest.
    far: u32,
    /// Quarter cycles from the newest to the newest of all polarities, as near as they go.
    lag: u32,
    largest: u32,
}

/// The crossings within `length` before `now`; `None` if they are fewer than four.
fn used<const N: usize>(window: &Window<N>, now: Stamp, length: Length) -> Option<Used> {
    let period = window.period();
    let reach = length.ticks + (period >> length.share);
    let (_, newest) = window.ends()?;
    let late = 4 * u64::from((now - newest).count()) + u64::from(period / 2);
    let lag = u32::try_from(late.checked_div(period.into())?).ok()?;
    let (mut n, mut far, mut largest) = (0u32, 0u32, 0u32);
    for (stamp, back, r) in latest(window) {
        if (now - stamp).count() > reach || lag + 4 * back > 2 * FARTHEST || n >= MOST {
            break;
        }
        (n, far, largest) = (n + 1, back, largest.max(r.unsigned_abs()));
    }
    (n >= 4).then_some(Used { n, far, lag, largest })
}

/// Stamp, cycles before the newest, and residual of each crossing, newest first, against a line through that one.
fn latest<const N: usize>(window: &Window<N>) -> impl Iterator<Item = (Stamp, u32, i32)> {
    let (mut back, mut line) = (0, window.ends().map_or(0, |(_, newest)| newest.raw()));
    window.backwards().map(move |member| {
        let place = (member.stamp, back, member.stamp.offset(Stamp::new(line)));
        back += u32::from(member.step);
        line = line.wrapping_sub(window.period().wrapping_mul(member.step.into()));
        place
    })
}

/// `middle`: quarter cycles from the middle of all polarities' crossings to the newest of them. The bend changes slopes from one place
/// to the next, so all have to count from the same.
fn normal<const N: usize>(window: &Window<N>, used: Used, middle: u32, slope: u32) -> Option<Normal> {
    let Used { n, lag, largest, .. } = used;
    let shift = (u32::BITS - largest.leading_zeros()).saturating_sub(20);
    let apart = i64::from(window.period()) - i64::from(slope);
    let (mut x1, mut x2, mut x3, mut x4) = (0i64, 0i64, 0i64, 0i64);
    let (mut r1, mut xr, mut qr, mut rr) = (0i64, 0i64, 0i64, 0i64);
    for (_, back, r) in latest(window).take(usize::try_from(n).ok()?) {
        let x = i64::from(middle) - i64::from(lag) - 4 * i64::from(back);
        // Against the common slope; the level is the chain's own.
        let r = (i64::from(r) - apart * i64::from(back)) >> shift;
        let q = x * x;
        (x1, x2, x3, x4) = (x1 + x, x2 + q, x3 + q * x, x4 + q * q);
        (r1, xr, qr, rr) = (r1 + r, xr + x * r, qr + q * r, rr + r * r);
    }
    let m = i64::from(n);
    let over = Scaled::new(n.into(), 0);
    let up = i16::try_from(shift).ok()?;
    let centred = |sum: i64, a: i64, b: i64, exponent: i16| Signed::new(m * sum - a * b, exponent).over(over);
    Some(Normal {
        xx: centred(x2, x1, x1, 0),
        xq: centred(x3, x1, x2, 0),
        qq: centred(x4, x2, x2, 0),
        xr: centred(xr, x1, r1, up),
        qr: centred(qr, x2, r1, up),
        rr: centred(rr, r1, r1, 2 * up),
        n,
    })
}
