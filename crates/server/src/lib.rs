//! HTTP API over a programme file: the office in the browser, phones, and copies of one programme that give each other
//! what the other lacks.
//!
//! [`Server::office`] serves the office and phone app with its calls (module `office`), and the sync calls beside it.
//! [`Server::bind`] serves sync alone: it listens for other copies, [`sync`] visits one. Both work on anything that is a [`ProgrammeCopy`]; what they
//! say is the message of `earlywood_journal::sync`. A device proves who it is by signing a challenge and the hash of its
//! request with its own key; the reply is signed by the server's. Every request can be cut off anywhere and made again.
//!
//! The calls and headers are written down in this crate's `API.md`.

mod assets;
mod auth;
mod client;
mod office;
mod server;
mod tls;

pub use auth::{enrol_message, reply_message, request_message};
pub use client::{ClientError, Options, Report, sync, sync_with};
pub use earlywood_journal::sync::{Accepted, Bundle, Held, Limit, Limits, Offer, Scope};
pub use office::{OfficeConfig, OfficeError, Opened, SignInError};
pub use server::{Config, OnFault, ServeError, Server, router};
pub use tls::{Tls, TlsError};

use uuid::Uuid;

/// Version of the calls and headers.
pub const PROTOCOL: u32 = 1;

/// An error of a copy, whatever it is.
pub type CopyError = Box<dyn std::error::Error + Send + Sync>;

/// One copy of a programme, as sync needs it.
pub trait ProgrammeCopy {
    /// The programme's id.
    fn programme(&self) -> Uuid;

    /// The device for which this copy appends.
    fn device(&self) -> Uuid;

    /// That device's Ed25519 public key.
    fn public_key(&self) -> [u8; 32];

    /// How far this copy has come.
    ///
    /// # Errors
    /// The store's.
    fn offer(&self) -> Result<Offer, CopyError>;

    /// What the other copy lacks, within `scope` and `limit`; at least one thing, if there is any.
    ///
    /// # Errors
    /// The store's.
    fn bundle(&self, theirs: &Offer, scope: Scope, limit: Limit) -> Result<Bundle, CopyError>;

    /// Takes what is good of a bundle, in one transaction; the same bundle twice changes nothing.
    ///
    /// # Errors
    /// The store's; nothing was changed then.
    fn accept(&mut self, now: jiff::Timestamp, bundle: &Bundle) -> Result<Accepted, CopyError>;

    /// Key and scope of a device that is enrolled and was not withdrawn.
    ///
    /// # Errors
    /// The store's.
    fn device_key(&self, device: Uuid) -> Result<Option<([u8; 32], Scope)>, CopyError>;

    /// Signs with this device's key.
    ///
    /// # Errors
    /// The key is not there.
    fn sign(&self, message: &[u8]) -> Result<[u8; 64], CopyError>;

    /// The person who holds a device that is enrolled and was not withdrawn, if that person has a role today; none for
    /// an office's machine.
    ///
    /// # Errors
    /// The store's.
    fn holder(&self, device: Uuid) -> Result<Option<String>, CopyError>;

    /// Is told of every good signed call: the device was heard of.
    fn heard(&self, _device: Uuid) {}
}

impl ProgrammeCopy for earlywood_journal::Programme {
    fn programme(&self) -> Uuid {
        // A file that can't tell its own programme can't be anybody's copy.
        self.id().unwrap_or_default()
    }

    fn device(&self) -> Uuid {
        earlywood_journal::Programme::device(self)
    }

    fn public_key(&self) -> [u8; 32] {
        self.request().map_or([0; 32], |request| request.key.0)
    }

    fn offer(&self) -> Result<Offer, CopyError> {
        Ok(earlywood_journal::Programme::offer(self)?)
    }

    fn bundle(&self, theirs: &Offer, scope: Scope, limit: Limit) -> Result<Bundle, CopyError> {
        Ok(earlywood_journal::Programme::bundle(self, theirs, scope, limit)?)
    }

    fn accept(&mut self, now: jiff::Timestamp, bundle: &Bundle) -> Result<Accepted, CopyError> {
        Ok(earlywood_journal::Programme::accept(self, now, bundle)?)
    }

    fn device_key(&self, device: Uuid) -> Result<Option<([u8; 32], Scope)>, CopyError> {
        let today = jiff::ZonedDateTime::now().date();
        let key = earlywood_journal::Programme::device_key(self, device, today)?;
        Ok(key.map(|(key, scope)| (key.0, scope)))
    }

    fn sign(&self, message: &[u8]) -> Result<[u8; 64], CopyError> {
        Ok(earlywood_journal::Programme::sign(self, message)?)
    }

    fn holder(&self, device: Uuid) -> Result<Option<String>, CopyError> {
        let today = jiff::ZonedDateTime::now().date();
        Ok(earlywood_journal::Programme::holder(self, device, today)?)
    }
}
