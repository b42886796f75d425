//! Verifying the journal: one walk at a time, whose outcome all who wait for it are given.

use earlywood_journal::Programme;
use jiff::Timestamp;
use tokio::sync::Mutex;

use super::journal::Verified;
use super::problem::Problem;
use super::state::{Office, blocking};

/// The last outcome, with the revision that it is of.
#[derive(Default)]
pub(crate) struct Verifying(Mutex<Option<(u64, Verified)>>);

impl Office {
    /// Verifies the file on a connection of its own. Who asks while a walk is on waits for it; what was found of this
    /// revision within a minute is told again.
    pub(crate) async fn verify(&self) -> Result<Verified, Problem> {
        let mut last = self.verifying.0.lock().await;
        let revision = self.revision().await?;
        if let Some((at, found)) = last.as_ref()
            && *at == revision
            && Timestamp::now().as_second() - found.checked_at.as_second() < 60
        {
            return Ok(found.clone());
        }
        let path = self.path.clone();
        let found = blocking(move || {
            let verification = Programme::open_read_only(&path)?.verify()?;
            Ok::<_, Problem>(Verified::of(&verification, Timestamp::now()))
        })
        .await??;
        *last = Some((revision, found.clone()));
        Ok(found)
    }
}
