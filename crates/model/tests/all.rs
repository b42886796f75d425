//! The formulas against check values, properties and simulation.
//!
//! One program for all of them: linking costs more than compiling.

mod assurance_evidence;
mod assurance_properties;
mod capture_checks;
mod degree_day_checks;
mod detection_properties;
mod dispersal_checks;
mod freedom_checks;
mod inspection_checks;
mod ledger_checks;
mod lure_checks;
mod origin_checks;
mod profile_checks;
mod proportion_checks;
mod release_checks;
mod reliability_checks;
mod sample_size_checks;
mod trial_checks;
mod trigger_checks;
