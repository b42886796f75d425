//! What happens at the traps: they are registered, hung, visited, lost, found again; and what keeps crews away.

use earlywood_model::record::{Looked, Placement, Position, Renewed, TrapFound, Visit, VisitKind};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{
    Photo, Says, Subject, check_accuracy, check_each_label, check_moment, check_photos, check_range,
    check_span, check_words, check_year, refuse,
};
use crate::error::Refusal;
use crate::load::{check_day, check_label, check_position};

/// Stands as the reason for not looking where a record of version 1 gave none.
pub const NOT_TOLD: &str = "not told";

/// A trap was put on the books, before it ever hangs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TrapRegistered {
    /// The trap's label.
    pub trap: String,
    /// What device it is, in plain words ("prism", "multi-funnel").
    pub device: String,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// How a trap was lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Loss {
    /// Nobody knows where it is.
    Lost,
    /// Stolen.
    Stolen,
    /// Destroyed by weather, machines or animals.
    Destroyed,
    /// Destroyed by people.
    Vandalised,
    /// In another way; the note says how.
    Other,
}

/// A trap was written off.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TrapWrittenOff {
    /// The trap's label.
    pub trap: String,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// How it was lost.
    pub why: Loss,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A trap that was written off turned up again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TrapCameBack {
    /// The trap's label.
    pub trap: String,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A trap was taken down.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TakeDown {
    /// The trap's label.
    pub trap: String,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// Why, where there was a reason other than the end of the season.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// What was wrong with a trap that was there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Impairment {
    /// Twisted, or hanging askew.
    Twisted,
    /// Wet or flooded.
    Wet,
    /// The glue is dead or dusty.
    GlueDead,
    /// Full of by-catch.
    FullOfByCatch,
    /// Damaged by birds, squirrels or ants.
    AnimalDamage,
    /// Pulled apart by people.
    PulledApart,
    /// Melted or bleached by the sun.
    Melted,
    /// The lure is missing.
    LureMissing,
    /// The lure is dry.
    LureDry,
    /// A lid or panel is missing or torn.
    PartMissing,
    /// It hangs too high or too low.
    WrongHeight,
    /// Leaves block it.
    FoliageBlocking,
    /// The host was pruned, is dying or was removed.
    HostChanged,
    /// Somebody sprayed near it.
    SprayedNearby,
    /// Anything else; the note says what.
    Other,
}

/// Why something could not be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Exception {
    /// The trap is missing.
    TrapMissing,
    /// No way in: locked.
    Locked,
    /// No way in: not safe (dog, person, bees, slope, traffic, lines).
    Unsafe,
    /// No way in: the area is closed.
    ClosedArea,
    /// Nobody is home, and one must speak with them first.
    NobodyHome,
    /// Refused today.
    RefusedToday,
    /// Refused for good: the trap must go.
    RefusedForGood,
    /// The site changed (building work, the tree is gone).
    SiteChanged,
    /// The address is wrong.
    WrongAddress,
    /// A second trap hangs at the same place.
    DuplicateTrap,
    /// Damaged by people; a report was made.
    DamagedByPeople,
    /// Anything else; the note says what.
    Other,
}

impl Exception {
    /// It in plain words.
    pub fn words(self) -> &'static str {
        match self {
            Exception::TrapMissing => "trap missing",
            Exception::Locked => "no access: locked",
            Exception::Unsafe => "no access: unsafe",
            Exception::ClosedArea => "no access: closed area",
            Exception::NobodyHome => "nobody home, prior talk needed",
            Exception::RefusedToday => "refused today",
            Exception::RefusedForGood => "refused for good",
            Exception::SiteChanged => "site changed",
            Exception::WrongAddress => "wrong address",
            Exception::DuplicateTrap => "duplicate trap",
            Exception::DamagedByPeople => "damaged by people, report made",
            Exception::Other => "other",
        }
    }

    /// Whether it kept the crew from the trap.
    fn kept_away(self) -> bool {
        matches!(
            self,
            Exception::Locked
                | Exception::Unsafe
                | Exception::ClosedArea
                | Exception::NobodyHome
                | Exception::RefusedToday
                | Exception::WrongAddress
        )
    }
}

/// How it was made sure that this is the trap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Proof {
    /// Its tag was scanned.
    Scanned,
    /// Its number was read.
    Read,
    /// It was recognised.
    Recognised,
}

/// How much by-catch there was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum ByCatchLevel {
    /// Looked, none: after two services a sign that the trap is dead.
    None,
    /// Few.
    Few,
    /// Many.
    Many,
    /// So many that the trap is full.
    Full,
}

/// What else was in the trap.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ByCatch {
    /// How much.
    pub level: ByCatchLevel,
    /// Notable kinds, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// What a look at the catch showed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Catch {
    /// Suspects taken; 0 means "looked, none".
    pub suspects: u32,
    /// Labels of the specimens they were put up as; one vial may hold several suspects.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub specimens: Vec<String>,
    /// What else was in it; none: not recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by_catch: Option<ByCatch>,
}

/// Something was renewed.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Renewal {
    /// Lot of what was put in, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot: Option<String>,
}

/// What a visit renewed, each with its lot.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Renewals {
    /// The lure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lure: Option<Renewal>,
    /// The sticky insert.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub insert: Option<Renewal>,
    /// The killing agent or fluid.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub killing_agent: Option<Renewal>,
    /// The trap body.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub body: Option<Renewal>,
}

impl Renewals {
    fn parts(&self) -> impl Iterator<Item = &Renewal> {
        [&self.lure, &self.insert, &self.killing_agent, &self.body]
            .into_iter()
            .flatten()
    }

    /// Whether nothing was renewed.
    pub fn is_empty(&self) -> bool {
        self.parts().next().is_none()
    }

    /// Which of them, without lots.
    pub fn to_renewed(&self) -> Renewed {
        Renewed {
            lure: self.lure.is_some(),
            insert: self.insert.is_some(),
            killing_agent: self.killing_agent.is_some(),
            body: self.body.is_some(),
        }
    }
}

/// Where a trap was moved to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct MovedTo {
    /// Label of the place.
    pub place: String,
    /// Where it hangs now.
    pub position: Position,
}

/// What a visit achieved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// All that was due.
    Complete,
    /// Some of it.
    Partial,
    /// Nothing.
    Failed,
}

/// A notice that was left.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Notice {
    /// Its language, in plain words or as a code.
    pub language: String,
    /// Where it was left, in plain words ("front door").
    pub where_left: String,
}

/// What the resident said; never who it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Resident {
    /// Spoke with somebody; no objection.
    Spoke,
    /// Nobody home.
    NobodyHome,
    /// Refused today.
    RefusedToday,
    /// Refused for good.
    RefusedForGood,
    /// Wants to be called back.
    CallBack,
}

/// One stop at a trap.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct VisitMade {
    /// The trap's label.
    pub trap: String,
    /// The day, where the trap is.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// When the crew arrived: RFC 3339 with offset, on that day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<super::schemas::Moment>"))]
    pub arrive: Option<String>,
    /// When it left: RFC 3339 with offset, on that day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<super::schemas::Moment>"))]
    pub leave: Option<String>,
    /// The place where the crew looked for the trap, as their round told them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// What the stop was for.
    pub kind: VisitKind,
    /// Where it was moved to, for a move that was not in vain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moved_to: Option<MovedTo>,
    /// How it was made sure that this is the trap.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proved_by: Option<Proof>,
    /// Where the crew stood.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Radius in which that surely is, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position_accuracy_m: Option<f64>,
    /// How the trap was found.
    pub found: TrapFound,
    /// What was wrong with it, where it was there.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub impairments: Vec<Impairment>,
    /// Whether the catch was looked at. `no` is never an empty trap.
    pub looked: Looked,
    /// Why it was looked at in part or not at all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_looked_why: Option<String>,
    /// What the look showed; there exactly when there was a look.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub catch: Option<Catch>,
    /// Label of the insert or panel that was taken along to be screened, whether or not it was looked at here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub insert_taken: Option<String>,
    /// What was renewed.
    #[serde(default, skip_serializing_if = "Renewals::is_empty")]
    pub renewed: Renewals,
    /// Lot of the lure that was found hanging and left there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hanging_lot: Option<String>,
    /// What else was done, in plain words ("cleaned", "re-hung", "height changed").
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub adjusted: Vec<String>,
    /// What the visit achieved.
    pub outcome: Outcome,
    /// Why something could not be done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exception: Option<Exception>,
    /// More about it, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exception_note: Option<String>,
    /// Day of the next visit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
    pub next_due: Option<Date>,
    /// Notices that were left.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notices: Vec<Notice>,
    /// What the resident said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resident: Option<Resident>,
    /// Photos.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub photos: Vec<Photo>,
    /// Weather, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weather_note: Option<String>,
    /// Temperature of the air, degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Who made the stop (crew name or number).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// What the crew asks for, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub request: Option<String>,
    /// Anything else a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl VisitMade {
    /// The visit as the model counts it: whose effort it is and what it renewed.
    pub fn to_visit(&self) -> Visit {
        let renewed_lot = self.renewed.lure.as_ref().map(|lure| lure.lot.clone());
        Visit {
            trap: self.trap.clone(),
            date: self.date,
            kind: self.kind,
            found: self.found,
            looked: self.looked,
            suspects: self.catch.as_ref().map(|catch| catch.suspects),
            renewed: self.renewed.to_renewed(),
            lure_lot: renewed_lot.unwrap_or_else(|| self.hanging_lot.clone()),
            crew: self.crew.clone(),
            exception: self.exception_words(),
        }
    }

    fn exception_words(&self) -> Option<String> {
        match (self.exception, &self.exception_note) {
            (None | Some(Exception::Other), Some(note)) => Some(note.clone()),
            (Some(exception), Some(note)) => Some(format!("{}: {note}", exception.words())),
            (Some(exception), None) => Some(exception.words().to_owned()),
            (None, None) => None,
        }
    }

    /// The visit out of the model's record (a body of version 1, a row of a table). [`VisitMade::to_visit`] gives that very
    /// record back.
    ///
    /// What the record does not say is not made up: the reason for not looking becomes [`NOT_TOLD`], the words of an
    /// exception go with [`Exception::Other`], the lot of a lure that was not renewed becomes `hanging_lot`, and a move
    /// goes nowhere. Only `outcome` is inferred.
    pub fn from_visit(visit: &Visit) -> Self {
        let renewal = |renewed: bool| renewed.then(Renewal::default);
        let lure = visit.renewed.lure.then(|| Renewal {
            lot: visit.lure_lot.clone(),
        });
        let made = VisitMade {
            trap: visit.trap.clone(),
            date: visit.date,
            arrive: None,
            leave: None,
            place: None,
            kind: visit.kind,
            moved_to: None,
            proved_by: None,
            position: None,
            position_accuracy_m: None,
            found: visit.found,
            impairments: Vec::new(),
            looked: visit.looked,
            not_looked_why: None,
            catch: visit.suspects.map(|suspects| Catch {
                suspects,
                specimens: Vec::new(),
                by_catch: None,
            }),
            insert_taken: None,
            hanging_lot: if lure.is_none() {
                visit.lure_lot.clone()
            } else {
                None
            },
            renewed: Renewals {
                lure,
                insert: renewal(visit.renewed.insert),
                killing_agent: renewal(visit.renewed.killing_agent),
                body: renewal(visit.renewed.body),
            },
            adjusted: Vec::new(),
            outcome: inferred_outcome(visit),
            exception: visit.exception.as_ref().map(|_| Exception::Other),
            exception_note: visit.exception.clone(),
            next_due: None,
            notices: Vec::new(),
            resident: None,
            photos: Vec::new(),
            weather_note: None,
            temperature_c: None,
            crew: visit.crew.clone(),
            request: None,
            note: None,
        };
        VisitMade {
            not_looked_why: made.lacks_a_reason().then(|| NOT_TOLD.to_owned()),
            ..made
        }
    }

    /// Whether nothing tells why the catch was not looked at, or in part only.
    fn lacks_a_reason(&self) -> bool {
        let by_state = matches!(
            self.found,
            TrapFound::Down | TrapFound::Gone | TrapFound::NotReached
        );
        self.kind != VisitKind::Hang
            && self.looked != Looked::Fully
            && self.not_looked_why.is_none()
            && self.exception.is_none()
            && !by_state
    }

    /// A trap that is being hung was not there before: "gone" says nothing then.
    fn was_there(&self) -> bool {
        match self.found {
            TrapFound::NotReached => false,
            TrapFound::Gone => self.kind == VisitKind::Hang,
            TrapFound::Working | TrapFound::Impaired | TrapFound::Down => true,
        }
    }

    /// Checks that the parts of the record agree with each other. Days are checked against today by [`super::Body::check`].
    ///
    /// # Errors
    /// A catch without a look, a look without a catch, a look at a trap that was not there, a failed visit that did
    /// something, a move to nowhere, ...
    pub fn check(&self) -> Result<(), Refusal> {
        check_label("trap", &self.trap)?;
        self.crew.iter().try_for_each(|crew| check_label("crew", crew))?;
        if self.crew.as_ref().is_some_and(|crew| crew.contains('@')) {
            return refuse(
                "crew",
                format!("{:?}", self.crew),
                "no personal data in the journal; use the crew's id",
            );
        }
        self.check_times()?;
        self.check_found()?;
        self.check_look()?;
        self.check_work()?;
        self.check_move()?;
        self.check_outcome()?;
        self.check_exception()?;
        self.position.map_or(Ok(()), check_position)?;
        check_accuracy(self.position, self.position_accuracy_m)?;
        // Beyond what weather brings anywhere people hang traps: most likely degrees Fahrenheit.
        check_range(
            "temperature_c",
            self.temperature_c,
            -60.0,
            60.0,
            "degrees Celsius",
        )?;
        for notice in &self.notices {
            check_label("language", &notice.language)?;
            check_words("where_left", Some(&notice.where_left))?;
        }
        check_photos(&self.photos)?;
        check_words("weather_note", self.weather_note.as_deref())?;
        check_words("request", self.request.as_deref())?;
        check_words("note", self.note.as_deref())
    }

    fn check_times(&self) -> Result<(), Refusal> {
        let mut before = None;
        for (name, text) in [("arrive", &self.arrive), ("leave", &self.leave)] {
            let Some(text) = text else { continue };
            let (moment, day) = check_moment(name, text)?;
            if day != self.date {
                return refuse(
                    name,
                    text,
                    &format!("a time on the day of the visit, {}", self.date),
                );
            }
            if before.is_some_and(|before| moment < before) {
                return refuse(name, text, "not before the crew arrived");
            }
            before = Some(moment);
        }
        Ok(())
    }

    fn check_found(&self) -> Result<(), Refusal> {
        for (i, impairment) in self.impairments.iter().enumerate() {
            if self
                .impairments
                .iter()
                .skip(i + 1)
                .any(|other| other == impairment)
            {
                return refuse("impairments", format!("{impairment:?} twice"), "each once");
            }
        }
        if !self.impairments.is_empty() {
            match self.found {
                TrapFound::Impaired | TrapFound::Down => {}
                TrapFound::Working => {
                    return refuse(
                        "impairments",
                        "given",
                        "the trap was found working; say impaired, or leave them out",
                    );
                }
                TrapFound::Gone | TrapFound::NotReached => {
                    return refuse(
                        "impairments",
                        "given",
                        "the trap was gone or not reached; leave them out",
                    );
                }
            }
        }
        if self.impairments.contains(&Impairment::Other) && self.note.is_none() {
            return refuse("impairments", "other", "say in the note what was wrong");
        }
        if self.proved_by.is_some() && !self.was_there() {
            return refuse(
                "proved_by",
                "given",
                "the trap was gone or not reached; leave it out",
            );
        }
        Ok(())
    }

    fn check_look(&self) -> Result<(), Refusal> {
        check_words("not_looked_why", self.not_looked_why.as_deref())?;
        match (self.looked, &self.catch) {
            (Looked::No, Some(_)) => {
                let rule = "the catch was not looked at: leave it out, or say looked";
                return refuse("catch", "given", rule);
            }
            (Looked::Fully | Looked::Partly, None) => {
                let rule = "the catch was looked at: say 0 suspects for \"looked, none\"";
                return refuse("catch", "empty", rule);
            }
            (Looked::Fully | Looked::Partly, Some(_)) if !self.was_there() => {
                let rule = "the trap was gone or not reached, so its catch can't have been looked at";
                return refuse("looked", "given", rule);
            }
            _ => {}
        }
        if let (Looked::Fully, Some(why)) = (self.looked, &self.not_looked_why) {
            return refuse(
                "not_looked_why",
                format!("{why:?}"),
                "it was looked at fully; leave it out",
            );
        }
        if self.lacks_a_reason() {
            let rule = "say why the catch was not looked at, or in part only";
            return refuse("not_looked_why", "empty", rule);
        }
        let specimens = self.catch.as_ref().map_or(&[][..], |catch| &catch.specimens);
        check_each_label("specimens", specimens.iter().chain(&self.insert_taken))?;
        let Some(catch) = &self.catch else {
            return Ok(());
        };
        if specimens.len() as u64 > u64::from(catch.suspects) {
            return refuse(
                "specimens",
                specimens.len(),
                &format!("no more labels than the {} suspects taken", catch.suspects),
            );
        }
        check_words(
            "by_catch",
            catch
                .by_catch
                .as_ref()
                .and_then(|by_catch| by_catch.note.as_deref()),
        )
    }

    fn check_work(&self) -> Result<(), Refusal> {
        let lots = self.renewed.parts().filter_map(|part| part.lot.as_ref());
        lots.chain(&self.hanging_lot)
            .try_for_each(|lot| check_label("lot", lot))?;
        if self.hanging_lot.is_some() && self.renewed.lure.is_some() {
            return refuse(
                "hanging_lot",
                "given",
                "the lure was renewed; give the lot with it",
            );
        }
        self.adjusted
            .iter()
            .try_for_each(|words| check_words("adjusted", Some(words)))?;
        check_each_label("adjusted", &self.adjusted)?;
        if !self.was_there() {
            // A trap that was gone is renewed only by hanging a new body in its place.
            let replaced = self.found == TrapFound::Gone && self.renewed.body.is_some();
            if !self.renewed.is_empty() && !replaced {
                let rule = "the trap was gone or not reached; only a new body can bring it back";
                return refuse("renewed", "given", rule);
            }
            if self.insert_taken.is_some() {
                return refuse("insert_taken", "given", "the trap was gone or not reached");
            }
            if !self.adjusted.is_empty() && !replaced {
                return refuse("adjusted", "given", "the trap was gone or not reached");
            }
        }
        if self.kind == VisitKind::Hang && self.insert_taken.is_some() {
            return refuse(
                "insert_taken",
                "given",
                "a trap that is being hung has caught nothing yet",
            );
        }
        Ok(())
    }

    fn check_move(&self) -> Result<(), Refusal> {
        match (&self.moved_to, self.kind) {
            (Some(_), kind) if kind != VisitKind::Move => {
                refuse("moved_to", "given", "only a move has a place to go to")
            }
            (None, VisitKind::Move) if self.outcome != Outcome::Failed => refuse(
                "moved_to",
                "empty",
                "say where it was moved to, or that the move failed",
            ),
            (Some(_), _) if self.outcome == Outcome::Failed => {
                refuse("moved_to", "given", "the visit failed, so the trap was not moved")
            }
            (Some(_), _) if !self.was_there() => refuse(
                "moved_to",
                "given",
                "the trap was gone or not reached, so it can't have been moved",
            ),
            (Some(to), _) => {
                check_label("place", &to.place)?;
                check_position(to.position)
            }
            (None, _) => Ok(()),
        }
    }

    fn check_outcome(&self) -> Result<(), Refusal> {
        match self.outcome {
            Outcome::Failed => {
                let done = [
                    ("looked", self.looked != Looked::No),
                    ("renewed", !self.renewed.is_empty()),
                    ("insert_taken", self.insert_taken.is_some()),
                    ("adjusted", !self.adjusted.is_empty()),
                ];
                if let Some((name, _)) = done.into_iter().find(|(_, given)| *given) {
                    return refuse(
                        name,
                        "given",
                        "the visit failed, so nothing was done; say partial",
                    );
                }
            }
            _ if self.found == TrapFound::NotReached => {
                return refuse(
                    "outcome",
                    "not failed",
                    "the trap was not reached, so the visit failed",
                );
            }
            Outcome::Complete if self.found == TrapFound::Gone && self.kind != VisitKind::Hang => {
                return refuse("outcome", "complete", "the trap was gone; say partial or failed");
            }
            Outcome::Complete if self.looked != Looked::Fully && self.kind != VisitKind::Hang => {
                return refuse(
                    "outcome",
                    "complete",
                    "the catch was not looked at fully; say partial",
                );
            }
            Outcome::Complete | Outcome::Partial => {}
        }
        if self.next_due.is_some() && self.kind == VisitKind::TakeDown && self.outcome != Outcome::Failed {
            return refuse("next_due", "given", "a trap that was taken down is not due again");
        }
        Ok(())
    }

    fn check_exception(&self) -> Result<(), Refusal> {
        check_words("exception_note", self.exception_note.as_deref())?;
        let Some(exception) = self.exception else {
            return match &self.exception_note {
                Some(_) => refuse("exception_note", "given", "say which exception it is about"),
                None => Ok(()),
            };
        };
        if exception == Exception::Other && self.exception_note.is_none() {
            return refuse("exception_note", "empty", "say what the exception was");
        }
        if exception == Exception::TrapMissing && self.found != TrapFound::Gone {
            return refuse("exception", "trap-missing", "say that the trap was found gone");
        }
        if exception.kept_away() && self.looked == Looked::Fully {
            return refuse(
                "exception",
                exception.words(),
                "the catch was looked at fully all the same; leave it out",
            );
        }
        let said = match (exception, self.resident) {
            (Exception::NobodyHome, Some(resident)) => resident == Resident::NobodyHome,
            (Exception::RefusedToday, Some(resident)) => {
                matches!(resident, Resident::RefusedToday | Resident::CallBack)
            }
            (Exception::RefusedForGood, Some(resident)) => resident == Resident::RefusedForGood,
            _ => true,
        };
        if !said {
            return refuse(
                "resident",
                "given",
                &format!("it contradicts the exception ({})", exception.words()),
            );
        }
        Ok(())
    }
}

/// What a visit of version 1 achieved, as far as it can be told.
fn inferred_outcome(visit: &Visit) -> Outcome {
    let nothing_done = visit.looked == Looked::No && visit.renewed == Renewed::default();
    match (visit.kind, visit.found) {
        (_, TrapFound::NotReached) => Outcome::Failed,
        (VisitKind::Hang, _) if visit.exception.is_none() => Outcome::Complete,
        (VisitKind::Hang | VisitKind::TakeDown | VisitKind::Move, TrapFound::Gone) => Outcome::Partial,
        (VisitKind::Service, _) if nothing_done => Outcome::Failed,
        (_, TrapFound::Gone) => Outcome::Partial,
        _ if visit.looked == Looked::Fully && visit.exception.is_none() => Outcome::Complete,
        _ => Outcome::Partial,
    }
}

/// What keeps crews away.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Lightning.
    Lightning,
    /// Wind, where poles come near lines.
    Wind,
    /// Rain on open glue.
    Rain,
    /// Heat that makes people ill.
    Heat,
    /// Smoke or bad air.
    Smoke,
    /// Closed because of fire.
    FireClosure,
    /// Flood.
    Flood,
    /// Hunting season.
    Hunting,
    /// A pesticide was sprayed; entry is not allowed yet.
    PesticideReEntry,
    /// Police activity.
    Police,
    /// A holiday.
    Holiday,
    /// Anything else, in plain words.
    Other(String),
}

/// What a hold covers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum HoldScope {
    /// The whole programme.
    All,
    /// These zones.
    Zones(Vec<String>),
    /// These places.
    Places(Vec<String>),
    /// These traps.
    Traps(Vec<String>),
}

/// Crews are kept away: visits are excused, and still count as no effort.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct HoldDeclared {
    /// Label of the hold.
    pub hold: String,
    /// Why.
    pub cause: Cause,
    /// What it covers.
    pub scope: HoldScope,
    /// First day; may lie ahead.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub from: Date,
    /// Last day; none: until it is lifted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
    pub to: Option<Date>,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A hold is over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct HoldLifted {
    /// Label of the hold.
    pub hold: String,
    /// First day without it.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
}

fn only_trap(trap: &str) -> Vec<Subject> {
    vec![Subject::Trap(trap.to_owned())]
}

impl Says for Placement {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("trap", &self.trap)?;
        check_label("place", &self.place)?;
        check_position(self.position)?;
        if self.targets.is_empty() {
            return refuse("targets", "none", "at least one target the trap is baited for");
        }
        self.targets
            .iter()
            .try_for_each(|target| check_label("target", target))?;
        check_day("hung", self.hung, today)?;
        let Some(down) = self.taken_down else {
            return Ok(());
        };
        check_day("taken_down", down, today)?;
        if down < self.hung {
            return Err(Refusal::DatesReversed {
                earlier: "hung",
                earlier_date: self.hung,
                later: "taken_down",
                later_date: down,
            });
        }
        Ok(())
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![
            Subject::Trap(self.trap.clone()),
            Subject::Place(self.place.clone()),
        ]
    }
    fn day(&self) -> Option<Date> {
        Some(self.hung)
    }
}

impl Says for TakeDown {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("trap", &self.trap)?;
        check_day("date", self.date, today)
    }
    fn subjects(&self) -> Vec<Subject> {
        only_trap(&self.trap)
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}

impl Says for TrapRegistered {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("trap", &self.trap)?;
        check_label("device", &self.device)?;
        check_words("note", self.note.as_deref())
    }
    fn subjects(&self) -> Vec<Subject> {
        only_trap(&self.trap)
    }
}

impl Says for TrapWrittenOff {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("trap", &self.trap)?;
        check_day("date", self.date, today)?;
        if self.why == Loss::Other && self.note.is_none() {
            return refuse("note", "empty", "say how it was lost");
        }
        check_words("note", self.note.as_deref())
    }
    fn subjects(&self) -> Vec<Subject> {
        only_trap(&self.trap)
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}

impl Says for TrapCameBack {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("trap", &self.trap)?;
        check_day("date", self.date, today)?;
        check_words("note", self.note.as_deref())
    }
    fn subjects(&self) -> Vec<Subject> {
        only_trap(&self.trap)
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}

impl Says for VisitMade {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_day("date", self.date, today)?;
        if let Some(next) = self.next_due {
            check_year("next_due", next)?;
            if next < self.date {
                return refuse(
                    "next_due",
                    next,
                    &format!("not before the visit on {}", self.date),
                );
            }
        }
        self.check()
    }
    fn subjects(&self) -> Vec<Subject> {
        let specimens = self
            .catch
            .iter()
            .flat_map(|catch| &catch.specimens)
            .chain(&self.insert_taken);
        let lots = self
            .renewed
            .parts()
            .filter_map(|part| part.lot.as_ref())
            .chain(&self.hanging_lot);
        let mut subjects = only_trap(&self.trap);
        subjects.extend(self.moved_to.iter().map(|to| Subject::Place(to.place.clone())));
        subjects.extend(specimens.cloned().map(Subject::Specimen));
        subjects.extend(lots.cloned().map(Subject::Lot));
        subjects
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}

impl Says for HoldDeclared {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("hold", &self.hold)?;
        if let Cause::Other(words) = &self.cause {
            check_words("cause", Some(words))?;
        }
        match &self.scope {
            HoldScope::All => {}
            HoldScope::Zones(labels) | HoldScope::Places(labels) | HoldScope::Traps(labels) => {
                if labels.is_empty() {
                    return refuse("scope", "empty", "at least one label, or \"all\"");
                }
                check_each_label("scope", labels)?;
            }
        }
        check_span(self.from, self.to)?;
        check_words("note", self.note.as_deref())
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Hold(self.hold.clone())]
    }
}

impl Says for HoldLifted {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("hold", &self.hold)?;
        check_day("date", self.date, today)
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Hold(self.hold.clone())]
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}
