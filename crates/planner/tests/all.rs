//! Tests of the planner against brute force and its own judge.
//!
//! One program for all of them: linking costs more than compiling.

mod rounds;
mod siting;
