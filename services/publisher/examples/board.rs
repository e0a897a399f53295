//! Serves an invented plant, so that pages can be looked at: `board [PORT] [plant|fleet|trouble|worn|empty|away] [ORIGIN] [PASSWORD]`.

use std::error::Error;

use ledger::{By, Ledger, Place};
use tokio::net::TcpListener;

#[path = "../tests/public/fleet.rs"]
#[allow(dead_code, reason = "the tests use more of the invented plant than this example")]
mod fleet;

#[tokio::main]
async fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let port: u16 = args.next().map_or(Ok(8080), |port| port.parse())?;
    let mut snapshot = match args.next().as_deref() {
        Some("empty") => fleet::empty(),
        _ => fleet::snapshot(),
    };
    match std::env::args().nth(2).as_deref() {
        // A tube with a flake, and a signal that never came.
        Some("trouble") => {
            let flaked = snapshot.tubes.get_mut(&fleet::tube_id("T-0042")).and_then(|detail| detail.looks.last_mut());
            if let (Some(look), Some((station, _))) =
                (flaked, fleet::tube().looks.last().and_then(|look| look.stations.iter().next()))
            {
                let grade = plant::Grade::try_from(4)?;
                look.others.insert(station.clone(), (grade, plant::Kind::Flake));
                (look.worst_mark, look.hold_and_assess) = (Some(grade), true);
            }
            for score in snapshot.scores.iter_mut().filter(|score| score.tube == Some(fleet::tube_id("T-0042"))) {
                score.hold_and_assess = true;
            }
            if let Some(silent) = snapshot.signals.first_mut() {
                (silent.count, silent.last_at, silent.arrived_at) = (0, None, None);
                (silent.value, silent.raw, silent.per_min) = (String::new(), String::new(), 0.0);
            }
        }
        // A tube with a long record.
        Some("worn") => {
            snapshot.tubes.insert(fleet::tube_id("T-0042"), fleet::worn_tube());
        }
        // A plant of 24 units: what the board looks like on a control-room screen.
        Some("fleet") => {
            for number in 0..16u32 {
                let part = f64::from(number) / 20.0;
                let mut score = fleet::score(
                    &format!("D-{}", 201 + number),
                    &format!("T-1{number:03}"),
                    plant::State::Ok,
                    "a fitted model",
                );
                score.risks = fleet::risks(
                    [part * 0.6, part * 0.4, part * 0.6 + 0.1],
                    [part * 0.8, part * 0.5, part],
                    [part, part * 0.6, part + 0.15],
                );
                score.drivers = fleet::scores().swap_remove(4).drivers;
                snapshot.scores.push(score);
            }
        }
        Some("away") => {
            snapshot.link.connected = false;
            snapshot.link.error = Some("connection refused (127.0.0.1:1883)".to_owned());
            snapshot.journal.error = Some("no space left on device".to_owned());
        }
        _ => {}
    }
    let listener = TcpListener::bind(("127.0.0.1", port)).await?;
    println!("http://{}", listener.local_addr()?);
    let shutdown = async {
        // Without a signal handler the process simply ends with the terminal.
        let _ = tokio::signal::ctrl_c().await;
    };
    let mut site = fleet::site();
    if let Some(origin) = std::env::args().nth(3).filter(|origin| !origin.is_empty()) {
        site.frame_origins = vec![origin.parse()?];
    }
    let folder = tempfile::tempdir()?;
    let ledger = Ledger::open(&Place::Sqlite(folder.path().join("ledger.db"))).await?;
    fleet::write_down(&ledger, &snapshot).await;
    let advice: Vec<_> = snapshot.advice.iter().map(|advice| plant::Advice { id: 0, ..advice.clone() }).collect();
    ledger.keep_advice(&advice, &[], &By { who: "the service".to_owned(), at: fleet::now() }).await?;
    if let Some(password) = std::env::args().nth(4) {
        let by = By { who: "the command line".to_owned(), at: fleet::now() };
        ledger.add_person("Inspector", plant::Role::Inspector, &password, &by).await?;
        ledger.add_person("Operations", plant::Role::Operations, &password, &by).await?;
        println!("token {}", ledger.add_token("a machine", plant::Role::Analyst, &by).await?);
    }
    let publisher = fleet::publisher(snapshot, site, ledger, folder.path().join("photos"));
    publisher::serve(listener, publisher::app(publisher), shutdown).await?;
    Ok(())
}
