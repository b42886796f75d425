//! What the fuzz targets and the smoke test run on bytes of any kind: nothing here may panic unless a rule is broken.

use earlywood_journal::sync::{self, Limits};
use earlywood_journal::{Body, Entry, Hash, canonical_json};
use uuid::Uuid;

/// Small enough that the limits themselves are met often.
const LIMITS: Limits = Limits {
    bytes: 1 << 20,
    line: 1 << 18,
    heads: 64,
    wants: 64,
    entries: 64,
    contents: 16,
};

/// Any bytes as a sync message of each form. What is read must be written and read again as the same. True if it was read.
pub fn sync_message(data: &[u8]) -> bool {
    let bundle = sync::decode(data, &LIMITS).or_else(|_| sync::decode_gzip(data, &LIMITS));
    if let Ok(bundle) = &bundle {
        let mut out = Vec::new();
        sync::encode(bundle, &mut out).expect("what was read can be written");
        let again = sync::decode(&out[..], &Limits::default()).expect("what was written can be read");
        assert_eq!(&again, bundle);
        for entry in &bundle.entries {
            let _ = entry.body();
        }
    }
    let offer = sync::decode_offer(data, &LIMITS).or_else(|_| sync::decode_offer_gzip(data, &LIMITS));
    if let Ok(offer) = &offer {
        let mut out = Vec::new();
        sync::encode_offer(offer, &mut out).expect("what was read can be written");
        let again = sync::decode_offer(&out[..], &Limits::default()).expect("what was written can be read");
        assert_eq!(&again, offer);
    }
    // A first, middle or last line that was changed is caught by the hash; here the rules behind it are met as well.
    if let Some(resealed) = resealed(data) {
        let _ = sync::decode(&resealed[..], &LIMITS);
        let _ = sync::decode_offer(&resealed[..], &LIMITS);
    }
    bundle.is_ok() || offer.is_ok()
}

/// The same lines with a right last line, so that mutations get past the closing hash.
fn resealed(data: &[u8]) -> Option<Vec<u8>> {
    let text = std::str::from_utf8(data).ok()?;
    let lines: Vec<_> = text
        .lines()
        .filter(|line| !line.starts_with("{\"end\""))
        .collect();
    let before: String = lines.iter().flat_map(|line| [line, "\n"]).collect();
    let count = |start: &str| lines.iter().filter(|line| line.starts_with(start)).count();
    let end = format!(
        "{{\"end\":{{\"entries\":{},\"contents\":{},\"blake3\":\"{}\"}}}}\n",
        count("{\"entry\""),
        count("{\"content\""),
        Hash::of(before.as_bytes())
    );
    Some([before.as_bytes(), end.as_bytes()].concat())
}

/// `kind`, a line feed, the version, a line feed, the body's text. True if it was read.
pub fn entry_body(data: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(data) else {
        return false;
    };
    let mut parts = text.splitn(3, '\n');
    let (Some(kind), Some(version), Some(body_text)) = (parts.next(), parts.next(), parts.next()) else {
        return false;
    };
    let Ok(version) = version.parse() else {
        return false;
    };
    let entry = Entry {
        id: Uuid::nil(),
        device: Uuid::nil(),
        number: 1,
        previous: None,
        event_time: "2026-05-01T09:30:00-07:00".into(),
        recorded_time: "2026-05-01T16:30:05Z".into(),
        person: "crew-3".into(),
        kind: kind.into(),
        body_version: version,
        body_text: body_text.into(),
        hash: Hash([0; 32]),
        signature: None,
    };
    // The canonical form is a fixed point: written, read and written again it is the same text.
    if let Ok(value) = serde_json::from_str(body_text)
        && let Ok(canonical) = canonical_json(&value)
    {
        let again = serde_json::from_str(&canonical).expect("canonical JSON is JSON");
        assert_eq!(
            canonical_json(&again).expect("what was written is written again"),
            canonical
        );
    }
    match entry.body() {
        Ok(body) => {
            assert_eq!(body.kind(), kind);
            if !Body::is_known(kind, version) {
                assert!(matches!(body, Body::Other(_)));
            }
            true
        }
        // An error says something.
        Err(e) => {
            assert!(!e.to_string().is_empty());
            false
        }
    }
}
