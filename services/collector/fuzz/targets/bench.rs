//! A decoder, and what must hold of all that it says.

use collector::{Belief, Decoder, Limits, Mapping, Message, Outcome, Pattern, Payload, TopicMap, Turning, UnitBelief};
use jiff::{SignedDuration, Timestamp};
use plant::{Quality, Signal, TimeSource, UnitId, Value};

pub struct Bench {
    decoder: Decoder,
    connection: u64,
    arrived_at: Timestamp,
}

pub fn mapping(topic: &str, signal: Signal, payload: Payload) -> Mapping {
    Mapping::new(Pattern::parse(topic).expect("a pattern"), signal, payload)
}

impl Bench {
    pub fn new(mappings: Vec<Mapping>) -> Self {
        let unit = UnitId::new("K1").expect("a unit");
        let map = TopicMap::new(mappings, [unit.clone()]).expect("mappings that hold together");
        let turning = Turning::SpeedAboveRpm(5.0);
        let belief =
            Belief { units: [(unit, UnitBelief { turning, meter_resolution_h: 0.1 })].into(), ..Belief::default() };
        let decoder = Decoder::new(map, Limits::USUAL).asking_for_births(true).believing(belief);
        Self { decoder, connection: 0, arrived_at: Timestamp::from_second(1_774_938_600).expect("an instant") }
    }

    #[allow(dead_code, reason = "only some targets lose the connection")]
    pub fn reconnect(&mut self) {
        self.connection += 1;
    }

    /// Sends a message ten seconds after the last one and holds what comes of it against the rules of the house.
    pub fn send(&mut self, topic: &str, payload: &[u8]) {
        self.arrived_at += SignedDuration::from_secs(10);
        let retained = payload.first().is_some_and(|byte| byte % 16 == 3);
        let arrived_at = self.arrived_at;
        let message = Message { topic, payload, retained, backlog: false, connection: self.connection, arrived_at };
        for outcome in self.decoder.decode(&message) {
            match outcome {
                Outcome::Taken(taken) => {
                    let reading = &taken.reading;
                    match &reading.value {
                        Value::Number(number) => {
                            let (low, high) = reading.signal.believable();
                            assert!((low..=high).contains(number), "{number} is no {}", reading.signal);
                        }
                        Value::Text(word) => assert!(!word.is_empty() && !word.chars().any(char::is_control)),
                        Value::Missing => assert_eq!(reading.quality, Quality::Bad),
                    }
                    if reading.time_source == TimeSource::Own {
                        let ahead = reading.at.duration_since(arrived_at);
                        assert!(ahead <= SignedDuration::from_secs(300), "{ahead} ahead");
                    }
                    assert!(taken.raw.chars().count() <= 1300, "a raw value of {} bytes", taken.raw.len());
                    assert!(taken.doubts.iter().all(|doubt| doubt.text.len() < 5000));
                }
                Outcome::Refused(refusal) => {
                    assert!(!refusal.sample.chars().any(char::is_control), "{:?}", refusal.sample);
                    assert!(refusal.sample.len() < 5000 && refusal.advice.len() < 5000);
                }
                Outcome::Noted(doubt) => assert!(doubt.text.len() < 5000),
            }
        }
        for request in self.decoder.requests() {
            assert!(request.topic.starts_with("spBv1.0/mill/NCMD/") && !request.retain);
        }
    }
}
