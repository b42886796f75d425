//! What the tests of a programme file share.
#![allow(dead_code, reason = "each test binary uses its own part")]

use std::path::{Path, PathBuf};

use earlywood_journal::{Act, Entry, LogFilter, Programme};
use earlywood_model::record::{
    Host, HostCondition, Looked, Place, Placement, Position, Renewed, TrapFound, Visit, VisitKind, WeatherDay,
};
use jiff::civil::Date;
use tempfile::TempDir;

/// The day the tests take place on.
pub const NOW: &str = "2026-11-20T12:00:00-08:00[-08:00]";

pub fn act() -> Act {
    Act::new("lead", NOW.parse().unwrap()).unwrap()
}

/// A day of the test year.
pub fn day(month: i8, day: i8) -> Date {
    jiff::civil::date(2026, month, day)
}

pub fn new_programme() -> (TempDir, PathBuf, Programme) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("test.earlywood");
    let programme = Programme::create(&path, "Alder Reach", &act()).unwrap();
    (dir, path, programme)
}

pub fn position() -> Position {
    Position::new(44.05, -121.3).unwrap()
}

pub fn host(label: &str) -> Host {
    Host {
        label: label.into(),
        species: "Fraxinus pennsylvanica".into(),
        position: position(),
        dbh_cm: Some(31.4),
        condition: HostCondition::Declining,
    }
}

pub fn hosts(range: std::ops::Range<usize>) -> Vec<Host> {
    range.map(|i| host(&format!("T-{i}"))).collect()
}

pub fn place(label: &str) -> Place {
    Place {
        label: label.into(),
        position: position(),
        cost: 1.0,
        kept: false,
        forbidden: false,
    }
}

pub fn weather(station: &str, date: Date) -> WeatherDay {
    WeatherDay {
        station: station.into(),
        date,
        tmin_c: 4.1,
        tmax_c: 17.25,
    }
}

pub fn placement(trap: &str, hung: Date, taken_down: Option<Date>) -> Placement {
    Placement {
        trap: trap.into(),
        place: format!("place of {trap}"),
        position: position(),
        targets: vec!["emerald-ash-borer".into()],
        hung,
        taken_down,
    }
}

pub fn visit(trap: &str, date: Date) -> Visit {
    Visit {
        trap: trap.into(),
        date,
        kind: VisitKind::Service,
        found: TrapFound::Working,
        looked: Looked::Fully,
        suspects: Some(0),
        renewed: Renewed::default(),
        lure_lot: None,
        crew: None,
        exception: None,
    }
}

pub fn take_down_visit(trap: &str, date: Date) -> Visit {
    Visit {
        kind: VisitKind::TakeDown,
        ..visit(trap, date)
    }
}

pub fn profile_toml() -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../targets/emerald-ash-borer.toml");
    std::fs::read_to_string(file).unwrap()
}

pub fn whole_log(programme: &Programme) -> Vec<Entry> {
    programme.log(&LogFilter::default()).unwrap()
}

/// Everything that the readers show, as text.
pub fn everything(p: &Programme) -> Result<String, earlywood_journal::Error> {
    Ok(format!(
        "{:?}",
        (
            (p.name()?, p.id()?, p.device(), p.counts()?),
            (
                p.hosts()?,
                p.pathways()?,
                p.land()?,
                p.zones()?,
                p.weather(None)?,
                p.stations()?,
                p.places()?,
                (
                    p.roads()?,
                    p.shifts()?,
                    p.access()?,
                    p.rounds_adopted()?,
                    p.responses()?
                )
            ),
            (
                p.recorded_placements()?,
                p.recorded_visits()?,
                p.determinations()?,
                p.plans()?,
                p.profiles()?
            ),
            p.log(&LogFilter::default())?,
        )
    ))
}

/// A file with something of most kinds in it.
pub fn furnish(p: &mut Programme) {
    use earlywood_journal::{Change, Correction, Determination, LoadMode, Status};
    let act = act();
    p.load_hosts(&act, "trees.csv", LoadMode::Add, &hosts(0..300))
        .unwrap();
    p.load_places(&act, "places.csv", LoadMode::Add, &[place("P-1"), place("P-2")])
        .unwrap();
    let days: Vec<_> = (1..=28).map(|d| weather("Alder", day(2, d))).collect();
    p.load_weather(&act, "weather.csv", LoadMode::Add, &days).unwrap();
    p.record_placements(
        &act,
        &[placement("A", day(4, 1), None), placement("B", day(4, 2), None)],
    )
    .unwrap();
    let made: Vec<_> = (1..=20)
        .map(|d| visit(if d % 2 == 0 { "A" } else { "B" }, day(5, d)))
        .collect();
    let receipts = p.record_visits(&act, &made).unwrap();
    let changed = Visit {
        suspects: Some(2),
        ..made[3].clone()
    };
    for (i, change) in [(3, Change::Visit { visit: changed }), (4, Change::Withdraw)] {
        let correction = Correction {
            corrects: receipts[i].id,
            reason: "wrong row".into(),
            change,
        };
        p.correct(&act, correction).unwrap();
    }
    let determination = Determination::of_trap(
        "A",
        day(5, 4),
        "emerald-ash-borer",
        Status::Suspect,
        "identifier-1",
    );
    p.determine(&act, determination).unwrap();
    p.record_visits(&act, &[take_down_visit("A", day(10, 1))])
        .unwrap();
}
