//! The visiting side: gives a server what it lacks and takes what it has, round by round.

use std::time::Duration;

use earlywood_journal::Hash;
use earlywood_journal::sync::{self, Accepted, Held, Limit, Limits, Offer, Scope, SyncError, hex, unhex};
use serde::Deserialize;
use ureq::http::{Response, StatusCode};
use uuid::Uuid;

use crate::auth::{Challenge, header, is_signed, reply_message, request_message};
use crate::{CopyError, ProgrammeCopy};

/// How the client goes about it. All defaults are design choices.
#[derive(Debug, Clone)]
pub struct Options {
    /// Most of one request and one reply; made smaller while the connection keeps breaking.
    pub limit: Limit,
    /// Connection faults in a row before it gives up, at least 1. Default 6.
    pub attempts: u32,
    /// Wait after the first fault; doubled after each, up to `longest_wait`, and shortened by chance up to a half. Default 0.5 s.
    pub first_wait: Duration,
    /// Default 30 s.
    pub longest_wait: Duration,
    /// Longest wait for a connection. Default 10 s.
    pub connect_timeout: Duration,
    /// Longest wait for one request and its reply. Default 5 minutes.
    pub timeout: Duration,
    /// Most rounds. Default 100 000.
    pub max_rounds: u64,
    /// Most bytes of one reply, as sent. Default 128 MiB.
    pub max_reply: u64,
    /// Bounds on what a reply unpacks to.
    pub limits: Limits,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            limit: Limit::default(),
            attempts: 6,
            first_wait: Duration::from_millis(500),
            longest_wait: Duration::from_secs(30),
            connect_timeout: Duration::from_secs(10),
            timeout: Duration::from_secs(300),
            max_rounds: 100_000,
            max_reply: 128 << 20,
            limits: Limits::default(),
        }
    }
}

/// What a visit did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Report {
    /// Exchanges that were answered.
    pub rounds: u64,
    /// Entries that the server took or already had of those given to it.
    pub sent: u64,
    /// Entries that were new here.
    pub received: u64,
    /// Contents that were new there.
    pub contents_sent: u64,
    /// Contents that were new here.
    pub contents_received: u64,
    /// Bytes of request bodies, as sent, those of broken connections too.
    pub bytes_up: u64,
    /// Bytes of reply bodies, as received.
    pub bytes_down: u64,
    /// Requests that had to be made again.
    pub retries: u64,
    /// What one side did not take from the other in the last round, and why.
    pub held_back: Vec<Held>,
    /// Conflicts that came up here and wait for a supervisor.
    pub conflicts: u64,
    /// Whether each side has all that the other can give. False when entries were held back and nothing else moved.
    pub complete: bool,
}

/// Why a visit ended early. What was exchanged before stays; the next visit goes on from there.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// The address can't be used.
    #[error("{url:?} is no address of a server: {why}")]
    Address {
        /// As given.
        url: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// The connection failed again and again.
    #[error(
        "no connection after {attempts} attempts ({why}); what was exchanged so far is kept, try again later"
    )]
    Connection {
        /// In a row.
        attempts: u32,
        /// What the last said.
        why: String,
    },
    /// The device is unknown to the server, or was withdrawn.
    #[error("{words}\ngive the programme lead this line:\n{request}")]
    NotEnrolled {
        /// The server's words.
        words: String,
        /// What the lead needs to enrol the device.
        request: String,
    },
    /// The server keeps another programme.
    #[error("{0}")]
    WrongProgramme(String),
    /// The server refused the request.
    #[error("the server refused ({status}): {words}")]
    Refused {
        /// HTTP status.
        status: u16,
        /// The server's short word for it; empty if it gave none.
        code: String,
        /// Its words.
        words: String,
    },
    /// The reply is not the server's.
    #[error("the reply can't be trusted: {0}; nothing of it was kept")]
    Untrusted(&'static str),
    /// The reply can't be read, or the request not be written.
    #[error(transparent)]
    Message(#[from] SyncError),
    /// This side's own programme file.
    #[error("this copy of the programme: {0}")]
    Copy(CopyError),
    /// It never came to an end.
    #[error("no end after {0} rounds; what was exchanged so far is kept")]
    TooManyRounds(u64),
}

/// Gives the server at `url` (`http://host:port`) what it lacks of this copy, and takes what this copy lacks.
///
/// # Errors
/// See [`ClientError`].
pub fn sync(copy: &mut (impl ProgrammeCopy + ?Sized), url: &str) -> Result<Report, ClientError> {
    sync_with(copy, url, &Options::default())
}

/// As [`sync`], with other options.
///
/// # Errors
/// See [`ClientError`].
pub fn sync_with(
    copy: &mut (impl ProgrammeCopy + ?Sized),
    url: &str,
    options: &Options,
) -> Result<Report, ClientError> {
    let mut visit = Visit::new(copy, url, options)?;
    let mut theirs = visit.greet()?;
    let mut idle_rounds = 0;
    while visit.report.rounds < options.max_rounds {
        let round = visit.round(&theirs)?;
        if round.complete {
            visit.report.complete = true;
            return Ok(visit.report);
        }
        // What is held back is offered again and again: one idle round may be chance, two are the end.
        idle_rounds = if round.moved { 0 } else { idle_rounds + 1 };
        if idle_rounds == 2 {
            return Ok(visit.report);
        }
        theirs = round.theirs;
    }
    Err(ClientError::TooManyRounds(options.max_rounds))
}

struct Round {
    complete: bool,
    moved: bool,
    theirs: Offer,
}

struct Reply {
    bytes: Vec<u8>,
    gzip: bool,
    accepted: Accepted,
}

/// Why one request failed.
enum Fault {
    /// It may go well the next time.
    Passing(String),
    Final(ClientError),
}

impl From<ClientError> for Fault {
    fn from(e: ClientError) -> Self {
        Fault::Final(e)
    }
}

fn of_copy(e: CopyError) -> ClientError {
    ClientError::Copy(e)
}

struct Visit<'v, C: ProgrammeCopy + ?Sized> {
    copy: &'v mut C,
    options: &'v Options,
    agent: ureq::Agent,
    base: String,
    /// For the next request, from the last reply.
    challenge: Option<Challenge>,
    /// The server's device, once its signature was checked with the key that it is enrolled with.
    proved: Option<Uuid>,
    faults: u32,
    bytes: usize,
    report: Report,
}

/// A request is not made smaller than this, however often the connection breaks.
const SMALLEST_BYTES: usize = 16 << 10;
/// Most bytes of a refusal.
const REFUSAL_BYTES: u64 = 64 << 10;

impl<'v, C: ProgrammeCopy + ?Sized> Visit<'v, C> {
    fn new(copy: &'v mut C, url: &str, options: &'v Options) -> Result<Self, ClientError> {
        let address = |why| ClientError::Address {
            url: url.to_owned(),
            why,
        };
        if url.starts_with("https://") {
            return Err(address(
                "https is not built in; use a private network or a local TLS tunnel",
            ));
        }
        let host = url
            .strip_prefix("http://")
            .ok_or_else(|| address("it starts with http://"))?;
        if host.trim_end_matches('/').is_empty() || host.contains(['?', '#', '@', ' ']) {
            return Err(address("it has the form http://host:port"));
        }
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .timeout_connect(Some(options.connect_timeout))
            .timeout_global(Some(options.timeout))
            .build()
            .new_agent();
        Ok(Visit {
            copy,
            options,
            agent,
            base: url.trim_end_matches('/').to_owned(),
            challenge: None,
            proved: None,
            faults: 0,
            bytes: options.limit.bytes,
            report: Report::default(),
        })
    }

    /// Waits after a passing fault, or gives up.
    fn after(&mut self, fault: Fault) -> Result<(), ClientError> {
        let why = match fault {
            Fault::Final(e) => return Err(e),
            Fault::Passing(why) => why,
        };
        self.faults += 1;
        if self.faults >= self.options.attempts {
            return Err(ClientError::Connection {
                attempts: self.faults,
                why,
            });
        }
        self.report.retries += 1;
        self.challenge = None;
        self.bytes = (self.bytes / 2).max(SMALLEST_BYTES.min(self.options.limit.bytes));
        let doubled = self
            .options
            .first_wait
            .saturating_mul(1 << (self.faults - 1).min(16));
        let mut chance = [0; 1];
        // Without chance all wait the full time, which is well too.
        let _ = getrandom::fill(&mut chance);
        let share = 1.0 - f64::from(chance[0]) / 512.0;
        std::thread::sleep(doubled.min(self.options.longest_wait).mul_f64(share));
        Ok(())
    }

    /// Learns how far the server has come.
    fn greet(&mut self) -> Result<Offer, ClientError> {
        loop {
            let mut body = Vec::new();
            sync::encode_offer_gzip(&self.copy.offer().map_err(of_copy)?, &mut body)?;
            match self.call("offer", &body) {
                Ok(reply) => {
                    let theirs = match reply.gzip {
                        true => sync::decode_offer_gzip(&reply.bytes[..], &self.options.limits)?,
                        false => sync::decode_offer(&reply.bytes[..], &self.options.limits)?,
                    };
                    return self.same_programme(theirs);
                }
                Err(fault) => self.after(fault)?,
            }
        }
    }

    fn same_programme(&self, theirs: Offer) -> Result<Offer, ClientError> {
        if theirs.programme == self.copy.programme() {
            Ok(theirs)
        } else {
            Err(ClientError::WrongProgramme(format!(
                "the server keeps programme {}, and this is another: they are not merged",
                theirs.programme
            )))
        }
    }

    /// One exchange, made again with less until it was answered.
    fn round(&mut self, theirs: &Offer) -> Result<Round, ClientError> {
        loop {
            let limit = Limit {
                bytes: self.bytes,
                ..self.options.limit
            };
            let mine = self.copy.bundle(theirs, self.scope()?, limit).map_err(of_copy)?;
            let mut body = Vec::new();
            sync::encode_gzip(&mine, &mut body)?;
            let reply = match self.call("exchange", &body) {
                Ok(reply) => reply,
                Err(fault) => {
                    self.after(fault)?;
                    continue;
                }
            };
            let ours = match reply.gzip {
                true => sync::decode_gzip(&reply.bytes[..], &self.options.limits)?,
                false => sync::decode(&reply.bytes[..], &self.options.limits)?,
            };
            let theirs = self.same_programme(ours.offer())?;
            let here = self.copy.accept(jiff::Timestamp::now(), &ours).map_err(of_copy)?;
            self.faults = 0;
            self.bytes = self.bytes.saturating_mul(2).min(self.options.limit.bytes);
            let there = reply.accepted;
            let report = &mut self.report;
            report.rounds += 1;
            report.sent += there.new + there.known;
            report.received += here.new;
            report.contents_sent += there.contents;
            report.contents_received += here.contents;
            report.conflicts += here.conflicts;
            report.held_back = there.held_back.into_iter().chain(here.held_back).collect();
            let complete = mine.complete && ours.complete && !self.more_to_give_or_ask(&mine, &theirs)?;
            return Ok(Round {
                complete,
                moved: there.new + there.contents + here.new + here.contents > 0,
                theirs,
            });
        }
    }

    /// Whether the last exchange brought names of contents (a photo's, say) that one side lacks and was not asked for yet.
    fn more_to_give_or_ask(&self, sent: &sync::Bundle, theirs: &Offer) -> Result<bool, ClientError> {
        let wants = self.copy.offer().map_err(of_copy)?.wants;
        if wants.iter().any(|hash| !sent.wants.contains(hash)) {
            return Ok(true);
        }
        let one = Limit {
            entries: 1,
            ..self.options.limit
        };
        let rest = self.copy.bundle(theirs, self.scope()?, one).map_err(of_copy)?;
        Ok(rest
            .contents
            .iter()
            .any(|(hash, _)| !sent.contents.iter().any(|(given, _)| given == hash)))
    }

    /// What the server may be given: what its enrolment says, and only after it has proved who it is.
    fn scope(&self) -> Result<Scope, ClientError> {
        let Some(device) = self.proved else {
            return Ok(Scope::Crew);
        };
        let enrolled = self.copy.device_key(device).map_err(of_copy)?;
        Ok(enrolled.map_or(Scope::Crew, |(_, scope)| scope))
    }

    fn new_challenge(&mut self) -> Result<Challenge, Fault> {
        if let Some(challenge) = self.challenge.take() {
            return Ok(challenge);
        }
        #[derive(Deserialize)]
        struct Given {
            challenge: String,
        }
        let body = format!("{{\"device\":\"{}\"}}", self.copy.device());
        let response = self
            .agent
            .post(format!("{}/api/1/sync/challenge", self.base))
            .content_type("application/json")
            .send(body.as_bytes());
        let response = self.good(response)?;
        let text = self.read(response, REFUSAL_BYTES)?;
        serde_json::from_slice::<Given>(&text)
            .ok()
            .and_then(|given| unhex(&given.challenge)?.try_into().ok())
            .ok_or_else(|| ClientError::Untrusted("its challenge is malformed").into())
    }

    fn call(&mut self, call: &str, body: &[u8]) -> Result<Reply, Fault> {
        let challenge = self.new_challenge()?;
        let (programme, device) = (self.copy.programme(), self.copy.device());
        let hash = Hash::of(body);
        let message = request_message(programme, device, call, &challenge, hash);
        let signature = self.copy.sign(&message).map_err(of_copy)?;
        self.report.bytes_up += body.len() as u64;
        let response = self
            .agent
            .post(format!("{}/api/1/sync/{call}", self.base))
            .content_type("application/x-ndjson")
            .header("content-encoding", "gzip")
            .header("accept-encoding", "gzip")
            .header(header::PROGRAMME, programme.to_string())
            .header(header::DEVICE, device.to_string())
            .header(header::CHALLENGE, hex(&challenge))
            .header(header::BODY_HASH, hash.to_string())
            .header(header::SIGNATURE, hex(&signature))
            .header(header::REPLY_BYTES, self.bytes.to_string())
            .send(body);
        let response = self.good(response)?;
        let text = |name: &str| response.headers().get(name).and_then(|v| v.to_str().ok());
        let accepted = text(header::ACCEPTED).unwrap_or_default().to_owned();
        let server = text(header::DEVICE).and_then(|v| Uuid::try_parse(v).ok());
        let stated = text(header::BODY_HASH).and_then(|v| v.parse::<Hash>().ok());
        let signature = text(header::SIGNATURE).and_then(|v| <[u8; 64]>::try_from(unhex(v)?).ok());
        let next = text(header::CHALLENGE).and_then(|v| Challenge::try_from(unhex(v)?).ok());
        let gzip = text("content-encoding") == Some("gzip");
        let (Some(server), Some(stated), Some(signature)) = (server, stated, signature) else {
            return Err(ClientError::Untrusted("it is not signed").into());
        };
        let bytes = self.read(response, self.options.max_reply)?;
        if Hash::of(&bytes) != stated {
            return Err(Fault::Passing(
                "the reply was cut off or altered on its way".into(),
            ));
        }
        let key = self.copy.device_key(server).map_err(of_copy)?;
        if let Some((key, _)) = key {
            let message = reply_message(programme, server, &challenge, &accepted, stated);
            if !is_signed(&key, &message, &signature) {
                return Err(ClientError::Untrusted("its signature is not the server's").into());
            }
        }
        self.proved = key.map(|_| server);
        self.challenge = next;
        let accepted = match accepted.is_empty() {
            true => Accepted::default(),
            false => serde_json::from_str(&accepted)
                .map_err(|_| ClientError::Untrusted("its word on what was accepted is malformed"))?,
        };
        Ok(Reply {
            bytes,
            gzip,
            accepted,
        })
    }

    fn read(&mut self, mut response: Response<ureq::Body>, limit: u64) -> Result<Vec<u8>, Fault> {
        let bytes = response
            .body_mut()
            .with_config()
            .limit(limit)
            .read_to_vec()
            .map_err(|e| Fault::Passing(e.to_string()))?;
        self.report.bytes_down += bytes.len() as u64;
        Ok(bytes)
    }

    /// Sorts what came back into good, passing and final.
    fn good(
        &mut self,
        response: Result<Response<ureq::Body>, ureq::Error>,
    ) -> Result<Response<ureq::Body>, Fault> {
        let response = response.map_err(|e| Fault::Passing(e.to_string()))?;
        let status = response.status();
        if status == StatusCode::OK {
            return Ok(response);
        }
        #[derive(Default, Deserialize)]
        struct Said {
            code: String,
            words: String,
        }
        let text = self.read(response, REFUSAL_BYTES)?;
        let Said { code, words } = serde_json::from_slice(&text).unwrap_or_default();
        let passing = matches!(status.as_u16(), 408 | 429 | 500 | 502 | 503 | 504)
            || matches!(
                code.as_str(),
                "challenge-expired" | "challenge-used" | "body-altered" | "cut-off"
            );
        if passing {
            return Err(Fault::Passing(format!("{status}: {words}")));
        }
        Err(Fault::Final(match code.as_str() {
            "not-enrolled" => ClientError::NotEnrolled {
                words,
                request: format!(
                    "earlywood-enrol programme={} device={} key={}",
                    self.copy.programme(),
                    self.copy.device(),
                    hex(&self.copy.public_key())
                ),
            },
            "wrong-programme" => ClientError::WrongProgramme(words),
            _ => ClientError::Refused {
                status: status.as_u16(),
                code,
                words,
            },
        }))
    }
}
