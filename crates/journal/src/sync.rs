//! What two copies of one programme say to each other, and how it is written down.
//!
//! An [`Offer`] says how far a copy has come; a [`Bundle`] carries what the other copy lacks. Both are written as one
//! message of lines of JSON, the last of which counts the others and states the BLAKE3 of all bytes before it: a message
//! that was cut off or altered is refused whole, before any of it is believed. The same message under gzip is the form for a
//! file carried by hand. The form is written down in this crate's `SYNC.md`.
//!
//! This module only reads and writes. Whether an entry's hash, chain and signature are good is judged where it is accepted.

use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use std::io::{self, BufRead, BufReader, Read, Write};

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use uuid::Uuid;

use crate::{Entry, Hash, Head};

/// How far one copy of a programme has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Offer {
    /// The programme: copies of different ones have nothing to say to each other.
    pub programme: Uuid,
    /// The end of every device's chain as this copy knows it, by device, each device once.
    pub heads: Vec<Head>,
    /// Contents that this copy's entries name and that it does not hold, in ascending order. It need not name all.
    pub wants: Vec<Hash>,
}

/// What one copy gives to another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bundle {
    /// The programme.
    pub programme: Uuid,
    /// The sender's heads, by device, each device once.
    pub heads: Vec<Head>,
    /// Contents that the sender lacks itself, in ascending order.
    pub wants: Vec<Hash>,
    /// Entries; those of one device stand in the order of their numbers, without gaps.
    pub entries: Vec<Entry>,
    /// Contents by hash, each once.
    pub contents: Vec<(Hash, Vec<u8>)>,
    /// Whether this is all that the other copy lacks. If not: ask again.
    pub complete: bool,
}

impl Bundle {
    /// What the sender's side of this bundle offers.
    pub fn offer(&self) -> Offer {
        Offer {
            programme: self.programme,
            heads: self.heads.clone(),
            wants: self.wants.clone(),
        }
    }
}

/// What became of a bundle.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Accepted {
    /// Entries that were new.
    pub new: u64,
    /// Entries that were there already.
    pub known: u64,
    /// Contents that were new.
    pub contents: u64,
    /// Entries that were not taken, and why.
    pub held_back: Vec<Held>,
    /// Conflicts that came up with it and wait for a supervisor.
    pub conflicts: u64,
}

/// Entries of one device that were not taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Held {
    /// The device that wrote them.
    pub device: Uuid,
    /// How many.
    pub entries: u64,
    /// The reason, in plain words.
    pub why: String,
}

/// What a copy may be given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// Everything.
    Everything,
    /// All but the contents of planted specimens: a crew must not know what was planted where.
    Crew,
    /// What a partner may read.
    Partner,
}

/// How much one bundle may hold. A sender always gives at least one entry or content, so that every round gets on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limit {
    /// Entries, at least 1.
    pub entries: usize,
    /// Bytes of bodies and contents, before encoding. One larger thing is given alone.
    pub bytes: usize,
}

impl Default for Limit {
    /// 5 000 entries, 1 MiB: a few seconds even on a poor connection. Design choice.
    fn default() -> Self {
        Limit {
            entries: 5_000,
            bytes: 1 << 20,
        }
    }
}

/// What a reader of messages puts up with; beyond it a message is refused while it is being read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Bytes of the whole message, unpacked.
    pub bytes: u64,
    /// Bytes of one line.
    pub line: usize,
    /// Heads.
    pub heads: usize,
    /// Wanted contents.
    pub wants: usize,
    /// Entries.
    pub entries: usize,
    /// Contents.
    pub contents: usize,
}

impl Default for Limits {
    /// 256 MiB in lines of at most 96 MiB, 10 000 heads and as many wants, 200 000 entries, 20 000 contents. Design choice.
    fn default() -> Self {
        Limits {
            bytes: 256 << 20,
            line: 96 << 20,
            heads: 10_000,
            wants: 10_000,
            entries: 200_000,
            contents: 20_000,
        }
    }
}

/// Why a message can't be read or written.
#[derive(Debug, thiserror::Error)]
pub enum SyncError {
    /// The bytes could not be read or written (for a gzip file also: it is damaged).
    #[error("the sync message can't be read or written: {0}")]
    Io(#[from] io::Error),
    /// It is something else.
    #[error("this is no sync message: its first line does not say earlywood-sync")]
    NotOurs,
    /// It comes from a newer program.
    #[error(
        "the sync message is of version {found}; this program knows version {VERSION}: use a newer program"
    )]
    Version {
        /// The version stated.
        found: u64,
    },
    /// It ends too early.
    #[error(
        "the sync message ends after line {lines}, before its last line: it was cut off; get it once more"
    )]
    CutOff {
        /// Whole lines that were there.
        lines: u64,
    },
    /// It is larger than the reader allows.
    #[error("line {line} of the sync message: more than {limit} {what}, which is the limit here")]
    TooMuch {
        /// Line number, from 1.
        line: u64,
        /// Of what.
        what: &'static str,
        /// How many are allowed.
        limit: u64,
    },
    /// A line breaks a rule of the form.
    #[error("line {line} of the sync message: {rule}")]
    Line {
        /// Line number, from 1.
        line: u64,
        /// What was wrong with it.
        rule: String,
    },
    /// The closing hash is not that of the bytes.
    #[error(
        "the sync message was altered on its way: its bytes do not have the hash that its last line states"
    )]
    Altered,
    /// Something that can't be put into a message.
    #[error("this can't be sent: {0}")]
    Unsendable(String),
}

/// Version of the form, stated in every first line.
pub const VERSION: u64 = 1;
/// Largest integer that every reader of JSON keeps exact: 2^53 - 1.
const MAX_NUMBER: u64 = (1 << 53) - 1;
/// Most bytes of a signature; Ed25519 needs 64.
const MAX_SIGNATURE: usize = 128;

/// Writes a bundle.
///
/// # Errors
/// The writer's; a bundle that breaks the order which [`Bundle`] states, or a content that does not have its hash.
pub fn encode(bundle: &Bundle, to: impl Write) -> Result<(), SyncError> {
    let mut rules = Rules::default();
    let mut message = Encoder::start(to, &Header::of_bundle(bundle), &mut rules)?;
    for entry in &bundle.entries {
        rules.entry(entry).map_err(SyncError::Unsendable)?;
        message.line(&Line::Entry(WireEntry::of(entry)))?;
    }
    for (hash, bytes) in &bundle.contents {
        rules.content(*hash, bytes).map_err(SyncError::Unsendable)?;
        message.line(&Line::Content(WireContent {
            hash: *hash,
            base64: Cow::Owned(BASE64.encode(bytes)),
        }))?;
    }
    message.finish(&rules)
}

/// Writes an offer.
///
/// # Errors
/// As [`encode`].
pub fn encode_offer(offer: &Offer, to: impl Write) -> Result<(), SyncError> {
    let mut rules = Rules::default();
    let header = Header {
        version: VERSION,
        message: Message::Offer,
        programme: offer.programme,
        complete: None,
        heads: offer.heads.iter().map(WireHead::of).collect(),
        wants: offer.wants.clone(),
    };
    Encoder::start(to, &header, &mut rules)?.finish(&rules)
}

/// Reads a bundle; all of it is held in memory, within `limits`.
///
/// # Errors
/// Bytes that are not exactly one whole, unaltered message of a bundle within the limits.
pub fn decode(from: impl Read, limits: &Limits) -> Result<Bundle, SyncError> {
    let mut lines = Lines::new(from, limits);
    let mut rules = Rules::default();
    let header = lines.header(Message::Bundle, &mut rules)?;
    let mut entries = Vec::new();
    let mut contents = Vec::new();
    let mut text = Vec::new();
    while let Some(line) = lines.next(&mut text)? {
        match line {
            Line::Entry(wire) => {
                if !contents.is_empty() {
                    return Err(lines.broken("an entry after the contents; entries come first"));
                }
                lines.within("entries", entries.len(), limits.entries)?;
                let entry = wire.into_entry();
                rules.entry(&entry).map_err(|rule| lines.broken(rule))?;
                entries.push(entry);
            }
            Line::Content(wire) => {
                lines.within("contents", contents.len(), limits.contents)?;
                let bytes = BASE64
                    .decode(wire.base64.as_bytes())
                    .map_err(|_| lines.broken("the content is not in base64 (RFC 4648, with padding)"))?;
                rules
                    .content(wire.hash, &bytes)
                    .map_err(|rule| lines.broken(rule))?;
                contents.push((wire.hash, bytes));
            }
            Line::End(end) => {
                lines.close(&end, &rules)?;
                return Ok(Bundle {
                    programme: header.programme,
                    heads: header.heads.iter().map(WireHead::head).collect(),
                    wants: header.wants,
                    entries,
                    contents,
                    complete: header.complete.unwrap_or(false),
                });
            }
        }
    }
    Err(lines.cut_off())
}

/// Reads an offer.
///
/// # Errors
/// Bytes that are not exactly one whole, unaltered message of an offer within the limits.
pub fn decode_offer(from: impl Read, limits: &Limits) -> Result<Offer, SyncError> {
    let mut lines = Lines::new(from, limits);
    let mut rules = Rules::default();
    let header = lines.header(Message::Offer, &mut rules)?;
    match lines.next(&mut Vec::new())? {
        Some(Line::End(end)) => {
            lines.close(&end, &rules)?;
            Ok(Offer {
                programme: header.programme,
                heads: header.heads.iter().map(WireHead::head).collect(),
                wants: header.wants,
            })
        }
        Some(_) => Err(lines.broken("an offer has no lines between its first and its last")),
        None => Err(lines.cut_off()),
    }
}

/// Writes a bundle under gzip: the form of a file carried by hand, and of requests and replies.
///
/// # Errors
/// As [`encode`].
pub fn encode_gzip(bundle: &Bundle, to: impl Write) -> Result<(), SyncError> {
    let mut gzip = flate2::GzBuilder::new().write(to, flate2::Compression::default());
    encode(bundle, &mut gzip)?;
    gzip.finish()?;
    Ok(())
}

/// Writes an offer under gzip.
///
/// # Errors
/// As [`encode`].
pub fn encode_offer_gzip(offer: &Offer, to: impl Write) -> Result<(), SyncError> {
    let mut gzip = flate2::GzBuilder::new().write(to, flate2::Compression::default());
    encode_offer(offer, &mut gzip)?;
    gzip.finish()?;
    Ok(())
}

/// Reads a bundle under gzip. The limits are on what it unpacks to, and hold while it is unpacked.
///
/// # Errors
/// As [`decode`]; bytes that are no gzip, or with more behind it.
pub fn decode_gzip(from: impl Read, limits: &Limits) -> Result<Bundle, SyncError> {
    unpacked(from, |gzip| decode(gzip, limits))
}

/// Reads an offer under gzip.
///
/// # Errors
/// As [`decode_gzip`].
pub fn decode_offer_gzip(from: impl Read, limits: &Limits) -> Result<Offer, SyncError> {
    unpacked(from, |gzip| decode_offer(gzip, limits))
}

fn unpacked<R: Read, T>(
    from: R,
    read: impl FnOnce(&mut dyn Read) -> Result<T, SyncError>,
) -> Result<T, SyncError> {
    let mut gzip = flate2::bufread::GzDecoder::new(BufReader::new(from));
    // The message's end makes the reader ask for one more byte, at which gzip checks its own checksum.
    let message = read(&mut gzip)?;
    if gzip.into_inner().fill_buf()?.is_empty() {
        Ok(message)
    } else {
        Err(SyncError::Io(io::Error::new(
            io::ErrorKind::InvalidData,
            "something follows the end of the gzip data",
        )))
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Message {
    Bundle,
    Offer,
}

/// What is read of a first line before its version is known.
#[derive(Deserialize)]
struct Probe {
    #[serde(rename = "earlywood-sync")]
    version: u64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Header {
    #[serde(rename = "earlywood-sync")]
    version: u64,
    message: Message,
    #[serde(deserialize_with = "strict_uuid")]
    programme: Uuid,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    complete: Option<bool>,
    heads: Vec<WireHead>,
    wants: Vec<Hash>,
}

impl Header {
    fn of_bundle(bundle: &Bundle) -> Self {
        Header {
            version: VERSION,
            message: Message::Bundle,
            programme: bundle.programme,
            complete: Some(bundle.complete),
            heads: bundle.heads.iter().map(WireHead::of).collect(),
            wants: bundle.wants.clone(),
        }
    }
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireHead {
    #[serde(deserialize_with = "strict_uuid")]
    device: Uuid,
    number: u64,
    hash: Hash,
}

impl WireHead {
    fn of(head: &Head) -> Self {
        WireHead {
            device: head.device,
            number: head.number,
            hash: head.hash,
        }
    }

    fn head(&self) -> Head {
        Head {
            device: self.device,
            number: self.number,
            hash: self.hash,
        }
    }
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Line<'a> {
    Entry(WireEntry<'a>),
    #[serde(borrow)]
    Content(WireContent<'a>),
    End(End),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireEntry<'a> {
    #[serde(deserialize_with = "strict_uuid")]
    id: Uuid,
    #[serde(deserialize_with = "strict_uuid")]
    device: Uuid,
    number: u64,
    // Without this, serde would let a missing key pass for null.
    #[serde(deserialize_with = "Option::deserialize")]
    previous: Option<Hash>,
    event_time: Cow<'a, str>,
    recorded_time: Cow<'a, str>,
    person: Cow<'a, str>,
    kind: Cow<'a, str>,
    body_version: u32,
    body: Cow<'a, str>,
    hash: Hash,
    #[serde(serialize_with = "write_hex", deserialize_with = "read_hex")]
    signature: Option<Vec<u8>>,
}

impl<'a> WireEntry<'a> {
    fn of(entry: &'a Entry) -> Self {
        WireEntry {
            id: entry.id,
            device: entry.device,
            number: entry.number,
            previous: entry.previous,
            event_time: Cow::Borrowed(&entry.event_time),
            recorded_time: Cow::Borrowed(&entry.recorded_time),
            person: Cow::Borrowed(&entry.person),
            kind: Cow::Borrowed(&entry.kind),
            body_version: entry.body_version,
            body: Cow::Borrowed(&entry.body_text),
            hash: entry.hash,
            signature: entry.signature.clone(),
        }
    }

    fn into_entry(self) -> Entry {
        Entry {
            id: self.id,
            device: self.device,
            number: self.number,
            previous: self.previous,
            event_time: self.event_time.into_owned(),
            recorded_time: self.recorded_time.into_owned(),
            person: self.person.into_owned(),
            kind: self.kind.into_owned(),
            body_version: self.body_version,
            body_text: self.body.into_owned(),
            hash: self.hash,
            signature: self.signature,
        }
    }
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireContent<'a> {
    hash: Hash,
    #[serde(borrow)]
    base64: Cow<'a, str>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct End {
    entries: u64,
    contents: u64,
    blake3: Hash,
}

/// One spelling only: lower case, with hyphens.
fn strict_uuid<'de, D: Deserializer<'de>>(from: D) -> Result<Uuid, D::Error> {
    let text = Cow::<'de, str>::deserialize(from)?;
    match Uuid::try_parse(&text) {
        Ok(id) if id.to_string() == text => Ok(id),
        _ => Err(serde::de::Error::custom(
            "an id is a UUID in lower case with hyphens",
        )),
    }
}

fn write_hex<S: Serializer>(bytes: &Option<Vec<u8>>, to: S) -> Result<S::Ok, S::Error> {
    bytes.as_deref().map(hex).serialize(to)
}

fn read_hex<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Vec<u8>>, D::Error> {
    let text = Option::<Cow<'de, str>>::deserialize(from)?;
    text.map(|text| {
        unhex(&text).ok_or_else(|| serde::de::Error::custom("a signature is lower-case hexadecimal"))
    })
    .transpose()
}

/// Bytes as lower-case hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes
        .iter()
        .fold(String::with_capacity(bytes.len() * 2), |mut out, byte| {
            // Writing to a String can't fail.
            let _ = write!(out, "{byte:02x}");
            out
        })
}

/// Bytes of lower-case hexadecimal digits; `None` for anything else.
pub fn unhex(text: &str) -> Option<Vec<u8>> {
    let digit = |b: &u8| match b {
        b'0'..=b'9' => Some(b - b'0'),
        b'a'..=b'f' => Some(b - b'a' + 10),
        _ => None,
    };
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    if !rest.is_empty() {
        return None;
    }
    pairs
        .iter()
        .map(|[high, low]| Some((digit(high)? << 4) | digit(low)?))
        .collect()
}

/// The rules that hold between lines; the same for writer and reader, so that what one writes the other reads.
#[derive(Default)]
struct Rules {
    last: HashMap<Uuid, u64>,
    seen: HashSet<Hash>,
    entries: u64,
}

impl Rules {
    fn header(&mut self, header: &Header) -> Result<(), String> {
        for head in &header.heads {
            number_in_range(head.number)?;
        }
        if !header.heads.is_sorted_by(|a, b| a.device < b.device) {
            return Err("the heads are not in the order of their devices, each device once".into());
        }
        if !header.wants.is_sorted_by(|a, b| a < b) {
            return Err("the wanted contents are not in ascending order, each once".into());
        }
        match (header.message, header.complete) {
            (Message::Bundle, None) => Err("a bundle says whether it is complete".into()),
            (Message::Offer, Some(_)) => Err("an offer has no word on being complete".into()),
            _ => Ok(()),
        }
    }

    fn entry(&mut self, entry: &Entry) -> Result<(), String> {
        number_in_range(entry.number)?;
        if entry.signature.as_ref().is_some_and(|s| s.len() > MAX_SIGNATURE) {
            return Err(format!("a signature of more than {MAX_SIGNATURE} bytes"));
        }
        let before = self.last.insert(entry.device, entry.number);
        if let Some(before) = before.filter(|before| before + 1 != entry.number) {
            return Err(format!(
                "entry {} of device {} follows its entry {before}; a device's entries come in order, without gaps",
                entry.number, entry.device
            ));
        }
        self.entries += 1;
        Ok(())
    }

    fn content(&mut self, hash: Hash, bytes: &[u8]) -> Result<(), String> {
        if Hash::of(bytes) != hash {
            return Err(format!(
                "the content {hash} is damaged: its bytes have another hash"
            ));
        }
        if !self.seen.insert(hash) {
            return Err(format!("the content {hash} comes twice"));
        }
        Ok(())
    }
}

fn number_in_range(number: u64) -> Result<(), String> {
    if (1..=MAX_NUMBER).contains(&number) {
        Ok(())
    } else {
        Err(format!("the number {number} is not from 1 to 2^53 - 1"))
    }
}

/// Writes lines, and hashes what it has written.
struct Encoder<W: Write> {
    to: W,
    hasher: blake3::Hasher,
    line: Vec<u8>,
}

impl<W: Write> Encoder<W> {
    fn start(to: W, header: &Header, rules: &mut Rules) -> Result<Self, SyncError> {
        rules.header(header).map_err(SyncError::Unsendable)?;
        let mut encoder = Encoder {
            to,
            hasher: blake3::Hasher::new(),
            line: Vec::new(),
        };
        encoder.line(header)?;
        Ok(encoder)
    }

    fn line(&mut self, line: &impl Serialize) -> Result<(), SyncError> {
        self.line.clear();
        serde_json::to_writer(&mut self.line, line).map_err(|e| SyncError::Unsendable(e.to_string()))?;
        self.line.push(b'\n');
        self.hasher.update(&self.line);
        self.to.write_all(&self.line)?;
        Ok(())
    }

    fn finish(mut self, rules: &Rules) -> Result<(), SyncError> {
        let end = End {
            entries: rules.entries,
            contents: rules.seen.len() as u64,
            blake3: Hash(*self.hasher.finalize().as_bytes()),
        };
        self.line(&Line::End(end))?;
        self.to.flush()?;
        Ok(())
    }
}

/// Reads lines within limits, and hashes what it has read.
struct Lines<'l, R: Read> {
    from: BufReader<R>,
    limits: &'l Limits,
    hasher: blake3::Hasher,
    line: Vec<u8>,
    number: u64,
    bytes: u64,
}

impl<'l, R: Read> Lines<'l, R> {
    fn new(from: R, limits: &'l Limits) -> Self {
        Lines {
            from: BufReader::with_capacity(1 << 16, from),
            limits,
            hasher: blake3::Hasher::new(),
            line: Vec::new(),
            number: 0,
            bytes: 0,
        }
    }

    fn broken(&self, rule: impl Into<String>) -> SyncError {
        SyncError::Line {
            line: self.number,
            rule: rule.into(),
        }
    }

    fn too_much(&self, what: &'static str, limit: u64) -> SyncError {
        SyncError::TooMuch {
            line: self.number,
            what,
            limit,
        }
    }

    fn cut_off(&self) -> SyncError {
        SyncError::CutOff { lines: self.number }
    }

    /// Refuses one more of `what` where there are `have` of `limit`.
    fn within(&self, what: &'static str, have: usize, limit: usize) -> Result<(), SyncError> {
        if have < limit {
            Ok(())
        } else {
            Err(self.too_much(what, limit as u64))
        }
    }

    /// Reads the next line into `self.line`, its line feed with it. False at the end of the bytes.
    fn read(&mut self) -> Result<bool, SyncError> {
        self.line.clear();
        loop {
            let available = match self.from.fill_buf() {
                Ok(available) => available,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
                // A gzip that was cut off is a message that was cut off.
                Err(e) if e.kind() == io::ErrorKind::UnexpectedEof => return Err(self.cut_off()),
                Err(e) => return Err(e.into()),
            };
            if available.is_empty() {
                // What is left without a line feed is no line.
                return if self.line.is_empty() {
                    Ok(false)
                } else {
                    Err(self.cut_off())
                };
            }
            let feed = available.iter().position(|&b| b == b'\n');
            let taken = feed.map_or(available.len(), |at| at + 1);
            self.line
                .extend_from_slice(available.get(..taken).unwrap_or(available));
            self.from.consume(taken);
            self.bytes += taken as u64;
            if self.line.len() > self.limits.line || self.bytes > self.limits.bytes {
                self.number += 1;
                return Err(if self.bytes > self.limits.bytes {
                    self.too_much("bytes in all", self.limits.bytes)
                } else {
                    self.too_much("bytes in one line", self.limits.line as u64)
                });
            }
            if feed.is_some() {
                self.number += 1;
                return Ok(true);
            }
        }
    }

    fn header(&mut self, expected: Message, rules: &mut Rules) -> Result<Header, SyncError> {
        if !self.read()? {
            return Err(self.cut_off());
        }
        let probe: Probe = serde_json::from_slice(&self.line).map_err(|_| SyncError::NotOurs)?;
        if probe.version != VERSION {
            return Err(SyncError::Version { found: probe.version });
        }
        let header: Header = serde_json::from_slice(&self.line).map_err(|e| self.broken(plain(&e)))?;
        if header.message != expected {
            return Err(self.broken(match expected {
                Message::Bundle => "this is an offer, where a bundle was expected",
                Message::Offer => "this is a bundle, where an offer was expected",
            }));
        }
        let too_many = |what, have: usize, limit: usize| {
            if have > limit {
                Err(self.too_much(what, limit as u64))
            } else {
                Ok(())
            }
        };
        too_many("heads", header.heads.len(), self.limits.heads)?;
        too_many("wanted contents", header.wants.len(), self.limits.wants)?;
        rules.header(&header).map_err(|rule| self.broken(rule))?;
        self.hasher.update(&self.line);
        Ok(header)
    }

    /// The next line, read into `text`.
    fn next<'t>(&mut self, text: &'t mut Vec<u8>) -> Result<Option<Line<'t>>, SyncError> {
        if !self.read()? {
            return Ok(None);
        }
        std::mem::swap(text, &mut self.line);
        let line = serde_json::from_slice(text).map_err(|e| self.broken(plain(&e)))?;
        if !matches!(line, Line::End(_)) {
            self.hasher.update(text);
        }
        Ok(Some(line))
    }

    /// Checks the last line, and that nothing follows.
    fn close(&mut self, end: &End, rules: &Rules) -> Result<(), SyncError> {
        if (end.entries, end.contents) != (rules.entries, rules.seen.len() as u64) {
            return Err(self.broken(format!(
                "it counts {} entries and {} contents, but there are {} and {}",
                end.entries,
                end.contents,
                rules.entries,
                rules.seen.len()
            )));
        }
        if Hash(*self.hasher.finalize().as_bytes()) != end.blake3 {
            return Err(SyncError::Altered);
        }
        if self.read()? {
            return Err(self.broken("there is more after the last line"));
        }
        Ok(())
    }
}

/// What serde says of a line, without its own line number (always 1 here).
fn plain(e: &serde_json::Error) -> String {
    let text = e.to_string();
    let words = text.split(" at line ").next().unwrap_or(&text);
    format!("{words} (column {})", e.column())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn id() -> impl Strategy<Value = Uuid> {
        any::<u128>().prop_map(Uuid::from_u128)
    }

    fn hash() -> impl Strategy<Value = Hash> {
        any::<[u8; 32]>().prop_map(Hash)
    }

    fn chain(device: Uuid) -> impl Strategy<Value = Vec<Entry>> {
        let fields = (
            id(),
            prop::option::of(hash()),
            prop::array::uniform4(".{0,12}"),
            any::<u32>(),
            "(?s).{0,60}",
            hash(),
            prop::option::of(prop::collection::vec(any::<u8>(), 0..80)),
        );
        (1..1_u64 << 52, prop::collection::vec(fields, 0..4)).prop_map(move |(from, fields)| {
            fields
                .into_iter()
                .zip(from..)
                .map(
                    |((id, previous, words, body_version, body_text, hash, signature), number)| {
                        let [event_time, recorded_time, person, kind] = words;
                        Entry {
                            id,
                            device,
                            number,
                            previous,
                            event_time,
                            recorded_time,
                            person,
                            kind,
                            body_version,
                            body_text,
                            hash,
                            signature,
                        }
                    },
                )
                .collect()
        })
    }

    prop_compose! {
        fn offer()(
            programme in id(),
            heads in prop::collection::btree_map(id(), (1..=MAX_NUMBER, hash()), 0..4),
            wants in prop::collection::btree_set(hash(), 0..3),
        ) -> Offer {
            let heads = heads.into_iter().map(|(device, (number, hash))| Head { device, number, hash }).collect();
            Offer { programme, heads, wants: wants.into_iter().collect() }
        }
    }

    prop_compose! {
        fn bundle()(
            offer in offer(),
            chains in prop::collection::btree_set(id(), 0..4)
                .prop_flat_map(|devices| devices.into_iter().map(chain).collect::<Vec<_>>()),
            contents in prop::collection::btree_set(prop::collection::vec(any::<u8>(), 0..40), 0..4),
            complete in any::<bool>(),
        ) -> Bundle {
            Bundle {
                programme: offer.programme,
                heads: offer.heads,
                wants: offer.wants,
                entries: chains.into_iter().flatten().collect(),
                contents: contents.into_iter().map(|bytes| (Hash::of(&bytes), bytes)).collect(),
                complete,
            }
        }
    }

    fn written(bundle: &Bundle) -> Vec<u8> {
        let mut out = Vec::new();
        encode(bundle, &mut out).unwrap();
        out
    }

    fn zipped(bundle: &Bundle) -> Vec<u8> {
        let mut out = Vec::new();
        encode_gzip(bundle, &mut out).unwrap();
        out
    }

    fn read(bytes: &[u8]) -> Result<Bundle, SyncError> {
        decode(bytes, &Limits::default())
    }

    fn sample() -> Bundle {
        let device = Uuid::from_u128(0x0190_0000_0000_7000_8000_0000_0000_0002);
        let entry = |number| Entry {
            id: Uuid::from_u128(0x0190_0000_0000_7000_8000_0000_0000_0000 + u128::from(number)),
            device,
            number,
            previous: (number > 1).then_some(Hash([9; 32])),
            event_time: "2026-05-01T09:30:00-07:00".into(),
            recorded_time: "2026-05-01T16:30:05Z".into(),
            person: "crew-3".into(),
            kind: "trap-taken-down".into(),
            body_version: 1,
            body_text: r#"{"date":"2026-05-01","trap":"A"}"#.into(),
            hash: Hash([7; 32]),
            signature: (number > 1).then(|| vec![5; 64]),
        };
        Bundle {
            programme: Uuid::from_u128(1),
            heads: vec![Head {
                device,
                number: 2,
                hash: Hash([7; 32]),
            }],
            wants: vec![Hash([1; 32])],
            entries: vec![entry(1), entry(2)],
            contents: vec![(Hash::of(b"photo"), b"photo".to_vec())],
            complete: true,
        }
    }

    /// The message's text with `from` replaced once by `to`, and its closing hash made right again.
    fn edited(from: &str, to: &str) -> Vec<u8> {
        let text = String::from_utf8(written(&sample())).unwrap();
        assert!(text.contains(from), "{from}");
        resealed(&text.replacen(from, to, 1))
    }

    fn resealed(text: &str) -> Vec<u8> {
        let (before, end) = text.split_at(text.rfind("{\"end\"").unwrap());
        let at = end.find("\"blake3\":\"").unwrap() + 10;
        let mut out = before.to_owned();
        out += &end[..at];
        out += &Hash::of(before.as_bytes()).to_string();
        out += &end[at + 64..];
        out.into_bytes()
    }

    fn refused(bytes: &[u8]) -> String {
        read(bytes).unwrap_err().to_string()
    }

    #[test]
    fn a_resealed_message_is_read() {
        assert_eq!(
            read(&edited("crew-3", "crew-4")).unwrap().entries[0].person,
            "crew-4"
        );
    }

    #[test]
    fn lines_read_as_documented() {
        let text = String::from_utf8(written(&sample())).unwrap();
        let lines: Vec<_> = text.lines().collect();
        assert_eq!(lines.len(), 5);
        assert!(lines[0].starts_with(r#"{"earlywood-sync":1,"message":"bundle","programme":"00000000-0000-0000-0000-000000000001","complete":true,"heads":[{"device":"#));
        assert!(lines[1].starts_with(r#"{"entry":{"id":"01900000-0000-7000-8000-000000000001","device":"01900000-0000-7000-8000-000000000002","number":1,"previous":null,"event_time":"2026-05-01T09:30:00-07:00","#));
        assert!(lines[1].contains(r#""body":"{\"date\":\"2026-05-01\",\"trap\":\"A\"}","#));
        assert!(lines[3].contains(r#""base64":"cGhvdG8="}}"#));
        let before = text.find("{\"end\"").unwrap();
        let hash = Hash::of(&text.as_bytes()[..before]);
        assert_eq!(
            lines[4],
            format!(r#"{{"end":{{"entries":2,"contents":1,"blake3":"{hash}"}}}}"#)
        );
    }

    #[test]
    fn every_broken_rule_is_named_with_its_line() {
        let content_line = r#"{"content":{"hash""#;
        let entry_line = {
            let text = String::from_utf8(written(&sample())).unwrap();
            text.lines().nth(1).unwrap().to_owned()
        };
        for (from, to, says) in [
            (
                "\"earlywood-sync\":1",
                "\"earlywood-sync\":2",
                "version 2; this program knows version 1",
            ),
            ("\"earlywood-sync\":1", "\"other\":1", "no sync message"),
            (
                "\"bundle\"",
                "\"offer\"",
                "line 1 of the sync message: this is an offer",
            ),
            (
                "\"complete\":true,",
                "",
                "line 1 of the sync message: a bundle says whether",
            ),
            (
                "\"complete\":true,",
                "\"complete\":true,\"complete\":true,",
                "line 1 of the sync message: duplicate field",
            ),
            (
                "\"complete\":true,",
                "\"complete\":true,\"x\":1,",
                "line 1 of the sync message: unknown field",
            ),
            (
                "\"number\":2,\"hash\"",
                "\"number\":0,\"hash\"",
                "line 1 of the sync message: the number 0",
            ),
            (
                "\"number\":1,",
                "\"number\":9007199254740992,",
                "line 2 of the sync message: the number 9007199254740992",
            ),
            ("\"number\":1,", "\"number\":1.5,", "line 2"),
            (
                "\"number\":1,",
                "\"number\":2,",
                "line 3 of the sync message: entry 2 of device",
            ),
            (
                "\"previous\":null,",
                "",
                "line 2 of the sync message: missing field `previous`",
            ),
            (
                "\"signature\":null",
                "\"signature\":\"5A\"",
                "line 2 of the sync message: a signature is lower-case",
            ),
            (
                ",\"signature\":null",
                "",
                "line 2 of the sync message: missing field `signature`",
            ),
            ("\"person\":\"crew-3\"", "\"person\":\"\\ud800\"", "line 2"),
            ("\"person\":\"crew-3\"", "\"person\":null", "line 2"),
            (
                "\"id\":\"0190",
                "\"id\":\"{0190",
                "line 2 of the sync message: an id is a UUID",
            ),
            (
                "{\"content\"",
                "{\"contents\"",
                "line 4 of the sync message: unknown variant",
            ),
            (
                "\"base64\":\"cGhvdG8=\"",
                "\"base64\":\"cGhvdG8\"",
                "line 4 of the sync message: the content is not in base64",
            ),
            (
                "\"base64\":\"cGhvdG8=\"",
                "\"base64\":\"cGhvdG9=\"",
                "line 4 of the sync message: the content is not in base64",
            ),
            (
                "\"base64\":\"cGhvdG8=\"",
                "\"base64\":\"cGhvdGE=\"",
                "line 4 of the sync message: the content",
            ),
            (
                content_line,
                "\n{\"content\":{\"hash\"",
                "line 4 of the sync message: EOF",
            ),
            (
                "{\"end\"",
                &format!("{entry_line}\n{{\"end\""),
                "line 5 of the sync message: an entry after the contents",
            ),
            (
                "\"entries\":2",
                "\"entries\":3",
                "line 5 of the sync message: it counts 3 entries and 1 contents, but there are 2 and 1",
            ),
        ] {
            let said = refused(&edited(from, to));
            assert!(said.contains(says), "{from} -> {to}: {said}");
        }
        let mut longer = written(&sample());
        longer.push(b'\n');
        assert!(refused(&longer).contains("line 6 of the sync message: there is more"));
        longer.pop();
        longer.push(b'{');
        assert!(refused(&longer).contains("cut off"));
        assert!(refused(b"").contains("after line 0"));
        assert!(matches!(
            read(
                String::from_utf8(written(&sample()))
                    .unwrap()
                    .replace("crew-3", "crew-4")
                    .as_bytes()
            ),
            Err(SyncError::Altered)
        ));
    }

    #[test]
    fn limits_hold_one_by_one() {
        let bytes = written(&sample());
        let whole = Limits {
            bytes: bytes.len() as u64,
            line: bytes.split(|&b| b == b'\n').map(<[u8]>::len).max().unwrap() + 1,
            heads: 1,
            wants: 1,
            entries: 2,
            contents: 1,
        };
        assert_eq!(decode(&bytes[..], &whole).unwrap(), sample());
        for (limits, says) in [
            (
                Limits {
                    bytes: whole.bytes - 1,
                    ..whole
                },
                "bytes in all",
            ),
            (
                Limits {
                    line: whole.line - 1,
                    ..whole
                },
                "bytes in one line",
            ),
            (Limits { heads: 0, ..whole }, "heads"),
            (Limits { wants: 0, ..whole }, "wanted contents"),
            (Limits { entries: 1, ..whole }, "entries"),
            (Limits { contents: 0, ..whole }, "contents"),
        ] {
            let said = decode(&bytes[..], &limits).unwrap_err().to_string();
            assert!(said.contains(says), "{said}");
        }
    }

    #[test]
    fn a_gzip_bomb_stops_at_the_limit() {
        // 1 GiB of one endless line packs to about 1 MiB; no more than the limit of it is ever held.
        let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
        let block = vec![b' '; 1 << 20];
        for _ in 0..1024 {
            gzip.write_all(&block).unwrap();
        }
        let bomb = gzip.finish().unwrap();
        assert!(bomb.len() < 8 << 20);
        let limits = Limits {
            line: 1 << 20,
            ..Limits::default()
        };
        assert!(matches!(
            decode_gzip(&bomb[..], &limits),
            Err(SyncError::TooMuch { line: 1, .. })
        ));
        let limits = Limits {
            bytes: 1 << 20,
            ..Limits::default()
        };
        assert!(matches!(
            decode_gzip(&bomb[..], &limits),
            Err(SyncError::TooMuch { line: 1, .. })
        ));
    }

    #[test]
    fn what_cannot_be_read_is_not_written() {
        let mut gap = sample();
        gap.entries.remove(0);
        gap.entries.push(Entry {
            number: 4,
            ..gap.entries[0].clone()
        });
        let mut damaged = sample();
        damaged.contents[0].1.push(0);
        let mut twice = sample();
        twice.contents.push(twice.contents[0].clone());
        let mut unsorted = sample();
        unsorted.heads.push(unsorted.heads[0]);
        for bad in [gap, damaged, twice, unsorted] {
            assert!(matches!(encode(&bad, io::sink()), Err(SyncError::Unsendable(_))));
        }
    }

    /// All of them, not a sample: a sync message is refused at every cut and after every flip of a bit.
    #[test]
    fn every_cut_and_every_flipped_bit_of_a_message() {
        for (bytes, gzip) in [(written(&sample()), false), (zipped(&sample()), true)] {
            let read = |bytes: &[u8]| {
                if gzip {
                    decode_gzip(bytes, &Limits::default())
                } else {
                    decode(bytes, &Limits::default())
                }
            };
            for cut in 0..bytes.len() {
                assert!(read(&bytes[..cut]).is_err(), "cut at {cut}");
            }
            for bit in 0..bytes.len() * 8 {
                let mut flipped = bytes.clone();
                flipped[bit / 8] ^= 1 << (bit % 8);
                // gzip has bits without meaning (time, system, a code no byte uses): what unpacks is the same.
                match read(&flipped) {
                    Err(_) => {}
                    Ok(same) => assert!(gzip && same == sample(), "bit {bit}"),
                }
            }
        }
    }

    proptest! {
        #[test]
        fn bundles_come_back(bundle in bundle()) {
            prop_assert_eq!(&read(&written(&bundle)).unwrap(), &bundle);
            prop_assert_eq!(&decode_gzip(&zipped(&bundle)[..], &Limits::default()).unwrap(), &bundle);
        }

        #[test]
        fn offers_come_back(offer in offer()) {
            let mut plain = Vec::new();
            encode_offer(&offer, &mut plain).unwrap();
            prop_assert_eq!(&decode_offer(&plain[..], &Limits::default()).unwrap(), &offer);
            let mut gzip = Vec::new();
            encode_offer_gzip(&offer, &mut gzip).unwrap();
            prop_assert_eq!(&decode_offer_gzip(&gzip[..], &Limits::default()).unwrap(), &offer);
            prop_assert!(decode(&plain[..], &Limits::default()).is_err());
        }

        #[test]
        fn cuts_and_flips_are_refused(bundle in bundle(), at in any::<prop::sample::Index>(), bit in 0..8_u8) {
            let bytes = written(&bundle);
            let at = at.index(bytes.len());
            prop_assert!(read(&bytes[..at]).is_err());
            let mut flipped = bytes.clone();
            flipped[at] ^= 1_u8 << bit;
            prop_assert!(read(&flipped).is_err());
            let mut zip = zipped(&bundle);
            let at = at % zip.len();
            prop_assert!(decode_gzip(&zip[..at], &Limits::default()).is_err());
            zip[at] ^= 1_u8 << bit;
            if let Ok(same) = decode_gzip(&zip[..], &Limits::default()) {
                prop_assert_eq!(same, bundle);
            }
        }

        #[test]
        fn any_bytes_are_refused_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            prop_assert!(read(&bytes).is_err());
            prop_assert!(decode_offer(&bytes[..], &Limits::default()).is_err());
            prop_assert!(decode_gzip(&bytes[..], &Limits::default()).is_err());
            prop_assert!(decode_offer_gzip(&bytes[..], &Limits::default()).is_err());
        }

        /// Lines that look right: right keys, any values and any order.
        #[test]
        fn lines_at_random_never_panic(
            picks in prop::collection::vec((0..5_usize, any::<prop::sample::Index>(), "[ -~]{0,6}"), 0..8),
        ) {
            let text = String::from_utf8(written(&sample())).unwrap();
            let lines: Vec<_> = text.lines().collect();
            let mut out = String::new();
            for (line, at, put) in picks {
                let at = at.index(lines[line].len());
                out += &lines[line][..at];
                out += &put;
                out += &lines[line][at..];
                out += "\n";
            }
            if let Ok(read) = read(out.as_bytes()) {
                prop_assert_eq!(read, sample());
            }
        }
    }
}
