//! The server's tests: what it says to apps, devices and browsers.
//!
//! One program for all of them: linking costs more than compiling.

mod common;
mod devices;
mod office;
mod passkeys;
mod programme;
mod response;
mod rounds;
mod sync;
mod work;
