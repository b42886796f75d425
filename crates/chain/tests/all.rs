//! Tests of the chain from records to answers.
//!
//! One program for all of them: linking costs more than compiling.

mod area;
mod common;
mod delimit;
mod evidence;
mod response;
mod rounds;
mod steps;
mod supplies;
