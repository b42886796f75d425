//! Who is who: accounts, passwords, passkeys, sessions, codes.

pub(crate) mod code;
pub(crate) mod limits;
pub(crate) mod origin;
pub(crate) mod passkey;
pub(crate) mod password;
pub(crate) mod routes;
pub(crate) mod session;
pub(crate) mod store;

use std::collections::HashMap;
use std::path::Path;
use std::sync::{Mutex, PoisonError, Weak};
use std::time::Duration;

use tokio::sync::Semaphore;
use uuid::Uuid;

use super::OfficeConfig;
use super::problem::Problem;
use super::state::{Office, blocking};
use session::{Session, Sessions, Token};
use store::{SignInError, Store};

/// How often what was gathered in memory is written down.
const KEEP_EVERY: Duration = Duration::from_secs(60);

/// All that sign-in needs beside the journal.
pub(crate) struct SignIn {
    pub(crate) store: Store,
    pub(crate) sessions: Sessions,
    pub(crate) limits: limits::Limits,
    pub(crate) ceremonies: passkey::Ceremonies,
    /// Hashing a password takes a core and 19 MiB: no more at one time than there are cores.
    hashing: Semaphore,
    /// The hash of a password that nobody has.
    nobody: String,
    /// For what must look random and be the same each time, until the next start.
    secret: [u8; 32],
    first_run: Mutex<Option<String>>,
    heard: Mutex<Heard>,
}

/// When devices were heard of; what the file does not know yet apart.
#[derive(Default)]
struct Heard {
    all: HashMap<Uuid, i64>,
    new: HashMap<Uuid, i64>,
}

impl From<SignInError> for Problem {
    fn from(e: SignInError) -> Self {
        Problem::fault(e)
    }
}

impl SignIn {
    pub(crate) fn open(programme: &Path, id: Uuid, config: &OfficeConfig) -> Result<Self, SignInError> {
        let store = Store::open(programme, id)?;
        let first_run = match store.has_accounts()? {
            true => None,
            false => Some(code::new(12)?),
        };
        Ok(SignIn {
            sessions: Sessions::new(store.sessions()?, config.session_idle, config.session_life),
            heard: Mutex::new(Heard {
                all: store.heard()?,
                new: HashMap::new(),
            }),
            limits: limits::Limits::default(),
            ceremonies: passkey::Ceremonies::default(),
            hashing: Semaphore::new(std::thread::available_parallelism().map_or(1, usize::from)),
            nobody: password::hash(&code::new(12)?)?,
            secret: secret()?,
            first_run: Mutex::new(first_run),
            store,
        })
    }

    pub(crate) fn first_run_code(&self) -> Option<String> {
        self.first_run
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    fn first_run_is_over(&self) {
        *self.first_run.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// A signed call of a device was good.
    pub(crate) fn heard(&self, device: Uuid) {
        let now = session::now();
        let mut heard = self.heard.lock().unwrap_or_else(PoisonError::into_inner);
        heard.all.insert(device, now);
        heard.new.insert(device, now);
    }

    /// When each device was heard of last, in seconds since 1970.
    pub(crate) fn last_heard(&self) -> HashMap<Uuid, i64> {
        self.heard
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .all
            .clone()
    }

    /// Works on the sign-in file, on a thread that may block.
    pub(crate) async fn store<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Store) -> Result<T, SignInError> + Send + 'static,
    ) -> Result<T, Problem> {
        let store = self.store.clone();
        Ok(blocking(move || work(&store)).await??)
    }

    /// Hashes, or compares with a hash, in turn.
    async fn hashing<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> Result<T, SignInError> + Send + 'static,
    ) -> Result<T, Problem> {
        let Ok(_turn) = self.hashing.acquire().await else {
            return Err(Problem::busy());
        };
        Ok(blocking(work).await??)
    }

    /// A session of a person who has just proved who it is. The session that the browser had before ends.
    pub(crate) async fn begin(&self, person: &str, before: Option<&Token>) -> Result<Token, Problem> {
        let token = Token::new().map_err(Problem::fault)?;
        let now = session::now();
        let session = Session {
            person: person.to_owned(),
            made_at: now,
            used_at: now,
        };
        let mut ended = self.sessions.add(token.hash(), session.clone());
        if let Some(before) = before.map(Token::hash) {
            self.sessions.end(&before);
            ended.push(before);
        }
        let hash = token.hash();
        self.store(move |store| store.begin_session(&hash, &session, &ended))
            .await?;
        Ok(token)
    }

    pub(crate) async fn end(&self, token: &Token) -> Result<(), Problem> {
        let hash = token.hash();
        self.sessions.end(&hash);
        self.store(move |store| store.end_session(&hash)).await
    }

    /// Ends all sessions of a person.
    pub(crate) async fn end_sessions_of(&self, person: &str) -> Result<(), Problem> {
        self.sessions.end_all_of(person, None);
        let person = person.to_owned();
        self.store(move |store| store.end_sessions_of(&person)).await
    }

    /// Writes down what was gathered in memory. May block.
    fn keep(&self) -> Result<(), SignInError> {
        let now = session::now();
        let heard = std::mem::take(&mut self.heard.lock().unwrap_or_else(PoisonError::into_inner).new);
        self.store.keep(
            &self.sessions.take_used(now),
            &heard,
            self.sessions.oldest(now),
            now,
        )
    }
}

fn secret() -> Result<[u8; 32], SignInError> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes)
        .map_err(|e| SignInError::Secret(format!("the system gives no random numbers: {e}")))?;
    Ok(bytes)
}

impl Drop for SignIn {
    fn drop(&mut self) {
        // At the end there is nobody left to tell; at worst a session seems unused for a minute longer.
        let _ = self.keep();
    }
}

/// Writes down now and then what was gathered in memory, until the office is gone.
pub(crate) async fn keep_now_and_then(office: Weak<Office>) {
    loop {
        tokio::time::sleep(KEEP_EVERY).await;
        let Some(office) = office.upgrade() else { return };
        let kept = {
            let office = office.clone();
            blocking(move || office.signin.keep()).await
        };
        let fault = match kept {
            Ok(Ok(())) => continue,
            Ok(Err(e)) => e.to_string(),
            Err(problem) => problem.words,
        };
        if let Some(tell) = &office.config.on_fault {
            tell(&fault);
        }
    }
}
