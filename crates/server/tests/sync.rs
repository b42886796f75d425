//! Server and client over loopback, with a journal in memory that is as simple as the contract allows.
#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use earlywood_journal::sync::{encode, encode_gzip, encode_offer_gzip, hex};
use earlywood_journal::{DeviceKey, Entry, Hash, Head};
use earlywood_server::{
    Accepted, Bundle, ClientError, Config, CopyError, Held, Limit, Offer, Options, ProgrammeCopy, Report,
    Scope, ServeError, Server, request_message, sync_with,
};
use ed25519_dalek::{Signer, SigningKey};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use uuid::Uuid;

const PROGRAMME: Uuid = Uuid::from_u128(0x0190_0000_0000_7000_8000_0000_0000_0000);

/// Who is enrolled, the same for all copies of a test: key, scope.
type Enrolled = Arc<Mutex<BTreeMap<Uuid, ([u8; 32], Scope)>>>;

type Chains = BTreeMap<Uuid, Vec<Entry>>;
type Contents = BTreeMap<Hash, Vec<u8>>;

/// A journal in memory.
struct Memory {
    programme: Uuid,
    device: Uuid,
    key: SigningKey,
    enrolled: Enrolled,
    chains: Chains,
    contents: Contents,
    /// What planted specimens hold: not for crews.
    sealed: BTreeSet<Hash>,
}

fn key_of(device: Uuid) -> SigningKey {
    SigningKey::from_bytes(&Hash::of(device.as_bytes()).0)
}

/// Not the journal's hash; enough to show that what arrives is what was written.
fn digest(entry: &Entry) -> Hash {
    let plain = Entry {
        hash: Hash([0; 32]),
        signature: None,
        ..entry.clone()
    };
    Hash::of(format!("{plain:?}").as_bytes())
}

/// A photo is named in an entry's body by its hash.
fn named_content(entry: &Entry) -> Option<Hash> {
    entry.body_text.get(10..74)?.parse().ok()
}

impl Memory {
    fn new(device: u128, enrolled: &Enrolled) -> Self {
        let device = Uuid::from_u128(device);
        Memory {
            programme: PROGRAMME,
            device,
            key: key_of(device),
            enrolled: enrolled.clone(),
            chains: BTreeMap::new(),
            contents: BTreeMap::new(),
            sealed: BTreeSet::new(),
        }
    }

    fn enrol(&self, scope: Scope) {
        let key = self.key.verifying_key().to_bytes();
        self.enrolled.lock().unwrap().insert(self.device, (key, scope));
    }

    fn append(&mut self, body: &str) {
        let chain = self.chains.entry(self.device).or_default();
        let number = chain.len() as u64 + 1;
        let mut entry = Entry {
            id: Uuid::from_u128(self.device.as_u128() ^ (u128::from(number) << 64)),
            device: self.device,
            number,
            previous: chain.last().map(|last| last.hash),
            event_time: "2026-05-01T09:30:00-07:00".into(),
            recorded_time: "2026-05-01T16:30:05Z".into(),
            person: "crew-3".into(),
            kind: "test".into(),
            body_version: 1,
            body_text: body.into(),
            hash: Hash([0; 32]),
            signature: None,
        };
        entry.hash = digest(&entry);
        entry.signature = Some(self.key.sign(&entry.hash.0).to_bytes().to_vec());
        chain.push(entry);
    }

    /// An entry with a photo; the photo itself may come later.
    fn append_photo(&mut self, photo: &[u8], now: bool) -> Hash {
        let hash = Hash::of(photo);
        self.append(&format!("{{\"photo\":\"{hash}\"}}"));
        if now {
            self.contents.insert(hash, photo.to_vec());
        }
        hash
    }

    fn heads(&self) -> Vec<Head> {
        let last = self
            .chains
            .iter()
            .filter_map(|(device, chain)| Some((*device, chain.last()?)));
        last.map(|(device, entry)| Head {
            device,
            number: entry.number,
            hash: entry.hash,
        })
        .collect()
    }

    fn wants(&self) -> Vec<Hash> {
        let named = self.chains.values().flatten().filter_map(named_content);
        let lacking: BTreeSet<Hash> = named.filter(|hash| !self.contents.contains_key(hash)).collect();
        lacking.into_iter().collect()
    }

    /// All that sync must bring together.
    fn everything(&self) -> (&Chains, &Contents) {
        (&self.chains, &self.contents)
    }

    fn entries(&self) -> usize {
        self.chains.values().map(Vec::len).sum()
    }

    fn hold(&self, entry: &Entry) -> Option<String> {
        let chain = self.chains.get(&entry.device).map_or(&[][..], Vec::as_slice);
        let key = self
            .enrolled
            .lock()
            .unwrap()
            .get(&entry.device)
            .map(|(key, _)| *key);
        let signature = entry.signature.clone().and_then(|s| <[u8; 64]>::try_from(s).ok());
        let signed = key.zip(signature).is_some_and(|(key, signature)| {
            let key = ed25519_dalek::VerifyingKey::from_bytes(&key).unwrap();
            key.verify_strict(&entry.hash.0, &ed25519_dalek::Signature::from_bytes(&signature))
                .is_ok()
        });
        match () {
            () if digest(entry) != entry.hash => Some("its hash is wrong".into()),
            () if !signed => Some("its device is not enrolled, or did not sign it".into()),
            () if entry.number != chain.len() as u64 + 1 => Some("there is a gap before it".into()),
            () if entry.previous != chain.last().map(|last| last.hash) => Some("its chain is another".into()),
            () => None,
        }
    }
}

impl ProgrammeCopy for Memory {
    fn programme(&self) -> Uuid {
        self.programme
    }

    fn device(&self) -> Uuid {
        self.device
    }

    fn public_key(&self) -> [u8; 32] {
        self.key.verifying_key().to_bytes()
    }

    fn offer(&self) -> Result<Offer, CopyError> {
        Ok(Offer {
            programme: self.programme,
            heads: self.heads(),
            wants: self.wants(),
        })
    }

    fn bundle(&self, theirs: &Offer, scope: Scope, limit: Limit) -> Result<Bundle, CopyError> {
        let have: BTreeMap<Uuid, u64> = theirs
            .heads
            .iter()
            .map(|head| (head.device, head.number))
            .collect();
        let lacking = self
            .chains
            .iter()
            .flat_map(|(device, chain)| chain.iter().skip(have.get(device).map_or(0, |&n| n as usize)));
        let mut bundle = Bundle {
            programme: self.programme,
            heads: self.heads(),
            wants: self.wants(),
            entries: Vec::new(),
            contents: Vec::new(),
            complete: true,
        };
        let mut bytes = 0;
        let mut wanted: BTreeSet<Hash> = theirs.wants.iter().copied().collect();
        for entry in lacking {
            bytes += entry.body_text.len();
            if !bundle.entries.is_empty() && (bytes > limit.bytes || bundle.entries.len() >= limit.entries) {
                bundle.complete = false;
                return Ok(bundle);
            }
            wanted.extend(named_content(entry));
            bundle.entries.push(entry.clone());
        }
        for hash in wanted {
            let hidden = scope != Scope::Everything && self.sealed.contains(&hash);
            let Some(content) = self.contents.get(&hash).filter(|_| !hidden) else {
                continue;
            };
            bytes += content.len();
            if bytes > limit.bytes && !(bundle.entries.is_empty() && bundle.contents.is_empty()) {
                bundle.complete = false;
                break;
            }
            bundle.contents.push((hash, content.clone()));
        }
        Ok(bundle)
    }

    fn accept(&mut self, _: jiff::Timestamp, bundle: &Bundle) -> Result<Accepted, CopyError> {
        if bundle.programme != self.programme {
            return Err("another programme".into());
        }
        let mut accepted = Accepted::default();
        for entry in &bundle.entries {
            let chain = self.chains.get(&entry.device).map_or(&[][..], Vec::as_slice);
            if chain.get(entry.number as usize - 1) == Some(entry) {
                accepted.known += 1;
            } else if let Some(why) = self.hold(entry) {
                match accepted
                    .held_back
                    .iter_mut()
                    .find(|held| held.device == entry.device)
                {
                    Some(held) => held.entries += 1,
                    None => accepted.held_back.push(Held {
                        device: entry.device,
                        entries: 1,
                        why,
                    }),
                }
            } else {
                self.chains.entry(entry.device).or_default().push(entry.clone());
                accepted.new += 1;
            }
        }
        for (hash, bytes) in &bundle.contents {
            accepted.contents += u64::from(self.contents.insert(*hash, bytes.clone()).is_none());
        }
        Ok(accepted)
    }

    fn device_key(&self, device: Uuid) -> Result<Option<([u8; 32], Scope)>, CopyError> {
        Ok(self.enrolled.lock().unwrap().get(&device).copied())
    }

    fn sign(&self, message: &[u8]) -> Result<[u8; 64], CopyError> {
        Ok(DeviceKey::from_seed(self.device, self.key.to_bytes()).sign_message(message))
    }

    fn holder(&self, device: Uuid) -> Result<Option<String>, CopyError> {
        let enrolled = self.enrolled.lock().unwrap();
        let is_phone = enrolled
            .get(&device)
            .is_some_and(|(_, scope)| *scope == Scope::Crew);
        Ok(is_phone.then(|| "crew-3".to_owned()))
    }
}

/// The same copy for the server and for the test that looks into it.
#[derive(Clone)]
struct Shared(Arc<Mutex<Memory>>);

impl Shared {
    fn look(&self) -> MutexGuard<'_, Memory> {
        self.0.lock().unwrap()
    }
}

impl ProgrammeCopy for Shared {
    fn programme(&self) -> Uuid {
        self.look().programme()
    }

    fn device(&self) -> Uuid {
        self.look().device()
    }

    fn public_key(&self) -> [u8; 32] {
        self.look().public_key()
    }

    fn offer(&self) -> Result<Offer, CopyError> {
        self.look().offer()
    }

    fn bundle(&self, theirs: &Offer, scope: Scope, limit: Limit) -> Result<Bundle, CopyError> {
        self.look().bundle(theirs, scope, limit)
    }

    fn accept(&mut self, now: jiff::Timestamp, bundle: &Bundle) -> Result<Accepted, CopyError> {
        self.look().accept(now, bundle)
    }

    fn device_key(&self, device: Uuid) -> Result<Option<([u8; 32], Scope)>, CopyError> {
        self.look().device_key(device)
    }

    fn sign(&self, message: &[u8]) -> Result<[u8; 64], CopyError> {
        self.look().sign(message)
    }

    fn holder(&self, device: Uuid) -> Result<Option<String>, CopyError> {
        self.look().holder(device)
    }
}

/// A server on a thread of its own, stopped when it is dropped.
struct Running {
    copy: Shared,
    address: SocketAddr,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Running {
    fn start(memory: Memory, config: Config) -> Self {
        let copy = Shared(Arc::new(Mutex::new(memory)));
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        let (tell, told) = std::sync::mpsc::channel();
        let served = copy.clone();
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_multi_thread()
                .enable_all()
                .build()
                .unwrap();
            runtime.block_on(async {
                let server = Server::bind(served, "127.0.0.1:0".parse().unwrap(), config)
                    .await
                    .unwrap();
                tell.send(server.address()).unwrap();
                server.run(async { drop(stopped.await) }).await;
            });
        });
        Running {
            copy,
            address: told.recv().unwrap(),
            stop: Some(stop),
            thread: Some(thread),
        }
    }

    fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    /// A request by hand: status, and the reply's text.
    fn ask(&self, path: &str, headers: &[(&str, String)], body: &[u8]) -> (u16, String) {
        let mut request = agent().post(format!("{}{path}", self.url()));
        for (name, value) in headers {
            request = request.header(*name, value);
        }
        let mut response = request.send(body).unwrap();
        let bytes = response.body_mut().read_to_vec().unwrap();
        (
            response.status().as_u16(),
            String::from_utf8_lossy(&bytes).into_owned(),
        )
    }

    fn challenge(&self, device: Uuid) -> [u8; 32] {
        let (status, text) = self.ask(
            "/api/1/sync/challenge",
            &[],
            format!("{{\"device\":\"{device}\"}}").as_bytes(),
        );
        assert_eq!(status, 200, "{text}");
        let reply: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(reply["expires_in_s"], 120);
        reply["challenge"].as_str().unwrap().parse::<Hash>().unwrap().0
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.stop.take());
        self.thread.take().unwrap().join().unwrap();
    }
}

fn agent() -> ureq::Agent {
    ureq::Agent::config_builder()
        .http_status_as_error(false)
        .proxy(None)
        .timeout_global(Some(Duration::from_secs(60)))
        .build()
        .new_agent()
}

fn options() -> Options {
    Options {
        first_wait: Duration::from_millis(1),
        longest_wait: Duration::from_millis(20),
        ..Options::default()
    }
}

fn small_steps() -> Options {
    Options {
        limit: Limit {
            entries: 7,
            bytes: 900,
        },
        ..options()
    }
}

fn small_replies() -> Config {
    Config {
        reply: Limit {
            entries: 5,
            bytes: 800,
        },
        ..Config::default()
    }
}

fn visit(copy: &mut Memory, to: &Running) -> Report {
    let report = sync_with(copy, &to.url(), &options()).unwrap();
    assert!(report.complete && report.held_back.is_empty(), "{report:?}");
    report
}

/// Signed as the client signs.
fn signed(memory: &Memory, call: &str, challenge: [u8; 32], body: &[u8]) -> Vec<(&'static str, String)> {
    let hash = Hash::of(body);
    let message = request_message(memory.programme, memory.device, call, &challenge, hash);
    vec![
        ("earlywood-programme", memory.programme.to_string()),
        ("earlywood-device", memory.device.to_string()),
        ("earlywood-challenge", hex(&challenge)),
        ("earlywood-body-hash", hash.to_string()),
        ("earlywood-signature", hex(&memory.sign(&message).unwrap())),
    ]
}

#[test]
fn two_copies_become_the_same_and_a_second_visit_moves_nothing() {
    let enrolled = Enrolled::default();
    let (mut phone, mut office) = (Memory::new(1, &enrolled), Memory::new(2, &enrolled));
    phone.enrol(Scope::Crew);
    office.enrol(Scope::Everything);
    for i in 0..60 {
        phone.append(&format!("{{\"visit\":{i}}}"));
    }
    phone.append_photo(b"photo of a gallery", true);
    office.append("{}");
    let server = Running::start(office, Config::default());
    let report = visit(&mut phone, &server);
    assert_eq!((report.rounds, report.sent, report.received), (1, 61, 1));
    assert_eq!((report.contents_sent, report.retries), (1, 0));
    assert_eq!(phone.everything(), server.copy.look().everything());
    let again = visit(&mut phone, &server);
    assert_eq!((again.rounds, again.sent, again.received), (1, 0, 0));
    // The goal of 10 s on poor 3G is a matter of bytes: 61 entries and a photo, and few requests.
    assert!(report.bytes_up < 20_000, "{}", report.bytes_up);
}

#[test]
fn copies_in_random_order_and_small_steps_become_the_same() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    for copies in [2, 3, 3, 4] {
        let enrolled = Enrolled::default();
        let office = Memory::new(1, &enrolled);
        office.enrol(Scope::Everything);
        let server = Running::start(office, small_replies());
        let mut phones: Vec<_> = (0..copies).map(|i| Memory::new(10 + i, &enrolled)).collect();
        let mut written = 0;
        for step in 0..60 {
            let at = rng.random_range(0..phones.len());
            let phone = &mut phones[at];
            phone.enrol(Scope::Crew);
            match rng.random_range(0..4) {
                0 => {
                    let report = sync_with(phone, &server.url(), &small_steps()).unwrap();
                    assert!(report.complete, "{report:?}");
                }
                1 => drop(phone.append_photo(&vec![step; rng.random_range(1..2_000)], true)),
                2 => server.copy.look().append("{\"office\":true}"),
                _ => phone.append(&"x".repeat(rng.random_range(0..300))),
            }
            written = phones
                .iter()
                .map(|p| p.chains.get(&p.device).map_or(0, Vec::len))
                .sum::<usize>();
        }
        for _ in 0..2 {
            for phone in &mut phones {
                sync_with(phone, &server.url(), &small_steps()).unwrap();
            }
        }
        let office = server.copy.look();
        assert_eq!(
            office.entries(),
            written + office.chains.get(&office.device).map_or(0, Vec::len)
        );
        for phone in &phones {
            assert_eq!(phone.everything(), office.everything());
        }
    }
}

#[test]
fn a_photo_that_comes_later_still_travels() {
    let enrolled = Enrolled::default();
    let mut phone = Memory::new(1, &enrolled);
    let mut other = Memory::new(3, &enrolled);
    let office = Memory::new(2, &enrolled);
    phone.enrol(Scope::Crew);
    other.enrol(Scope::Crew);
    office.enrol(Scope::Everything);
    let hash = phone.append_photo(b"late", false);
    let server = Running::start(office, Config::default());
    visit(&mut phone, &server);
    visit(&mut other, &server);
    assert_eq!(other.entries(), 1);
    assert!(server.copy.look().contents.is_empty());
    phone.contents.insert(hash, b"late".to_vec());
    assert_eq!(visit(&mut phone, &server).contents_sent, 1);
    assert_eq!(visit(&mut other, &server).contents_received, 1);
    assert_eq!(other.everything(), phone.everything());
}

#[test]
fn what_was_planted_is_not_given_to_crews() {
    let enrolled = Enrolled::default();
    let (mut phone, mut office, mut lead) = (
        Memory::new(1, &enrolled),
        Memory::new(2, &enrolled),
        Memory::new(3, &enrolled),
    );
    phone.enrol(Scope::Crew);
    office.enrol(Scope::Everything);
    lead.enrol(Scope::Everything);
    let sealed = office.append_photo(b"planted in trap A-17", true);
    office.sealed.insert(sealed);
    let server = Running::start(office, Config::default());
    visit(&mut phone, &server);
    visit(&mut lead, &server);
    assert_eq!((phone.entries(), phone.contents.len()), (1, 0));
    assert_eq!((lead.entries(), lead.contents.len()), (1, 1));

    // A copy that has the content visits a crew's device that happens to serve: not given either.
    let crew = Memory::new(4, &enrolled);
    crew.enrol(Scope::Crew);
    lead.sealed.insert(sealed);
    let server = Running::start(crew, Config::default());
    visit(&mut lead, &server);
    let there = server.copy.look();
    assert_eq!((there.entries(), there.contents.len()), (1, 0));
}

#[test]
fn entries_that_are_held_back_end_the_visit_and_are_named() {
    let enrolled = Enrolled::default();
    let (mut phone, office, mut stranger) = (
        Memory::new(1, &enrolled),
        Memory::new(2, &enrolled),
        Memory::new(9, &enrolled),
    );
    phone.enrol(Scope::Crew);
    office.enrol(Scope::Everything);
    stranger.append("{}");
    stranger.append("{}");
    phone
        .chains
        .insert(stranger.device, stranger.chains[&stranger.device].clone());
    for _ in 0..20 {
        phone.append("{}");
    }
    let server = Running::start(office, Config::default());
    let report = sync_with(&mut phone, &server.url(), &options()).unwrap();
    assert_eq!(report.held_back.len(), 1);
    assert_eq!(
        (report.held_back[0].device, report.held_back[0].entries),
        (stranger.device, 2)
    );
    assert_eq!(server.copy.look().entries(), 20);

    // In steps of one entry the stranger's come first, again and again: the visit ends and says that it is not complete.
    let one = Options {
        limit: Limit { entries: 1, bytes: 1 },
        ..options()
    };
    let strange = phone.chains.remove(&stranger.device).unwrap();
    phone.chains.insert(Uuid::nil(), strange);
    phone.append("{}");
    let report = sync_with(&mut phone, &server.url(), &one).unwrap();
    assert!(!report.complete && report.rounds <= 3, "{report:?}");
}

/// Passes bytes on, and cuts the connection after as many as it was told, in either direction.
struct Cutter {
    address: SocketAddr,
    cuts: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
}

impl Cutter {
    fn start(to: SocketAddr, seed: u64, up_to: u64) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let (cuts, stop) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicBool::new(false)));
        let (counted, stopped) = (cuts.clone(), stop.clone());
        std::thread::spawn(move || {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            for client in listener.incoming() {
                if stopped.load(Ordering::Relaxed) {
                    return;
                }
                let (Ok(client), Ok(server)) = (client, TcpStream::connect(to)) else {
                    continue;
                };
                let _ = (client.set_nodelay(true), server.set_nodelay(true));
                let (up, down) = (rng.next_u64() % up_to, rng.next_u64() % up_to);
                for (from, to, budget) in [(&client, &server, up), (&server, &client, down)] {
                    let (from, to) = (from.try_clone().unwrap(), to.try_clone().unwrap());
                    let counted = counted.clone();
                    std::thread::spawn(move || {
                        if pass(&from, &to, budget) {
                            counted.fetch_add(1, Ordering::Relaxed);
                        }
                        let _ = (from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both));
                    });
                }
            }
        });
        Cutter { address, cuts, stop }
    }
}

impl Drop for Cutter {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let _ = TcpStream::connect(self.address);
    }
}

/// True if the budget was used up.
fn pass(mut from: &TcpStream, mut to: &TcpStream, mut budget: u64) -> bool {
    let mut buffer = [0; 1024];
    loop {
        let Ok(n @ 1..) = from.read(&mut buffer) else {
            return false;
        };
        let n = (n as u64).min(budget) as usize;
        if to.write_all(&buffer[..n]).is_err() {
            return false;
        }
        budget -= n as u64;
        if budget == 0 {
            return true;
        }
    }
}

#[test]
fn hundreds_of_cut_connections_lose_nothing_and_double_nothing() {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let enrolled = Enrolled::default();
    let mut office = Memory::new(1, &enrolled);
    office.enrol(Scope::Everything);
    let mut phones: Vec<_> = (0..3).map(|i| Memory::new(10 + i, &enrolled)).collect();
    for i in 0..120 {
        office.append(&format!("{{\"office\":{i}}}"));
    }
    let server = Running::start(office, small_replies());
    let cutter = Cutter::start(server.address, 12, 9_000);
    let url = format!("http://{}", cutter.address);
    let mut broken = 0;
    for _ in 0..1_000 {
        let at = rng.random_range(0..phones.len());
        let phone = &mut phones[at];
        phone.enrol(Scope::Crew);
        for _ in 0..rng.random_range(0..12) {
            phone.append("{\"visit\":true}");
        }
        if rng.random_range(0..4) == 0 {
            phone.append_photo(
                &rng.next_u64().to_be_bytes().repeat(rng.random_range(1..200)),
                true,
            );
        }
        match sync_with(
            phone,
            &url,
            &Options {
                attempts: 3,
                ..small_steps()
            },
        ) {
            Ok(report) => assert!(report.held_back.is_empty(), "{report:?}"),
            Err(ClientError::Connection { .. }) => broken += 1,
            Err(e) => panic!("{e}"),
        }
        if cutter.cuts.load(Ordering::Relaxed) >= 400 && broken >= 5 {
            break;
        }
    }
    let cuts = cutter.cuts.load(Ordering::Relaxed);
    println!("{cuts} cut connections, {broken} visits given up");
    assert!(cuts >= 300);
    for _ in 0..2 {
        for phone in &mut phones {
            phone.enrol(Scope::Crew);
            visit(phone, &server);
        }
    }
    let office = server.copy.look();
    let written: usize = phones.iter().map(|p| p.chains[&p.device].len()).sum();
    assert_eq!(office.entries(), written + 120);
    for phone in &phones {
        assert_eq!(phone.everything(), office.everything());
        for chain in phone.chains.values() {
            assert!(
                chain
                    .iter()
                    .zip(1..)
                    .all(|(entry, number)| entry.number == number)
            );
        }
    }
}

#[test]
fn two_hundred_devices_at_once() {
    let enrolled = Enrolled::default();
    let mut office = Memory::new(1, &enrolled);
    office.enrol(Scope::Everything);
    for _ in 0..10 {
        office.append("{\"office\":true}");
    }
    let server = Running::start(office, Config::default());
    let url = server.url();
    let phones: Vec<_> = (0..200)
        .map(|i| {
            let mut phone = Memory::new(1_000 + i, &enrolled);
            phone.enrol(Scope::Crew);
            for n in 0..20 {
                phone.append(&format!("{{\"visit\":{n},\"note\":\"{}\"}}", "x".repeat(150)));
            }
            let url = url.clone();
            std::thread::spawn(move || {
                let report = sync_with(
                    &mut phone,
                    &url,
                    &Options {
                        attempts: 20,
                        ..options()
                    },
                )
                .unwrap();
                assert!(report.complete && report.held_back.is_empty(), "{report:?}");
                phone
            })
        })
        .collect();
    let mut phones: Vec<_> = phones.into_iter().map(|thread| thread.join().unwrap()).collect();
    assert_eq!(server.copy.look().entries(), 200 * 20 + 10);
    for phone in phones.iter_mut().step_by(40) {
        visit(phone, &server);
        assert_eq!(phone.everything(), server.copy.look().everything());
    }
}

#[test]
fn a_phone_gives_and_is_told_what_is_still_lacking() {
    let enrolled = Enrolled::default();
    let mut office = Memory::new(1, &enrolled);
    office.enrol(Scope::Everything);
    for _ in 0..50 {
        office.append("{\"office\":true}");
    }
    let mut phone = Memory::new(2, &enrolled);
    phone.enrol(Scope::Crew);
    phone.append("{\"visit\":true}");
    let photo = phone.append_photo(&[7; 900], false);
    let server = Running::start(office, Config::default());
    let give = |phone: &Memory| {
        let body = {
            let offer = Offer {
                programme: PROGRAMME,
                heads: Vec::new(),
                wants: Vec::new(),
            };
            let mut bundle = phone.bundle(&offer, Scope::Everything, Limit::default()).unwrap();
            bundle.contents = phone.contents.clone().into_iter().collect();
            let mut out = Vec::new();
            encode(&bundle, &mut out).unwrap();
            out
        };
        let headers = signed(phone, "give", server.challenge(phone.device), &body);
        server.ask("/api/1/sync/give", &headers, &body)
    };
    let (status, text) = give(&phone);
    assert_eq!(status, 200, "{text}");
    let offer = earlywood_journal::sync::decode_offer(text.as_bytes(), &Default::default()).unwrap();
    assert_eq!(offer.wants, [photo], "the photo is still lacking");
    assert!(
        offer
            .heads
            .iter()
            .any(|head| head.device == phone.device && head.number == 2)
    );
    assert!(!text.contains("office"), "nothing of the journal comes along");
    phone.contents.insert(photo, vec![7; 900]);
    let (_, text) = give(&phone);
    assert!(
        earlywood_journal::sync::decode_offer(text.as_bytes(), &Default::default())
            .unwrap()
            .wants
            .is_empty()
    );
    assert_eq!(server.copy.look().entries(), 52, "given twice, counted once");
    // Not for an office's machine, nor with a signature for another call.
    let mut machine = Memory::new(3, &enrolled);
    machine.enrol(Scope::Everything);
    machine.append("{\"office\":3}");
    let (status, text) = give(&machine);
    assert_eq!((status, text.contains("no-holder")), (403, true), "{text}");
    let headers = signed(&phone, "exchange", server.challenge(phone.device), b"");
    let (status, text) = server.ask("/api/1/sync/give", &headers, b"");
    assert_eq!((status, text.contains("bad-signature")), (401, true), "{text}");
}

#[test]
fn what_must_be_refused_is_refused_in_plain_words() {
    let enrolled = Enrolled::default();
    let office = Memory::new(1, &enrolled);
    office.enrol(Scope::Everything);
    let mut phone = Memory::new(2, &enrolled);
    phone.enrol(Scope::Crew);
    phone.append("{}");
    let server = Running::start(
        office,
        Config {
            max_body: 100_000,
            ..Config::default()
        },
    );
    let path = "/api/1/sync/exchange";
    let bundle = phone
        .bundle(
            &Offer {
                programme: PROGRAMME,
                heads: vec![],
                wants: vec![],
            },
            Scope::Everything,
            Limit::default(),
        )
        .unwrap();
    let mut body = Vec::new();
    encode(&bundle, &mut body).unwrap();
    let refused = |(status, text): (u16, String), expected: u16, code: &str, words: &str| {
        assert_eq!(status, expected, "{text}");
        let said: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(said["code"], code, "{text}");
        assert!(said["words"].as_str().unwrap().contains(words), "{text}");
        assert_eq!(server.copy.look().entries(), 0);
    };
    let fresh = || server.challenge(phone.device);
    let replaced = |mut headers: Vec<(&'static str, String)>, name: &str, value: &str| {
        headers.iter_mut().find(|(n, _)| *n == name).unwrap().1 = value.into();
        headers
    };

    // Forged signatures: another key, another body, another call, another challenge.
    let mut thief = Memory::new(2, &enrolled);
    thief.key = key_of(Uuid::from_u128(77));
    let forged = "not signed with the key";
    refused(
        server.ask(path, &signed(&thief, "exchange", fresh(), &body), &body),
        401,
        "bad-signature",
        forged,
    );
    refused(
        server.ask(path, &signed(&phone, "offer", fresh(), &body), &body),
        401,
        "bad-signature",
        forged,
    );
    let headers = replaced(
        signed(&phone, "exchange", fresh(), &body),
        "earlywood-challenge",
        &hex(&fresh()),
    );
    refused(server.ask(path, &headers, &body), 401, "bad-signature", forged);
    let other = Hash::of(b"other").to_string();
    let headers = replaced(
        signed(&phone, "exchange", fresh(), &body),
        "earlywood-body-hash",
        &other,
    );
    refused(server.ask(path, &headers, &body), 401, "bad-signature", forged);
    let mut altered = body.clone();
    altered[40] ^= 1;
    let headers = signed(&phone, "exchange", fresh(), &body);
    refused(
        server.ask(path, &headers, &altered),
        400,
        "body-altered",
        "not the one that was signed",
    );
    // The challenge of that request is used up, and one that was never given does not count.
    refused(
        server.ask(path, &headers, &body),
        401,
        "challenge-used",
        "used before",
    );
    let headers = signed(&phone, "exchange", [7; 32], &body);
    refused(
        server.ask(path, &headers, &body),
        401,
        "challenge-expired",
        "ask for a new one",
    );
    let headers = signed(&phone, "exchange", server.challenge(Uuid::from_u128(3)), &body);
    refused(
        server.ask(path, &headers, &body),
        401,
        "challenge-expired",
        "made for another device",
    );

    // Devices that are unknown or were withdrawn.
    let stranger = Memory::new(9, &enrolled);
    let headers = signed(&stranger, "exchange", server.challenge(stranger.device), &body);
    refused(
        server.ask(path, &headers, &body),
        403,
        "not-enrolled",
        "is not enrolled in this programme",
    );
    let headers = signed(&phone, "exchange", fresh(), &body);
    let was = enrolled.lock().unwrap().remove(&phone.device).unwrap();
    refused(
        server.ask(path, &headers, &body),
        403,
        "not-enrolled",
        "was withdrawn",
    );
    enrolled.lock().unwrap().insert(phone.device, was);

    // Another programme: in the header, and in the message.
    let mut elsewhere = Memory::new(2, &enrolled);
    elsewhere.programme = Uuid::from_u128(5);
    let headers = signed(&elsewhere, "exchange", fresh(), &body);
    refused(
        server.ask(path, &headers, &body),
        409,
        "wrong-programme",
        "yours is another",
    );
    let mut foreign = Vec::new();
    encode(
        &Bundle {
            programme: Uuid::from_u128(5),
            ..bundle.clone()
        },
        &mut foreign,
    )
    .unwrap();
    let headers = signed(&phone, "exchange", fresh(), &foreign);
    refused(
        server.ask(path, &headers, &foreign),
        409,
        "wrong-programme",
        "yours is another",
    );

    // Too large as sent, and too large unpacked.
    let large = vec![b'x'; 100_001];
    let headers = signed(&phone, "exchange", fresh(), &large);
    refused(
        server.ask(path, &headers, &large),
        413,
        "too-large",
        "100000 bytes",
    );
    let mut packed = Vec::new();
    let huge = Entry {
        body_text: "x".repeat(97 << 20),
        ..bundle.entries[0].clone()
    };
    encode_gzip(
        &Bundle {
            entries: vec![huge],
            ..bundle.clone()
        },
        &mut packed,
    )
    .unwrap();
    assert!(packed.len() > 90_000);
    let server = Running::start(Memory::new(1, &enrolled), Config::default());
    let refused = |(status, text): (u16, String), expected: u16, code: &str, words: &str| {
        assert_eq!(status, expected, "{text}");
        assert!(text.contains(code) && text.contains(words), "{text}");
        assert_eq!(server.copy.look().entries(), 0);
    };
    let fresh = || server.challenge(phone.device);
    let mut headers = signed(&phone, "exchange", fresh(), &packed);
    headers.push(("content-encoding", "gzip".into()));
    refused(
        server.ask(path, &headers, &packed),
        413,
        "too-large",
        "bytes in one line",
    );

    // Garbage.
    for garbage in [
        &b""[..],
        b"\0\x01garbage",
        b"{}",
        &body[..body.len() - 1],
        &body[..200],
    ] {
        let headers = signed(&phone, "exchange", fresh(), garbage);
        refused(
            server.ask(path, &headers, garbage),
            400,
            "bad-message",
            "sync message",
        );
        let mut headers = signed(&phone, "exchange", fresh(), garbage);
        headers.push(("content-encoding", "gzip".into()));
        refused(
            server.ask(path, &headers, garbage),
            400,
            "bad-message",
            "sync message",
        );
    }
    let mut headers = signed(&phone, "exchange", fresh(), &body);
    headers.push(("content-encoding", "br".into()));
    refused(server.ask(path, &headers, &body), 415, "bad-encoding", "gzip");
    refused(
        server.ask(path, &[], &body),
        400,
        "bad-header",
        "earlywood-programme",
    );
    let headers = replaced(
        signed(&phone, "exchange", fresh(), &body),
        "earlywood-signature",
        "zz",
    );
    refused(
        server.ask(path, &headers, &body),
        400,
        "bad-header",
        "earlywood-signature",
    );
    refused(
        server.ask("/api/1/sync/challenge", &[], b"{}"),
        400,
        "bad-request",
        "challenge",
    );
    refused(
        server.ask("/api/1/sync/challenge", &[], &[b' '; 5_000]),
        413,
        "too-large",
        "4096",
    );
    refused(
        server.ask("/api/1/nothing", &[], b""),
        404,
        "no-such-call",
        "no such call",
    );
    refused(
        server.ask("/api/1/about", &[], b""),
        405,
        "wrong-method",
        "method",
    );

    // The good request is still good, packed or not.
    let headers = signed(&phone, "exchange", fresh(), &body);
    let (status, text) = server.ask(path, &headers, &body);
    assert_eq!(status, 200, "{text}");
    assert!(text.starts_with("{\"earlywood-sync\":1,\"message\":\"bundle\""));
    assert_eq!(server.copy.look().entries(), 1);
}

#[test]
fn the_server_says_what_it_is_and_no_more() {
    let enrolled = Enrolled::default();
    let server = Running::start(Memory::new(1, &enrolled), Config::default());
    let mut response = agent()
        .get(format!("{}/api/1/about", server.url()))
        .call()
        .unwrap();
    let text = response.body_mut().read_to_string().unwrap();
    assert_eq!(
        text,
        format!("{{\"program\":\"earlywood\",\"protocol\":1,\"message\":1,\"programme\":\"{PROGRAMME}\"}}")
    );
}

#[test]
fn the_client_tells_what_to_do() {
    let enrolled = Enrolled::default();
    let office = Memory::new(1, &enrolled);
    let server = Running::start(office, Config::default());
    let mut phone = Memory::new(2, &enrolled);
    match sync_with(&mut phone, &server.url(), &options()) {
        Err(e @ ClientError::NotEnrolled { .. }) => {
            let line = format!("device={} key={}", phone.device, hex(&phone.public_key()));
            assert!(e.to_string().contains(&line), "{e}");
        }
        other => panic!("{other:?}"),
    }
    let mut elsewhere = Memory::new(2, &enrolled);
    elsewhere.programme = Uuid::from_u128(5);
    assert!(matches!(
        sync_with(&mut elsewhere, &server.url(), &options()),
        Err(ClientError::WrongProgramme(_))
    ));
    // A server that has not the key which its device is enrolled with.
    phone.enrol(Scope::Crew);
    let impostor = key_of(Uuid::from_u128(66)).verifying_key().to_bytes();
    enrolled
        .lock()
        .unwrap()
        .insert(Uuid::from_u128(1), (impostor, Scope::Everything));
    assert!(matches!(
        sync_with(&mut phone, &server.url(), &options()),
        Err(ClientError::Untrusted(_))
    ));
    for url in ["", "ftp://x", "https://127.0.0.1:1", "http://", "http://a@b"] {
        assert!(
            matches!(
                sync_with(&mut phone, url, &options()),
                Err(ClientError::Address { .. })
            ),
            "{url}"
        );
    }
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    assert!(matches!(
        sync_with(
            &mut phone,
            &format!("http://{free}"),
            &Options {
                attempts: 3,
                ..options()
            }
        ),
        Err(ClientError::Connection { attempts: 3, .. })
    ));
}

#[test]
fn other_machines_are_let_in_only_when_asked() {
    let enrolled = Enrolled::default();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(async {
        for address in ["0.0.0.0:0", "[::]:0", "[::ffff:0.0.0.0]:0"] {
            let refused = Server::bind(
                Memory::new(1, &enrolled),
                address.parse().unwrap(),
                Config::default(),
            )
            .await;
            assert!(matches!(refused, Err(ServeError::NotLoopback(_))), "{address}");
        }
        // Asked for; bound to loopback all the same, since this is a test.
        let config = Config {
            allow_remote: true,
            ..Config::default()
        };
        Server::bind(Memory::new(1, &enrolled), "127.0.0.1:0".parse().unwrap(), config)
            .await
            .unwrap();
    });
}

#[test]
fn a_request_that_stalls_is_ended_and_others_go_on() {
    let enrolled = Enrolled::default();
    let office = Memory::new(1, &enrolled);
    office.enrol(Scope::Everything);
    let mut phone = Memory::new(2, &enrolled);
    phone.enrol(Scope::Crew);
    phone.append("{}");
    let config = Config {
        idle_timeout: Duration::from_millis(300),
        ..Config::default()
    };
    let server = Running::start(office, config);
    // One that never ends its headers, and one that never sends its body.
    let mut silent = TcpStream::connect(server.address).unwrap();
    silent
        .write_all(b"GET /api/1/about HTTP/1.1\r\nhost: x\r\n")
        .unwrap();
    let mut body = Vec::new();
    encode_offer_gzip(&phone.offer().unwrap(), &mut body).unwrap();
    let mut half = TcpStream::connect(server.address).unwrap();
    let mut head = format!(
        "POST /api/1/sync/offer HTTP/1.1\r\nhost: x\r\ncontent-length: {}\r\n",
        body.len()
    );
    for (name, value) in signed(&phone, "offer", server.challenge(phone.device), &body) {
        head += &format!("{name}: {value}\r\n");
    }
    half.write_all(format!("{head}\r\n").as_bytes()).unwrap();
    half.write_all(&body[..10]).unwrap();
    visit(&mut phone, &server);
    let mut said = String::new();
    half.read_to_string(&mut said).unwrap();
    assert!(
        said.starts_with("HTTP/1.1 408") && said.contains("too-slow"),
        "{said}"
    );
    said.clear();
    silent.read_to_string(&mut said).unwrap();
    assert!(said.is_empty() || said.starts_with("HTTP/1.1 408"), "{said}");
}
