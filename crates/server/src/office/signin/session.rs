//! Sessions: who holds which cookie, and until when.
//!
//! A session is a random 256-bit token in a cookie. Only its hash is kept, in memory for every request and in the
//! sign-in file for the next start. It says who the person is and nothing else: what the person may do is asked of the
//! journal each time.

use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::http::header::{COOKIE, HeaderMap, HeaderValue};
use earlywood_journal::sync::{hex, unhex};

/// Name of the cookie.
pub(crate) const COOKIE_NAME: &str = "earlywood-session";
/// Most sessions of one person; with one more the oldest ends. Design choice.
const MOST_OF_ONE: usize = 20;

/// The secret in the cookie.
#[derive(Clone, PartialEq, Eq)]
pub(crate) struct Token([u8; 32]);

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token(..)")
    }
}

/// What is kept of a token.
pub(crate) type TokenHash = [u8; 32];

impl Token {
    pub(crate) fn new() -> Result<Self, getrandom::Error> {
        let mut bytes = [0; 32];
        getrandom::fill(&mut bytes)?;
        Ok(Token(bytes))
    }

    /// The token of a request's cookie.
    pub(crate) fn of(headers: &HeaderMap) -> Option<Self> {
        let cookies = headers.get_all(COOKIE).iter().filter_map(|v| v.to_str().ok());
        let mut pairs = cookies
            .flat_map(|line| line.split(';'))
            .filter_map(|pair| pair.trim().split_once('='));
        let value = pairs.find(|(name, _)| *name == COOKIE_NAME)?.1;
        Some(Token(unhex(value)?.try_into().ok()?))
    }

    pub(crate) fn hash(&self) -> TokenHash {
        *blake3::hash(&self.0).as_bytes()
    }

    /// What a page must send along with everything that changes something. A page of another site can't read it.
    pub(crate) fn csrf(&self) -> String {
        hex(&blake3::derive_key(
            "earlywood 2026-11 csrf token of a session",
            &self.0,
        ))
    }

    /// The cookie that sets it.
    pub(crate) fn cookie(&self, secure: bool) -> Option<HeaderValue> {
        HeaderValue::from_str(&cookie_text(&hex(&self.0), secure)).ok()
    }
}

/// The cookie that takes a token away.
pub(crate) fn no_cookie(secure: bool) -> Option<HeaderValue> {
    HeaderValue::from_str(&format!("{}; Max-Age=0", cookie_text("", secure))).ok()
}

fn cookie_text(value: &str, secure: bool) -> String {
    let secure = if secure { "; Secure" } else { "" };
    format!("{COOKIE_NAME}={value}; HttpOnly; SameSite=Strict; Path=/{secure}")
}

/// One session. Times are seconds since 1970.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Session {
    pub(crate) person: String,
    pub(crate) made_at: i64,
    pub(crate) used_at: i64,
}

/// All sessions that have not ended.
pub(crate) struct Sessions {
    idle: i64,
    life: i64,
    held: Mutex<Held>,
}

#[derive(Default)]
struct Held {
    sessions: HashMap<TokenHash, Session>,
    /// Those whose last use the file does not know yet.
    used: HashMap<TokenHash, i64>,
}

impl Sessions {
    /// `idle`: how long one lasts unused; `life`: how long in all.
    pub(crate) fn new(sessions: HashMap<TokenHash, Session>, idle: Duration, life: Duration) -> Self {
        let seconds = |d: Duration| i64::try_from(d.as_secs()).unwrap_or(i64::MAX);
        Sessions {
            idle: seconds(idle),
            life: seconds(life),
            held: Mutex::new(Held {
                sessions,
                used: HashMap::new(),
            }),
        }
    }

    fn held(&self) -> MutexGuard<'_, Held> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn is_over(&self, session: &Session, now: i64) -> bool {
        // A session from the future (a clock that was put back) is over too.
        now < session.made_at
            || now.saturating_sub(session.used_at) >= self.idle
            || now.saturating_sub(session.made_at) >= self.life
    }

    /// The token and person of a request, if its session has not ended; it is used with that.
    pub(crate) fn of_request(&self, headers: &HeaderMap) -> Option<(Token, String)> {
        let token = Token::of(headers)?;
        let person = self.look(&token.hash(), now())?;
        Some((token, person))
    }

    pub(crate) fn look(&self, hash: &TokenHash, now: i64) -> Option<String> {
        let mut held = self.held();
        let session = held.sessions.get_mut(hash)?;
        if self.is_over(session, now) {
            held.sessions.remove(hash);
            return None;
        }
        let person = session.person.clone();
        if session.used_at < now {
            session.used_at = now;
            held.used.insert(*hash, now);
        }
        Some(person)
    }

    /// Adds a session; gives those that end with it.
    pub(crate) fn add(&self, hash: TokenHash, session: Session) -> Vec<TokenHash> {
        let mut held = self.held();
        let mut own: Vec<(i64, TokenHash)> = held
            .sessions
            .iter()
            .filter(|(_, other)| other.person == session.person)
            .map(|(hash, other)| (other.used_at, *hash))
            .collect();
        own.sort_unstable();
        let ended: Vec<TokenHash> = own
            .iter()
            .take((own.len() + 1).saturating_sub(MOST_OF_ONE))
            .map(|(_, hash)| *hash)
            .collect();
        for old in &ended {
            held.sessions.remove(old);
        }
        held.sessions.insert(hash, session);
        ended
    }

    pub(crate) fn end(&self, hash: &TokenHash) {
        self.held().sessions.remove(hash);
    }

    /// Ends all sessions of a person, but for one.
    pub(crate) fn end_all_of(&self, person: &str, but: Option<&TokenHash>) {
        self.held()
            .sessions
            .retain(|hash, session| session.person != person || Some(hash) == but);
    }

    /// Uses that the file does not know yet; forgets sessions that are over.
    pub(crate) fn take_used(&self, now: i64) -> HashMap<TokenHash, i64> {
        let mut held = self.held();
        held.sessions.retain(|_, session| !self.is_over(session, now));
        std::mem::take(&mut held.used)
    }

    /// The earliest moments at which sessions that still count were made and used.
    pub(crate) fn oldest(&self, now: i64) -> (i64, i64) {
        (now.saturating_sub(self.life), now.saturating_sub(self.idle))
    }
}

/// Seconds since 1970.
pub(crate) fn now() -> i64 {
    jiff::Timestamp::now().as_second()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sessions() -> Sessions {
        Sessions::new(HashMap::new(), Duration::from_secs(10), Duration::from_secs(25))
    }

    fn begun(at: i64) -> Session {
        Session {
            person: "p-1".into(),
            made_at: at,
            used_at: at,
        }
    }

    #[test]
    fn a_session_ends_unused_and_ends_anyway() {
        let all = sessions();
        all.add([1; 32], begun(100));
        assert_eq!(all.look(&[1; 32], 109).as_deref(), Some("p-1"));
        assert_eq!(all.look(&[1; 32], 118).as_deref(), Some("p-1"));
        assert_eq!(
            all.look(&[1; 32], 125),
            None,
            "its life is over though it was used"
        );
        all.add([2; 32], begun(200));
        assert_eq!(all.look(&[2; 32], 210), None, "unused for too long");
        all.add([3; 32], begun(300));
        assert_eq!(all.look(&[3; 32], 299), None, "from the future");
    }

    #[test]
    fn the_oldest_of_too_many_ends() {
        let all = sessions();
        for i in 0..20 {
            assert!(all.add([i; 32], begun(100 + i64::from(i))).is_empty());
        }
        assert_eq!(all.add([99; 32], begun(120)), [[0; 32]]);
        all.end_all_of("p-1", Some(&[99; 32]));
        assert_eq!(all.look(&[5; 32], 121), None);
        assert!(all.look(&[99; 32], 121).is_some());
    }

    #[test]
    fn a_token_is_found_among_other_cookies() {
        let token = Token([7; 32]);
        let mut headers = HeaderMap::new();
        let text = format!("a=b; {COOKIE_NAME}={}; c=d", hex(&[7; 32]));
        headers.insert(COOKIE, text.parse().unwrap());
        assert_eq!(Token::of(&headers), Some(token.clone()));
        assert_ne!(token.csrf(), hex(&token.hash()));
        let cookie = token.cookie(true).unwrap();
        assert!(
            cookie
                .to_str()
                .unwrap()
                .ends_with("; HttpOnly; SameSite=Strict; Path=/; Secure")
        );
    }
}
