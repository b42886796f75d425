//! Tests of the paper.
//!
//! One program for all of them: linking costs more than compiling.

mod engine;
mod fill;
mod papers;
