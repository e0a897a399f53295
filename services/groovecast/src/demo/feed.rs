//! The live plant: its readings as MQTT messages, as its gateway would send them.

use std::sync::Arc;
use std::time::Duration;

use collector::{Arrivals, Belief, Committed, Outgoing, Terms, TopicMap};
use plant::{Clock, Quality, Reading, Value};
use simulation::Plant;
use tokio::sync::{mpsc, watch};

use crate::config::Config;
use crate::demo::files::topic;
use crate::run::pause;
use crate::session;

/// How often the plant moves on.
const STEP: Duration = Duration::from_millis(200);

/// Publishes what the plant reports until told to stop.
pub async fn publish(
    plant: Arc<Plant>,
    config: Arc<Config>,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
) -> anyhow::Result<()> {
    let mut settings = session::settings(&config, None);
    settings.client_id = "harrow-mill-gateway".to_owned();
    settings.keep_session = false;
    let (outbox, outgoing) = mpsc::channel(10_000);
    let nothing = |_: Arc<[Reading]>| async { Ok::<_, std::convert::Infallible>(Committed { new: 0, duplicates: 0 }) };
    let nothing_to_read = Terms { map: TopicMap::new(Vec::new(), [])?, belief: Belief::default(), ask_rebirth: false };
    let arrivals = Arc::new(Arrivals::new());
    let gateway = tokio::spawn(collector::run(
        settings,
        nothing_to_read.for_good(),
        nothing,
        arrivals,
        outgoing,
        clock.clone(),
        stopped.clone(),
    ));
    let end = plant.end();
    let mut live = tokio::task::spawn_blocking(move || plant.live(end)).await?;
    while pause(STEP, &stopped).await {
        for reading in live.advance(clock.now()) {
            // A full outbox means that the broker does not keep up; the plant waits, as a gateway would.
            if outbox.send(message(&reading)).await.is_err() {
                break;
            }
        }
    }
    gateway.await??;
    Ok(())
}

fn message(reading: &Reading) -> Outgoing {
    let value = match &reading.value {
        Value::Number(number) => serde_json::json!(number),
        Value::Text(word) => serde_json::json!(word),
        Value::Missing => serde_json::Value::Null,
    };
    let quality = match reading.quality {
        Quality::Good => "good",
        Quality::Uncertain => "uncertain",
        Quality::Bad => "bad",
    };
    let payload = serde_json::json!({ "value": value, "at": reading.at.to_string(), "quality": quality });
    Outgoing {
        topic: topic(reading.unit.as_str(), reading.signal),
        payload: payload.to_string().into_bytes(),
        retain: false,
    }
}
