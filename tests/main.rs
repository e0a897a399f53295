//! One integration binary over the real parts: the program as it ships, a real broker, real files.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on says so by ending")]

// What makes certificates for the session's own tests.
#[allow(dead_code, reason = "the session's tests use the rest of it")]
#[path = "../services/collector/src/session_tests/authority.rs"]
mod authority;
mod backup;
mod broker;
mod browser;
mod clock;
mod databases;
// The very broker of the demo; a program has no library to take it from.
#[path = "../services/groovecast/src/demo/broker.rs"]
mod embedded;
mod evidence;
mod faults;
mod full_plant;
mod house;
mod install;
mod kill;
mod load;
mod notebook;
mod notify;
mod outside;
mod past;
mod past_map;
mod past_sql;
mod plant_files;
mod postgres;
mod reference;
mod reload;
mod retention;
mod scale_out;
mod sender;
mod service;
mod supervised;
mod support;
mod tools;
mod upgrade;
mod whole_job;
mod wiring;
// The wire of the session's own tests.
#[allow(dead_code, reason = "the session's tests use the rest of it")]
#[path = "../services/collector/src/session_tests/wire.rs"]
mod wire;
mod writing;
