//! Challenges, and the bytes that requests and replies are signed over.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use earlywood_journal::{Hash, PublicKey};
use uuid::Uuid;

/// Bytes of a challenge.
pub(crate) const CHALLENGE_BYTES: usize = 32;
pub(crate) type Challenge = [u8; CHALLENGE_BYTES];

/// The header fields of requests and replies.
pub(crate) mod header {
    pub(crate) const PROGRAMME: &str = "earlywood-programme";
    pub(crate) const DEVICE: &str = "earlywood-device";
    pub(crate) const CHALLENGE: &str = "earlywood-challenge";
    pub(crate) const BODY_HASH: &str = "earlywood-body-hash";
    pub(crate) const SIGNATURE: &str = "earlywood-signature";
    pub(crate) const REPLY_BYTES: &str = "earlywood-reply-bytes";
    pub(crate) const ACCEPTED: &str = "earlywood-accepted";
}

/// The bytes that a request's signature covers: each field as its length (32 bits, big-endian) and its bytes.
/// `call` is `offer`, `exchange`, `give` or `day`; `body_hash` is BLAKE3 over the body as it is sent.
pub fn request_message(
    programme: Uuid,
    device: Uuid,
    call: &str,
    challenge: &[u8; 32],
    body_hash: Hash,
) -> Vec<u8> {
    fields(&[
        b"earlywood/sync/request/1",
        programme.as_bytes(),
        device.as_bytes(),
        call.as_bytes(),
        challenge,
        &body_hash.0,
    ])
}

/// The bytes that a reply's signature covers, written like a request's. `device` is the server's, `challenge` that of the request,
/// `accepted` the text of the header field of that name (empty where there is none).
pub fn reply_message(
    programme: Uuid,
    device: Uuid,
    challenge: &[u8; 32],
    accepted: &str,
    body_hash: Hash,
) -> Vec<u8> {
    fields(&[
        b"earlywood/sync/reply/1",
        programme.as_bytes(),
        device.as_bytes(),
        challenge,
        accepted.as_bytes(),
        &body_hash.0,
    ])
}

/// The bytes that a device signs to be enrolled with a code, written like a request's: that it holds the key is proved with that.
/// `code` as it is sent.
pub fn enrol_message(programme: Uuid, device: Uuid, key: &[u8; 32], code: &str) -> Vec<u8> {
    fields(&[
        b"earlywood/enrol/1",
        programme.as_bytes(),
        device.as_bytes(),
        key,
        code.as_bytes(),
    ])
}

fn fields(fields: &[&[u8]]) -> Vec<u8> {
    let mut out = Vec::new();
    for field in fields {
        // No field comes near 4 GiB: the longest is a header.
        out.extend_from_slice(&u32::try_from(field.len()).unwrap_or(u32::MAX).to_be_bytes());
        out.extend_from_slice(field);
    }
    out
}

/// Whether `signature` over `message` was made with the private half of `key`. Weak keys are refused.
pub(crate) fn is_signed(key: &[u8; 32], message: &[u8], signature: &[u8; 64]) -> bool {
    PublicKey(*key).signed_message(message, signature)
}

/// Why a challenge does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stale {
    /// Not made here for this device, or too old.
    Expired,
    /// Used before.
    Used,
    /// Too many are remembered.
    Full,
}

/// Makes challenges and lets each count once.
///
/// A challenge carries its own end and a keyed hash, so that giving one out costs no memory however many are asked
/// for. Only those with which a good signature came are remembered, until they would have expired anyway.
pub(crate) struct Challenges {
    key: [u8; 32],
    start: Instant,
    life: Duration,
    most: usize,
    used: Mutex<HashMap<Challenge, u64>>,
}

impl Challenges {
    /// Challenges that live for `life`; at most `most` used ones are remembered at a time.
    pub(crate) fn new(life: Duration, most: usize) -> Result<Self, getrandom::Error> {
        let mut key = [0; 32];
        getrandom::fill(&mut key)?;
        Ok(Challenges {
            key,
            start: Instant::now(),
            life,
            most,
            used: Mutex::new(HashMap::new()),
        })
    }

    fn ms(&self, now: Instant) -> u64 {
        u64::try_from(now.saturating_duration_since(self.start).as_millis()).unwrap_or(u64::MAX)
    }

    /// A new challenge for one device: its end in ms (8 bytes), 8 random bytes, 16 bytes of keyed hash.
    pub(crate) fn make(&self, device: Uuid, now: Instant) -> Result<Challenge, getrandom::Error> {
        let end = self.ms(now + self.life).to_be_bytes();
        let mut random = [0; 8];
        getrandom::fill(&mut random)?;
        Ok(self.seal(device, end, random))
    }

    fn seal(&self, device: Uuid, end: [u8; 8], random: [u8; 8]) -> Challenge {
        let mut hasher = blake3::Hasher::new_keyed(&self.key);
        hasher.update(device.as_bytes()).update(&end).update(&random);
        let mut mac = [0; 16];
        hasher.finalize_xof().fill(&mut mac);
        let mut out = [0; CHALLENGE_BYTES];
        for (to, from) in out.iter_mut().zip(end.into_iter().chain(random).chain(mac)) {
            *to = from;
        }
        out
    }

    fn end(challenge: &Challenge) -> ([u8; 8], [u8; 8]) {
        let (mut end, mut random) = ([0; 8], [0; 8]);
        end.iter_mut().zip(challenge).for_each(|(to, from)| *to = *from);
        random
            .iter_mut()
            .zip(challenge.iter().skip(8))
            .for_each(|(to, from)| *to = *from);
        (end, random)
    }

    /// Whether the challenge was made here for this device and still counts.
    pub(crate) fn check(&self, device: Uuid, challenge: &Challenge, now: Instant) -> Result<(), Stale> {
        let (end, random) = Self::end(challenge);
        // Compared as BLAKE3 hashes, which is done in constant time.
        let same = blake3::hash(&self.seal(device, end, random)) == blake3::hash(challenge);
        if same && self.ms(now) < u64::from_be_bytes(end) {
            Ok(())
        } else {
            Err(Stale::Expired)
        }
    }

    /// Uses the challenge up. To be called once its signature was found good.
    pub(crate) fn use_up(&self, challenge: &Challenge, now: Instant) -> Result<(), Stale> {
        let now = self.ms(now);
        let mut used = self.used.lock().unwrap_or_else(PoisonError::into_inner);
        if used.contains_key(challenge) {
            return Err(Stale::Used);
        }
        if used.len() >= self.most {
            used.retain(|_, end| *end > now);
            if used.len() >= self.most {
                return Err(Stale::Full);
            }
        }
        used.insert(*challenge, u64::from_be_bytes(Self::end(challenge).0));
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_challenge_counts_once_for_its_device_until_it_expires() {
        let challenges = Challenges::new(Duration::from_secs(10), 2).unwrap();
        let (device, other) = (Uuid::from_u128(1), Uuid::from_u128(2));
        let now = Instant::now();
        let challenge = challenges.make(device, now).unwrap();
        assert_ne!(challenge, challenges.make(device, now).unwrap());
        assert_eq!(challenges.check(device, &challenge, now), Ok(()));
        assert_eq!(challenges.check(other, &challenge, now), Err(Stale::Expired));
        let later = now + Duration::from_secs(11);
        assert_eq!(challenges.check(device, &challenge, later), Err(Stale::Expired));
        for bit in 0..256 {
            let mut forged = challenge;
            forged[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(
                challenges.check(device, &forged, now),
                Err(Stale::Expired),
                "bit {bit}"
            );
        }
        assert_eq!(challenges.use_up(&challenge, now), Ok(()));
        assert_eq!(challenges.use_up(&challenge, now), Err(Stale::Used));
    }

    #[test]
    fn memory_is_bounded_and_freed() {
        let challenges = Challenges::new(Duration::from_secs(10), 2).unwrap();
        let device = Uuid::from_u128(1);
        let now = Instant::now();
        for expected in [Ok(()), Ok(()), Err(Stale::Full)] {
            let challenge = challenges.make(device, now).unwrap();
            assert_eq!(challenges.use_up(&challenge, now), expected);
        }
        let later = now + Duration::from_secs(11);
        let challenge = challenges.make(device, later).unwrap();
        assert_eq!(challenges.use_up(&challenge, later), Ok(()));
    }

    #[test]
    fn no_two_messages_share_their_bytes() {
        let id = Uuid::from_u128(1);
        let offer = request_message(id, id, "offer", &[1; 32], Hash([2; 32]));
        assert_ne!(
            offer,
            request_message(id, id, "exchange", &[1; 32], Hash([2; 32]))
        );
        assert_ne!(offer, reply_message(id, id, &[1; 32], "", Hash([2; 32])));
        assert_eq!(offer.len(), 6 * 4 + 24 + 16 + 16 + 5 + 32 + 32);
    }
}
