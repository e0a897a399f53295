use insta::assert_snapshot;
use publisher::{collector_message, offline_message, online_message, risk_messages};
use serde_json::Value;

use crate::{body, fleet};

#[test]
fn messages_as_published() {
    let messages = risk_messages(&fleet::snapshot(), &fleet::site(), "plant/groovecast");
    let of = |unit: &str| {
        let message = messages.iter().find(|message| message.topic.ends_with(unit)).unwrap();
        format!("{}\n{}", message.topic, message.payload)
    };
    assert_snapshot!(of("C-103"));
    assert_snapshot!(of("C-108"));
    assert_snapshot!(of("C-107"));
    let online = online_message(&fleet::site(), "plant/groovecast", fleet::now());
    let offline = offline_message(&fleet::site(), "plant/groovecast");
    assert_eq!(online.topic, offline.topic);
    assert_snapshot!(format!("{}\n{}\n{}", online.topic, online.payload, offline.payload));
    let there = collector_message(&fleet::site(), "plant/groovecast", "b", Some(fleet::now()));
    let gone = collector_message(&fleet::site(), "plant/groovecast", "b", None);
    assert_eq!(there.topic, gone.topic);
    assert_snapshot!(format!("{}\n{}\n{}", there.topic, there.payload, gone.payload));
}

#[test]
fn there_is_one_message_per_unit_and_none_for_the_shelf() {
    let messages = risk_messages(&fleet::snapshot(), &fleet::site(), "p");
    let mut topics: Vec<_> = messages.iter().map(|message| message.topic.as_str()).collect();
    topics.sort_unstable();
    assert_eq!(topics, (101..=108).map(|unit| format!("p/risk/C-{unit}")).collect::<Vec<_>>());
}

#[tokio::test]
async fn a_message_is_what_the_api_says() {
    let api: Value = serde_json::from_str(&body("/api/v1/risks").await).unwrap();
    for (message, risk) in
        risk_messages(&fleet::snapshot(), &fleet::site(), "p").iter().zip(api["risks"].as_array().unwrap())
    {
        assert_eq!(&serde_json::from_str::<Value>(&message.payload).unwrap(), risk, "{}", message.topic);
    }
}

#[test]
fn advice_never_permits_more_than_the_plants_interval() {
    for message in risk_messages(&fleet::snapshot(), &fleet::site(), "p") {
        let json: Value = serde_json::from_str(&message.payload).unwrap();
        let advice = json["advice"].as_str().unwrap();
        assert!(
            !advice.contains("may wait") || advice.contains("at most until the plant's longest interval ends"),
            "{advice}"
        );
        let state = json["state"].as_str().unwrap();
        if ["stale", "no_tube", "reached"].contains(&state) {
            assert!(!advice.contains("may wait"), "{state}: {advice}");
        }
    }
}
