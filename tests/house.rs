//! The house stands as it is drawn: arrows run down only, and each heavy crate is named by one room.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use cargo_metadata::{DependencyKind, MetadataCommand};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().unwrap()
}

#[test]
fn arrows_run_down_only() {
    let metadata = MetadataCommand::new()
        .manifest_path(root().join("Cargo.toml"))
        .no_deps()
        .other_options(["--locked".to_owned()])
        .exec()
        .unwrap();
    let rooms: BTreeSet<String> = metadata.packages.iter().map(|package| package.name.to_string()).collect();
    let allowed: BTreeMap<&str, &[&str]> = [
        ("plant", &[][..]),
        ("wear", &["plant"]),
        ("simulation", &["plant"]),
        ("collector", &["plant"]),
        ("history", &["plant"]),
        ("ledger", &["plant"]),
        ("notifier", &[]),
        ("publisher", &["ledger", "plant"]),
        ("groovecast", &["collector", "history", "ledger", "notifier", "plant", "publisher", "simulation", "wear"]),
    ]
    .into();
    let mut wrong = Vec::new();
    for package in &metadata.packages {
        let may = allowed
            .get(package.name.as_str())
            .unwrap_or_else(|| panic!("{} has no place in the house yet", package.name));
        for dependency in package.dependencies.iter().filter(|d| d.kind == DependencyKind::Normal) {
            if rooms.contains(&dependency.name) && !may.contains(&dependency.name.as_str()) {
                wrong.push(format!("{} -> {}", package.name, dependency.name));
            }
        }
    }
    assert!(wrong.is_empty(), "arrows that do not run down: {wrong:?}");
}

#[test]
fn each_heavy_crate_is_named_by_one_room() {
    let owners = [
        ("polars", "services/history/"),
        ("rumqttc", "services/collector/src/mqtt"),
        ("sqlx", "services/ledger/"),
        ("lettre", "services/notifier/"),
    ];
    let mut wrong = Vec::new();
    for folder in ["models", "services"] {
        for file in sources(&root().join(folder)) {
            let name = file.strip_prefix(root()).unwrap().display().to_string();
            let text = std::fs::read_to_string(&file).unwrap();
            for (heavy, owner) in owners {
                let named = text.lines().any(|line| {
                    let code = line.trim_start();
                    !code.starts_with("//")
                        && (code.contains(&format!("{heavy}::")) || code.contains(&format!("use {heavy}")))
                });
                if named && !name.starts_with(owner) && !name.contains("/examples/") {
                    wrong.push(format!("{name} names {heavy}"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// The program and the tests turn the same features on in every crate below them, so that neither builds polars again.
#[test]
fn program_and_tests_share_one_build() {
    let features = |arguments: &[&str]| -> BTreeSet<String> {
        let output = std::process::Command::new(env!("CARGO"))
            .args(["tree", "--locked", "--prefix", "none", "-f", "{p} {f}"])
            .args(arguments)
            .current_dir(root())
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap().lines().map(|line| line.trim_end_matches(" (*)").to_owned()).collect()
    };
    let (program, all) = (features(&["-p", "groovecast", "-e", "normal"]), features(&["--workspace"]));
    let built_twice: Vec<_> = program.difference(&all).collect();
    assert!(built_twice.is_empty(), "tests turn more features on in {built_twice:#?}");
    // What is packed for a plant lacks the demo's code, and nothing below is built again for it.
    let packed = ["-p", "groovecast", "-e", "normal", "--no-default-features", "--features", "demo-crates"];
    let packed = features(&packed);
    let built_twice: Vec<_> = packed.difference(&all).filter(|line| !line.starts_with("groovecast v")).collect();
    assert!(built_twice.is_empty(), "the package has other features of {built_twice:#?}");
}

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
    found
}
