//! How full the disk of the readings is, and when it will be full.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use jiff::Span;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use plant::{Clock, DayFile};
use publisher::Disk;
use tokio::sync::watch;

use crate::plant_store::PlantStore;
use crate::run::pause;

/// How often it is looked.
const EVERY: Duration = Duration::from_secs(60);
/// The growth of so many days at most stands for the future.
const DAYS: i32 = 30;
/// From so many days on it is a warning, once a day.
const WARN_DAYS: f64 = 60.0;

/// Looks again and again until the service is told to stop.
///
/// # Errors
/// None: what goes wrong is logged, and the last look stands.
pub async fn keep_up(
    store: Arc<PlantStore>,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
) -> anyhow::Result<()> {
    let mut warned = None;
    loop {
        let today = clock.now().to_zoned_datetime(TimeZone::UTC).date();
        match look(&store, today).await {
            Ok(disk) => {
                if let Some(days) = disk.full_in_days.filter(|days| *days < WARN_DAYS)
                    && warned != Some(today)
                {
                    let free_mb = disk.free_bytes / 1_000_000;
                    tracing::warn!(
                        "the disk of the readings is full in {days:.0} days at this rate: {free_mb} MB are free"
                    );
                    warned = Some(today);
                }
                store.disk.set(Some(disk));
            }
            Err(error) => tracing::warn!(error = format!("{error:#}"), "how full the disk is cannot be told"),
        }
        if !pause(EVERY, &stopped).await {
            return Ok(());
        }
    }
}

async fn look(store: &PlantStore, today: Date) -> anyhow::Result<Disk> {
    let files = store.ledger.day_files().await?;
    Ok(forecast(free(store.store.data())?, &files, today))
}

/// What is free for this process, bytes.
fn free(folder: &Path) -> anyhow::Result<u64> {
    let disk = rustix::fs::statvfs(folder).with_context(|| format!("cannot look at {}", folder.display()))?;
    Ok(disk.f_bavail.saturating_mul(disk.f_frsize))
}

/// When the disk is full, if the coming days hold as much as the last 30 whole ones, or as many as there are.
fn forecast(free_bytes: u64, files: &[DayFile], today: Date) -> Disk {
    let from = today.saturating_sub(Span::new().days(DAYS));
    let recent = || files.iter().filter(|file| file.day >= from && file.day < today);
    let bytes_per_day = recent().map(|file| file.day).min().map(|first| {
        let days = f64::from((today - first).get_days());
        recent().map(|file| file.bytes as f64).sum::<f64>() / days
    });
    let full_in_days = bytes_per_day.filter(|daily| *daily > 0.0).map(|daily| free_bytes as f64 / daily);
    Disk { free_bytes, bytes_per_day, full_in_days }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(day: Date, bytes: u64) -> DayFile {
        DayFile {
            day,
            generation: 1,
            path: String::new(),
            rows: 1,
            conflicts: 0,
            first_at: jiff::Timestamp::UNIX_EPOCH,
            last_at: jiff::Timestamp::UNIX_EPOCH,
            bytes,
            signals: None,
        }
    }

    #[test]
    fn days_that_brought_nothing_count_and_today_does_not() {
        let today = jiff::civil::date(2026, 5, 11);
        let day = |day| jiff::civil::date(2026, 5, day);
        // 10 days, of which 3 brought 200 bytes each: 60 bytes a day; 6000 bytes last 100 days.
        let files = [file(day(1), 200), file(day(2), 200), file(day(9), 200), file(today, 1_000_000)];
        let disk = forecast(6000, &files, today);
        assert_eq!((disk.bytes_per_day, disk.full_in_days), (Some(60.0), Some(100.0)));
        let old = file(jiff::civil::date(2025, 1, 1), 1_000_000);
        assert_eq!(
            forecast(6000, &[&[old], &files[..]].concat(), today),
            disk,
            "a past that was imported says nothing"
        );
        assert_eq!(forecast(6000, &files[3..], today).full_in_days, None, "today is not over");
    }

    #[test]
    fn what_is_free_is_what_the_system_says() {
        let folder = tempfile::tempdir().unwrap();
        let output = std::process::Command::new("df").arg("--output=avail").arg("-B1").arg(folder.path()).output();
        let said = String::from_utf8(output.unwrap().stdout).unwrap();
        let said: f64 = said.lines().last().unwrap().trim().parse().unwrap();
        let ratio = free(folder.path()).unwrap() as f64 / said;
        assert!((0.9..1.1).contains(&ratio), "{ratio}");
    }
}
