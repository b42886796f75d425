//! Who holds a suspect, and what is said of it: from the crew to an identifier to a laboratory, every step an entry.

use anyhow::Result;
use earlywood_journal::body::{Material, Method, Origin};
use earlywood_journal::{
    Act, AuthorityGranted, Body, CrewFormed, Determination, Draft, PersonEnrolled, Programme, Role,
    SpecimenTaken, SpecimensAccepted, SpecimensOffered, Status,
};
use jiff::civil::Date;

use super::district::SEASON_YEAR;
use super::season::Verdict;

/// Invented people, by id and role.
const INSPECTOR: &str = "inspector-1";
const IDENTIFIER: &str = "identifier-1";
const LABORATORY: &str = "laboratory-1";

/// Those who act, each with the rights of a role.
pub(crate) struct Staff {
    inspector: Act,
    identifier: Act,
    laboratory: Act,
}

/// Enrols the people of the season and says whose word goes how far.
pub(crate) fn enrol(programme: &mut Programme, lead: &Act, crews: &[&str]) -> Result<Staff> {
    let from = jiff::civil::date(SEASON_YEAR, 1, 1);
    for (person, role) in [
        (INSPECTOR, Role::Inspector),
        (IDENTIFIER, Role::Identifier),
        (LABORATORY, Role::Identifier),
    ] {
        programme.enrol_person(
            lead,
            PersonEnrolled {
                person: person.into(),
                roles: vec![role],
                from,
                to: None,
            },
        )?;
    }
    for crew in crews {
        let formed = CrewFormed {
            crew: (*crew).into(),
            people: vec![INSPECTOR.into()],
            from,
            to: None,
        };
        programme.append(lead, Body::CrewFormed(formed))?;
    }
    for (person, up_to) in [(IDENTIFIER, Status::Determined), (LABORATORY, Status::Confirmed)] {
        let authority = AuthorityGranted {
            person: person.into(),
            taxa: vec!["*".into()],
            up_to,
            life_stages: Vec::new(),
            from,
            to: None,
            granted_by: lead.person().into(),
            note: None,
        };
        programme.append(lead, Body::AuthorityGranted(authority))?;
    }
    let act = |person: &str| Act::new(person, lead.now().clone());
    Ok(Staff {
        inspector: act(INSPECTOR)?,
        identifier: act(IDENTIFIER)?,
        laboratory: act(LABORATORY)?,
    })
}

fn at(day: Date, time: &str, body: Body) -> Draft {
    Draft {
        event_time: Some(format!("{day}T{time}:00Z")),
        body,
    }
}

/// One suspect's way from the trap to its name.
pub(crate) fn name(
    programme: &mut Programme,
    staff: &Staff,
    target: &str,
    label: &str,
    verdict: &Verdict,
) -> Result<()> {
    let (taken, named) = (verdict.taken, verdict.determined);
    let specimen = SpecimenTaken {
        specimen: label.into(),
        what: Material::Insect,
        from: Origin::Trap {
            trap: verdict.trap.clone(),
            date: taken,
        },
        count: Some(verdict.confirmed + verdict.ruled_out),
        container: Some("vial".into()),
        kept_in: None,
        suspected: Some(target.into()),
        note: None,
        photos: Vec::new(),
    };
    programme.append(
        &staff.inspector,
        at(taken, "15:00", Body::SpecimenTaken(specimen)),
    )?;
    hand_over(
        programme,
        label,
        (&staff.inspector, &staff.identifier),
        taken,
        "17:00",
    )?;
    if verdict.confirmed == 0 {
        return say(
            programme,
            &staff.identifier,
            target,
            label,
            Status::RuledOut,
            named,
            "10:00",
        );
    }
    say(
        programme,
        &staff.identifier,
        target,
        label,
        Status::Determined,
        named,
        "10:00",
    )?;
    hand_over(
        programme,
        label,
        (&staff.identifier, &staff.laboratory),
        named,
        "11:00",
    )?;
    say(
        programme,
        &staff.laboratory,
        target,
        label,
        Status::Confirmed,
        named,
        "15:00",
    )
}

/// Offered by one, accepted by the other an hour's part later.
fn hand_over(
    programme: &mut Programme,
    specimen: &str,
    (from, to): (&Act, &Act),
    day: Date,
    time: &str,
) -> Result<()> {
    let handover = format!("{specimen} to {}", to.person());
    let offered = SpecimensOffered {
        handover: handover.clone(),
        specimens: vec![specimen.into()],
        from: from.person().into(),
        to: to.person().into(),
        place: None,
        seal: None,
        seal_intact: None,
        condition: None,
        purpose: "naming".into(),
        containers: 1,
    };
    programme.append(from, at(day, time, Body::SpecimensOffered(offered)))?;
    let accepted = SpecimensAccepted {
        handover,
        by: to.person().into(),
        containers: 1,
        seal_intact: None,
        condition: None,
    };
    let later = time.replace(":00", ":30");
    programme.append(to, at(day, &later, Body::SpecimensAccepted(accepted)))?;
    Ok(())
}

fn say(
    programme: &mut Programme,
    who: &Act,
    target: &str,
    specimen: &str,
    status: Status,
    day: Date,
    time: &str,
) -> Result<()> {
    let mut said = Determination::of_specimen(specimen, target, status, who.person(), Method::Morphology);
    said.mark_checked = true;
    programme.append(who, at(day, time, Body::Determination(said)))?;
    Ok(())
}
