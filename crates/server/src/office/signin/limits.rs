//! Waits between attempts to guess a secret, growing with every failure.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::office::problem::Problem;
use axum::http::StatusCode;

/// What attempts are counted for.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) enum Key {
    /// One person's account.
    Account(String),
    /// One address, whatever it tries.
    Address(IpAddr),
    /// Codes of one sort, from wherever.
    Codes,
}

/// How many failures are free, and how long the wait grows. All are design choices: a person who mistypes notices
/// nothing, a machine gets some hundred guesses a day.
struct Rule {
    free: u32,
    longest: Duration,
}

impl Key {
    fn rule(&self) -> Rule {
        let minutes = |m: u64| Duration::from_secs(m * 60);
        match self {
            // Not longer: else anybody could keep a person out by mistyping for them.
            Key::Account(_) => Rule {
                free: 5,
                longest: minutes(5),
            },
            Key::Address(_) => Rule {
                free: 20,
                longest: minutes(15),
            },
            // 31^8 codes, ten of them good: a thousand guesses hit one with a chance of 1 in 85 million.
            Key::Codes => Rule {
                free: 200,
                longest: Duration::from_secs(30),
            },
        }
    }
}

#[derive(Clone, Copy)]
struct Tally {
    failures: u32,
    last: Instant,
    until: Instant,
}

/// Failures are forgotten after this long without another.
const FORGET: Duration = Duration::from_secs(3600);
/// Most that are remembered.
const MOST: usize = 20_000;

/// The failures of late.
#[derive(Default)]
pub(crate) struct Limits(Mutex<HashMap<Key, Tally>>);

impl Limits {
    /// Begins an attempt: it counts as failed until [`Limits::good`] is called, so that many at once gain nothing.
    pub(crate) fn begin(&self, keys: &[Key], now: Instant) -> Result<(), Problem> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let waits = keys
            .iter()
            .filter_map(|key| all.get(key))
            .map(|tally| tally.until);
        if let Some(until) = waits.max().filter(|until| *until > now) {
            return Err(too_many(until.duration_since(now)));
        }
        for key in keys {
            make_room(&mut all, now);
            let tally = all.entry(key.clone()).or_insert(Tally {
                failures: 0,
                last: now,
                until: now,
            });
            if now.duration_since(tally.last) >= FORGET {
                tally.failures = 0;
            }
            tally.failures += 1;
            tally.last = now;
            tally.until = now + wait(key, tally.failures);
        }
        Ok(())
    }

    /// The attempt was good after all: an account's failures are forgotten, of the others this one is.
    pub(crate) fn good(&self, keys: &[Key], now: Instant) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        for key in keys {
            if matches!(key, Key::Account(_)) {
                all.remove(key);
            } else if let Some(tally) = all.get_mut(key) {
                tally.failures = tally.failures.saturating_sub(1);
                tally.until = now;
            }
        }
    }
}

fn wait(key: &Key, failures: u32) -> Duration {
    let rule = key.rule();
    match failures.checked_sub(rule.free) {
        None | Some(0) => Duration::ZERO,
        Some(over) => Duration::from_secs(1_u64 << (over - 1).min(20)).min(rule.longest),
    }
}

fn make_room(all: &mut HashMap<Key, Tally>, now: Instant) {
    if all.len() < MOST {
        return;
    }
    all.retain(|_, tally| now.duration_since(tally.last) < FORGET);
    if all.len() >= MOST
        && let Some(oldest) = all
            .iter()
            .min_by_key(|(_, tally)| tally.last)
            .map(|(key, _)| key.clone())
    {
        all.remove(&oldest);
    }
}

fn too_many(wait: Duration) -> Problem {
    let seconds = wait.as_secs() + 1;
    Problem::new(
        StatusCode::TOO_MANY_REQUESTS,
        "too-many-attempts",
        format!("too many attempts went wrong; wait {seconds} s and try again"),
    )
    .after(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_and_are_forgotten() {
        let limits = Limits::default();
        let key = [Key::Account("p-1".into())];
        let mut now = Instant::now();
        for _ in 0..6 {
            assert!(limits.begin(&key, now).is_ok());
        }
        let waits = |now| limits.begin(&key, now).err().and_then(|p| p.retry_after);
        assert_eq!(waits(now), Some(2));
        now += Duration::from_secs(1);
        assert_eq!(waits(now), None);
        assert_eq!(waits(now), Some(3), "the wait has doubled");
        for _ in 0..20 {
            now += Duration::from_secs(301);
            assert_eq!(waits(now), None, "never more than five minutes");
        }
        limits.good(&key, now);
        assert_eq!(waits(now), None);
        now += FORGET;
        for _ in 0..5 {
            assert_eq!(waits(now), None);
        }
    }

    #[test]
    fn one_address_waits_whatever_it_tries_and_another_does_not() {
        let limits = Limits::default();
        let now = Instant::now();
        let of = |n: u8, who: &str| [Key::Account(who.into()), Key::Address([10, 0, 0, n].into())];
        for i in 0..21 {
            assert!(limits.begin(&of(1, &format!("p-{i}")), now).is_ok());
        }
        assert!(limits.begin(&of(1, "p-99"), now).is_err());
        assert!(limits.begin(&of(2, "p-99"), now).is_ok());
    }

    #[test]
    fn memory_is_bounded() {
        let mut all = HashMap::new();
        let now = Instant::now();
        for i in 0..MOST {
            let tally = Tally {
                failures: 1,
                last: now + Duration::from_millis(i as u64),
                until: now,
            };
            all.insert(Key::Account(i.to_string()), tally);
        }
        make_room(&mut all, now + Duration::from_secs(60));
        assert_eq!(all.len(), MOST - 1);
        assert!(!all.contains_key(&Key::Account("0".into())));
    }
}
