//! From a programme file to what paper says: the only part of this crate that knows the journal and the chain.
//!
//! Every function here reads; none writes. What a document shows is what the same call shows on a screen.

pub mod choice;
pub mod forms;
pub mod month;
mod response;
pub mod season;
pub mod sheets;

pub use forms::{custody, labels, notice, safety};
pub use month::month;
pub use season::gather as season;
pub use sheets::sheets;
