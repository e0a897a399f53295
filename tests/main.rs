//! One integration binary over the real parts: the program as it ships, a real broker, real files.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on says so by ending")]

mod backup;
mod broker;
mod browser;
mod databases;
// The very broker of the demo; a program has no library to take it from.
#[path = "../services/groovecast/src/demo/broker.rs"]
mod embedded;
mod full_plant;
mod house;
mod kill;
mod outside;
mod plant_files;
mod postgres;
mod reference;
mod service;
mod tools;
mod whole_job;
mod writing;
