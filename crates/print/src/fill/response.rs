//! The responses of a target, for the season report.

use earlywood_chain::ChainError;
use earlywood_chain::ground::GroundOptions;
use earlywood_chain::response::{Case, How, Whole, origin, whole};
use earlywood_chain::wording::ground_words;
use earlywood_geodata::Frame;
use earlywood_journal::Programme;
use earlywood_model::record::Position;
use jiff::civil::Date;

use crate::report::{Point, ResponsePart};

/// The responses to finds of a target that were open at some time up to a day, as known then.
///
/// # Errors
/// A programme that can't be read. What a response lacks is said in it.
pub(crate) fn responses(
    programme: &Programme,
    target: &str,
    on: Date,
    ground: GroundOptions,
    station: Option<&str>,
    frame: &Frame,
) -> Result<Vec<ResponsePart>, ChainError> {
    let mut parts = Vec::new();
    let zone = jiff::tz::TimeZone::system();
    for response in programme.responses()? {
        if response.target() != target || zone.to_datetime(response.opened.at).date() > on {
            continue;
        }
        let mut case = Case::of(programme, response.find(), on)?;
        case.station = station.map(str::to_owned);
        // The checklist as it stood at the end of the day.
        let end = on
            .tomorrow()
            .unwrap_or(on)
            .to_zoned_datetime(zone.clone())?
            .timestamp();
        let how = How {
            now: end,
            ground,
            origin: origin::Ask::default(),
        };
        let all = whole(programme, &case, how)?;
        let survey = response
            .delimiting
            .last()
            .map(|d| d.value.traps.iter().map(|t| t.position).collect());
        parts.push(part(&all, survey.unwrap_or_default(), frame));
    }
    Ok(parts)
}

fn part(all: &Whole, survey: Vec<Position>, frame: &Frame) -> ResponsePart {
    let at = |p: &Position| {
        let xy = frame.to_xy(*p);
        Point {
            x_m: xy.x_m,
            y_m: xy.y_m,
        }
    };
    let ring = |ring: &Vec<[f64; 2]>| {
        ring.iter()
            .map(|[lon, lat]| at(&Position { lat: *lat, lon: *lon }))
            .collect()
    };
    let mut parts = vec![("What was found".to_owned(), found(all))];
    let mut add = |heading: &str, words: Vec<String>| {
        if !words.is_empty() {
            parts.push((heading.to_owned(), words));
        }
    };
    add("Who was told", told(all));
    add("Where it came from", came_from(all));
    add("The delimiting survey", survey_words(all));
    add("The regulated area", area_words(all));
    add("When it ends", clock_words(all));
    add("Pest status, proposed", status_words(all));
    add(
        "Not worked out",
        all.lacking
            .iter()
            .map(|l| format!("{}: {}", l.part, l.why))
            .collect(),
    );
    ResponsePart {
        title: format!("The response to find {} ({})", all.find, all.state),
        caution: "Confidential: exact places, and what nobody outside may have been told yet. All of it is proposed; people with \
                  standing decide, and the law of the place holds."
            .into(),
        in_short: in_short(all),
        parts,
        cells: all
            .origin
            .iter()
            .flat_map(|o| &o.cells)
            .map(|c| (c.corners.iter().map(at).collect(), c.in50))
            .collect(),
        area: all
            .area
            .iter()
            .flat_map(|a| a.geometry.coordinates.iter().flatten())
            .map(ring)
            .collect(),
        survey: survey.iter().map(at).collect(),
        finds: all.finds.iter().filter_map(|f| f.position.as_ref()).map(at).collect(),
    }
}

fn in_short(all: &Whole) -> Option<String> {
    let origin = all.origin.as_ref().map(|o| {
        format!(
            "it came from within {} (50 %) or {} (95 %)",
            ground_words(o.region50.hectares),
            ground_words(o.region95.hectares)
        )
    });
    let area = all
        .area
        .as_ref()
        .map(|a| format!("{:.2} km2 regulated (version {})", a.km2, a.version));
    let survey = all
        .delimiting
        .as_ref()
        .map(|d| format!("a delimiting survey with {} traps and {} looks", d.traps, d.looks));
    let clock = all.clock.as_ref().map(|c| {
        let end = match (c.done_on, c.forecast) {
            (Some(day), _) => format!(", run out on {day}"),
            (None, Some(f)) => format!(", until about {}", f.median),
            (None, None) => String::new(),
        };
        format!("release clock at {:.2} of {} {}{end}", c.passed, c.needed, c.term)
    });
    let known: Vec<String> = [origin, area, survey, clock].into_iter().flatten().collect();
    (!known.is_empty()).then(|| known.join("; "))
}

fn found(all: &Whole) -> Vec<String> {
    let insects: u32 = all.finds.iter().map(|f| f.count).sum();
    let (Some(first), Some(last)) = (all.finds.first(), all.finds.last()) else {
        return vec!["No find of this response stands confirmed.".into()];
    };
    let mut words = vec![format!(
        "{insects} insects in {} confirmed finds, taken from {} to {}.",
        all.finds.len(),
        first.taken,
        last.taken
    )];
    if let Some(proposed) = &all.proposed {
        words.extend(
            proposed
                .met
                .iter()
                .map(|m| format!("The protocol's rule {} sets off: {}.", m.rule, m.sets_off)),
        );
    }
    words
}

fn told(all: &Whole) -> Vec<String> {
    let Some(list) = &all.checklist else {
        return Vec::new();
    };
    let done = list.steps.iter().filter(|s| s.done.is_some()).count();
    if list.steps.is_empty() {
        return Vec::new();
    }
    let open: Vec<&str> = list
        .steps
        .iter()
        .filter(|s| s.done.is_none())
        .map(|s| s.who.as_str())
        .collect();
    let late: Vec<&str> = list
        .steps
        .iter()
        .filter(|s| {
            use earlywood_chain::response::steps::Standing::{DoneLate, Late};
            matches!(s.standing, DoneLate | Late)
        })
        .map(|s| s.who.as_str())
        .collect();
    let mut words = vec![format!(
        "{done} of {} steps of the protocol's chain are done.",
        list.steps.len()
    )];
    if !open.is_empty() {
        words.push(format!("Not told yet: {}.", open.join(", ")));
    }
    if !late.is_empty() {
        words.push(format!("After their time: {}.", late.join(", ")));
    }
    words
}

fn came_from(all: &Whole) -> Vec<String> {
    let Some(o) = &all.origin else { return Vec::new() };
    let mut words = vec![format!(
        "By {} insects in {} traps, and by the silence of {} more about them: half the probability lies within {} ({} host trees), \
         95 % within {} ({} trees).",
        o.insects,
        o.with_catch,
        o.traps - o.with_catch,
        ground_words(o.region50.hectares),
        o.region50.trees,
        ground_words(o.region95.hectares),
        o.region95.trees
    )];
    let first: Vec<String> = o
        .search
        .iter()
        .take(5)
        .map(|t| format!("{} ({:.1} %)", t.host, 100.0 * t.probability))
        .collect();
    words.push(format!("Search first: {}.", first.join(", ")));
    if o.clusters.len() > 1 {
        words.push(format!(
            "{} origins explain the catches better than one.",
            o.clusters.len()
        ));
    }
    words
}

fn survey_words(all: &Whole) -> Vec<String> {
    let one = |d: &earlywood_chain::response::DelimitingView| {
        format!(
            "From {}: {} traps ({} hang), {} units to look at, {:.0} hours ({}). Reason: {}",
            d.from, d.traps, d.hanging, d.looks, d.hours, d.method, d.reason
        )
    };
    all.delimiting.iter().map(one).collect()
}

fn area_words(all: &Whole) -> Vec<String> {
    let Some(a) = &all.area else { return Vec::new() };
    let mut words = vec![format!(
        "Version {} of {}: {:.2} km2 from {} ({}). {}",
        a.version, a.versions, a.km2, a.from, a.authority, a.reason
    )];
    // The boundary's own words tell the steps of an area that the rule drew.
    words.extend(a.steps.iter().filter(|s| !a.text.contains(s.as_str())).cloned());
    words.extend(a.text.lines().filter(|l| !l.trim().is_empty()).map(str::to_owned));
    words
}

fn clock_words(all: &Whole) -> Vec<String> {
    let Some(c) = &all.clock else { return Vec::new() };
    let mut words = vec![format!(
        "{:.2} of {} {} have passed since the last find of {}: {} days with effort held, {} without, which do not count.",
        c.passed, c.needed, c.term, c.last_find, c.held_days, c.lost_days
    )];
    words.push(match (c.done_on, c.forecast) {
        (Some(day), _) => format!("It ran out on {day}; whether to release is for the authority."),
        (None, Some(f)) if f.years == 0 => format!(
            "It runs out on {} if effort holds and nothing is found.",
            f.median
        ),
        (None, Some(f)) => format!(
            "It runs out about {} ({} to {} by {} past years' weather) if effort holds and nothing is found.",
            f.median, f.earliest, f.latest, f.years
        ),
        (None, None) => "When it runs out can't be foretold.".into(),
    });
    if let Some(s) = &c.silence {
        words.push(format!(
            "In {:.0} effective trap-days since, the design incursion would have gone unseen with probability {:.3}.",
            s.trap_days, s.none_poisson
        ));
    }
    words
}

fn status_words(all: &Whole) -> Vec<String> {
    let mut words = vec![format!(
        "{}: {}.",
        all.status.words,
        all.status.evidence.join("; ")
    )];
    words.push(all.status.caution.clone());
    words.extend(
        all.status
            .statement
            .iter()
            .map(|s| format!("The authority's own words: {s}")),
    );
    words
}
