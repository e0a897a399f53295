//! How fast pages and numbers of 500 tubes are answered, and whether 1,000 dashboards that poll once a second get theirs in
//! time: `polling [DASHBOARDS] [SECONDS]`. Beside each stands a bare axum handler that returns the same bytes.
//!
//! The client runs in the same process and takes its part of the cores, from both alike.

use std::error::Error;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::http::header;
use axum::routing::get;
use ledger::{Ledger, Place};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;

#[path = "../tests/public/fleet.rs"]
#[allow(dead_code, unused_imports, reason = "the tests use more of the invented plant than this example")]
mod fleet;

type Fallible<T> = Result<T, Box<dyn Error + Send + Sync>>;

const TUBES: usize = 500;
/// What is asked for: the first page, the numbers, and a picture.
const PATHS: [&str; 4] = ["/", "/changeovers?units=all", "/api/v1/risks", "/charts/board.svg"];

#[tokio::main]
async fn main() -> Fallible<()> {
    let mut args = std::env::args().skip(1);
    let dashboards: usize = args.next().map_or(Ok(1000), |text| text.parse())?;
    let seconds: u64 = args.next().map_or(Ok(20), |text| text.parse())?;
    let folder = tempfile::tempdir()?;
    let ledger = Ledger::open(&Place::Sqlite(folder.path().join("record.db"))).await?;
    let publisher = fleet::publisher(large(), fleet::site(), ledger, folder.path().join("photos"));
    let service = started(publisher::app(publisher)).await?;
    println!("{TUBES} tubes; {dashboards} dashboards, each once a second for {seconds} s");
    for path in PATHS {
        let bytes = Arc::new(body(service, path).await?);
        let media = if path.starts_with("/api") { "application/json" } else { "text/html; charset=utf-8" };
        let (told, kept) = (bytes.len(), bytes.clone());
        let bare = get(move || {
            let kept = kept.clone();
            async move { ([(header::CONTENT_TYPE, media)], kept.to_vec()) }
        });
        let bare = started(Router::new().route("/bare", bare)).await?;
        let (own_ms, bare_ms) = (alone_ms(service, path).await?, alone_ms(bare, "/bare").await?);
        println!("{path}\n  {:.1} kB; one at a time {own_ms:.2} ms, bare {bare_ms:.2} ms", told as f64 / 1000.0);
        for (what, address, path) in [("service", service, path), ("bare   ", bare, "/bare")] {
            let mut took = polled(address, path, dashboards, seconds).await?;
            took.sort();
            let at = |share: f64| took[((took.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
            let late = took.iter().filter(|took| **took > Duration::from_secs(1)).count();
            println!(
                "  {what} {} answers, {late} later than 1 s; median {:.1} ms, 99 % {:.1} ms, longest {:.1} ms",
                took.len(),
                at(0.5),
                at(0.99),
                at(1.0)
            );
        }
        let (own, bare) = (flooded(service, path).await?, flooded(bare, "/bare").await?);
        println!("  as fast as it goes: {own:.0} answers/s, bare {bare:.0}: ratio {:.3}", own / bare);
    }
    Ok(())
}

/// The invented plant with as many tubes as asked for.
fn large() -> publisher::Snapshot {
    let mut snapshot = fleet::snapshot();
    let ranked =
        snapshot.scores.iter().find(|score| score.drivers.len() > 2).expect("the plant has such a tube").clone();
    for number in snapshot.scores.len()..TUBES {
        let part = number as f64 / (2.0 * TUBES as f64);
        let (tube, unit) = (format!("T-1{number:04}"), format!("D-{number:04}"));
        let mut score = fleet::score(&unit, &tube, plant::State::Ok, "a fitted model");
        score.risks =
            fleet::risks([part * 0.6, part * 0.4, part], [part * 0.8, part * 0.5, part], [part, part * 0.6, part]);
        score.drivers.clone_from(&ranked.drivers);
        let mut detail = fleet::tube();
        (detail.tube.tube, detail.unit) = (fleet::tube_id(&tube), Some(fleet::unit_id(&unit)));
        snapshot.tubes.insert(detail.tube.tube.clone(), detail);
        snapshot.scores.push(score);
    }
    snapshot
}

async fn started(app: Router) -> Fallible<SocketAddr> {
    let listener = TcpListener::bind("127.0.0.1:0").await?;
    let address = listener.local_addr()?;
    tokio::spawn(publisher::serve(listener, app, std::future::pending()));
    Ok(address)
}

/// One request on a connection that stays open: the status line and headers, and the body.
async fn ask(stream: &mut TcpStream, path: &str, read: &mut Vec<u8>) -> Fallible<usize> {
    stream.write_all(format!("GET {path} HTTP/1.1\r\nhost: localhost\r\n\r\n").as_bytes()).await?;
    read.clear();
    loop {
        if stream.read_buf(read).await? == 0 {
            return Err("the connection was closed".into());
        }
        let Some(head) = read.windows(4).position(|bytes| bytes == b"\r\n\r\n") else { continue };
        let text = std::str::from_utf8(&read[..head])?.to_ascii_lowercase();
        if !text.starts_with("http/1.1 200") {
            return Err(format!("{path}: {text}").into());
        }
        let length = text.lines().find_map(|line| line.strip_prefix("content-length: "));
        let whole = head + 4 + length.ok_or("no content-length")?.trim().parse::<usize>()?;
        while read.len() < whole {
            if stream.read_buf(read).await? == 0 {
                return Err("the connection was closed".into());
            }
        }
        return Ok(head + 4);
    }
}

async fn body(address: SocketAddr, path: &str) -> Fallible<Vec<u8>> {
    let (mut stream, mut read) = (TcpStream::connect(address).await?, Vec::new());
    let head = ask(&mut stream, path, &mut read).await?;
    Ok(read.split_off(head))
}

/// The median of twenty requests, one after the other, ms.
async fn alone_ms(address: SocketAddr, path: &str) -> Fallible<f64> {
    let (mut stream, mut read, mut took) = (TcpStream::connect(address).await?, Vec::new(), Vec::new());
    for _ in 0..20 {
        let began = Instant::now();
        ask(&mut stream, path, &mut read).await?;
        took.push(began.elapsed().as_secs_f64() * 1e3);
    }
    took.sort_by(f64::total_cmp);
    Ok(took[10])
}

/// Dashboards that ask once a second, spread over the second: how long each answer took, counted from when it was due.
async fn polled(address: SocketAddr, path: &'static str, dashboards: usize, seconds: u64) -> Fallible<Vec<Duration>> {
    let mut tasks: JoinSet<Fallible<Vec<Duration>>> = JoinSet::new();
    let begin = Instant::now() + Duration::from_secs(1);
    for dashboard in 0..dashboards {
        tasks.spawn(async move {
            let (mut stream, mut read, mut took) = (TcpStream::connect(address).await?, Vec::new(), Vec::new());
            let first = begin + Duration::from_secs_f64(dashboard as f64 / dashboards as f64);
            for second in 0..seconds {
                let due = first + Duration::from_secs(second);
                tokio::time::sleep_until(due.into()).await;
                ask(&mut stream, path, &mut read).await?;
                took.push(due.elapsed());
            }
            Ok(took)
        });
    }
    let mut all = Vec::new();
    while let Some(done) = tasks.join_next().await {
        all.extend(done??);
    }
    Ok(all)
}

/// Answers a second over eight connections that never rest, for three seconds.
async fn flooded(address: SocketAddr, path: &'static str) -> Fallible<f64> {
    let mut tasks: JoinSet<Fallible<u64>> = JoinSet::new();
    let began = Instant::now();
    for _ in 0..8 {
        tasks.spawn(async move {
            let (mut stream, mut read, mut answers) = (TcpStream::connect(address).await?, Vec::new(), 0);
            while began.elapsed() < Duration::from_secs(3) {
                ask(&mut stream, path, &mut read).await?;
                answers += 1;
            }
            Ok(answers)
        });
    }
    let mut answers = 0;
    while let Some(done) = tasks.join_next().await {
        answers += done??;
    }
    Ok(answers as f64 / began.elapsed().as_secs_f64())
}
