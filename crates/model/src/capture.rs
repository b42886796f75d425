//! (being written)
use serde::{Deserialize, Serialize};
/// Form.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Form {
    Sech,
    Exponential,
    HalfNormal,
    Disc,
}
