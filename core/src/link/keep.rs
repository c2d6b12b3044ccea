//! What waits for the network: the second processor's backlog, bounded, with what it had to drop counted.

/// What is kept while the far end is away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Keep {
    /// The newest only: for those who want to know how things are.
    Latest,
    /// As much as there is room for; then the oldest make place: for those who want to know how things were.
    All,
}

/// Stands for one item that was handed out to be sent. Counts on, and around after 2^32.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Ticket(u32);

/// What became of the items. All counts wrap around after 2^32.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Passed {
    /// Items pushed.
    pub taken: u32,
    /// Items that are known to have arrived.
    pub delivered: u32,
    /// Items given up to make place, whether they had been sent or not: that they arrived is not known.
    pub dropped: u32,
}

/// Items on their way: pushed at one end, sent from the other, let go when they are known to have arrived. `taken` is always `delivered`
/// plus `dropped` plus what is held. Each item is delivered at least once unless it is dropped: what was on its way when the connection broke
/// goes out again ([`again`](Self::again)), and its sequence number tells the far end.
///
/// ```
/// use humtick::link::{Backlog, Keep};
///
/// let mut backlog = Backlog::new(Keep::All, [None; 3]);
/// for line in [1, 2, 3, 4] {
///     backlog.push(line);
/// }
/// // Room for three: the first made place.
/// let (first, line) = backlog.next().unwrap();
/// assert_eq!((line, backlog.passed().dropped), (2, 1));
/// let (second, line) = backlog.next().unwrap();
/// assert_eq!(line, 3);
/// // The far end has the first; the connection breaks before it says so of the second.
/// backlog.arrived(first);
/// backlog.again();
/// assert_eq!(backlog.next(), Some((second, 3)));
/// ```
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Backlog<T, S> {
    /// A ring.
    slots: S,
    keep: Keep,
    /// Slot of the oldest.
    first: usize,
    len: usize,
    /// So many of them, from the oldest on, are on their way.
    sent: usize,
    /// Number of the oldest.
    number: u32,
    passed: Passed,
    item: core::marker::PhantomData<T>,
}

impl<T: Copy, S: AsRef<[Option<T>]> + AsMut<[Option<T>]>> Backlog<T, S> {
    /// An empty one, whose room is the number of `slots`: an array, or on larger machines anything else that is a slice. With
    /// [`Keep::Latest`] one is enough; with none everything is dropped.
    pub const fn new(keep: Keep, slots: S) -> Self {
        let passed = Passed { taken: 0, delivered: 0, dropped: 0 };
        Self { slots, keep, first: 0, len: 0, sent: 0, number: 0, passed, item: core::marker::PhantomData }
    }

    /// Takes an item. Where there is no room the oldest is dropped for it; with [`Keep::Latest`] all are.
    pub fn push(&mut self, item: T) {
        self.passed.taken = self.passed.taken.wrapping_add(1);
        let room = match self.keep {
            Keep::Latest => self.slots.as_ref().len().min(1),
            Keep::All => self.slots.as_ref().len(),
        };
        while self.len > 0 && self.len >= room {
            self.take_first();
            self.passed.dropped = self.passed.dropped.wrapping_add(1);
        }
        let slot = self.slot(self.len);
        match self.slots.as_mut().get_mut(slot) {
            Some(place) => {
                *place = Some(item);
                self.len += 1;
            }
            // There are no slots at all.
            None => {
                self.number = self.number.wrapping_add(1);
                self.passed.dropped = self.passed.dropped.wrapping_add(1);
            }
        }
    }

    /// The oldest that is not on its way yet; from now on it is.
    #[allow(clippy::should_implement_trait, reason = "what is pushed later comes after a None")]
    pub fn next(&mut self) -> Option<(Ticket, T)> {
        if self.sent >= self.len {
            return None;
        }
        let item = self.slots.as_ref().get(self.slot(self.sent)).copied().flatten()?;
        // A backlog of 2^32 items has no place in any memory it is made for.
        let ahead = u32::try_from(self.sent).ok()?;
        self.sent += 1;
        Some((Ticket(self.number.wrapping_add(ahead)), item))
    }

    /// This item has arrived, and all before it. One that is not on its way any more, since it was dropped or is to be sent again, changes
    /// nothing.
    pub fn arrived(&mut self, ticket: Ticket) {
        let ahead = usize::try_from(ticket.0.wrapping_sub(self.number));
        if ahead.is_ok_and(|ahead| ahead < self.sent) {
            loop {
                let last = self.number == ticket.0;
                self.take_first();
                self.passed.delivered = self.passed.delivered.wrapping_add(1);
                if last {
                    break;
                }
            }
        }
    }

    /// The connection broke: whatever is on its way goes out again, oldest first.
    pub const fn again(&mut self) {
        self.sent = 0;
    }

    /// Items held: those on their way included.
    pub const fn len(&self) -> usize {
        self.len
    }

    /// Whether nothing is held.
    pub const fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// What became of the items so far.
    pub const fn passed(&self) -> Passed {
        self.passed
    }

    /// Where the item is that so many are ahead of. The sum stays within 16 bits: no slice is longer than half of the address space.
    fn slot(&self, ahead: usize) -> usize {
        let (slot, slots) = (self.first + ahead, self.slots.as_ref().len());
        if slot >= slots { slot - slots } else { slot }
    }

    /// Lets go of the oldest, of which there is one.
    fn take_first(&mut self) {
        if let Some(place) = self.slots.as_mut().get_mut(self.first) {
            *place = None;
        }
        self.first = self.slot(1);
        self.len -= 1;
        self.sent = self.sent.saturating_sub(1);
        self.number = self.number.wrapping_add(1);
    }
}
