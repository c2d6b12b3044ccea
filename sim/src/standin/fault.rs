//! What goes wrong with lines between a sensor and the far end.

use crate::random::Random;

/// How often what goes wrong: probabilities for each line, 0 to 1.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Chances {
    /// It is not sent.
    pub drop: f64,
    /// It is sent twice.
    pub double: f64,
    /// One to three bits of it are flipped, its delimiter's not excepted.
    pub corrupt: f64,
    /// It is sent after the next.
    pub reorder: f64,
}

/// How often it did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Done {
    /// Lines not sent.
    pub dropped: u64,
    /// Lines sent twice.
    pub doubled: u64,
    /// Lines with wrong bits.
    pub corrupted: u64,
    /// Lines sent after the next.
    pub reordered: u64,
}

impl Done {
    /// Another sensor's too.
    pub const fn add(&mut self, other: Self) {
        self.dropped += other.dropped;
        self.doubled += other.doubled;
        self.corrupted += other.corrupted;
        self.reordered += other.reordered;
    }
}

/// The faults of one sensor's way.
pub(super) struct Faults {
    chances: Chances,
    random: Random,
    /// Waits for the next line.
    held: Vec<Vec<u8>>,
    done: Done,
}

impl Faults {
    pub const fn new(chances: Chances, random: Random) -> Self {
        Self {
            chances,
            random,
            held: Vec::new(),
            done: Done { dropped: 0, doubled: 0, corrupted: 0, reordered: 0 },
        }
    }

    pub const fn done(&self) -> Done {
        self.done
    }

    /// What becomes of a line. All four draws are made for each, so that changing one chance leaves the others' lines as they were.
    pub fn pass<E>(&mut self, line: &[u8], mut send: impl FnMut(&[u8]) -> Result<(), E>) -> Result<(), E> {
        let Chances { drop, double, corrupt, reorder } = self.chances;
        let [drop, double, corrupt, reorder] =
            [drop, double, corrupt, reorder].map(|p| self.random.unit() < p);
        if drop {
            self.done.dropped += 1;
            return Ok(());
        }
        let mut bytes = line.to_vec();
        if corrupt {
            self.done.corrupted += 1;
            self.flip(&mut bytes);
        }
        if double {
            self.done.doubled += 1;
        }
        let times = 1 + usize::from(double);
        if reorder && self.held.is_empty() {
            self.done.reordered += 1;
            self.held = vec![bytes; times];
            return Ok(());
        }
        for _ in 0..times {
            send(&bytes)?;
        }
        self.end(send)
    }

    /// No line comes any more.
    pub fn end<E>(&mut self, mut send: impl FnMut(&[u8]) -> Result<(), E>) -> Result<(), E> {
        // One by one: a datagram holds one.
        std::mem::take(&mut self.held).iter().try_for_each(|line| send(line))
    }

    /// Flips one to three bits, each another.
    fn flip(&mut self, bytes: &mut [u8]) {
        let bits = bytes.len() as f64 * 8.0;
        let count = 1 + (self.random.unit() * 3.0) as usize;
        let mut flipped = Vec::with_capacity(count);
        while flipped.len() < count {
            let bit = (self.random.unit() * bits) as usize;
            if !flipped.contains(&bit) {
                bytes[bit / 8] ^= 1 << (bit % 8);
                flipped.push(bit);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Use;

    fn sent(chances: Chances, lines: u32) -> (Vec<String>, Done) {
        let mut faults = Faults::new(chances, Random::new(7, Use::Line, 0));
        let mut sent = Vec::new();
        let mut send = |bytes: &[u8]| {
            sent.push(String::from_utf8_lossy(bytes).into_owned());
            Ok::<(), std::convert::Infallible>(())
        };
        for n in 0..lines {
            let Ok(()) = faults.pass(format!("{n}\r\n").as_bytes(), &mut send);
        }
        let Ok(()) = faults.end(&mut send);
        let done = faults.done();
        (sent, done)
    }

    #[test]
    fn without_faults_lines_are_as_they_were() {
        let (sent, done) = sent(Chances::default(), 3);
        assert_eq!((sent.concat().as_str(), done), ("0\r\n1\r\n2\r\n", Done::default()));
    }

    #[test]
    fn each_fault_does_what_it_counts() {
        let n = 2_000;
        let (dropped, done) = sent(Chances { drop: 0.1, ..Chances::default() }, n);
        assert_eq!(dropped.len() as u64, 2_000 - done.dropped);
        assert!((150..250).contains(&done.dropped), "{done:?}");
        let (doubled, done) = sent(Chances { double: 0.1, ..Chances::default() }, n);
        assert_eq!(doubled.windows(2).filter(|w| w[0] == w[1]).count() as u64, done.doubled);
        assert!((150..250).contains(&done.doubled), "{done:?}");
        let (corrupted, done) = sent(Chances { corrupt: 0.1, ..Chances::default() }, n);
        let wrong = corrupted.iter().zip(0..n).filter(|(line, n)| **line != format!("{n}\r\n"));
        assert_eq!(wrong.count() as u64, done.corrupted);
        assert!((150..250).contains(&done.corrupted), "{done:?}");
        let (reordered, done) = sent(Chances { reorder: 0.1, ..Chances::default() }, n);
        let order: Vec<u32> = reordered.iter().map(|line| line.trim().parse().unwrap()).collect();
        assert_eq!(order.windows(2).filter(|w| w[1] < w[0]).count() as u64, done.reordered);
        let mut sorted = order.clone();
        sorted.sort_unstable();
        assert!(sorted.iter().copied().eq(0..n));
    }
}
