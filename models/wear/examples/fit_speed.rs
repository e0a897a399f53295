//! How long a fit takes on a fleet of 60 tubes, 600 rows and five years of hourly cells.
//!
//! `cargo run --release -p wear --example fit_speed`

use std::time::Instant;

use linfa::traits::Fit;
use wear::validate::by_tube;
use wear::{HazardParams, Intervals, RidgeScale, Row, Shape, WearError};

const TUBES: u32 = 60;
const ROWS_PER_TUBE: u32 = 10;
const HOURS_PER_ROW: u32 = 4380;
const TERMS: usize = 6;

/// Uniform numbers, the same on every run (SplitMix64).
fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

fn fleet() -> Result<Intervals, WearError> {
    let mut dice = 1;
    let mut table = Intervals::builder((1..=TERMS).map(|term| format!("term_{term}")));
    for tube in 0..TUBES {
        let mut age_h = 0.0;
        for row in 0..ROWS_PER_TUBE {
            let harsh: Vec<f64> = (0..TERMS).map(|_| uniform(&mut dice)).collect();
            let cells: Vec<Vec<f64>> = (0..HOURS_PER_ROW)
                .map(|_| harsh.iter().map(|harsh| harsh * 2.0 * uniform(&mut dice)).collect())
                .collect();
            let worn: f64 = cells.iter().map(|x| (-12.0 + 1.6 * x[0] + 1.0 * x[1]).exp()).sum();
            let grade_end = if uniform(&mut dice) > (-worn).exp() { 2 } else { 0 };
            table.row(Row { group: &tube.to_string(), life: row, grade_start: 0, grade_end })?;
            for x in &cells {
                table.cell(age_h, age_h + 1.0, x)?;
                age_h += 1.0;
            }
        }
    }
    table.build()
}

fn main() -> Result<(), WearError> {
    let begun = Instant::now();
    let rows = fleet()?;
    println!("{} rows, {} cells, built in {:.2?}", rows.len(), TUBES * ROWS_PER_TUBE * HOURS_PER_ROW, begun.elapsed());
    let ridge = HazardParams::new().ridge(1.0).ridge_scale(RidgeScale::Sd);
    let cases = [("shape 1", Shape::Fixed(1.0)), ("shape 1.5", Shape::Fixed(1.5)), ("shape fitted", Shape::Fitted)];
    for (name, shape) in cases {
        let begun = Instant::now();
        let fit = ridge.clone().shape(shape).fit(&rows.dataset(2))?;
        let (events, steps) = (fit.n_events, fit.iterations);
        println!("{name}: {:.2?} for {steps} steps, {events} events, shape {:.2}", begun.elapsed(), fit.shape);
    }
    let begun = Instant::now();
    let found = by_tube(&rows, 2, &[ridge], 5)?;
    println!("validation in 5 folds: {:.2?}; {}", begun.elapsed(), found.verdict);
    Ok(())
}
