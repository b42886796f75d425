//! What all routes share: the one writer, the readers, the clock, and who is signed in.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex as StdMutex, PoisonError};

use earlywood_journal::sync::{Accepted, Bundle, Limit, Offer, Scope};
use earlywood_journal::{Act, DeviceKey, Error, Programme, Role};
use jiff::civil::Date;
use tokio::sync::{Mutex, Semaphore};
use uuid::Uuid;

use super::caller::Caller;
use super::drafts::Drafts;
use super::problem::Problem;
use super::signin::SignIn;
use super::verifying::Verifying;
use super::{OfficeConfig, OfficeError};
use crate::{CopyError, ProgrammeCopy};

/// What handlers are given.
pub(crate) type App = Arc<Office>;

/// The office: one programme file, and those who work on it.
pub(crate) struct Office {
    pub(crate) path: PathBuf,
    /// Id of the programme.
    pub(crate) programme: Uuid,
    /// The device for which this office writes.
    pub(crate) device: Uuid,
    pub(crate) key: Arc<DeviceKey>,
    /// Before the writer, so that they are closed first: who closes the file last writes its log back, which a reader can't.
    readers: Arc<Readers>,
    writer: Arc<Mutex<Programme>>,
    room: Semaphore,
    roles: Arc<StdMutex<RolesThen>>,
    pub(crate) signin: SignIn,
    pub(crate) verifying: Verifying,
    pub(crate) config: OfficeConfig,
    /// What the chain keeps between questions.
    pub(crate) work: Arc<Work>,
}

/// What the chain keeps between questions, for all callers.
pub(crate) struct Work {
    pub(crate) desk: earlywood_chain::Desk,
    pub(crate) drafts: earlywood_chain::draft::Drafts,
    pub(crate) previews: earlywood_chain::preview::Previews,
    /// Rounds that nobody has adopted yet.
    pub(crate) rounds: Drafts<earlywood_chain::rounds::Proposal>,
    /// Delimiting surveys that nobody has adopted yet.
    pub(crate) surveys: Drafts<super::response::Survey>,
    /// One plan is made at a time: two would only share the same cores. The others wait their turn.
    pub(crate) planning: Semaphore,
}

impl Default for Work {
    fn default() -> Self {
        Work {
            desk: earlywood_chain::Desk::new(),
            drafts: earlywood_chain::draft::Drafts::default(),
            previews: earlywood_chain::preview::Previews::default(),
            rounds: Drafts::default(),
            surveys: Drafts::default(),
            planning: Semaphore::new(1),
        }
    }
}

/// Roles as they were found at one revision, on one day.
#[derive(Default)]
struct RolesThen {
    at: Option<(u64, Date)>,
    of: HashMap<String, Vec<Role>>,
}

/// Read-only connections to the file. Each sees one moment; none waits for the writer, nor the writer for it.
struct Readers {
    path: PathBuf,
    idle: StdMutex<Vec<Programme>>,
    most: usize,
}

impl Readers {
    /// Works on a connection, at one moment of the file. May block.
    fn with<T>(&self, work: impl FnOnce(&Programme) -> Result<T, Problem>) -> Result<T, Problem> {
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let programme = match idle {
            Some(programme) => programme,
            None => Programme::open_read_only(&self.path)?,
        };
        let done = programme.at_one_moment(work)?;
        let mut idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        if idle.len() < self.most {
            idle.push(programme);
        }
        done
    }
}

/// Readers at work at one time: they mostly compute, so a few for each core. Design choice.
fn most_readers() -> usize {
    std::thread::available_parallelism()
        .map_or(4, |n| n.get() * 2)
        .max(4)
}

impl Office {
    /// An office over a programme file that is open for writing.
    pub(crate) fn open(programme: Programme, config: OfficeConfig) -> Result<App, OfficeError> {
        let path = programme.path().to_owned();
        let device = programme.device();
        let key = DeviceKey::read(&DeviceKey::path_beside(&path))?
            .filter(|key| key.device() == device)
            .ok_or_else(|| {
                let beside = DeviceKey::path_beside(&path);
                Error::Key(format!(
                    "the key of this copy's device is not beside the file ({})",
                    beside.display()
                ))
            })?;
        let id = programme.id()?;
        let most = most_readers();
        Ok(Arc::new(Office {
            programme: id,
            device,
            key: Arc::new(key),
            readers: Arc::new(Readers {
                path: path.clone(),
                idle: StdMutex::new(Vec::new()),
                most,
            }),
            writer: Arc::new(Mutex::new(programme)),
            room: Semaphore::new(most),
            roles: Arc::default(),
            signin: SignIn::open(&path, id, &config)?,
            verifying: Verifying::default(),
            path,
            config,
            work: Arc::default(),
        }))
    }

    /// Runs on a blocking thread with a read-only programme, at one moment of it.
    pub(crate) async fn read<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Programme) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let Ok(_room) = self.room.acquire().await else {
            return Err(Problem::busy());
        };
        let readers = self.readers.clone();
        blocking(move || readers.with(work)).await?
    }

    /// Runs on a blocking thread with the one writer, in the name of the caller, now. What was begun is finished even if
    /// the request is cut off.
    pub(crate) async fn write<T: Send + 'static>(
        &self,
        caller: &Caller,
        work: impl FnOnce(&mut Programme, &Act) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        self.write_as(&caller.person, work).await
    }

    /// As [`Office::write`], in the name of a person who is not calling.
    pub(crate) async fn write_as<T: Send + 'static>(
        &self,
        person: &str,
        work: impl FnOnce(&mut Programme, &Act) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let act = self.act(person)?;
        let mut writer = self.writer.clone().lock_owned().await;
        blocking(move || work(&mut writer, &act)).await?
    }

    /// The act of a person, now.
    pub(crate) fn act(&self, person: &str) -> Result<Act, Problem> {
        Ok(Act::new(person, self.now()?)?)
    }

    pub(crate) fn now(&self) -> Result<jiff::ZonedDateTime, Problem> {
        let now = jiff::ZonedDateTime::now();
        match self.config.today {
            None => Ok(now),
            Some(day) => now.with().date(day).build().map_err(Problem::fault),
        }
    }

    /// Grows with every entry: answers computed from the programme are kept under it.
    pub(crate) async fn revision(&self) -> Result<u64, Problem> {
        self.read(|programme| Ok(programme.revision()?)).await
    }

    /// Today, where this server stands; or the day that `serve --today` fixed.
    pub(crate) fn today(&self) -> Date {
        self.config
            .today
            .unwrap_or_else(|| jiff::ZonedDateTime::now().date())
    }

    /// The roles that a person has today, by the journal of this moment.
    pub(crate) async fn roles_of(&self, person: &str) -> Result<Vec<Role>, Problem> {
        let (then, today, person) = (self.roles.clone(), self.today(), person.to_owned());
        self.read(move |programme| {
            let at = Some((programme.revision()?, today));
            {
                let mut then = then.lock().unwrap_or_else(PoisonError::into_inner);
                if then.at == at {
                    if let Some(roles) = then.of.get(&person) {
                        return Ok(roles.clone());
                    }
                } else {
                    *then = RolesThen {
                        at,
                        of: HashMap::new(),
                    };
                }
            }
            let roles = programme.roles(&person, today)?;
            let mut then = then.lock().unwrap_or_else(PoisonError::into_inner);
            if then.at == at {
                then.of.insert(person, roles.clone());
            }
            Ok(roles)
        })
        .await
    }

    /// The copy that other copies sync with: the same file, the same writer.
    pub(crate) fn copy(self: &Arc<Self>) -> OfficeCopy {
        OfficeCopy(self.clone())
    }
}

/// Runs on a thread that may block.
pub(crate) async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Problem> {
    tokio::task::spawn_blocking(work).await.map_err(Problem::fault)
}

/// The office's file as sync sees it. Only what came from elsewhere waits for the writer; all else is read.
pub(crate) struct OfficeCopy(App);

impl OfficeCopy {
    fn read<T>(&self, work: impl FnOnce(&Programme) -> Result<T, Error>) -> Result<T, CopyError> {
        self.0
            .readers
            .with(|programme| Ok(work(programme)?))
            .map_err(|problem| problem.fault.unwrap_or(problem.words).into())
    }
}

impl ProgrammeCopy for OfficeCopy {
    fn programme(&self) -> Uuid {
        self.0.programme
    }

    fn device(&self) -> Uuid {
        self.0.device
    }

    fn public_key(&self) -> [u8; 32] {
        self.0.key.public().0
    }

    fn offer(&self) -> Result<Offer, CopyError> {
        self.read(Programme::offer)
    }

    fn bundle(&self, theirs: &Offer, scope: Scope, limit: Limit) -> Result<Bundle, CopyError> {
        self.read(|programme| programme.bundle(theirs, scope, limit))
    }

    fn accept(&mut self, now: jiff::Timestamp, bundle: &Bundle) -> Result<Accepted, CopyError> {
        // Called on a thread that may block.
        Ok(self.0.writer.blocking_lock().accept(now, bundle)?)
    }

    fn device_key(&self, device: Uuid) -> Result<Option<([u8; 32], Scope)>, CopyError> {
        let today = self.0.today();
        let key = self.read(|programme| programme.device_key(device, today))?;
        Ok(key.map(|(key, scope)| (key.0, scope)))
    }

    fn sign(&self, message: &[u8]) -> Result<[u8; 64], CopyError> {
        Ok(self.0.key.sign_message(message))
    }

    fn holder(&self, device: Uuid) -> Result<Option<String>, CopyError> {
        let today = self.0.today();
        self.read(|programme| programme.holder(device, today))
    }

    fn heard(&self, device: Uuid) {
        self.0.signin.heard(device);
    }
}
