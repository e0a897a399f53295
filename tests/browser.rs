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

/// Some of the words of the pages in German.
const GERMAN: &str = "\
language = de
word-board = Tafel
board-all-tubes-by-chance = Alle Rohre, nach Chance
board-summary = { $count ->
    [one] { $units } Einheit
   *[other] { $units } Einheiten
 }: { $urgent } anzuhalten oder an der Grenze, { $due } mit abgelaufener Frist, { $ranked } gereiht, { $unsaid } ohne Aussage.
board-the-chance-of-each-is = { $summary } Die Chance ist die, dass die nächste vollständige Besichtigung { $limit } oder Schlimmeres findet.
tube-named = Rohr { $tube }
state-ok = angepasstes Modell
state-baseline = Laufstunden allein
state-prior = gesetzte Annahme
state-no-tube = ohne Rohr
chance-now = jetzt
script-entry = Rohr { $tube }: { $seen }
script-everywhere = überall gesehen, alles glatt
";

#[test]
fn a_board_in_another_language_is_a_file() {
    let plant = FullPlant::speaking(GERMAN, "torque = \"lbf·in\"\ndecimal = \"comma\"\ngroup = \"mark\"\n");
    println!("{}", browse("words.mjs", &[&plant.service.origin()]));
}

#[test]
fn a_finding_logged_in_a_browser_stands_once_whatever_is_lost_on_the_way() {
    let plant = FullPlant::start();
    let password = "correct horse battery staple";
    plant.person("A. Marsh", "inspector", password);
    println!("{}", browse("finding.mjs", &[&plant.service.origin(), "K1", "A. Marsh", password]));
}

#[test]
fn charts_in_pixels_show_what_the_browser_makes_of_the_same_drawings() {
    let plant = FullPlant::start();
    println!("{}", browse("charts.mjs", &[&plant.service.origin(), "T-K1"]));
}
