//! From a programme file to what paper says: the only part of this crate that knows the journal and the chain.
//!
//! Every function here reads; none writes. What a document shows is what the same call shows on a screen.

pub mod custody;
pub mod labels;
pub mod month;
pub mod notice;
pub mod safety;
pub mod season;
pub mod sheets;

pub use custody::custody;
pub use labels::labels;
pub use month::month;
pub use notice::notice;
pub use safety::safety;
pub use season::gather as season;
pub use sheets::sheets;
