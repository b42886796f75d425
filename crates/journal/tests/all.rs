//! The journal from outside: rules, states, stores, exchange, damage and forgery.
//!
//! One program for all of them: linking costs more than compiling.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a test program exports nothing, and its helpers may panic too"
)]

mod ask;
mod bodies;
mod common;
mod custody;
mod faults;
#[path = "common/forge.rs"]
mod forge;
mod forgery;
mod fuzz_smoke;
#[path = "../fuzz/src/harness.rs"]
#[allow(unreachable_pub, reason = "the fuzz targets share it")]
mod harness;
mod histories;
mod layouts;
mod merging;
#[cfg(feature = "postgres")]
#[path = "common/postgres.rs"]
mod postgres_server;
mod refusals;
mod responses;
mod rules;
mod schemas;
#[cfg(feature = "postgres")]
mod stores;
mod sync_faults;
