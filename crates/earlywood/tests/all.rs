//! Tests of the program as it is run: commands in, words, files and exit codes out.
//!
//! One program for all of them: linking costs more than compiling.

mod calc_contract;
mod calc_hostile;
mod chain;
mod common;
mod demo;
mod paper;
mod records;
mod response;
mod rounds;
mod trial;
