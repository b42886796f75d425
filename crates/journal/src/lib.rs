//! The append-only record of everything that happened, and the programme file that holds it.
//!
//! A programme file is one SQLite database. Its truth is the table of *entries*: each is numbered without gaps on
//! the device that wrote it, names the hash of that device's previous entry, and is never edited. Everything else
//! that can be read here (placements, visits, hosts, ...) is a *projection*: computed from the entries in the same
//! transaction that appends them, and rebuildable from them alone. Bulk data (hosts, weather, land) stand in
//! content-addressed chunks which their entry names by hash, so that the chain covers every row.
//!
//! The layout, the hashed byte encoding and the chunk format are written down in this crate's `FORMAT.md`.
//!
//! ```
//! use earlywood_journal::{Act, LoadMode, Programme};
//! use earlywood_model::record::{Host, HostCondition, Position};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! # let dir = tempfile::tempdir()?;
//! # let path = dir.path().join("district.earlywood");
//! let act = Act::new("lead", "2026-05-01T09:30:00-07:00[-07:00]".parse()?)?;
//! let mut programme = Programme::create(&path, "Alder Reach", &act)?;
//! let host = Host {
//!     label: "T-1".into(),
//!     species: "Fraxinus pennsylvanica".into(),
//!     position: Position::new(44.0, -121.0)?,
//!     dbh_cm: Some(30.0),
//!     condition: HostCondition::Healthy,
//! };
//! programme.load_hosts(&act, "trees.csv", LoadMode::Add, &[host])?;
//! assert_eq!(programme.hosts()?.len(), 1);
//! assert!(programme.verify()?.is_sound());
//! # Ok(())
//! # }
//! ```

mod ask;
pub mod body;
mod canonical;
mod chunk;
mod entry;
mod error;
mod exchange;
mod field;
mod hash;
mod key;
mod lists;
mod load;
pub mod machine;
mod page;
mod people;
mod programme;
mod project;
mod read;
mod response;
mod rules;
mod schema;
mod share;
mod store;
pub mod sync;
mod trust;
mod verify;

pub use ask::{
    Carried, Clock, ClockAge, Count, Custody, Due, Hold, Level, Limit, Limits, LotMonth, LotMove, LotTrace,
    LotVisit, Month, Near, OpenOffer, Opinion, Part, Passed, PassedBy, Pending, Planted, Recovery,
    SpecimenMonth, Standing, StopMonth, TargetMonth, TrapMonth, TrayItem, TreeMonth, Urgency, Whereabouts,
};
pub use body::{
    AreaDrawn, AreaLifted, AuthorityGranted, Body, Change, ConflictSettled, Correction, CrewFormed, Decision,
    DelimitingAdopted, DelimitingSpot, DetectionTreePeeled, Determination, Determined, DeviceEnrolled,
    DeviceWithdrawn, HoldDeclared, HoldLifted, LeftOut, LoadMode, Loaded, MultiPolygon, Other,
    PersonEnrolled, PersonErased, PestReportIssued, Photo, Plan, PlannedRound, PlannedStop, Planting,
    PlantingClosed, ProgrammeSetUp, ProtocolAdopted, PublicKey, ReportItem, ResponseClosed, ResponseEnd,
    ResponseOpened, ResponseStepDone, Role, RoundsAdopted, ScreeningMade, Sealed, SpecimenEnded,
    SpecimenTaken, SpecimensAccepted, SpecimensDeclined, SpecimensOffered, Status, Subject, Supply, TakeDown,
    TargetAdopted, TipClosed, TipEnd, TipReceived, TrapCameBack, TrapRegistered, TrapWrittenOff,
    TreeInspected, VisitMade, What,
};
pub use canonical::canonical_json;
pub use chunk::ChunkRef;
pub use entry::{Act, Draft, Entry, Receipt};
pub use error::{Error, Refusal};
pub use exchange::Request;
pub use hash::Hash;
pub use key::DeviceKey;
pub use lists::KnownConflict;
pub use load::Bulk;
pub use page::{PageFilter, Paged};
pub use people::{KnownDevice, Person, Personal};
pub use programme::Programme;
pub use project::lots::Stock;
pub use read::{Adopted, Counts, FindRow, Hanging, LogFilter, OpenSpecimen, Recorded, Station};
pub use response::{AdoptedProtocol, Noted, Response};
pub use schema::{APPLICATION_ID, LAYOUT};
pub use share::{Copied, copy_journal};
#[cfg(feature = "postgres")]
pub use store::PostgresStore;
pub use store::{Log, SqliteStore, Store, Writing};
pub use verify::{Bad, Fault, Head, Unknown, Verification, verify_log};
