//! Figures in English words, the same wherever they are told.

use earlywood_model::assurance::{Band, Component, ComponentKind, ZoneAssurance};

/// A median with its band.
pub fn band(b: Band) -> String {
    format!("{} ({}–{})", share(b.median), share(b.p05), share(b.p95))
}

/// A probability in words: never rounded to certainty.
pub fn share(p: f64) -> String {
    match p {
        p if p > 0.0 && p < 0.001 => "below 0.001".into(),
        p if p < 1.0 && p > 0.999 => "above 0.999".into(),
        p if !(0.01..=0.99).contains(&p) => format!("{p:.3}"),
        p => format!("{p:.2}"),
    }
}

/// What a kind of evidence consists of: "18 trees (12 looks from the ground, 6 branch samples)".
pub fn component_units(c: &Component) -> String {
    let units = match c.kind {
        ComponentKind::Traps => format!("{} traps", c.units),
        ComponentKind::Inspections => format!("{} trees", c.units),
        ComponentKind::DetectionTrees => format!("{} detection trees", c.units),
        ComponentKind::Hotline => format!("{} days of silence", c.units),
    };
    if c.methods.is_empty() {
        return units;
    }
    let mut looks: Vec<String> = c
        .methods
        .iter()
        .map(|m| format!("{} {}", m.looks, m.method.words()))
        .collect();
    if c.beside_traps > 0 {
        looks.push(format!(
            "{} of them beside a trap in the same week",
            c.beside_traps
        ));
    }
    format!("{units} ({})", looks.join(", "))
}

/// A kind of evidence with what it consists of.
pub fn component_words(c: &Component) -> String {
    format!("{}: {}", c.kind.words(), component_units(c))
}

/// The sentence a lead can say aloud.
pub fn sentence(zone: &ZoneAssurance, common_name: &str, flyers: f64) -> String {
    let name = common_name.to_lowercase();
    let seen = zone.periods.last().map(|p| p.sensitivity);
    let seen = seen.map_or_else(|| "unknown".to_string(), band);
    match zone.found_on {
        Some(day) => format!(
            "{}: {name} was found on {day} and confirmed. Up to then the work would have seen the design incursion ({flyers} flyers) with probability {seen}.",
            zone.zone
        ),
        None => {
            let free = zone.periods.last().and_then(|p| p.p_free);
            let free = free.map_or_else(|| "unknown".to_string(), band);
            format!(
                "{}: if the {name} had been here at the design size ({flyers} flyers), we'd have seen it by now with probability {seen}. Probability that it is absent: {free}.",
                zone.zone
            )
        }
    }
}

/// The unit in which an area of so many square metres reads well, and what one square metre is in it: hectares, and square
/// metres where hectares would round to next to nothing.
pub fn ground_unit(m2: f64) -> (f64, &'static str) {
    if m2 < 1_000.0 { (1.0, "m2") } else { (1e-4, "ha") }
}

/// An area of so many hectares in words, in the unit that reads well.
pub fn ground_words(hectares: f64) -> String {
    match ground_unit(10_000.0 * hectares) {
        (_, unit @ "m2") => format!("{:.0} {unit}", 10_000.0 * hectares),
        (_, unit) => format!("{hectares:.1} {unit}"),
    }
}
