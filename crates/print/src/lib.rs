//! Plain data in, paper out: labels, forms, notices and sheets as PDF.
//!
//! Every document has a module with its own plain input types and one function that gives the bytes of a PDF. Layout is
//! written in Typst (the files of `paper/`); data reach it as values, never as markup, so a place called `#eval("x")`
//! prints as it is called. Fonts are compiled in, there is no clock, no network and no randomness: the same input gives
//! the same bytes on every computer.

pub mod custody;
pub mod engine;
mod error;
pub mod fill;
pub mod labels;
pub mod map;
pub mod month;
pub mod notice;
mod qr;
pub mod report;
pub mod safety;
pub mod season;
pub mod sheet;
pub mod specimens;
pub mod stock;

pub use engine::{Made, Template};
pub use error::PrintError;
