//! What others wrote, from PyPI, held against us: parsers and a tester of the open interfaces, and a library's folds.

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
    readers.arg(beside_tests("outside/interfaces.py")).arg(plant.service.origin());
    readers.args(["--examples", "25", "--token", &plant.token()]);
    println!("{}", passes(readers, Duration::from_secs(400)));
}

#[test]
fn folds_by_group_are_those_of_an_independent_library() {
    let python = beside_tests("outside/.venv/bin/python");
    need(&python);
    let mut folds = Command::new(python);
    folds.arg(beside_tests("outside/folds.py")).arg(env!("CARGO_BIN_EXE_groovecast"));
    println!("{}", passes(folds, Duration::from_secs(120)));
}
