//! Rows per second into the journal and back, against the bare SQLite driver doing the same in the same run.
//!
//! `cargo run --release -p ledger --example journal_speed -- [ROWS] [ROWS PER COMMIT] [postgresql://URL]`

use std::error::Error;
use std::path::Path;
use std::time::Instant;

use jiff::Timestamp;
use ledger::{Ledger, Place};
use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};
use sqlx::{ConnectOptions, Connection, QueryBuilder, Row, Sqlite};

type Failure = Box<dyn Error + Send + Sync>;

const SIGNALS: [Signal; 4] = [Signal::Torque, Signal::ProductTemp, Signal::RunHours, Signal::Speed];

#[tokio::main]
async fn main() -> Result<(), Failure> {
    let mut arguments = std::env::args().skip(1);
    let rows: i64 = arguments.next().map_or(Ok(500_000), |text| text.parse())?;
    let per_commit: usize = arguments.next().map_or(Ok(10_000), |text| text.parse())?;
    let folder = tempfile::tempdir()?;
    let readings = (0..rows).map(reading).collect::<Result<Vec<_>, _>>()?;
    println!("{rows} rows, {per_commit} per commit; rows per second     in         back");
    let (bare_in, bare_back) = bare(&folder.path().join("bare.db"), &readings, per_commit).await?;
    println!("bare SQLite driver                                {bare_in:>10.0} {bare_back:>10.0}");
    let mut places = vec![("ledger on SQLite    ", Place::Sqlite(folder.path().join("ours.db")))];
    places.extend(arguments.next().map(|url| ("ledger on PostgreSQL", Place::Postgres(url))));
    for (name, place) in places {
        let (put, got) = ours(&place, &readings, per_commit).await?;
        println!(
            "{name}                              {put:>10.0} {got:>10.0}   ratio {:.2} {:.2}",
            put / bare_in,
            got / bare_back
        );
    }
    Ok(())
}

fn reading(n: i64) -> Result<Reading, Failure> {
    Ok(Reading {
        unit: UnitId::new(&format!("C-{}", 101 + n / 4 % 15))?,
        signal: SIGNALS[(n % 4) as usize],
        at: Timestamp::from_microsecond(1_700_000_000_000_000 + n / 60 * 1_000_000)?,
        value: Value::Number(n as f64 * 0.1),
        quality: Quality::Good,
        time_source: TimeSource::Own,
    })
}

fn per_second(rows: usize, begun: Instant) -> f64 {
    rows as f64 / begun.elapsed().as_secs_f64()
}

async fn ours(place: &Place, readings: &[Reading], per_commit: usize) -> Result<(f64, f64), Failure> {
    let ledger = Ledger::open(place).await?;
    let begun = Instant::now();
    for group in readings.chunks(per_commit) {
        ledger.append(group).await?;
    }
    let put = per_second(readings.len(), begun);
    let begun = Instant::now();
    let back = ledger.journal_from(Timestamp::MIN).await?;
    let got = per_second(back.len(), begun);
    ledger.close().await;
    Ok((put, got))
}

async fn bare(path: &Path, readings: &[Reading], per_commit: usize) -> Result<(f64, f64), Failure> {
    let options = SqliteConnectOptions::new()
        .filename(path)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full);
    let mut connection = options.connect().await?;
    let first = include_str!("../migrations/sqlite/0001_first.sql");
    sqlx::raw_sql(first).execute(&mut connection).await?;
    let begun = Instant::now();
    for group in readings.chunks(per_commit) {
        let mut tx = connection.begin_with("BEGIN IMMEDIATE").await?;
        for chunk in group.chunks(256) {
            let mut query: QueryBuilder<Sqlite> = QueryBuilder::new(
                "INSERT INTO journal (at_us, unit, signal, kind, number, word, quality, time_source) ",
            );
            query.push_values(chunk, |mut row, reading| {
                row.push_bind(reading.at.as_microsecond())
                    .push_bind(reading.unit.as_str().to_owned())
                    .push_bind(reading.signal.as_str())
                    .push_bind(1)
                    .push_bind(reading.value.number())
                    .push_bind("")
                    .push_bind(reading.quality as u8)
                    .push_bind(reading.time_source as u8);
            });
            query.push(" ON CONFLICT DO NOTHING");
            query.build().execute(&mut *tx).await?;
        }
        tx.commit().await?;
    }
    let put = per_second(readings.len(), begun);
    let begun = Instant::now();
    let rows = sqlx::query("SELECT * FROM journal ORDER BY at_us").fetch_all(&mut connection).await?;
    let back = rows
        .iter()
        .map(|row| {
            Ok(Reading {
                unit: UnitId::new(row.get("unit"))?,
                signal: row.get::<&str, _>("signal").parse()?,
                at: Timestamp::from_microsecond(row.get("at_us"))?,
                value: Value::Number(row.get("number")),
                quality: Quality::from_code(row.get("quality")).ok_or("unknown quality")?,
                time_source: TimeSource::from_code(row.get("time_source")).ok_or("unknown time source")?,
            })
        })
        .collect::<Result<Vec<_>, Failure>>()?;
    Ok((put, per_second(back.len(), begun)))
}
