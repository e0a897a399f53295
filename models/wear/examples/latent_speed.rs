//! How long latent wear takes on a fleet of 60 tubes, five years and 600 looks at twelve stations: a fit, a validation in
//! five folds, and scores.
//!
//! `cargo run --release -p wear --example latent_speed`

use std::thread;
use std::time::Instant;

use linfa::traits::Fit;
use wear::validate::by_tube_and_station;
use wear::{
    Ahead, HazardParams, Histories, Intervals, LatentCandidate, LatentParams, LifeHistory, Place, Readings, Row,
    Stretch, TubeHistory, WearError,
};

const TUBES: u32 = 60;
const LOOKS: u32 = 10;
const BETWEEN_H: f64 = 2500.0;
const TERMS: usize = 4;
const SCORED: usize = 10_000;

/// Uniform numbers, the same on every run (SplitMix64).
fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

/// Depth grows with hours and one exposure; a catch is honed and a new life begins.
fn fleet() -> Result<Histories, WearError> {
    let mut dice = 1;
    let places = (0..12).map(|station| Place { zone: station / 4, clock: station % 4 }).collect();
    let mut fleet = Histories::new((0..TERMS).map(|term| format!("term_{term}")).collect(), places);
    for tube in 0..TUBES {
        let own = (1.2 * uniform(&mut dice) - 0.6).exp();
        let (mut depth, mut lives, mut looks) = (0.0, Vec::new(), Vec::new());
        for _ in 0..LOOKS {
            let amounts: Vec<f64> = (0..TERMS).map(|_| BETWEEN_H * 2.0 * uniform(&mut dice)).collect();
            depth += own * (BETWEEN_H + amounts[0]) / 12_000.0;
            let grade = |depth: f64| [0.3, 1.0, 2.5].iter().filter(|edge| depth > **edge).count() as u8;
            let stations: Vec<(usize, u8)> =
                (0..12).map(|station| (station, grade(depth * (0.6 + 0.6 * uniform(&mut dice))))).collect();
            let caught = stations.iter().any(|(_, grade)| *grade >= 2);
            let readings = Readings { stations, ..Readings::default() };
            looks.push((Stretch { covered_h: BETWEEN_H, blind_h: 0.0, amounts }, readings));
            if caught {
                let life = lives.len() as u32 + 1;
                lives.push(LifeHistory::new(life, true, std::mem::take(&mut looks)));
                depth = 0.0;
            }
        }
        lives.push(LifeHistory::new(lives.len() as u32 + 1, true, looks));
        fleet.push(TubeHistory { tube: format!("T{tube:02}"), surface: 0, lives })?;
    }
    Ok(fleet)
}

/// The same fleet as rows of the worst grade.
fn rows(fleet: &Histories) -> Result<Intervals, WearError> {
    let mut rows = Intervals::builder(fleet.terms().to_vec());
    for tube in fleet.tubes() {
        for life in &tube.lives {
            let (mut age_h, mut grade_start) = (0.0, 0);
            for (stretch, readings) in &life.looks {
                let grade_end = readings.worst().unwrap_or(0).max(grade_start);
                rows.row(Row { group: &tube.tube, life: life.life, grade_start, grade_end })?;
                let x: Vec<f64> = stretch.amounts.iter().map(|amount| (amount / stretch.covered_h).ln_1p()).collect();
                rows.cell(age_h, age_h + stretch.covered_h, &x)?;
                (age_h, grade_start) = (age_h + stretch.covered_h, grade_end);
            }
        }
    }
    rows.build()
}

/// What is found of each of the scored tubes, in their order.
fn on_all_cores<T: Send>(of: impl Fn(usize) -> Result<T, WearError> + Sync) -> Result<Vec<T>, WearError> {
    let share = SCORED.div_ceil(thread::available_parallelism().map_or(1, usize::from));
    let mut found: Vec<Option<Result<T, WearError>>> = (0..SCORED).map(|_| None).collect();
    thread::scope(|scope| {
        for (core, places) in found.chunks_mut(share).enumerate() {
            let of = &of;
            scope.spawn(move || {
                places.iter_mut().enumerate().for_each(|(place, found)| *found = Some(of(core * share + place)));
            });
        }
    });
    found.into_iter().flatten().collect()
}

fn main() -> Result<(), WearError> {
    let fleet = fleet()?;
    let catches = fleet.tubes().iter().map(|tube| tube.lives.len() - 1).sum::<usize>();
    println!("{TUBES} tubes, {} looks at 12 stations, {catches} catches", TUBES * LOOKS);
    let begun = Instant::now();
    let latent = LatentParams::new().fit(&fleet.clone().dataset())?;
    let (steps, settled) = (latent.iterations, latent.converged);
    println!(
        "fit: {:.2?} for {steps} steps, converged {settled}, log likelihood {:.2}",
        begun.elapsed(),
        latent.log_likelihood
    );
    let (params, rows) = (LatentParams::new(), rows(&fleet)?);
    let begun = Instant::now();
    let candidate = LatentCandidate { params: &params, histories: &fleet };
    let found = by_tube_and_station(&rows, 2, &[HazardParams::new().ridge(1.0)], Some(candidate), 5)?;
    println!("validation in 5 folds: {:.2?}; {:?}: {}", begun.elapsed(), found.kind, found.verdict);
    let outlook = latent.outlook();
    let begun = Instant::now();
    // On all cores, as the program scores a fleet: each tube with all its looks, then again at a later hour as the program does,
    // which keeps what the looks said.
    let filtered = on_all_cores(|number| Ok(outlook.filter(&fleet.tubes()[number % fleet.tubes().len()])))?;
    let passed = begun.elapsed();
    let begun = Instant::now();
    let risks = on_all_cores(|number| {
        let mut sum = 0.0;
        for coming in [0.0, 250.0, 500.0, 1000.0] {
            sum += outlook.risk(&filtered[number], Ahead { covered: 300.0, blind: 0.0, coming })?.risk;
        }
        Ok(sum)
    })?;
    let mean = risks.iter().sum::<f64>() / (4 * SCORED) as f64;
    let again = begun.elapsed();
    println!(
        "{SCORED} tubes at four horizons: {:.2?} with all their looks, {again:.2?} again; mean risk {mean:.4}",
        passed + again
    );
    Ok(())
}
