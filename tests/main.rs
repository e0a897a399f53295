//! One integration binary over the real parts: the program as it ships, a real broker, real files.

mod broker;
mod house;
mod kill;
mod plant_files;
mod reference;
mod service;
mod whole_job;
