//! What follows the find of the hidden incursion: the response, step by step, through the code of `earlywood response`.
//!
//! The steps stand in the journal at invented times after the confirmation. Each rests on what was known on its day alone, so
//! the area is drawn anew, and the pest report issued anew, when further finds are confirmed.

use anyhow::Result;
use earlywood_chain::ground::{Ground, GroundOptions};
use earlywood_chain::response::delimit::{Wanted, delimiting};
use earlywood_chain::response::report::{self, Given, Issue};
use earlywood_chain::response::{Case, Find, How, area, confirmed, origin, steps, trigger, whole};
use earlywood_journal::{Act, Body, Draft, Programme};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};

use super::district::{SEASON_YEAR, TARGETS};
use crate::command::response::adoption;

/// The order under which an area of the demo holds; invented.
const AUTHORITY: &str = "the invented district's plant health office, order 1";
/// To whom its pest report goes; invented.
const REPORT_TO: &str = "the invented state's plant protection office";
/// What somebody wrote as the danger: the program never fills that.
const DANGER: &str = "Invented for the demonstration: the target is not known from the district, and its hosts stand in every \
                      street.";
/// Minutes from the confirmation to the opening.
const OPENED_AFTER_MIN: i64 = 5;
/// Share of its time that each notice takes, and minutes more for each place in the chain; all in time, and in order.
const OF_NOTICE_TIME: f64 = 0.5;
const A_PLACE_MIN: i64 = 5;
/// Hours from a confirmation to the area, the survey and the report that follow it.
const AREA_AFTER_H: i64 = 20;
const SURVEY_AFTER_H: i64 = 22;
const REPORT_AFTER_H: i64 = 30;
/// An area that a later find adds less than this to stays as it is, km2.
const WORTH_DRAWING_KM2: f64 = 0.01;

/// Adopts the protocols that come with the program, before the season: what follows a find is decided beforehand.
pub(crate) fn adopt(programme: &mut Programme, act: &Act) -> Result<()> {
    for target in TARGETS {
        // A protocol is of a target that the programme has taken.
        let profile = earlywood_chain::target(programme, target)?;
        programme.adopt_target(act, &profile.to_toml()?)?;
        let (_, body) = adoption(target)?;
        let draft = Draft {
            event_time: Some(format!("{SEASON_YEAR}-01-02T10:00:00Z")),
            body: Body::ProtocolAdopted(body),
        };
        programme.append(act, draft)?;
    }
    Ok(())
}

/// Answers the first confirmed find of each target that has one. Gives the finds that were answered.
pub(crate) fn respond(
    programme: &mut Programme,
    act: &Act,
    options: GroundOptions,
    seed: u64,
) -> Result<Vec<String>> {
    let all = confirmed(programme, Date::MAX)?;
    let mut answered = Vec::new();
    for target in TARGETS {
        let of_target = || all.iter().filter(|f| f.target == target);
        let Some(first) = of_target().min_by_key(|f| (f.confirmed, &f.label)) else {
            continue;
        };
        let last = of_target().map(|f| f.confirmed).max().unwrap_or(first.confirmed);
        let mut response = Response {
            programme,
            act,
            first,
            options,
            seed,
        };
        response.begin()?;
        response.survey()?;
        if last > first.confirmed {
            response.drawn_anew(last)?;
        }
        answered.push(first.label.clone());
    }
    Ok(answered)
}

struct Response<'a> {
    programme: &'a mut Programme,
    act: &'a Act,
    first: &'a Find,
    options: GroundOptions,
    seed: u64,
}

impl Response<'_> {
    /// The case as it was known at an instant.
    fn case(&self, at: Timestamp) -> Result<Case> {
        Ok(Case::of(self.programme, &self.first.label, day(at))?)
    }

    fn record(&mut self, at: Timestamp, body: Body) -> Result<()> {
        let draft = Draft {
            event_time: Some(at.to_string()),
            body,
        };
        self.programme.append(self.act, draft)?;
        Ok(())
    }

    /// Opening, notices, the first area, the first pest report.
    fn begin(&mut self) -> Result<()> {
        let confirmed = self.first.confirmed;
        let opened = confirmed.checked_add(OPENED_AFTER_MIN.minutes())?;
        let body = trigger::opening(
            self.programme,
            &self.case(opened)?,
            "confirmed by the laboratory (invented)",
        )?;
        self.record(opened, Body::ResponseOpened(body))?;
        self.notices()?;
        self.draw(confirmed.checked_add(AREA_AFTER_H.hours())?)?;
        Ok(())
    }

    fn notices(&mut self) -> Result<()> {
        let case = self.case(self.first.confirmed)?;
        let chain: Vec<(String, f64, u32)> = case
            .protocol()?
            .chain()
            .iter()
            .map(|step| (step.id.clone(), step.hours.central(), step.order))
            .collect();
        for (id, hours, order) in chain {
            let minutes = (OF_NOTICE_TIME * 60.0 * hours).round() as i64 + A_PLACE_MIN * i64::from(order);
            let at = self.first.confirmed.checked_add(minutes.minutes())?;
            steps::take(self.programme, self.act, &case, &id, Some(at.to_string()), None)?;
        }
        Ok(())
    }

    /// The next version of the area, unless it would add next to nothing. Says whether it was drawn.
    fn draw(&mut self, at: Timestamp) -> Result<bool> {
        let case = self.case(at)?;
        let made = area::of_case(self.programme, &case)?;
        if made.added.to_version.is_some() && made.added.km2 < WORTH_DRAWING_KM2 {
            return Ok(false);
        }
        let from = day(at).tomorrow()?;
        let Some(body) = made.entry(&case.find, from, None, AUTHORITY, None) else {
            return Ok(false);
        };
        self.record(at, Body::AreaDrawn(body))?;
        Ok(true)
    }

    /// The optimised delimiting survey, and the first pest report with it.
    fn survey(&mut self) -> Result<()> {
        let at = self.first.confirmed.checked_add(SURVEY_AFTER_H.hours())?;
        let case = self.case(at)?;
        let how = How {
            now: at,
            ground: self.options,
            origin: origin::Ask {
                seed: self.seed,
                ..origin::Ask::default()
            },
        };
        let all = whole(self.programme, &case, how)?;
        let ground = Ground::of(self.programme, case.profile.clone(), self.options)?;
        let wanted = Wanted {
            seed: self.seed,
            ..Wanted::default()
        };
        let made = delimiting(self.programme, &case, &ground, all.origin.as_ref(), &wanted)?;
        let method = if made.optimised.is_some() {
            "optimised"
        } else {
            "rings"
        };
        let body = made.adopted(
            method,
            (day(at).tomorrow()?, None),
            &wanted,
            "to find the edge on all sides (invented)",
        )?;
        self.record(at, Body::DelimitingAdopted(body))?;
        self.report(self.first.confirmed)
    }

    /// The next version of the pest report, so long after a confirmation.
    fn report(&mut self, confirmed: Timestamp) -> Result<()> {
        let at = confirmed.checked_add(REPORT_AFTER_H.hours())?;
        let case = self.case(at)?;
        let given = Given::from([("danger".to_owned(), DANGER.to_owned())]);
        let draft = report::draft(self.programme, &case, &given)?;
        let how = Issue {
            to: REPORT_TO.to_owned(),
            ..Issue::default()
        };
        let body = report::entry(&case, draft, how, day(at))?;
        self.record(at, Body::PestReportIssued(body))
    }

    /// Further finds: the area reaches round them, and the report says so.
    fn drawn_anew(&mut self, confirmed: Timestamp) -> Result<()> {
        self.draw(confirmed.checked_add(AREA_AFTER_H.hours())?)?;
        self.report(confirmed)
    }
}

fn day(at: Timestamp) -> Date {
    TimeZone::system().to_datetime(at).date()
}
