//! The envelope of an entry, and the bytes that its hash covers.

use jiff::civil::Date;
use jiff::{Timestamp, ZonedDateTime};
use rusqlite::{Connection, Row, params};
use uuid::{ContextV7, Uuid};

use crate::body::Body;
use crate::error::{Error, Refusal};
use crate::hash::Hash;
use crate::key::DeviceKey;

/// Who is acting, and when: every change needs one. The journal itself owns no clock.
#[derive(Debug, Clone)]
pub struct Act {
    person: String,
    now: ZonedDateTime,
}

impl Act {
    /// `person` is an id or a role ("lead", "crew-3"), never personal data; `now` is the time where that person is.
    ///
    /// # Errors
    /// A person that is empty, longer than 64 bytes, holds control characters or looks like an e-mail address.
    pub fn new(person: &str, now: ZonedDateTime) -> Result<Self, Error> {
        let refuse = |rule: &str| {
            Err(Error::from(Refusal::Field {
                field: "person",
                value: format!("{person:?}"),
                rule: rule.into(),
            }))
        };
        if person.trim().is_empty() || person.len() > 64 || person.chars().any(char::is_control) {
            return refuse("a short id or role, such as lead or crew-3");
        }
        if person.contains('@') {
            return refuse(
                "no personal data in the journal; use an id or a role instead of an e-mail address",
            );
        }
        Ok(Act {
            person: person.to_owned(),
            now,
        })
    }

    /// Who.
    pub fn person(&self) -> &str {
        &self.person
    }

    /// When.
    pub fn now(&self) -> &ZonedDateTime {
        &self.now
    }

    /// The day it is where the person is.
    pub fn today(&self) -> Date {
        self.now.date()
    }

    /// Event time of a draft: the one given, if it can be, or the one that goes with its body.
    pub(crate) fn event_time_of(&self, draft: &Draft) -> Result<String, Error> {
        match &draft.event_time {
            Some(given) => check_event_time(given, self),
            None => Ok(self.event_time(&draft.body)),
        }
    }

    /// Event time of a body for which none was given: the moment that it tells, midnight of its day, else now.
    fn event_time(&self, body: &Body) -> String {
        if let Some(moment) = body.moment() {
            return moment.to_owned();
        }
        let start_of = |day: Date| day.to_zoned_datetime(self.now.time_zone().clone()).ok();
        match body.day().filter(|&day| day < self.today()).and_then(start_of) {
            Some(midnight) => midnight.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string(),
            None => self.now.strftime("%Y-%m-%dT%H:%M:%S%.f%:z").to_string(),
        }
    }
}

/// An entry to be appended.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// When it happened: RFC 3339 with offset, kept as given. `None`: midnight where the act is, for bodies of which the
    /// day alone is known (placement, take-down, visit), else the act's own time.
    pub event_time: Option<String>,
    /// What happened.
    pub body: Body,
}

impl From<Body> for Draft {
    fn from(body: Body) -> Self {
        Draft {
            event_time: None,
            body,
        }
    }
}

/// Proof that an entry is on the disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Receipt {
    /// The entry's id.
    pub id: Uuid,
    /// The device that wrote it.
    pub device: Uuid,
    /// Its number on that device, from 1.
    pub number: u64,
    /// Its hash.
    pub hash: Hash,
}

/// One entry as it stands in the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// UUIDv7.
    pub id: Uuid,
    /// The device that wrote it.
    pub device: Uuid,
    /// Number on that device, from 1, without gaps.
    pub number: u64,
    /// Hash of the device's entry before it; `None` for its first.
    pub previous: Option<Hash>,
    /// When it happened: RFC 3339 with offset, as given.
    pub event_time: String,
    /// When it was recorded: RFC 3339 in UTC.
    pub recorded_time: String,
    /// Who recorded it.
    pub person: String,
    /// Kind.
    pub kind: String,
    /// Version of the body.
    pub body_version: u32,
    /// The body: canonical JSON.
    pub body_text: String,
    /// Hash over all of the above.
    pub hash: Hash,
    /// The device's Ed25519 signature over the hash, 64 bytes; none in an entry of layout 1.
    pub signature: Option<Vec<u8>>,
}

impl Entry {
    /// The body.
    ///
    /// # Errors
    /// A body that is not what its kind says.
    pub fn body(&self) -> Result<Body, Error> {
        Body::read(&self.kind, self.body_version, &self.body_text)
    }

    /// The day on which it was recorded, where it happened: by this day people have roles or have them no more.
    pub(crate) fn recorded_day(&self) -> Date {
        let recorded: Option<Timestamp> = self.recorded_time.parse().ok();
        recorded.map_or(Date::ZERO, |at| local_day(&self.event_time, at))
    }

    /// The day on which it happened, where it happened.
    pub fn day(&self) -> Option<Date> {
        // The date as it is written, before any offset is reckoned.
        self.event_time.get(..10).and_then(|day| day.parse().ok())
    }

    pub(crate) fn receipt(&self) -> Receipt {
        Receipt {
            id: self.id,
            device: self.device,
            number: self.number,
            hash: self.hash,
        }
    }

    pub(crate) fn digest(&self) -> Hash {
        Hashed {
            id: self.id.as_bytes(),
            device: self.device.as_bytes(),
            number: self.number,
            previous: self.previous.as_ref().map_or(&[], |hash| &hash.0),
            event_time: self.event_time.as_bytes(),
            recorded_time: self.recorded_time.as_bytes(),
            person: self.person.as_bytes(),
            kind: self.kind.as_bytes(),
            body_version: self.body_version,
            body: self.body_text.as_bytes(),
        }
        .digest()
    }

    pub(crate) fn insert(&self, db: &Connection) -> Result<(), Error> {
        db.prepare_cached(&format!(
            "INSERT INTO entries ({COLUMNS}) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)"
        ))?
        .execute(params![
            self.device.as_bytes(),
            to_sql_integer(self.number)?,
            self.id.as_bytes(),
            self.previous.as_ref().map(|hash| hash.0),
            self.event_time,
            self.recorded_time,
            self.person,
            self.kind,
            self.body_version,
            self.body_text,
            self.hash.0,
            self.signature,
        ])?;
        Ok(())
    }

    /// Reads a row selected with [`COLUMNS`].
    pub(crate) fn from_row(row: &Row<'_>) -> rusqlite::Result<Entry> {
        let hash_at = |column: usize| row.get::<_, [u8; 32]>(column).map(Hash);
        let number: i64 = row.get(1)?;
        Ok(Entry {
            device: Uuid::from_bytes(row.get(0)?),
            number: u64::try_from(number).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(1, number))?,
            id: Uuid::from_bytes(row.get(2)?),
            previous: row.get::<_, Option<[u8; 32]>>(3)?.map(Hash),
            event_time: row.get(4)?,
            recorded_time: row.get(5)?,
            person: row.get(6)?,
            kind: row.get(7)?,
            body_version: row.get(8)?,
            body_text: row.get(9)?,
            hash: hash_at(10)?,
            signature: row.get(11)?,
        })
    }
}

/// The columns of `entries`, in the order [`Entry::from_row`] expects.
pub(crate) const COLUMNS: &str = "device, number, id, previous, event_time, recorded_time, person, kind, \
                                  body_version, body, hash, signature";

pub(crate) fn to_sql_integer(n: u64) -> Result<i64, Error> {
    i64::try_from(n).map_err(|_| Error::Damaged(format!("the count {n} is beyond what the file can hold")))
}

/// First field of the hashed bytes: nothing else hashed anywhere starts like this.
const DOMAIN: &[u8] = b"earlywood/entry/1";

/// The fields that an entry's hash covers, in their order. See FORMAT.md, "The hash of an entry".
struct Hashed<'a> {
    id: &'a [u8; 16],
    device: &'a [u8; 16],
    number: u64,
    previous: &'a [u8],
    event_time: &'a [u8],
    recorded_time: &'a [u8],
    person: &'a [u8],
    kind: &'a [u8],
    body_version: u32,
    body: &'a [u8],
}

impl Hashed<'_> {
    /// Every field as its length (32 bits, big-endian) and its bytes; numbers big-endian.
    fn digest(&self) -> Hash {
        let mut hasher = blake3::Hasher::new();
        for field in [
            DOMAIN,
            self.id,
            self.device,
            &self.number.to_be_bytes(),
            self.previous,
            self.event_time,
            self.recorded_time,
            self.person,
            self.kind,
            &self.body_version.to_be_bytes(),
            self.body,
        ] {
            // SQLite holds no value of 4 GiB, so the length always fits.
            let length = u32::try_from(field.len()).unwrap_or(u32::MAX);
            hasher.update(&length.to_be_bytes());
            hasher.update(field);
        }
        Hash(*hasher.finalize().as_bytes())
    }
}

/// The end of one device's chain, to which entries are tied.
pub(crate) struct Chain<'c> {
    pub(crate) device: Uuid,
    pub(crate) number: u64,
    pub(crate) last: Option<Hash>,
    /// Id of the last entry.
    pub(crate) last_id: Uuid,
    pub(crate) ids: &'c ContextV7,
    pub(crate) key: &'c DeviceKey,
}

impl Chain<'_> {
    /// Makes the next entry of the chain.
    pub(crate) fn seal(&mut self, act: &Act, draft: &Draft) -> Result<Entry, Error> {
        let event_time = act.event_time_of(draft)?;
        let mut entry = Entry {
            id: next_id(act.now().timestamp(), self.last_id, self.ids),
            device: self.device,
            number: self.number + 1,
            previous: self.last,
            event_time,
            recorded_time: act.now().timestamp().to_string(),
            person: act.person().to_owned(),
            kind: draft.body.kind().to_owned(),
            body_version: draft.body.version(),
            body_text: draft.body.to_text()?,
            hash: Hash([0; 32]),
            signature: None,
        };
        entry.hash = entry.digest();
        entry.signature = Some(self.key.sign_entry(&entry.hash).to_vec());
        self.number = entry.number;
        self.last = Some(entry.hash);
        self.last_id = entry.id;
        Ok(entry)
    }
}

/// The offset that a text such as "-07:00" spells.
fn offset_of(text: &str) -> Option<jiff::tz::Offset> {
    let sign = match text.get(..1)? {
        "+" => 1,
        "-" => -1,
        _ => return None,
    };
    let hours: i32 = text.get(1..3)?.parse().ok()?;
    let minutes: i32 = text.get(4..6)?.parse().ok()?;
    jiff::tz::Offset::from_seconds(sign * (hours * 3600 + minutes * 60)).ok()
}

/// The day that an instant is where an RFC 3339 text was written: at its offset.
pub(crate) fn local_day(written: &str, at: Timestamp) -> Date {
    let offset = written
        .len()
        .checked_sub(6)
        .and_then(|start| written.get(start..))
        .and_then(offset_of);
    offset.unwrap_or(jiff::tz::Offset::UTC).to_datetime(at).date()
}

/// A UUIDv7 of the given time; those of one process sort in the order they were made.
pub(crate) fn new_id(now: Timestamp, ids: &ContextV7) -> Uuid {
    let seconds = u64::try_from(now.as_second()).unwrap_or(0);
    let nanoseconds = u32::try_from(now.subsec_nanosecond()).unwrap_or(0);
    Uuid::new_v7(uuid::Timestamp::from_unix(ids, seconds, nanoseconds))
}

/// The id of the next entry: always above the device's last one, even when its clock was set back, so that the order
/// of ids is one total order over all devices that agrees with every device's own.
fn next_id(now: Timestamp, last: Uuid, ids: &ContextV7) -> Uuid {
    let id = new_id(now, ids);
    if id > last {
        return id;
    }
    // Counts up in the 62 random bits; past their end, one millisecond on. The version and variant bits stay.
    let bits = last.as_u128();
    const RANDOM: u128 = (1 << 62) - 1;
    let next = if bits & RANDOM < RANDOM {
        bits + 1
    } else {
        (bits & !RANDOM & !(0xfff << 64)) + (1 << 80)
    };
    Uuid::from_u128(next)
}

fn check_event_time(given: &str, act: &Act) -> Result<String, Error> {
    // A timestamp needs an offset, but jiff also reads spellings that RFC 3339 does not have.
    let parsed = given.parse::<Timestamp>().ok().filter(|_| is_rfc_3339(given));
    match parsed {
        None => Err(Refusal::Field {
            field: "event time",
            value: format!("{given:?}"),
            rule: "RFC 3339 with an offset, as in 2026-05-01T09:30:00-07:00".into(),
        }
        .into()),
        Some(at) if at > act.now().timestamp() => Err(Refusal::FutureTime {
            event_time: given.to_owned(),
            now: act.now().timestamp().to_string(),
        }
        .into()),
        Some(_) => Ok(given.to_owned()),
    }
}

/// The shape of RFC 3339 section 5.6 `date-time`, upper-case T and Z only; the values are jiff's to check.
pub(crate) fn is_rfc_3339(text: &str) -> bool {
    let shape = |part: &str, pattern: &str| {
        part.len() == pattern.len()
            && part
                .bytes()
                .zip(pattern.bytes())
                .all(|(b, p)| if p == b'0' { b.is_ascii_digit() } else { b == p })
    };
    let (Some(moment), Some(mut rest)) = (text.get(..19), text.get(19..)) else {
        return false;
    };
    if let Some(fraction) = rest.strip_prefix('.') {
        let digits = fraction.bytes().take_while(u8::is_ascii_digit).count();
        if !(1..=9).contains(&digits) {
            return false;
        }
        rest = &fraction[digits..];
    }
    shape(moment, "0000-00-00T00:00:00") && (rest == "Z" || shape(rest, "+00:00") || shape(rest, "-00:00"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sample() -> Entry {
        Entry {
            id: Uuid::from_u128(0x0190_0000_0000_7000_8000_0000_0000_0001),
            device: Uuid::from_u128(0x0190_0000_0000_7000_8000_0000_0000_0002),
            number: 7,
            previous: Some(Hash([9; 32])),
            event_time: "2026-05-01T09:30:00-07:00".into(),
            recorded_time: "2026-05-01T16:30:05Z".into(),
            person: "crew-3".into(),
            kind: "trap-taken-down".into(),
            body_version: 1,
            body_text: r#"{"date":"2026-05-01","trap":"A"}"#.into(),
            hash: Hash([0; 32]),
            signature: None,
        }
    }

    /// The encoding of FORMAT.md spelt out a second time, byte by byte, as a phone would write it.
    #[test]
    fn the_hash_covers_the_documented_bytes() {
        let mut bytes = Vec::new();
        bytes.extend(b"\x00\x00\x00\x11earlywood/entry/1");
        bytes.extend(b"\x00\x00\x00\x10\x01\x90\0\0\0\0\x70\0\x80\0\0\0\0\0\0\x01");
        bytes.extend(b"\x00\x00\x00\x10\x01\x90\0\0\0\0\x70\0\x80\0\0\0\0\0\0\x02");
        bytes.extend(b"\x00\x00\x00\x08\0\0\0\0\0\0\0\x07");
        bytes.extend(b"\x00\x00\x00\x20");
        bytes.extend([9; 32]);
        bytes.extend(b"\x00\x00\x00\x192026-05-01T09:30:00-07:00");
        bytes.extend(b"\x00\x00\x00\x142026-05-01T16:30:05Z");
        bytes.extend(b"\x00\x00\x00\x06crew-3");
        bytes.extend(b"\x00\x00\x00\x0ftrap-taken-down");
        bytes.extend(b"\x00\x00\x00\x04\0\0\0\x01");
        bytes.extend(b"\x00\x00\x00\x20{\"date\":\"2026-05-01\",\"trap\":\"A\"}");
        assert_eq!(sample().digest(), Hash::of(&bytes));
        assert!(
            include_str!("../FORMAT.md").contains(&sample().digest().to_string()),
            "FORMAT.md should give {}",
            sample().digest()
        );
    }

    #[test]
    fn a_first_entry_has_an_empty_previous_field() {
        let first = Entry {
            previous: None,
            ..sample()
        };
        let zeros = Entry {
            previous: Some(Hash([0; 32])),
            ..sample()
        };
        assert_ne!(first.digest(), zeros.digest());
    }

    #[test]
    fn event_times_are_rfc_3339_with_offset_and_past() {
        let act = Act::new("lead", "2026-05-01T12:00:00-07:00[-07:00]".parse().unwrap()).unwrap();
        for good in [
            "2026-05-01T12:00:00-07:00",
            "2026-05-01T19:00:00Z",
            "2020-02-29T23:59:59.123456+05:45",
        ] {
            assert_eq!(check_event_time(good, &act).unwrap(), good);
        }
        for bad in [
            "",
            "2026-05-01",
            "2026-05-01T12:00:00",
            "2026-05-01 12:00:00Z",
            "2026-02-30T12:00:00Z",
            "2026-05-01T12:00:00.Z",
            "20260501T120000Z",
            "2026-05-01T12:00:00Z[UTC]",
            "2026-05-01T12:00:00éé",
            "2026-05-01T12:00:01-07:00",
        ] {
            assert!(check_event_time(bad, &act).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_day_without_time_becomes_local_midnight_unless_it_is_today() {
        let act = Act::new("lead", "2026-05-02T12:00:00-07:00[-07:00]".parse().unwrap()).unwrap();
        let down = |day| {
            Body::TrapTakenDown(crate::TakeDown {
                trap: "A".into(),
                date: jiff::civil::date(2026, 5, day),
                reason: None,
            })
        };
        assert_eq!(act.event_time(&down(1)), "2026-05-01T00:00:00-07:00");
        assert_eq!(act.event_time(&down(2)), "2026-05-02T12:00:00-07:00");
    }

    #[test]
    fn persons_are_roles() {
        let now: ZonedDateTime = "2026-05-02T12:00:00-07:00[-07:00]".parse().unwrap();
        assert!(Act::new("crew-3", now.clone()).is_ok());
        for bad in ["", "  ", "someone@example.org", "a\nb"] {
            assert!(Act::new(bad, now.clone()).is_err(), "{bad:?}");
        }
    }

    proptest! {
        #[test]
        fn no_two_different_entries_share_their_bytes(person in ".{0,6}", kind in ".{0,6}", cut in 0_usize..6) {
            // Moving a character from one field to the next must change the hash: lengths are part of it.
            let both: Vec<char> = person.chars().chain(kind.chars()).collect();
            let cut = cut.min(both.len());
            let moved = Entry {
                person: both[..cut].iter().collect(),
                kind: both[cut..].iter().collect(),
                ..sample()
            };
            let entry = Entry { person, kind, ..sample() };
            prop_assert_eq!(entry.digest() == moved.digest(), entry == moved);
        }
    }
}
