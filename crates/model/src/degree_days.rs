//! (being written)
use serde::{Deserialize, Serialize};
/// Method.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Method {
    Average,
    Sine,
    Triangle,
    DoubleSine,
    DoubleTriangle,
}
/// Cutoff.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Cutoff {
    Horizontal,
    Intermediate,
    Vertical,
}
