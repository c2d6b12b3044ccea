//! A cubic over one piece of time, by its Bezier ordinates: it never leaves their hull, which tells at once that nothing crosses.

/// Ordinates of the cubic over 0 to 1.
#[derive(Clone, Copy, Debug)]
pub struct Bezier(pub [f64; 4]);

/// A division would take three times as long.
const THIRD: f64 = 1.0 / 3.0;

impl Bezier {
    /// By values and slopes at both ends, slopes per piece.
    #[inline]
    pub fn of((u0, s0): (f64, f64), (u1, s1): (f64, f64)) -> Self {
        Self([u0, u0 + s0 * THIRD, u1 - s1 * THIRD, u1])
    }

    /// Value and slope at `t`.
    #[inline]
    pub fn at(&self, t: f64) -> (f64, f64) {
        let [a, b, c, d] = self.0;
        let u = 1.0 - t;
        let value = u * u * u * a + 3.0 * t * u * u * b + 3.0 * t * t * u * c + t * t * t * d;
        (value, 3.0 * (u * u * (b - a) + 2.0 * u * t * (c - b) + t * t * (d - c)))
    }

    fn halves(&self) -> (Self, Self) {
        let [a, b, c, d] = self.0;
        let mid = |x: f64, y: f64| 0.5 * (x + y);
        let (ab, bc, cd) = (mid(a, b), mid(b, c), mid(c, d));
        let (abc, bcd) = (mid(ab, bc), mid(bc, cd));
        let middle = mid(abc, bcd);
        (Self([a, ab, abc, middle]), Self([middle, bcd, cd, d]))
    }

    /// What is left of it from `t` on, over 0 to 1 again.
    pub fn rest(&self, t: f64) -> Self {
        let [a, b, c, d] = self.0;
        let mix = |x: f64, y: f64| x + t * (y - x);
        let (ab, bc, cd) = (mix(a, b), mix(b, c), mix(c, d));
        let (abc, bcd) = (mix(ab, bc), mix(bc, cd));
        Self([mix(abc, bcd), bcd, cd, d])
    }

    /// Where it first rises above `level`, having begun at or below it; to 1e-9 of the piece, or the rounding of its values.
    #[inline]
    pub fn first_above(&self, level: f64) -> Option<f64> {
        let [a, b, c, d] = self.0;
        if (a <= level) & (b <= level) & (c <= level) & (d <= level) {
            return None;
        }
        Self([a - level, b - level, c - level, d - level]).first_positive(0)
    }

    fn first_positive(&self, depth: u32) -> Option<f64> {
        let [a, b, c, d] = self.0;
        if (a <= 0.0) & (b <= 0.0) & (c <= 0.0) & (d <= 0.0) {
            return None;
        }
        if a > 0.0 || depth == 40 {
            return Some(0.0);
        }
        if (a <= b) & (b <= c) & (c <= d) {
            return Some(self.root());
        }
        let (left, right) = self.halves();
        match left.first_positive(depth + 1) {
            Some(t) => Some(0.5 * t),
            None => right.first_positive(depth + 1).map(|t| 0.5 + 0.5 * t),
        }
    }

    /// The root of a cubic that only rises, from at most zero to more: Halley's method, kept between its bounds.
    fn root(&self) -> f64 {
        let [a, b, c, d] = self.0;
        let (c1, c2, c3) = (3.0 * (b - a), 3.0 * (a - 2.0 * b + c), d - a + 3.0 * (b - c));
        let (mut low, mut high) = (0.0, 1.0);
        let mut t = a / (a - d);
        for _ in 0..60 {
            let square = t * t;
            let value = (a + t * c1) + square * (c2 + t * c3);
            let half_bend = c2 + t * 3.0 * c3;
            let slope = c1 + t * (c2 + half_bend);
            let step = value * slope / (slope * slope - value * half_bend);
            // Halley triples the digits: after this step it is off by some 1e-14.
            if value.abs() < 2e-5 * slope {
                return (t - step).clamp(0.0, 1.0);
            }
            *(if value > 0.0 { &mut high } else { &mut low }) = t;
            let next = t - step;
            t = if next > low && next < high { next } else { 0.5 * (low + high) };
            if high - low < 1e-12 {
                break;
            }
        }
        t
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Against a walk in small steps.
        #[test]
        fn the_first_crossing_is_found(mut o in prop::array::uniform4(-1.0f64..1.0), level in -0.9f64..0.9) {
            o[0] = -o[0].abs() + level;
            let cubic = Bezier(o);
            let walked = (1..=20_000).map(|i| f64::from(i) / 20_000.0).find(|t| cubic.at(*t).0 > level);
            let found = cubic.first_above(level);
            match (walked, found) {
                (Some(w), Some(f)) => {
                    prop_assert!(f <= w + 1e-9, "{f} after {w}");
                    prop_assert!(f >= w - 1.0 / 20_000.0 - 1e-9 || cubic.at(f + 1e-7).0 > level - 1e-9, "{f} {w}");
                    prop_assert!((cubic.at(f).0 - level).abs() < 1e-8 || f == 0.0);
                }
                // A crest that barely shows falls between the steps.
                (None, Some(f)) => prop_assert!((cubic.at(f).0 - level).abs() < 1e-6),
                (Some(w), None) => prop_assert!(false, "missed at {w}"),
                (None, None) => {}
            }
        }

        #[test]
        fn the_rest_is_the_same_curve(o in prop::array::uniform4(-1.0f64..1.0), t in 0.0f64..1.0, x in 0.0f64..1.0) {
            let (whole, rest) = (Bezier(o), Bezier(o).rest(t));
            prop_assert!((rest.at(x).0 - whole.at(t + x * (1.0 - t)).0).abs() < 1e-12);
        }
    }
}
