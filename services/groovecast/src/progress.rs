//! How far long work is: on a terminal, with its rate and the time left; silent in a pipe.

use std::io::IsTerminal;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// The line is written again no sooner than this.
const EVERY: Duration = Duration::from_millis(250);

/// A line on a terminal that says how far something is.
#[derive(Debug)]
pub struct Gauge {
    terminal: bool,
    state: Mutex<Option<State>>,
}

#[derive(Debug)]
struct State {
    label: String,
    begun: Instant,
    /// Where it began: work that goes on where it was has not done what was done before.
    from: u64,
    shown: Instant,
}

impl Gauge {
    /// A gauge on standard error.
    pub fn new() -> Gauge {
        Gauge { terminal: std::io::stderr().is_terminal(), state: Mutex::default() }
    }

    /// So many of so many are done; `unit` names them in the rate, which `scale` divides.
    pub fn show(&self, label: &str, done: u64, total: u64, (unit, scale): (&str, f64)) {
        if !self.terminal {
            return;
        }
        let now = Instant::now();
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(other) = state.take_if(|state| state.label != label) {
            eprintln!();
            drop(other);
        }
        let fresh = || State { label: label.to_owned(), begun: now, from: done, shown: now - EVERY };
        let state = state.get_or_insert_with(fresh);
        if now - state.shown < EVERY && done < total {
            return;
        }
        state.shown = now;
        let rate = (done - state.from.min(done)) as f64 / (now - state.begun).as_secs_f64();
        eprint!("\r\x1b[K{}", line(label, done, total, rate, unit, scale));
    }

    /// It is over: what is written next begins on a line of its own.
    pub fn end(&self) {
        if self.state.lock().unwrap_or_else(PoisonError::into_inner).take().is_some() {
            eprintln!();
        }
    }
}

/// `rate` is per second.
fn line(label: &str, done: u64, total: u64, rate: f64, unit: &str, scale: f64) -> String {
    let percent = done * 100 / total.max(1);
    if !(rate.is_finite() && rate > 0.0) {
        return format!("{label}: {percent} %");
    }
    let left = total.saturating_sub(done) as f64 / rate;
    format!("{label}: {percent} %, {:.1} {unit}/s, {} left", rate / scale, span(left))
}

fn span(seconds: f64) -> String {
    match seconds {
        s if s < 90.0 => format!("{s:.0} s"),
        s if s < 5400.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_tells_share_rate_and_time_left() {
        assert_eq!(line("past.csv", 0, 1000, f64::NAN, "MB", 1e6), "past.csv: 0 %");
        assert_eq!(line("past.csv", 250, 1000, 50.0, "rows", 1.0), "past.csv: 25 %, 50.0 rows/s, 15 s left");
        let gigabytes = line("past.csv", 1_000_000_000, 100_000_000_000, 20e6, "MB", 1e6);
        assert_eq!(gigabytes, "past.csv: 1 %, 20.0 MB/s, 82 min left");
        assert_eq!(span(7200.0), "2.0 h");
    }
}
