//! Entries made without the library: the hash and the signature as FORMAT.md tells them, so that a forger, or a program
//! with other rules, can be played.
#![allow(dead_code, reason = "each test binary uses its own part")]

use std::path::Path;

use earlywood_journal::sync::unhex;
use earlywood_journal::{Entry, Hash, PublicKey, Request};
use ed25519_dalek::{Signer as _, SigningKey};
use uuid::Uuid;

/// The hash of an entry, reckoned from FORMAT.md alone.
pub fn digest(entry: &Entry) -> Hash {
    let previous = entry
        .previous
        .map_or(Vec::new(), |hash| unhex(&hash.to_string()).unwrap());
    let fields: [&[u8]; 11] = [
        b"earlywood/entry/1",
        entry.id.as_bytes(),
        entry.device.as_bytes(),
        &entry.number.to_be_bytes(),
        &previous,
        entry.event_time.as_bytes(),
        entry.recorded_time.as_bytes(),
        entry.person.as_bytes(),
        entry.kind.as_bytes(),
        &entry.body_version.to_be_bytes(),
        entry.body_text.as_bytes(),
    ];
    let mut bytes = Vec::new();
    for field in fields {
        bytes.extend((field.len() as u32).to_be_bytes());
        bytes.extend(field);
    }
    Hash::of(&bytes)
}

/// Signs an entry's hash.
pub fn sign(key: &SigningKey, hash: &Hash) -> Vec<u8> {
    let mut message = b"earlywood/signature/1".to_vec();
    message.extend(unhex(&hash.to_string()).unwrap());
    key.sign(&message).to_bytes().to_vec()
}

/// The secret of a programme file's device, read from its key file.
pub fn secret_of(programme: &Path) -> SigningKey {
    let path = earlywood_journal::DeviceKey::path_beside(programme);
    let text = std::fs::read_to_string(path).unwrap();
    let seed = unhex(text.split_whitespace().last().unwrap()).unwrap();
    SigningKey::from_bytes(&seed.try_into().unwrap())
}

/// A device whose owner has a program of their own.
pub struct Rogue {
    pub device: Uuid,
    pub key: SigningKey,
    pub chain: Vec<Entry>,
    at_ms: u64,
}

impl Rogue {
    pub fn new(n: u8) -> Self {
        let at_ms = 1_790_000_000_000;
        Rogue {
            device: id(at_ms, u64::from(n)),
            key: SigningKey::from_bytes(&[n; 32]),
            chain: Vec::new(),
            at_ms,
        }
    }

    pub fn request(&self) -> Request {
        let hex: String = self
            .key
            .verifying_key()
            .to_bytes()
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect();
        Request {
            device: self.device,
            key: hex.parse::<PublicKey>().unwrap(),
        }
    }

    /// Writes one entry, of whatever it likes, properly hashed, chained and signed.
    pub fn write(&mut self, person: &str, kind: &str, version: u32, text: &str, when: &str) -> Entry {
        self.at_ms += 1;
        let last = self.chain.last();
        let mut entry = Entry {
            id: id(self.at_ms, u64::from(self.key.to_bytes()[0])),
            device: self.device,
            number: last.map_or(1, |e| e.number + 1),
            previous: last.map(|e| e.hash),
            event_time: when.into(),
            recorded_time: "2026-11-20T20:00:00Z".into(),
            person: person.into(),
            kind: kind.into(),
            body_version: version,
            body_text: text.into(),
            hash: Hash::of(b""),
            signature: None,
        };
        seal(&mut entry, &self.key);
        self.chain.push(entry.clone());
        entry
    }
}

/// Hashes and signs anew.
pub fn seal(entry: &mut Entry, key: &SigningKey) {
    entry.hash = digest(entry);
    entry.signature = Some(sign(key, &entry.hash));
}

/// A UUIDv7 of a moment.
pub fn id(ms: u64, mark: u64) -> Uuid {
    let mut random = [0; 10];
    random[2..].copy_from_slice(&mark.to_be_bytes());
    uuid::Builder::from_unix_timestamp_millis(ms, &random).into_uuid()
}
