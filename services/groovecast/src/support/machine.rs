//! What kind of machine this is.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::{Value, json};

/// Lines of the log that are told.
const LINES: usize = 500;

/// Facts of the machine, as far as it tells them.
pub fn machine() -> Value {
    let read = |path: &str| fs::read_to_string(path).unwrap_or_default();
    let of = |text: &str, key: &str| -> Option<String> {
        let line = text.lines().find_map(|line| line.strip_prefix(key))?;
        Some(line.trim().trim_matches('"').to_owned())
    };
    let (release, memory) = (read("/etc/os-release"), read("/proc/meminfo"));
    json!({
        "system": of(&release, "PRETTY_NAME="),
        "kernel": read("/proc/sys/kernel/osrelease").trim(),
        "machine": std::env::consts::ARCH,
        "processors": std::thread::available_parallelism().map(usize::from).ok(),
        "memory": of(&memory, "MemTotal:"),
        "memory_available": of(&memory, "MemAvailable:"),
        "load": read("/proc/loadavg").trim(),
        "up_s": read("/proc/uptime").split_whitespace().next(),
        "time_zone": read("/etc/timezone").trim(),
        "clock_source": read("/sys/devices/system/clocksource/clocksource0/current_clocksource").trim(),
    })
}

/// How full the disk of a folder is, and what lies in it.
pub fn disk(data: &Path) -> Result<Value, String> {
    let disk = rustix::fs::statvfs(data).map_err(|error| format!("{}: {error}", data.display()))?;
    let entries = fs::read_dir(data).map_err(|error| format!("{}: {error}", data.display()))?;
    let mut inside = serde_json::Map::new();
    for entry in entries.flatten() {
        let (files, bytes) = size(&entry.path());
        inside.insert(entry.file_name().to_string_lossy().into_owned(), json!({ "files": files, "bytes": bytes }));
    }
    Ok(json!({
        "data": data,
        "bytes": disk.f_blocks.saturating_mul(disk.f_frsize),
        "free_bytes": disk.f_bavail.saturating_mul(disk.f_frsize),
        "free_files": disk.f_favail,
        "inside": inside,
    }))
}

/// How many files there are at or below a path, and their bytes.
fn size(path: &Path) -> (u64, u64) {
    let Ok(about) = fs::symlink_metadata(path) else { return (0, 0) };
    if !about.is_dir() {
        return (1, about.len());
    }
    let below = fs::read_dir(path).into_iter().flatten().flatten().map(|entry| size(&entry.path()));
    below.fold((0, 0), |(files, bytes), (more, size)| (files + more, bytes + size))
}

/// What a program of the system prints, or why it does not.
pub fn said(program: &str, arguments: &[&str]) -> Result<String, String> {
    let run = Command::new(program).args(arguments).stdin(Stdio::null()).output();
    let output = run.map_err(|error| format!("{program} does not run here: {error}"))?;
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    match output.status.success() && !text.trim().is_empty() {
        true => Ok(text),
        false => Err(format!("{program} says nothing: {}", String::from_utf8_lossy(&output.stderr).trim())),
    }
}

/// The last lines of a log: a file's, or what systemd has kept of the service.
pub fn log(file: Option<&Path>) -> Result<String, String> {
    let text = match file {
        Some(path) => {
            let bytes = fs::read(path).map_err(|error| format!("{}: {error}", path.display()))?;
            String::from_utf8_lossy(&bytes).into_owned()
        }
        None => {
            let lines = LINES.to_string();
            let asked = ["--unit", "groovecast", "--lines", &lines, "--no-pager", "--quiet", "--output", "short-iso"];
            said("journalctl", &asked)?
        }
    };
    let lines: Vec<&str> = text.lines().collect();
    Ok(lines[lines.len().saturating_sub(LINES)..].join("\n") + "\n")
}
