//! Positions against each other and against the programme's area: swapped columns and points that are nowhere near.

use earlywood_model::record::{Area, Position};

use super::{Batch, Context, Record};
use crate::area::AreaIndex;
use crate::geodesy::geodesic_m;

/// Farther than this from the middle of all others a point belongs to no county, metres.
const FAR_M: f64 = 500_000.0;
/// Fewer points than this don't say where the middle is.
const FEW: usize = 5;

/// A box of latitude and longitude.
#[derive(Debug, Clone, Copy)]
pub(super) struct Box2 {
    south: f64,
    north: f64,
    west: f64,
    east: f64,
}

impl Box2 {
    fn holds(&self, p: Position) -> bool {
        (self.south..=self.north).contains(&p.lat) && (self.west..=self.east).contains(&p.lon)
    }

    pub(super) fn of_area(area: &Area) -> Option<Box2> {
        area.0
            .iter()
            .flatten()
            .flatten()
            .fold(None, |all: Option<Box2>, &[lon, lat]| {
                let b = all.unwrap_or(Box2 {
                    south: lat,
                    north: lat,
                    west: lon,
                    east: lon,
                });
                Some(Box2 {
                    south: b.south.min(lat),
                    north: b.north.max(lat),
                    west: b.west.min(lon),
                    east: b.east.max(lon),
                })
            })
    }

    pub(super) fn meets(&self, other: &Box2) -> bool {
        self.south <= other.north
            && other.south <= self.north
            && self.west <= other.east
            && other.west <= self.east
    }

    pub(super) fn swapped(&self) -> Box2 {
        Box2 {
            south: self.west,
            north: self.east,
            west: self.south,
            east: self.north,
        }
    }

    /// The programme's area: the zones' bounding box and a margin.
    pub(super) fn of_programme(context: &Context<'_>, extra_m: f64) -> Option<Box2> {
        let (low, high) = AreaIndex::new(context.zones.iter().map(|z| &z.area)).bounds()?;
        // One degree of latitude is never less than 110 574 m (WGS 84, at the equator).
        let lat = (context.margin_m + extra_m) / 110_574.0;
        let widest = low.lat.abs().max(high.lat.abs()).min(89.0);
        let lon = lat / widest.to_radians().cos();
        Some(Box2 {
            south: low.lat - lat,
            north: high.lat + lat,
            west: low.lon - lon,
            east: high.lon + lon,
        })
    }
}

fn swapped(p: Position) -> Position {
    Position {
        lat: p.lon,
        lon: p.lat,
    }
}

pub(super) fn check<T: Record>(batch: &mut Batch<T>, context: &Context<'_>) {
    let at: Vec<Option<Position>> = batch.good.iter().map(Record::position).collect();
    let known: Vec<Position> = at.iter().flatten().copied().collect();
    if known.is_empty() {
        return;
    }
    let programme = Box2::of_programme(context, T::EXTRA_MARGIN_M);
    let judge: Box<dyn Fn(Position) -> Option<(&'static str, bool)>> = match (&programme, Middle::of(&known))
    {
        (Some(area), _) => Box::new(|p| {
            (!area.holds(p)).then(|| {
                (
                    "the position lies outside the programme's area (its zones and a margin)",
                    area.holds(swapped(p)),
                )
            })
        }),
        (None, Some(middle)) => Box::new(move |p| middle.stray(p)),
        (None, None) => return,
    };
    let mut bad = Vec::new();
    let mut turned = 0;
    for (i, p) in at.iter().enumerate() {
        let Some(p) = *p else { continue };
        let Some((rule, swap_helps)) = judge(p) else {
            continue;
        };
        turned += usize::from(swap_helps);
        let remedy = if swap_helps {
            "latitude and longitude look swapped: exchange the two"
        } else {
            "check the position, or load the zones that it belongs to"
        };
        bad.push((i, p, rule, remedy));
    }
    if turned == known.len() && turned > 1 {
        batch.notes.push(
            "every position would fit with latitude and longitude exchanged: are the two headings swapped?"
                .into(),
        );
    }
    for (i, p, rule, remedy) in &bad {
        let value = format!("{}, {}", p.lat, p.lon);
        batch.blame(*i, "lat", &value, rule, remedy);
    }
    let gone: Vec<usize> = bad.iter().map(|b| b.0).collect();
    batch.remove(&gone);
    note_outside_zones(batch, context);
}

fn note_outside_zones<T: Record>(batch: &mut Batch<T>, context: &Context<'_>) {
    // Where pathways have room outside, lying outside is nothing to tell.
    if context.zones.is_empty() || T::EXTRA_MARGIN_M > 0.0 {
        return;
    }
    let index = AreaIndex::new(context.zones.iter().map(|z| &z.area));
    let outside = batch
        .good
        .iter()
        .filter_map(Record::position)
        .filter(|&p| !index.contains(p))
        .count();
    if outside > 0 {
        batch.notes.push(format!(
            "{outside} {} lie outside every zone, but near; no zone's figures count them",
            T::WHAT
        ));
    }
}

/// Where most of a file's points are, by their medians: a few wild ones can't move it.
#[derive(Debug, Clone, Copy)]
struct Middle {
    centre: Position,
    reach: (f64, f64),
}

impl Middle {
    fn of(known: &[Position]) -> Option<Middle> {
        if known.len() < FEW {
            return None;
        }
        let spread = |mut values: Vec<f64>| {
            let last = values.len() - 1;
            let mut quantile = |share: f64| {
                let k = (share * last as f64).round() as usize;
                *values.select_nth_unstable_by(k, f64::total_cmp).1
            };
            let (low, middle, high) = (quantile(0.25), quantile(0.5), quantile(0.75));
            // Four times the middle half takes in any county's rim; never less than a degree.
            (middle, (4.0 * (high - low)).max(1.0))
        };
        let (lat, lat_reach) = spread(known.iter().map(|p| p.lat).collect());
        let (lon, lon_reach) = spread(known.iter().map(|p| p.lon).collect());
        Some(Middle {
            centre: Position { lat, lon },
            reach: (lat_reach, lon_reach),
        })
    }

    fn near(&self, p: Position) -> bool {
        (p.lat - self.centre.lat).abs() <= self.reach.0 && (p.lon - self.centre.lon).abs() <= self.reach.1
    }

    fn stray(&self, p: Position) -> Option<(&'static str, bool)> {
        if self.near(p) {
            return None;
        }
        let turned = swapped(p);
        if turned.lat.abs() <= 90.0 && self.near(turned) {
            return Some(("the position lies far from all the others in the file", true));
        }
        (geodesic_m(p, self.centre) > FAR_M).then_some((
            "the position lies more than 500 km from the middle of the file",
            false,
        ))
    }
}
