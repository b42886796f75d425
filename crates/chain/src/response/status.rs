//! The category of pest status (ISPM 8, 2021) that the evidence would support: proposed with that evidence, never declared.
//!
//! Only a national plant protection organization determines status. What an authority has said stands beside it, word for
//! word.

use earlywood_journal::body::ResponseEnd;
use earlywood_model::trigger::Stage;
use serde::Serialize;

use super::case::Case;

/// The eleven categories of ISPM 8 (2021), as EPPO Reporting Service 2021/098 prints them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Category {
    /// Widely distributed.
    WidelyDistributed,
    /// Not widely distributed, no official control.
    NotUnderControl,
    /// Not widely distributed, under official control.
    UnderControl,
    /// At low prevalence.
    LowPrevalence,
    /// Except in specified pest free areas.
    ExceptFreeAreas,
    /// Transient.
    Transient,
    /// Not recorded.
    NotRecorded,
    /// The entire country is pest free.
    CountryFree,
    /// Records invalid.
    RecordsInvalid,
    /// No longer present.
    NoLongerPresent,
    /// Eradicated.
    Eradicated,
}

impl Category {
    /// All of them.
    pub const ALL: [Category; 11] = [
        Category::WidelyDistributed,
        Category::NotUnderControl,
        Category::UnderControl,
        Category::LowPrevalence,
        Category::ExceptFreeAreas,
        Category::Transient,
        Category::NotRecorded,
        Category::CountryFree,
        Category::RecordsInvalid,
        Category::NoLongerPresent,
        Category::Eradicated,
    ];

    /// The standard's words.
    pub fn words(self) -> &'static str {
        match self {
            Category::WidelyDistributed => "Present: widely distributed",
            Category::NotUnderControl => "Present: not widely distributed and not under official control",
            Category::UnderControl => "Present: not widely distributed and under official control",
            Category::LowPrevalence => "Present: at low prevalence",
            Category::ExceptFreeAreas => "Present: except in specified pest free areas",
            Category::Transient => "Present: transient",
            Category::NotRecorded => "Absent: pest not recorded",
            Category::CountryFree => "Absent: the entire country is pest free",
            Category::RecordsInvalid => "Absent: pest records invalid",
            Category::NoLongerPresent => "Absent: pest no longer present",
            Category::Eradicated => "Absent: pest eradicated",
        }
    }
}

/// How well the record is founded, on the standard's four axes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reliability {
    /// Who identified it, by id.
    pub identified_by: String,
    /// By what technique.
    pub technique: String,
    /// How well place and date are documented.
    pub place_and_date: String,
    /// Where it was published.
    pub published: String,
}

/// What is proposed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Status {
    /// The category.
    pub category: Category,
    /// In the standard's words.
    pub words: String,
    /// Always shown with it.
    pub caution: String,
    /// The evidence.
    pub evidence: Vec<String>,
    /// How well the record is founded.
    pub reliability: Option<Reliability>,
    /// What the authority has said, word for word, as it stands in the latest report that quotes it.
    pub statement: Option<String>,
}

const CAUTION: &str = "Proposed from this programme's evidence, for its ground alone. Only the national plant protection \
                       organization determines and declares pest status.";

/// The category that the evidence of a case would support.
pub fn status(case: &Case) -> Status {
    let (category, evidence) = weigh(case);
    let statement = case.response.as_ref().and_then(|r| {
        let said = r.reports.iter().rev();
        said.filter_map(|report| report.value.statement.clone()).next()
    });
    Status {
        category,
        words: category.words().to_owned(),
        caution: CAUTION.to_owned(),
        evidence,
        reliability: reliability(case),
        statement,
    }
}

fn weigh(case: &Case) -> (Category, Vec<String>) {
    let mut evidence = Vec::new();
    let end = case
        .response
        .as_ref()
        .and_then(|r| r.closed.as_ref())
        .map(|c| &c.value);
    if let Some(end) = end {
        evidence.push(format!(
            "the response ended on {} ({}): {}",
            end.date,
            end.end.word(),
            end.reason
        ));
    }
    let finds = &case.finds;
    if finds.is_empty() {
        evidence.push("no find of this response stands confirmed".into());
        return (Category::RecordsInvalid, evidence);
    }
    let insects: u32 = finds.iter().map(|f| f.count).sum();
    let (first, last) = (finds[0].taken, finds[finds.len() - 1].taken);
    evidence.push(format!(
        "{insects} insects in {} confirmed finds, {first} to {last}",
        finds.len()
    ));
    if end.is_some_and(|e| e.end == ResponseEnd::Released) {
        return (Category::Eradicated, evidence);
    }
    let area = case.response.as_ref().and_then(|r| r.area_on(case.on));
    if let Some(area) = area {
        evidence.push(format!(
            "a regulated area of {:.2} km2 holds since {} (version {}, {})",
            area.value.km2, area.value.from, area.value.version, area.value.authority
        ));
    }
    let immature = finds.iter().filter(|f| f.stage == Some(Stage::Immature)).count();
    let in_trees = finds.iter().filter(|f| f.tree.is_some()).count();
    let traps = {
        let mut traps: Vec<&str> = finds.iter().filter_map(|f| f.trap.as_deref()).collect();
        traps.sort_unstable();
        traps.dedup();
        traps.len()
    };
    for (count, what) in [(immature, "immature stages"), (in_trees, "taken from trees")] {
        if count > 0 {
            evidence.push(format!("{count} finds are {what}: it reproduces here"));
        }
    }
    let years = last.year() - first.year();
    if years > 0 {
        evidence.push(format!("found over {} calendar years", years + 1));
    }
    let lives_here = immature > 0 || in_trees > 0 || years > 0 || traps > 1;
    if traps > 1 {
        evidence.push(format!("caught in {traps} traps"));
    }
    if !lives_here {
        evidence.push("caught in one trap and one season: nothing shows yet that it lives here".into());
        return (Category::Transient, evidence);
    }
    if end.is_some_and(|e| e.end == ResponseEnd::GivenUp) || area.is_none() {
        if area.is_none() {
            evidence.push("no regulated area is in force".into());
        }
        return (Category::NotUnderControl, evidence);
    }
    (Category::UnderControl, evidence)
}

fn reliability(case: &Case) -> Option<Reliability> {
    let find = case.opening().or(case.finds.first())?;
    Some(Reliability {
        identified_by: find.by.clone(),
        technique: find.method.clone().unwrap_or_else(|| "not recorded".into()),
        place_and_date: match find.position {
            Some(_) => format!(
                "position and day ({}) recorded in the journal, signed by the device",
                find.taken
            ),
            None => format!("day ({}) recorded, no position", find.taken),
        },
        published: "not by this programme".into(),
    })
}

#[cfg(test)]
mod tests {
    use super::Category;

    #[test]
    fn the_categories_are_the_standards_eleven() {
        let words: Vec<&str> = Category::ALL.iter().map(|c| c.words()).collect();
        assert_eq!(words.iter().filter(|w| w.starts_with("Present: ")).count(), 6);
        assert_eq!(words.iter().filter(|w| w.starts_with("Absent: ")).count(), 5);
        let mut once = words.clone();
        once.sort_unstable();
        once.dedup();
        assert_eq!(once.len(), 11);
    }
}
