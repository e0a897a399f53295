//! The program as it ships, in a process of its own, and what it says over HTTP.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use crate::broker::{free_port, wait_for};

/// The program.
pub fn groovecast() -> Command {
    Command::new(env!("CARGO_BIN_EXE_groovecast"))
}

/// Runs a command to its end.
pub fn run(arguments: &[&str]) -> Output {
    groovecast().args(arguments).stdin(Stdio::null()).output().unwrap()
}

/// Runs a command that has to succeed, and gives what it printed.
pub fn done(arguments: &[&str]) -> String {
    let output = run(arguments);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "groovecast {arguments:?} failed:\n{errors}");
    String::from_utf8(output.stdout).unwrap()
}

/// A command that reads a password; whether it succeeded, and what it said.
pub fn with_password(arguments: &[&str], password: &str) -> (bool, String) {
    let mut command = groovecast();
    command.args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    writeln!(child.stdin.take().unwrap(), "{password}").unwrap();
    let output = child.wait_with_output().unwrap();
    let said = [output.stdout, output.stderr].concat();
    (output.status.success(), String::from_utf8_lossy(&said).into_owned())
}

/// A process that collects only; it ends with the value.
pub struct Collector {
    config: PathBuf,
    name: &'static str,
    process: Child,
}

impl Collector {
    /// Starts it.
    pub fn start(config: &Path, name: &'static str) -> Collector {
        Collector { config: config.to_owned(), name, process: Self::process(config, name) }
    }

    fn process(config: &Path, name: &str) -> Child {
        groovecast()
            .args(["collect", "--config", config.to_str().unwrap(), "--name", name])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    }

    /// Kills it at once and starts it again.
    pub fn kill_and_again(&mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
        self.process = Self::process(&self.config, self.name);
    }

    /// Tells it to read its configuration anew.
    pub fn reload(&self) {
        hang_up(&self.process);
    }

    /// Asks it to stop and waits until it has.
    pub fn stop(mut self) {
        stop(&mut self.process);
    }
}

impl Drop for Collector {
    fn drop(&mut self) {
        // It may have ended by itself; there is nothing more to end then.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn hang_up(process: &Child) {
    assert!(Command::new("kill").args(["-HUP", &process.id().to_string()]).status().unwrap().success());
}

fn stop(process: &mut Child) {
    assert!(Command::new("kill").args(["-TERM", &process.id().to_string()]).status().unwrap().success());
    let status = process.wait().unwrap();
    assert!(status.success(), "the process ended with {status}");
}

/// A running service; it ends with the value.
pub struct Service {
    config: PathBuf,
    port: u16,
    process: Child,
}

impl Service {
    /// Starts the service; it may not answer yet.
    pub fn launch(config: &Path) -> Service {
        let port = free_port();
        let process = Self::process(config, port);
        Service { config: config.to_owned(), port, process }
    }

    /// Starts the service with more in its environment; it may not answer yet.
    pub fn launch_with(config: &Path, environment: &[(&str, &str)]) -> Service {
        let port = free_port();
        let mut command = Self::command(config, port);
        let process = command.envs(environment.iter().copied()).spawn().unwrap();
        Service { config: config.to_owned(), port, process }
    }

    /// Starts the service and waits until it is ready.
    pub fn start(config: &Path) -> Service {
        let service = Self::launch(config);
        wait_for("a ready service", || (service.get("/health/ready").0 == 200).then_some(()));
        service
    }

    fn command(config: &Path, port: u16) -> Command {
        let mut command = groovecast();
        command.args(["run", "--config", config.to_str().unwrap(), "--listen", &format!("127.0.0.1:{port}")]);
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        command
    }

    fn process(config: &Path, port: u16) -> Child {
        Self::command(config, port).spawn().unwrap()
    }

    /// Starts the service such that a write beyond [`Self::limit_files`] fails instead of ending it, and waits until it is ready.
    pub fn start_with_files_that_may_stop_growing(config: &Path) -> Service {
        let port = free_port();
        // What a shell ignores, the program that it becomes ignores too.
        let process = Command::new("sh")
            .args(["-c", "trap '' XFSZ; exec \"$0\" \"$@\"", env!("CARGO_BIN_EXE_groovecast")])
            .args(["run", "--config", config.to_str().unwrap(), "--listen", &format!("127.0.0.1:{port}")])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let service = Service { config: config.to_owned(), port, process };
        wait_for("a ready service", || (service.get("/health/ready").0 == 200).then_some(()));
        service
    }

    /// Starts the service on a clock that [`Clock`](crate::clock::Clock) sets, and waits until it is ready.
    pub fn start_with_clock(config: &Path, clock: &crate::clock::Clock) -> Service {
        let port = free_port();
        let mut command = Self::command(config, port);
        let process = command.envs(clock.environment()).spawn().unwrap();
        let service = Service { config: config.to_owned(), port, process };
        wait_for("a ready service", || (service.get("/health/ready").0 == 200).then_some(()));
        service
    }

    /// From now on no file of the service may grow beyond so many bytes, or `unlimited`.
    pub fn limit_files(&self, bytes: &str) {
        let (process, limit) = (self.process.id().to_string(), format!("--fsize={bytes}:unlimited"));
        assert!(Command::new("prlimit").args(["--pid", &process, &limit]).status().unwrap().success());
    }

    /// Tells it to read its configuration anew.
    pub fn reload(&self) {
        hang_up(&self.process);
    }

    /// Kills it at once, without a chance to say or do anything.
    pub fn kill(&mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }

    /// Starts it again after a kill.
    pub fn again(&mut self) {
        self.process = Self::process(&self.config, self.port);
    }

    /// Asks it to stop and waits until it has.
    pub fn stop(mut self) {
        stop(&mut self.process);
    }

    /// Where it answers: `http://127.0.0.1:PORT`.
    pub fn origin(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// Status and body at a path; status 0 while nobody answers.
    pub fn get(&self, path: &str) -> (u16, String) {
        let agent = ureq::Agent::config_builder().http_status_as_error(false).build().new_agent();
        match agent.get(format!("{}{path}", self.origin())).call() {
            Ok(mut answer) => (answer.status().as_u16(), answer.body_mut().read_to_string().unwrap_or_default()),
            Err(_) => (0, String::new()),
        }
    }

    /// The JSON at a path.
    pub fn json(&self, path: &str) -> serde_json::Value {
        let (status, body) = self.get(path);
        assert_eq!(status, 200, "{path}: {body}");
        serde_json::from_str(&body).unwrap()
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        // It may have ended by itself; there is nothing more to end then.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
