//! The open interfaces as independent readers take them: parsers and a tester that others wrote, from PyPI.

use std::process::Command;
use std::time::Duration;

use crate::full_plant::FullPlant;
use crate::tools::{beside_tests, need, passes};

#[test]
fn independent_readers_take_what_the_service_publishes() {
    let python = beside_tests("outside/.venv/bin/python");
    need(&python);
    let plant = FullPlant::start();
    let mut readers = Command::new(python);
    readers.arg(beside_tests("outside/interfaces.py")).arg(plant.service.origin()).args(["--examples", "25"]);
    println!("{}", passes(readers, Duration::from_secs(400)));
}
