//! What a plant installs: the package, on a copy of this machine; and the unit, by systemd's own judgement.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use crate::broker::free_port;
use crate::tools::{beside_tests, passes};

fn packed(folder: &Path) -> Vec<PathBuf> {
    let mut make = Command::new(beside_tests("../services/groovecast/package/make"));
    make.args(["--binary", env!("CARGO_BIN_EXE_groovecast"), "--out"]).arg(folder);
    let said = passes(make, Duration::from_secs(300));
    let mut made: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    made.sort();
    assert_eq!(made.len(), 2, "{said}");
    assert!(said.contains("for glibc 2."), "{said}");
    made
}

/// The same package under a later version.
fn later(deb: &Path, folder: &Path) -> PathBuf {
    let root = folder.join("root");
    passes(command("dpkg-deb", &["-R", deb.to_str().unwrap(), root.to_str().unwrap()]), Duration::from_secs(60));
    let control = root.join("DEBIAN/control");
    let text = std::fs::read_to_string(&control).unwrap();
    let lines = text.lines().map(|line| if line.starts_with("Version: ") { "Version: 9.0.0" } else { line });
    std::fs::write(&control, lines.map(|line| format!("{line}\n")).collect::<String>()).unwrap();
    let new = folder.join("new.deb");
    let build = ["--root-owner-group", "-Znone", "--build", root.to_str().unwrap(), new.to_str().unwrap()];
    passes(command("dpkg-deb", &build), Duration::from_secs(60));
    new
}

fn command(program: &str, arguments: &[&str]) -> Command {
    let mut command = Command::new(program);
    command.args(arguments);
    command
}

#[test]
fn the_package_installs_runs_upgrades_goes_and_keeps_what_it_should() {
    let (made, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let files = packed(made.path());
    let deb = files.iter().find(|file| file.extension().is_some_and(|extension| extension == "deb")).unwrap();
    let new = later(deb, other.path());
    let mut run = Command::new(beside_tests("install/run"));
    run.arg(deb).arg(new).arg(free_port().to_string());
    println!("{}", passes(run, Duration::from_secs(500)));
}

#[test]
fn the_unit_is_one_of_systemd_and_shut_in() {
    let unit = beside_tests("../services/groovecast/package/groovecast.service");
    let text = std::fs::read_to_string(&unit).unwrap();
    for line in
        ["Type=notify", "WatchdogSec=", "ExecReload=/bin/kill -HUP $MAINPID", "LoadCredential=", "StateDirectory="]
    {
        assert!(text.contains(line), "the unit lacks {line}");
    }
    // It judges keys and values; the program is not installed here, so one that is stands in for it.
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path().join("groovecast.service");
    std::fs::write(
        &here,
        text.replace("/usr/bin/groovecast ", "/bin/true ").replace("man:groovecast(1)", "man:systemd(1)"),
    )
    .unwrap();
    let mut judge = command("systemd-analyze", &["verify", "--man=no"]);
    judge.arg(&here);
    let said = passes(judge, Duration::from_secs(60));
    assert_eq!(said.trim(), "", "systemd-analyze has something to say");
    // Exposure from 0 to 10, in tenths; below 2 is what systemd calls OK. Network and files of its own are what is left.
    let mut judge = command("systemd-analyze", &["security", "--offline=yes", "--no-pager", "--threshold=15"]);
    judge.arg(&here);
    passes(judge, Duration::from_secs(60));
}
