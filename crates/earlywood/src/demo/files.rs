//! The season's traps and visits as the CSV files a field office would hand over.

use std::path::Path;

use anyhow::{Context as _, Result};
use earlywood_model::record::{Looked, Placement, Renewed, TrapFound, Visit, VisitKind};
use jiff::civil::Date;
use serde::Serialize;

#[derive(Serialize)]
struct TrapRow<'a> {
    trap: &'a str,
    place: &'a str,
    lat: f64,
    lon: f64,
    targets: String,
    hung: Date,
    taken_down: Option<Date>,
}

#[derive(Serialize)]
struct VisitRow<'a> {
    trap: &'a str,
    date: Date,
    kind: VisitKind,
    found: TrapFound,
    looked: Looked,
    /// Empty: did not look. 0: looked, none.
    suspects: Option<u32>,
    renewed: String,
    lure_lot: Option<&'a str>,
    crew: Option<&'a str>,
    exception: Option<&'a str>,
}

/// Writes placements as `traps.csv` is read.
///
/// # Errors
/// A file that can't be written; the message names it.
pub(crate) fn write_traps(path: &Path, placements: &[Placement]) -> Result<()> {
    write_csv(
        path,
        placements.iter().map(|p| TrapRow {
            trap: &p.trap,
            place: &p.place,
            lat: p.position.lat,
            lon: p.position.lon,
            targets: p.targets.join(" "),
            hung: p.hung,
            taken_down: p.taken_down,
        }),
    )
}

/// Writes visits as `visits.csv` is read.
///
/// # Errors
/// A file that can't be written; the message names it.
pub(crate) fn write_visits(path: &Path, visits: &[Visit]) -> Result<()> {
    write_csv(
        path,
        visits.iter().map(|v| VisitRow {
            trap: &v.trap,
            date: v.date,
            kind: v.kind,
            found: v.found,
            looked: v.looked,
            suspects: v.suspects,
            renewed: renewed_words(v.renewed),
            lure_lot: v.lure_lot.as_deref(),
            crew: v.crew.as_deref(),
            exception: v.exception.as_deref(),
        }),
    )
}

fn renewed_words(r: Renewed) -> String {
    let parts = [
        (r.lure, "lure"),
        (r.insert, "insert"),
        (r.killing_agent, "killing-agent"),
        (r.body, "body"),
    ];
    let words: Vec<&str> = parts
        .iter()
        .filter(|(made, _)| *made)
        .map(|(_, word)| *word)
        .collect();
    if words.is_empty() {
        "none".to_owned()
    } else {
        words.join(" ")
    }
}

/// Writes rows with a header taken from their fields.
pub(super) fn write_csv<T: Serialize>(path: &Path, rows: impl Iterator<Item = T>) -> Result<()> {
    let name = || format!("could not write {}", path.display());
    let mut out = csv::Writer::from_path(path).with_context(name)?;
    for row in rows {
        out.serialize(row).with_context(name)?;
    }
    out.flush().with_context(name)
}

#[cfg(test)]
mod tests {
    use earlywood_geodata::{Context, Loadable, read_file};
    use earlywood_model::record::{
        Access, Host, Land, Pathway, Place, Position, Road, Shift, WeatherDay, Zone,
    };
    use jiff::civil::date;

    use super::super::{days, district, season};
    use super::*;

    fn load<T: Loadable>(path: &Path) -> Vec<T> {
        let today = date(2026, 1, 15);
        let loaded = read_file::<T>(path, &Context::new(today), &mut |_, _| {});
        assert!(
            loaded.is_clean() && loaded.unknown_columns.is_empty(),
            "{}",
            loaded.listing()
        );
        loaded.good
    }

    #[test]
    fn the_loader_takes_every_file_of_the_demo_without_a_complaint() {
        let dir = tempfile::tempdir().unwrap();
        let d = district::invent(1);
        let files = d.write_files(dir.path()).unwrap();
        assert_eq!(load::<Host>(&files.hosts), d.hosts);
        assert_eq!(load::<Pathway>(&files.pathways), d.pathways);
        assert_eq!(load::<WeatherDay>(&files.weather), d.weather);
        assert_eq!(load::<Zone>(&files.zones).len(), 3);
        assert_eq!(load::<Land>(&files.land).len(), d.land.len());
        assert_eq!(load::<Shift>(&files.crews), d.crews);
        let roads = load::<Road>(&files.roads);
        assert_eq!(roads.len(), d.roads.len());
        for (read, drawn) in roads.iter().zip(&d.roads) {
            // The loader numbers the corners in its own way, so the numbers are those of the drawing.
            let nodes = drawn.nodes.clone();
            assert_eq!(
                &Road {
                    nodes,
                    ..read.clone()
                },
                drawn
            );
        }
        let places: Vec<Place> = (d.hosts.iter().step_by(500).enumerate())
            .map(|(k, host)| Place {
                label: format!("P-{k}"),
                position: host.position,
                cost: 1.0,
                kept: false,
                forbidden: false,
            })
            .collect();
        let access = days::access(&places, &d, 1);
        let path = dir.path().join("access.csv");
        days::write_access(&path, &access).unwrap();
        assert_eq!(load::<Access>(&path), access);
    }

    #[test]
    fn the_loader_takes_the_seasons_traps_and_visits() {
        let placements: Vec<Placement> = (0..60)
            .map(|k| Placement {
                trap: format!("T{k:03}"),
                place: String::new(),
                position: Position {
                    lat: 40.19 + 0.0005 * f64::from(k),
                    lon: -93.6,
                },
                targets: district::TARGETS.map(str::to_owned).to_vec(),
                hung: date(2025, 5, 1),
                taken_down: None,
            })
            .collect();
        let calendar = season::Calendar {
            hang: date(2025, 5, 1),
            take_down: date(2025, 9, 15),
            service_days: 14,
            lure_changes: vec![date(2025, 7, 1)],
            insert_days: Some(28),
            killing_agent: true,
        };
        let work = season::work_season(
            &placements,
            &calendar,
            &season::Failings::ORDINARY,
            &["crew A", "crew B"],
            2,
        );
        let worked = season::as_worked(&placements, &work);
        let dir = tempfile::tempdir().unwrap();
        let (traps, visits) = (dir.path().join("traps.csv"), dir.path().join("visits.csv"));
        write_traps(&traps, &worked).unwrap();
        write_visits(&visits, &work.visits).unwrap();
        assert_eq!(load::<Placement>(&traps).len(), worked.len());
        assert_eq!(load::<Visit>(&visits), work.visits);
    }
}
