//! The crews' safety sheet: prompts, not law, with their sources, and lines for what the programme must fill in.

use serde::Serialize;

use crate::PrintError;
use crate::engine::{self, Made, Template};
use crate::stock::Paper;

/// A hazard, what to think of, and where it is from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Prompt {
    /// The hazard.
    pub hazard: &'static str,
    /// What to think of.
    pub words: &'static str,
    /// Source, or "common practice, no source".
    pub source: &'static str,
}

const PRACTICE: &str = "common practice, no source";

/// What every crew sheet says.
pub const PROMPTS: [Prompt; 10] = [
    Prompt {
        hazard: "Overhead lines",
        words: "Look up before a pole or ladder goes up. People, poles and ladders stay at least 10 ft (3.05 m) from lines of \
                up to 50 kV, and 4 in (10 cm) more for every 10 kV above. Not sure of the voltage or the distance: no trap here.",
        source: "29 CFR 1910.333(c)(3)(i)",
    },
    Prompt {
        hazard: "Dead and infested trees",
        words: "Dry wood snaps without a warning. Never climb a tree with signs. In wind, keep out from under it.",
        source: "New Jersey worker alert on ash; Ohio State University, Buckeye Yard and Garden Line 1216",
    },
    Prompt {
        hazard: "Ladders and poles",
        words: "Three points of contact, a second person below, eyes protected. A long pole is a hazard at lines and to people.",
        source: PRACTICE,
    },
    Prompt {
        hazard: "Glue, blades, lures",
        words: "Gloves. Cut away from the hand. Keep glue and lures off skin and eyes; killing strips as their label says.",
        source: PRACTICE,
    },
    Prompt {
        hazard: "Roads",
        words: "Park off the roadway, wear high-visibility clothing, no stops on bridges or bends.",
        source: PRACTICE,
    },
    Prompt {
        hazard: "Heat",
        words: "Water, rest, shade. New and returning people begin with shorter days. Confused or no longer sweating: call for help.",
        source: "water, rest, acclimatisation: NIOSH 2013-143; signs: from memory",
    },
    Prompt {
        hazard: "Ticks, stings, poison ivy",
        words: "Long light clothing, repellent, a look over the body every day. Who is allergic carries the kit and says so.",
        source: PRACTICE,
    },
    Prompt {
        hazard: "Dogs and people",
        words: "Knock, wait, say who you are. Leave when you are asked to, or when you do not feel safe: a visit can be made up for.",
        source: PRACTICE,
    },
    Prompt {
        hazard: "Working alone",
        words: "Two people to a crew. Check in at the times above; the office looks for a crew that does not.",
        source: PRACTICE,
    },
    Prompt {
        hazard: "Wood and samples",
        words: "No infested wood off the site untreated. In a regulated area, moving host material may need a certificate or permit.",
        source: "7 CFR 301.51-4 (for one pest; others have rules of their own)",
    },
];

/// A safety sheet. What is none is a line to write on.
#[derive(Debug, Clone, PartialEq)]
pub struct CrewSafety {
    /// Size of the paper.
    pub paper: Paper,
    /// The programme's name.
    pub programme: String,
    /// When the data are invented: the statement that says so.
    pub invented: Option<String>,
    /// The crew.
    pub crew: Option<String>,
    /// Local emergency number.
    pub emergency: Option<String>,
    /// The supervisor's number.
    pub supervisor: Option<String>,
    /// Nearest hospital.
    pub hospital: Option<String>,
    /// Electricity company's emergency number.
    pub power: Option<String>,
    /// Check-in times, as they are to be printed; empty: four lines.
    pub check_ins: Vec<String>,
    /// The programme's own prompts.
    pub own: Vec<String>,
    /// Date of the document.
    pub made: Made,
}

#[derive(Serialize)]
struct Doc<'a> {
    paper: &'static str,
    programme: &'a str,
    invented: Option<&'a str>,
    printed: String,
    crew: Option<&'a str>,
    lines: [(&'static str, Option<&'a str>); 4],
    check_ins: Vec<Option<&'a str>>,
    prompts: &'static [Prompt],
    own: &'a [String],
}

/// The PDF of a safety sheet.
///
/// # Errors
/// None that data can bring about.
pub fn sheet(input: &CrewSafety) -> Result<Vec<u8>, PrintError> {
    let mut check_ins: Vec<Option<&str>> = input.check_ins.iter().map(|time| Some(time.as_str())).collect();
    if check_ins.is_empty() {
        check_ins = vec![None; 4];
    }
    let doc = Doc {
        paper: input.paper.name(),
        programme: &input.programme,
        invented: input.invented.as_deref(),
        printed: input.made.date().to_string(),
        crew: input.crew.as_deref(),
        lines: [
            ("Emergency number here", input.emergency.as_deref()),
            ("Supervisor", input.supervisor.as_deref()),
            ("Nearest hospital", input.hospital.as_deref()),
            ("Electricity company, emergencies", input.power.as_deref()),
        ],
        check_ins,
        prompts: &PROMPTS,
        own: &input.own,
    };
    engine::pdf(Template::SAFETY, &doc, input.made)
}
