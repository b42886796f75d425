//! `earlywood ask`: questions to the record.

use anyhow::{Result, bail};
use clap::{Args, Subcommand};
use earlywood_journal::{Limit, Limits, Near, Programme};
use earlywood_model::record::Position;
use jiff::civil::Date;

use super::record::{AnyActor, Desk};
use crate::FileArg;
use crate::out::Form;

#[derive(Args)]
pub(crate) struct AskArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    /// When were we last here?
    Last {
        /// A place.
        #[arg(long, conflicts_with = "at", required_unless_present = "at")]
        place: Option<String>,
        /// A point, LAT,LON in degrees.
        #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
        at: Option<String>,
        /// Within this many metres of the point.
        #[arg(long, value_name = "M", requires = "at", value_parser = crate::number::positive)]
        within: Option<f64>,
        /// Not before this day.
        #[arg(long)]
        since: Option<Date>,
    },
    /// Which traps wait for a visit, worst first?
    Overdue {
        /// As of this day; today when left out.
        #[arg(long)]
        on: Option<Date>,
        #[command(flatten)]
        limits: LimitArgs,
    },
    /// The figures of a month, or of any days.
    Month {
        /// First day.
        #[arg(long)]
        from: Date,
        /// Last day.
        #[arg(long)]
        to: Date,
        #[command(flatten)]
        limits: LimitArgs,
    },
}

/// After how many days something is due: from a target's profile, or as given.
#[derive(Args)]
struct LimitArgs {
    /// Take the days from this target's profile; the only adopted one when left out.
    #[arg(long)]
    target: Option<String>,
    /// Days between looks, WARN,FAIL; takes the place of the profile's.
    #[arg(long, value_name = "WARN,FAIL", value_parser = limit)]
    look_days: Option<Limit>,
    /// Days of a lure, WARN,FAIL; takes the place of the profile's.
    #[arg(long, value_name = "WARN,FAIL", value_parser = limit)]
    lure_days: Option<Limit>,
}

pub(crate) fn limit(text: &str) -> Result<Limit, String> {
    let parts = text.split_once(',').and_then(|(warn, fail)| {
        Some(Limit {
            warn_days: warn.trim().parse().ok()?,
            fail_days: fail.trim().parse().ok()?,
        })
    });
    parts
        .filter(|limit| limit.warn_days <= limit.fail_days)
        .ok_or_else(|| {
            format!("{text:?}: write two whole numbers of days, the first not above the second, as in 14,21")
        })
}

impl LimitArgs {
    fn limits(&self, programme: &Programme) -> Result<Limits> {
        let profiles = programme.profiles()?;
        let mut limits = match (&self.target, profiles.as_slice()) {
            (Some(id), _) => earlywood_chain::due::limits(&earlywood_chain::target(programme, id)?),
            (None, [only]) => earlywood_chain::due::limits(&only.profile),
            (None, _) => Limits::default(),
        };
        limits.look = self.look_days.or(limits.look);
        limits.lure = self.lure_days.or(limits.lure);
        if limits == Limits::default() {
            bail!(
                "say after how many days a trap is due: --target T takes them from its profile, or --look-days WARN,FAIL"
            );
        }
        Ok(limits)
    }
}

fn near(place: Option<String>, at: Option<&str>, within: Option<f64>) -> Result<Near> {
    if let Some(place) = place {
        return Ok(Near::Place(place));
    }
    let point = at.and_then(|at| at.split_once(','));
    let (Some((lat, lon)), Some(radius_m)) = (point, within) else {
        bail!("write the point as --at LAT,LON and how near as --within M (metres)");
    };
    let number = |text| crate::number::finite(text).map_err(anyhow::Error::msg);
    Ok(Near::Point {
        position: Position::new(number(lat)?, number(lon)?)?,
        radius_m,
    })
}

pub(crate) fn run(args: AskArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    let programme = desk.read()?;
    match args.what {
        What::Last {
            place,
            at,
            within,
            since,
        } => {
            let passed = programme.last_on(&near(place, at.as_deref(), within)?, since)?;
            desk.list(
                "passed",
                &passed,
                "We were never here, as far as the record tells.",
            )
        }
        What::Overdue { on, limits } => {
            let limits = limits.limits(&programme)?;
            let due = programme.overdue(on.unwrap_or_else(super::today), &limits)?;
            desk.list("traps", &due, "No trap hangs.")
        }
        What::Month { from, to, limits } => {
            let limits = limits.limits(&programme)?;
            desk.show(&programme.month(from, to, &limits)?, "nothing")
        }
    }
}
