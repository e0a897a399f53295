//! The pages as headless Chromium shows them.

use std::process::Command;
use std::time::Duration;

use crate::full_plant::{FullPlant, ZONE};
use crate::tools::{beside_tests, need, passes};

/// Runs a script of `tests/browser` against a service; a failure prints what the script said.
pub fn browse(script: &str, arguments: &[&str]) -> String {
    need("/usr/bin/chromium".as_ref());
    need(&beside_tests("browser/node_modules/package-lock.json"));
    let mut node = Command::new("node");
    node.arg(beside_tests("browser").join(script)).args(arguments);
    passes(node, Duration::from_secs(400))
}

#[test]
fn the_pages_in_a_browser_say_what_the_api_says_and_stand_in_nobodys_way() {
    let plant = FullPlant::start();
    println!("{}", browse("board.mjs", &[&plant.service.origin(), ZONE]));
}

#[test]
fn a_finding_logged_in_a_browser_stands_once_whatever_is_lost_on_the_way() {
    let plant = FullPlant::start();
    let password = "correct horse battery staple";
    plant.person("A. Marsh", "inspector", password);
    println!("{}", browse("finding.mjs", &[&plant.service.origin(), "K1", "A. Marsh", password]));
}
