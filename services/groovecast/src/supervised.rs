//! What systemd, or whoever else started the service, is told: ready, reloading, stopping, and that the work goes on.
//!
//! Ready means: the configuration is in force, the record is open, and the pages answer. A broker that is away does not keep
//! the service from being ready in this sense, because starting it again would not help; what `/health/ready` lacks is told
//! as the status. The watchdog is fed only while each part of the work has shown itself not too long ago, from where it works:
//! no part has a timer that would go on while the work hangs.

use std::net::SocketAddr;
use std::time::Duration;

use collector::{Arrivals, Pulse};
use sd_notify::NotifyState;
use tokio::sync::watch;

use crate::config::Config;
use crate::pages;
use crate::run::{pause, until};

/// How often it is looked, if the watchdog does not ask for more.
const EVERY: Duration = Duration::from_secs(10);
/// Where who started us listens; systemd sets it.
const SOCKET: &str = "NOTIFY_SOCKET";

/// A part of the work.
pub struct Part {
    name: &'static str,
    pulse: Pulse,
    /// How long it may be silent.
    most: Duration,
}

impl Part {
    /// The evaluation.
    pub fn evaluation(pulse: &Pulse, config: &Config) -> Part {
        Part { name: "the evaluation", pulse: pulse.clone(), most: config.hung_after }
    }

    /// Those that bring readings in.
    pub fn of_session(arrivals: &Arrivals, config: &Config) -> [Part; 2] {
        let keep_alive = Duration::from_secs(u64::from(config.broker.keep_alive_s));
        [
            Part {
                name: "the connection to the broker",
                pulse: arrivals.connection.clone(),
                most: config.hung_after.max(3 * keep_alive),
            },
            Part { name: "the storing of readings", pulse: arrivals.storing.clone(), most: config.hung_after },
        ]
    }
}

/// Tells that the work goes on for as long as it does, until the service is told to stop. `status` says in a line how it stands.
///
/// # Errors
/// None: what cannot be told is logged.
pub async fn keep_up(
    mut parts: Vec<Part>,
    served_at: Option<SocketAddr>,
    most: Duration,
    status: impl Fn() -> String + Send,
    stopped: watch::Receiver<bool>,
) -> anyhow::Result<()> {
    if std::env::var_os(SOCKET).is_none() {
        until(stopped).await;
        return Ok(());
    }
    let watchdog = sd_notify::watchdog_enabled();
    // Twice within its time, so that a late tick is no missed one (sd_watchdog_enabled(3)).
    let every = watchdog.map_or(EVERY, |lasts| EVERY.min(lasts / 2));
    let answers = Pulse::default();
    parts.extend(served_at.map(|_| Part { name: "the pages", pulse: answers.clone(), most }));
    let (mut is_ready, mut said, mut hangs) = (false, String::new(), None);
    loop {
        let answered = match served_at {
            Some(at) => pages::get(at, "/health/live", None).await.is_ok_and(|(status, _)| status == 200),
            None => true,
        };
        if answered {
            answers.beat();
        }
        if answered && !is_ready {
            tell(&[NotifyState::Ready]);
            is_ready = true;
        }
        let silent = parts.iter().find(|part| part.pulse.silent_for() > part.most).map(|part| part.name);
        let now = silent.map_or_else(&status, |name| format!("{name} shows no sign of life"));
        if now != said {
            // A line is all that a status has room for.
            tell(&[NotifyState::Status(&now.replace(['\n', '\r'], " "))]);
            said = now;
        }
        match silent {
            None if watchdog.is_some() => tell(&[NotifyState::Watchdog]),
            Some(name) if hangs != silent => {
                tracing::error!(
                    "{name} shows no sign of life any more: the watchdog is not told that the work goes on"
                );
            }
            _ => {}
        }
        hangs = silent;
        if !pause(every, &stopped).await {
            return Ok(());
        }
    }
}

/// The configuration is read anew; [`ready`] follows, be it taken or refused.
pub fn reloading() {
    match NotifyState::monotonic_usec_now() {
        Ok(now) => tell(&[NotifyState::Reloading, now]),
        Err(error) => tracing::debug!(%error, "no monotonic time: a reload is not told"),
    }
}

/// The service works by the configuration that is in force.
pub fn ready() {
    tell(&[NotifyState::Ready]);
}

/// The service was told to stop, and does.
pub fn stopping() {
    tell(&[NotifyState::Stopping]);
}

fn tell(state: &[NotifyState]) {
    // Nothing happens where nobody listens.
    if let Err(error) = sd_notify::notify(state) {
        tracing::warn!(%error, "who started the service cannot be told how it stands");
    }
}
