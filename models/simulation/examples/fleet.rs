//! What the invented plant is like over two years, seed by seed: `cargo run --release -p simulation --example fleet -- 20`.
//!
//! The two last columns say how well the looks at the limit are told from the others by run hours since the life began,
//! and by those hours weighted with the true exposures (area under the curve): what a fitted model can hope for.

use std::time::Instant;

use jiff::Timestamp;
use plant::{Grade, TubeId, hour_of};
use simulation::{HourTruth, Plant};

fn main() {
    let seeds = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(1);
    let start: Timestamp = "2024-01-01T00:00:00Z".parse().expect("a time");
    let end: Timestamp = "2026-01-01T00:00:00Z".parse().expect("a time");
    println!(
        "seed invent_s past_s readings run_h looks complete catches scored swaps advice lives true_h50 auc_h auc_ideal drive"
    );
    let mut all = Vec::new();
    for seed in 1..=seeds {
        let began = Instant::now();
        let plant = Plant::new(seed, start, end);
        let invent_s = began.elapsed().as_secs_f64();
        let began = Instant::now();
        let readings: usize = plant.past().map(|day| day.len()).sum();
        let past_s = began.elapsed().as_secs_f64();
        let record = plant.record();
        let mut whole = HourTruth::default();
        plant.truth().units.values().flat_map(|unit| &unit.hours).for_each(|hour| whole.include(hour));
        let looks: Vec<_> = record.tubes.keys().flat_map(|tube| record.looks(tube)).collect();
        let complete = looks.iter().filter(|look| look.complete).count();
        let scored = looks.iter().filter(|look| look.grade.is_some_and(|grade| grade.get() >= 3)).count();
        let advice =
            looks.iter().filter(|l| matches!(l.reason, Some(plant::Reason::Advice | plant::Reason::Complaint))).count();
        let rows = rows(&plant);
        let catches = rows.iter().filter(|row| row.caught).count();
        let mut times: Vec<f64> = plant.truth().lives.iter().filter_map(|life| Some(life.caught?.run_h)).collect();
        times.sort_by(f64::total_cmp);
        println!(
            "{seed} {invent_s:.1} {past_s:.1} {readings} {:.0} {} {complete} {catches} {scored} {} {advice} {} {:.0} {:.2} {:.2} {:.2}",
            whole.run_h,
            looks.len(),
            record.fittings.len() - 12,
            plant.truth().lives.len(),
            times.get(times.len() / 2).copied().unwrap_or(f64::NAN),
            area(&rows, |row| row.run_h),
            area(&rows, |row| row.known_h),
            whole.drive_h / whole.run_h,
        );
        all.extend(rows);
    }
    let rate = all.iter().filter(|row| row.caught).count() as f64 / all.len() as f64;
    println!("all {:.2} {:.2}, rate {rate:.2}", area(&all, |row| row.run_h), area(&all, |row| row.known_h));
}

/// From the beginning of a life to a look at which the limit had not been read before.
struct Row {
    run_h: f64,
    known_h: f64,
    caught: bool,
}

fn rows(plant: &Plant) -> Vec<Row> {
    let record = plant.record();
    let mut rows = Vec::new();
    for tube in record.tubes.keys() {
        let lives = record.lives(tube);
        for span in record.spans(tube, Grade::CATCH).into_iter().filter(|span| span.grade_start < Grade::CATCH) {
            let life = &lives[span.life as usize - 1];
            let from = hour_of(life.from.unwrap_or_else(|| plant.start()));
            let done = exposure(plant, tube, from, hour_of(span.end_at));
            let run_h = life.run_h_before + done.run_h;
            let work = done.excess_work_mj / done.shaft_work_mj.max(1.0) * done.run_h;
            let known_h = 3.0 * life.run_h_before
                + done.run_h
                + 200.0 * work
                + 250.0 * done.dry_h
                + 0.4 * f64::from(done.starts)
                + 5.0 * f64::from(done.cold_starts);
            rows.push(Row { run_h, known_h, caught: span.grade_end >= Grade::CATCH });
        }
    }
    rows
}

/// The true sums of a tube between two hours, wherever it sat.
fn exposure(plant: &Plant, tube: &TubeId, from: i64, to: i64) -> HourTruth {
    let mut sum = HourTruth::default();
    for fitting in plant.record().fittings_of(tube) {
        let fitted_to = fitting.to.map_or(to, hour_of).min(to);
        sum.include(&plant.truth().units[&fitting.unit].sum(from.max(hour_of(fitting.from)), fitted_to));
    }
    sum
}

/// The share of pairs of a catch and none in which the catch has the greater value.
fn area(rows: &[Row], value: impl Fn(&Row) -> f64) -> f64 {
    let (mut right, mut pairs) = (0.0, 0.0);
    for caught in rows.iter().filter(|row| row.caught) {
        for not in rows.iter().filter(|row| !row.caught) {
            pairs += 1.0;
            right += if value(caught) > value(not) { 1.0 } else { 0.0 };
        }
    }
    right / pairs
}
