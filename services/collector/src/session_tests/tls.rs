//! TLS against a real listener of mosquitto, which is OpenSSL on the other side; certificates by the `openssl` command.

use std::sync::Arc;
use std::time::Duration;

use tokio::io::AsyncReadExt;
use tokio::net::TcpListener;
use tokio::time::timeout;

use super::authority::{Authority, Pair};
use super::broker::Broker;
use super::{Journal, Service, timed, until};
use crate::settings::tests::settings;
use crate::{ClientFiles, LinkState, SessionError, Settings, Tls};

const NAMES: &str = "DNS:broker.harrow.example,IP:127.0.0.1";

fn trusting(authority: &Authority, port: u16, client: Option<&Pair>) -> Settings {
    let client = client.map(|pair| ClientFiles { cert_file: pair.cert.clone(), key_file: pair.key.clone() });
    let tls = Some(Tls { ca_file: authority.file(), client, server_name: None });
    Settings { tls, ..settings(port) }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn with_certificates_on_both_sides_nothing_is_lost_and_the_good_bye_arrives() {
    let authority = Authority::new("Harrow CA");
    let broker = Broker::with_tls(
        &authority,
        &authority.issue("broker", NAMES),
        &["require_certificate true", "use_identity_as_username true"],
    )
    .await;
    let ours = authority.issue("harrow-collector", "DNS:collector");
    let journal = Arc::new(Journal::default());
    let service = Service::start(trusting(&authority, broker.port(), Some(&ours)), &journal);
    service.is_online().await;
    let status = broker.watch("gc/status");
    assert_eq!(status.next(), "gc/status online");
    until("it has subscribed", || broker.log().unwrap().contains("Received SUBSCRIBE from collector-test")).await;
    broker.publish("timed/C1", &timed(0..300));
    until("the first are there", || journal.distinct().len() >= 20).await;
    broker.wire.cut();
    until("it is back", || service.arrivals.link().connections >= 2).await;
    broker.publish("timed/C1", &timed(300..600));
    until("all are there", || journal.distinct() == Vec::from_iter(0..600)).await;
    until("all are acknowledged", || service.arrivals.link().unacknowledged == 0).await;
    service.leave().await;
    while status.next() != "gc/status offline" {}
    let log = broker.log().unwrap();
    assert!(log.contains("u'harrow-collector'"), "the broker knows us by our certificate: {log}");
    assert!(log.contains("Received DISCONNECT from collector-test"), "the will is for those who did not say good-bye");
}

/// What the link says of a connection that cannot be made.
async fn refusal(settings: Settings) -> String {
    let service = Service::start(settings, &Arc::new(Journal::default()));
    until("it is refused", || matches!(service.arrivals.link().state, LinkState::Offline { .. })).await;
    let LinkState::Offline { error } = service.arrivals.link().state else { unreachable!() };
    service.die().await;
    assert!(!error.contains("hunter2"), "{error}");
    error
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_wrong_is_said() {
    let (authority, stranger) = (Authority::new("Harrow CA"), Authority::new("Another CA"));
    let pair = authority.issue("broker", NAMES);
    let open = Broker::with_tls(&authority, &pair, &[]).await;
    let strict = Broker::with_tls(&authority, &pair, &["require_certificate true"]).await;
    let expired = Broker::with_tls(&authority, &authority.issue_expired("old", NAMES), &[]).await;
    let elsewhere = Broker::with_tls(&authority, &authority.issue("far", "DNS:far.example"), &[]).await;
    let locked = Broker::with_tls(&authority, &pair, &["allow_anonymous false"]).await;

    let said = refusal(trusting(&stranger, open.port(), None)).await;
    assert!(said.contains("vouches") && said.contains("ca.pem"), "{said}");
    let said = refusal(trusting(&authority, expired.port(), None)).await;
    assert!(said.contains("has expired") && said.contains("2020-03-01"), "{said}");
    let said = refusal(trusting(&authority, elsewhere.port(), None)).await;
    assert!(said.contains("127.0.0.1") && said.contains("far.example") && said.contains("server_name"), "{said}");
    let said = refusal(trusting(&authority, strict.port(), None)).await;
    assert!(said.contains("client_cert_file"), "{said}");
    let foreign = stranger.issue("stranger", "DNS:stranger");
    let said = refusal(trusting(&authority, strict.port(), Some(&foreign))).await;
    assert!(said.contains("does not take our certificate") && said.contains("stranger.pem"), "{said}");
    let said = refusal(trusting(&authority, open.plain_port(), None)).await;
    assert!(said.contains("8883"), "{said}");
    let mut known = trusting(&authority, locked.port(), None);
    (known.username, known.password) = (Some("plant".into()), Some("hunter2".into()));
    let said = refusal(known).await;
    assert!(said.contains("check user name and password"), "{said}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_name_stands_for_a_host_that_the_certificate_does_not_name() {
    let authority = Authority::new("Harrow CA");
    let broker = Broker::with_tls(&authority, &authority.issue("far", "DNS:far.example"), &[]).await;
    let mut named = trusting(&authority, broker.port(), None);
    named.tls.as_mut().unwrap().server_name = Some("far.example".into());
    let service = Service::start(named, &Arc::new(Journal::default()));
    service.is_online().await;
    service.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn renewed_files_need_no_restart() {
    let (authority, stranger) = (Authority::new("Harrow CA"), Authority::new("Another CA"));
    let broker = Broker::with_tls(&authority, &authority.issue("broker", NAMES), &[]).await;
    let service = Service::start(trusting(&stranger, broker.port(), None), &Arc::new(Journal::default()));
    until("it is refused", || matches!(service.arrivals.link().state, LinkState::Offline { .. })).await;
    std::fs::copy(authority.file(), stranger.file()).unwrap();
    service.is_online().await;
    service.leave().await;
}

/// A listener that is no broker sees a TLS handshake (RFC 8446, 5.1: record type 22) and neither id, name nor password.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_leaves_in_the_clear() {
    let authority = Authority::new("Harrow CA");
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut secret = trusting(&authority, listener.local_addr().unwrap().port(), None);
    (secret.username, secret.password) = (Some("plant-user".into()), Some("hunter2".into()));
    let service = Service::start(secret, &Arc::new(Journal::default()));
    for _ in 0..3 {
        let (mut caller, _) = listener.accept().await.unwrap();
        let mut heard = vec![0; 4096];
        let length = timeout(Duration::from_secs(5), caller.read(&mut heard)).await.unwrap().unwrap();
        let text = String::from_utf8_lossy(&heard[..length]);
        assert_eq!(heard[0], 22);
        assert!(["hunter2", "plant-user", "collector-test", "MQTT"].iter().all(|word| !text.contains(word)), "{text}");
    }
    service.die().await;
}

#[tokio::test]
async fn files_that_do_not_serve_are_named_without_what_is_in_them() {
    let authority = Authority::new("Harrow CA");
    let (ours, other) = (authority.issue("ours", "DNS:ours"), authority.issue("other", "DNS:other"));
    let with = |cert: &std::path::Path, key: &std::path::Path| {
        trusting(&authority, 8883, Some(&Pair { cert: cert.to_owned(), key: key.to_owned() })).check()
    };
    assert_eq!(with(&ours.cert, &ours.key), Ok(()));
    let locked = authority.lock(&ours.key);
    let broken = ours.key.with_extension("broken");
    let text = std::fs::read_to_string(&ours.key).unwrap();
    std::fs::write(&broken, text.replace("-----END", "hunter2-----END")).unwrap();
    for (cert, key, says) in [
        (&ours.cert, &other.key, "does not belong to the certificate"),
        (&ours.cert, &locked, "without a passphrase"),
        (&ours.cert, &ours.cert, "no private key"),
        (&ours.key, &ours.key, "no certificate"),
        (&ours.cert, &broken, "ours.broken has "),
        (&ours.cert, &ours.cert.with_extension("none"), "cannot be read"),
    ] {
        let Err(SessionError::Tls(error)) = with(cert, key) else { panic!("{key:?} was taken") };
        let error = error.to_string();
        assert!(error.contains(says) && !error.contains("hunter2"), "{error}");
    }
    let mut unnamed = trusting(&authority, 8883, None);
    unnamed.tls.as_mut().unwrap().server_name = Some("no name".into());
    assert!(unnamed.check().unwrap_err().to_string().contains("server name"));
}
