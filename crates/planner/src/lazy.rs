//! The queue of a lazy greedy choice: gains computed a while ago stand in it, and only those that come first are computed
//! anew (Minoux 1978), which gives the same choice as computing all of them each time where gains only fall.

use std::cmp::Ordering;

/// A candidate and what it scored: most first, of equals the one with the lower number.
pub(crate) struct Entry {
    pub(crate) score: f64,
    pub(crate) item: u32,
    /// How many had been chosen when the score was computed.
    pub(crate) round: u32,
}

impl PartialEq for Entry {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Entry {}
impl PartialOrd for Entry {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Entry {
    fn cmp(&self, other: &Self) -> Ordering {
        self.score
            .total_cmp(&other.score)
            .then(other.item.cmp(&self.item))
    }
}
