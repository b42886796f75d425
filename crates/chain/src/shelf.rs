//! What was worked out once and may be asked for again.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

/// A few results under the keys they were worked out for, the one used last in front.
///
/// A result is worked out by one caller while others who want the same shelf wait: two at once would only share the same
/// processor. Whatever changes a result must be part of its key.
#[derive(Debug)]
pub(crate) struct Shelf<K, V> {
    kept: Mutex<VecDeque<(K, Arc<V>)>>,
    most: usize,
}

impl<K: PartialEq, V> Shelf<K, V> {
    /// A shelf for at most so many results.
    pub(crate) fn new(most: usize) -> Self {
        Shelf {
            kept: Mutex::new(VecDeque::new()),
            most,
        }
    }

    /// The result under a key; made, and kept, where it is not there.
    pub(crate) fn get<E>(&self, key: K, make: impl FnOnce() -> Result<V, E>) -> Result<Arc<V>, E> {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(at) = kept.iter().position(|(k, _)| *k == key)
            && let Some(found) = kept.remove(at)
        {
            let value = Arc::clone(&found.1);
            kept.push_front(found);
            return Ok(value);
        }
        let made = Arc::new(make()?);
        kept.push_front((key, Arc::clone(&made)));
        kept.truncate(self.most);
        Ok(made)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_result_is_made_once_and_the_oldest_goes_first() {
        let shelf: Shelf<u32, u32> = Shelf::new(2);
        let mut made = 0;
        let mut ask = |key: u32| {
            *shelf
                .get(key, || {
                    made += 1;
                    Ok::<_, ()>(key * 10)
                })
                .unwrap()
        };
        assert_eq!(
            [ask(1), ask(2), ask(1), ask(3), ask(1), ask(2)],
            [10, 20, 10, 30, 10, 20]
        );
        // 2 went when 3 came, because 1 had been asked for since.
        assert_eq!(made, 4);
        assert!(shelf.get(9, || Err(())).is_err());
    }
}
