//! What several tests begin with: a programme in a folder of its own, and the entries that most of them need.

#![allow(clippy::unwrap_used)]

use earlywood_journal::body::{Material, Method, Origin};
use earlywood_journal::{
    Act, AuthorityGranted, Body, Determination, Programme, ProtocolAdopted, ResponseOpened, SpecimenTaken,
    Status, TargetAdopted,
};
use earlywood_model::profile;
use earlywood_model::record::{
    Host, HostCondition, Looked, Placement, Position, Renewed, TrapFound, Visit, VisitKind, WeatherDay,
};
use jiff::civil::{Date, date};
use tempfile::TempDir;
use uuid::Uuid;

/// The target of the tests of responses.
pub(crate) const ASH_BORER: &str = "emerald-ash-borer";

/// An act of the lead, six hours behind UTC.
pub(crate) fn lead(at: &str) -> Act {
    Act::new("lead", format!("{at}-06:00[-06:00]").parse().unwrap()).unwrap()
}

/// A new programme, and its folder, which goes when it is dropped.
pub(crate) fn created(act: &Act) -> (TempDir, Programme) {
    let dir = tempfile::tempdir().unwrap();
    let programme = Programme::create(&dir.path().join("a.earlywood"), "Invented ground", act).unwrap();
    (dir, programme)
}

/// The entry that takes up a target whose profile ships; `None` where none of that id does.
pub(crate) fn target(id: &str) -> Option<Body> {
    let named = format!("id = \"{id}\"");
    let toml = profile::SHIPPED_TOML.into_iter().find(|t| t.contains(&named))?;
    Some(Body::TargetAdopted(TargetAdopted {
        id: id.into(),
        toml: toml.into(),
    }))
}

/// Takes up the ash borer; the lead may confirm it.
pub(crate) fn look_for_ash_borer(programme: &mut Programme, act: &Act) {
    let authority = AuthorityGranted {
        person: "lead".into(),
        taxa: vec!["*".into()],
        up_to: Status::Confirmed,
        life_stages: vec![],
        from: date(2024, 1, 1),
        to: None,
        granted_by: "letter 1".into(),
        note: None,
    };
    for body in [target(ASH_BORER).unwrap(), Body::AuthorityGranted(authority)] {
        programme.append(act, body).unwrap();
    }
}

/// Takes a protocol for the ash borer.
pub(crate) fn adopt_protocol(programme: &mut Programme, act: &Act, toml: &str) -> Uuid {
    let body = Body::ProtocolAdopted(ProtocolAdopted {
        target: ASH_BORER.into(),
        toml: toml.into(),
    });
    programme.append(act, body).unwrap().id
}

/// A healthy ash.
pub(crate) fn ash(label: String, position: Position) -> Host {
    Host {
        label,
        position,
        species: "Fraxinus".into(),
        dbh_cm: Some(30.0),
        condition: HostCondition::Healthy,
    }
}

/// A trap that hangs at a place from a day on.
pub(crate) fn hung(trap: &str, place: &str, position: Position, target: &str, hung: Date) -> Placement {
    Placement {
        trap: trap.into(),
        place: place.into(),
        position,
        targets: vec![target.into()],
        hung,
        taken_down: None,
    }
}

/// A service at a working trap that was looked at in full.
pub(crate) fn service(trap: &str, date: Date, suspects: u32, renewed: Renewed) -> Visit {
    Visit {
        trap: trap.into(),
        date,
        kind: VisitKind::Service,
        found: TrapFound::Working,
        looked: Looked::Fully,
        suspects: Some(suspects),
        renewed,
        lure_lot: None,
        crew: None,
        exception: None,
    }
}

/// Every day's weather from one to another; `of` tells a day's lowest and highest temperature.
pub(crate) fn weather(
    station: &str,
    from: Date,
    to: Date,
    of: impl Fn(Date) -> (f64, f64),
) -> Vec<WeatherDay> {
    from.series(jiff::Span::new().days(1))
        .take_while(|day| *day <= to)
        .map(|date| {
            let (tmin_c, tmax_c) = of(date);
            WeatherDay {
                station: station.into(),
                date,
                tmin_c,
                tmax_c,
            }
        })
        .collect()
}

/// So many insects, taken from a trap on a day.
pub(crate) fn taken(specimen: &str, trap: &str, date: Date, count: u32) -> Body {
    Body::SpecimenTaken(SpecimenTaken {
        specimen: specimen.into(),
        what: Material::Insect,
        from: Origin::Trap {
            trap: trap.into(),
            date,
        },
        count: Some(count),
        container: None,
        kept_in: None,
        suspected: None,
        note: None,
        photos: vec![],
    })
}

/// What the lead says of a specimen: an ash borer, so surely.
pub(crate) fn said(specimen: &str, status: Status, stage: Option<&str>) -> Body {
    let mut said = Determination::of_specimen(specimen, ASH_BORER, status, "lead", Method::Morphology);
    said.life_stage = stage.map(str::to_owned);
    said.mark_checked = true;
    Body::Determination(said)
}

/// The response to a find begins, under the protocol of an entry.
pub(crate) fn opened(find: &str, protocol: Uuid) -> Body {
    Body::ResponseOpened(ResponseOpened {
        find: find.into(),
        target: ASH_BORER.into(),
        protocol,
        set_off: vec![],
        reason: "one beetle".into(),
    })
}
