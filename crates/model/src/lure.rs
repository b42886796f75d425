//! (being written)
use serde::{Deserialize, Serialize};
/// Kinetics.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Kinetics {
    ZeroOrder,
    FirstOrder,
}
