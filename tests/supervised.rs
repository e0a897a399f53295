//! What systemd is told of a service, by sd_notify(3): ready, reloading, stopping, and a watchdog that a hung service does not feed.
//! A socket of the test's own stands for systemd's.

use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use plant::{Clock, SystemClock};

use crate::broker::{free_port, wait_for};
use crate::plant_files::PlantFiles;
use crate::service::{Service, done};

/// The watchdog's time, µs, as systemd gives it.
const WATCHDOG_US: &str = "1000000";

/// Who started the service.
struct Systemd {
    socket: UnixDatagram,
    folder: tempfile::TempDir,
}

impl Systemd {
    fn new() -> Systemd {
        let folder = tempfile::tempdir().unwrap();
        let socket = UnixDatagram::bind(folder.path().join("notify")).unwrap();
        socket.set_read_timeout(Some(Duration::from_millis(100))).unwrap();
        Systemd { socket, folder }
    }

    fn start(&self, config: &Path) -> Service {
        let socket = self.folder.path().join("notify");
        Service::launch_with(config, &[("NOTIFY_SOCKET", socket.to_str().unwrap()), ("WATCHDOG_USEC", WATCHDOG_US)])
    }

    /// What is told next; `None` if nothing is within a moment.
    fn told(&self) -> Option<String> {
        let mut bytes = [0; 4096];
        let length = self.socket.recv(&mut bytes).ok()?;
        Some(String::from_utf8_lossy(&bytes[..length]).into_owned())
    }

    /// Waits until this is told, and gives the whole message.
    fn wait_for(&self, line: &str) -> String {
        wait_for(line, || self.told().filter(|told| told.lines().any(|one| one.starts_with(line))))
    }

    /// How often the watchdog is fed in a span.
    fn fed_within(&self, span: Duration) -> usize {
        let began = Instant::now();
        let mut fed = 0;
        while began.elapsed() < span {
            fed += usize::from(self.told().is_some_and(|told| told.lines().any(|line| line == "WATCHDOG=1")));
        }
        fed
    }
}

#[test]
fn a_service_without_its_broker_is_ready_when_its_pages_answer() {
    let systemd = Systemd::new();
    let files = PlantFiles::new(free_port(), SystemClock.now());
    let service = systemd.start(&files.config);
    systemd.wait_for("READY=1");
    assert_eq!(service.get("/health/live").0, 200, "ready and no page answers");
    let status = systemd.wait_for("STATUS=works, not ready");
    assert!(status.contains("no connection to the message broker"), "{status}");
    assert!(systemd.fed_within(Duration::from_secs(4)) >= 4, "the watchdog is fed twice within its time");

    service.reload();
    let told = systemd.wait_for("RELOADING=1");
    // Since version 253 systemd asks for the time beside it (sd_notify(3)).
    assert!(told.contains("MONOTONIC_USEC="), "{told}");
    systemd.wait_for("READY=1");
    let right = std::fs::read_to_string(&files.config).unwrap();
    std::fs::write(&files.config, right + "\n[nonsense]\n").unwrap();
    service.reload();
    systemd.wait_for("RELOADING=1");
    systemd.wait_for("READY=1");
    service.stop();
    systemd.wait_for("STOPPING=1");
}

/// A disk that does not answer: a day file that can be opened by nobody to the end. Pages and timers go on meanwhile.
#[test]
fn an_evaluation_that_hangs_starves_the_watchdog() {
    let systemd = Systemd::new();
    let files = PlantFiles::new(free_port(), SystemClock.now());
    let config = files.config.to_str().unwrap();
    done(&["import", "history", &files.path("history.csv"), "--config", config]);
    let text = std::fs::read_to_string(config).unwrap();
    std::fs::write(config, text.replace("# hung_after_min = 30.0", "hung_after_min = 0.1")).unwrap();
    let day = std::fs::read_dir(files.folder.path().join("data/readings")).unwrap().next().unwrap().unwrap().path();
    let file = std::fs::read_dir(day).unwrap().next().unwrap().unwrap().path();
    std::fs::remove_file(&file).unwrap();
    assert!(Command::new("mkfifo").arg(&file).status().unwrap().success());

    let service = systemd.start(&files.config);
    systemd.wait_for("READY=1");
    assert!(systemd.fed_within(Duration::from_secs(3)) >= 3, "it is not fed from the beginning");
    systemd.wait_for("STATUS=the evaluation shows no sign of life");
    assert_eq!(systemd.fed_within(Duration::from_secs(5)), 0, "a hung service feeds its watchdog");
    assert_eq!(service.get("/health/live").0, 200, "only the evaluation hangs");
}
