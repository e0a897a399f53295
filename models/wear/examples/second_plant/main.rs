//! How much of what can be known does a model know? Invented plants of many kinds, hours alone at the bottom, an oracle
//! that knows the law at the top; the share of the Brier gap between the two that each rival closes.
//!
//! `cargo run --release -p wear --example second_plant -- FIRST PLANTS UNITS...` (0 20 12 48 if not given); with `tell SEED UNITS` one plant as JSON.
#![allow(missing_docs)]

mod chance;
mod oracle;
mod plant;
mod rivals;
mod tell;

use std::collections::{BTreeMap, VecDeque};

use chance::Chance;
use plant::Plant;
use rivals::Foretold;

fn main() {
    if std::env::args().nth(1).is_some_and(|word| word == "tell") {
        let number = |at: usize| std::env::args().nth(at).and_then(|text| text.parse::<u64>().ok()).unwrap_or(12);
        let (seed, units) = (number(2), number(3) as usize);
        let (plant, foretold, best) = judged(seed, units, &mut 0.0);
        println!("{}", tell::tell(&plant, &foretold, &best));
        return;
    }
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let (first, plants) = (numbers.first().copied().unwrap_or(0), numbers.get(1).copied().unwrap_or(20));
    let sizes = numbers.get(2..).filter(|sizes| !sizes.is_empty()).unwrap_or(&[12, 48]);
    for units in sizes {
        size(first, plants, *units as usize);
    }
}

/// Mean squared difference to outcomes that are chances themselves, above what no forecast can avoid.
fn excess(foretold: &[Foretold], of: impl Fn(&Foretold) -> f64) -> f64 {
    foretold.iter().map(|look| (of(look) - look.outcome).powi(2)).sum::<f64>() / foretold.len() as f64
}

/// What a forecast says of a look.
type Forecast = fn(&Foretold) -> f64;

/// Names and forecasts that are scored.
const RIVALS: [(&str, Forecast); 7] = [
    ("hours alone", |look| look.hours_only),
    ("hazard", |look| look.hazard),
    ("latent", |look| look.latent),
    ("recalibrated", |look| look.recalibrated),
    ("mean of two", |look| 0.5 * (look.recalibrated + look.hazard)),
    ("published", |look| look.published),
    ("cautious", |look| look.cautious),
];

/// A plant, its looks with what the rivals foretold, and what the oracle did.
fn judged(seed: u64, units: usize, seconds: &mut f64) -> (Plant, Vec<Foretold>, Vec<f64>) {
    let plant = Plant::new(1000 * units as u64 + seed, units);
    let foretold = rivals::foretell(&plant, seconds);
    let mut chance = Chance::new(seed);
    let mut of_tube: BTreeMap<usize, VecDeque<f64>> = BTreeMap::new();
    for (number, tube) in plant.tubes.iter().enumerate() {
        of_tube.insert(number, oracle_of(&plant, tube, &mut chance).into());
    }
    let mut next = |look: &Foretold| of_tube.get_mut(&look.tube).and_then(VecDeque::pop_front).expect("one per look");
    let best = foretold.iter().map(&mut next).collect();
    (plant, foretold, best)
}

fn size(first: u64, plants: u64, units: usize) {
    let mut briers: Vec<[f64; RIVALS.len()]> = Vec::new();
    let (mut bests, mut all, mut within, mut seconds) = (Vec::new(), Vec::new(), 0.0, 0.0);
    for seed in first..first + plants {
        let (_, foretold, oracle) = judged(seed, units, &mut seconds);
        let mut best = 0.0;
        for (look, p) in foretold.iter().zip(oracle) {
            best += (p - look.outcome).powi(2) / foretold.len() as f64;
            within += f64::from(u8::from(look.lower <= p && p <= look.upper));
        }
        let of_plant = RIVALS.map(|(_, of)| excess(&foretold, of));
        let share = |brier: f64| (of_plant[0] - brier) / (of_plant[0] - best);
        println!(
            "plant {seed:2}: {:4} looks, hours {:.4} oracle {best:.4}; hazard {:5.2} latent {:5.2} recalibrated {:5.2} published {:5.2}",
            foretold.len(),
            of_plant[0],
            share(of_plant[1]),
            share(of_plant[2]),
            share(of_plant[3]),
            share(of_plant[5]),
        );
        briers.push(of_plant);
        bests.push(best);
        all.extend(foretold);
    }
    let looks = all.len() as f64;
    println!(
        "{units} units, {plants} plants from {first}, {looks} looks, {:.3} of outcomes are catches; oracle within the latent interval {:.2}; {:.1} s per plant",
        all.iter().map(|look| look.outcome).sum::<f64>() / looks,
        within / looks,
        seconds / plants as f64
    );
    for (rival, (name, of)) in RIVALS.iter().enumerate().skip(1) {
        let gaps = briers.iter().zip(&bests);
        let (closed, open): (Vec<f64>, Vec<f64>) =
            gaps.map(|(brier, best)| (brier[0] - brier[rival], brier[0] - best)).unzip();
        let (pooled, se) = ratio(&closed, &open);
        let better = closed.iter().filter(|closed| **closed > 0.0).count() as f64 / closed.len() as f64;
        let pairs: Vec<(f64, f64)> = all.iter().map(|look| (of(look), look.outcome)).collect();
        println!(
            "  {name:13} closes {pooled:.3} +- {se:.3} of the mean gap, better than hours alone on {better:.2}, slope {:.2}",
            slope(&pairs)
        );
    }
}

fn oracle_of(plant: &Plant, tube: &plant::Tube, chance: &mut Chance) -> Vec<f64> {
    let all = oracle::foretell(plant, tube, chance);
    let mut kept = Vec::new();
    let mut at = 0;
    for life in &tube.lives {
        let mut worst = 0;
        for looked in life {
            worst = worst.max(looked.worst());
            if looked.outcome.is_some() {
                if worst < 2 {
                    kept.push(all[at]);
                }
                at += 1;
            }
        }
    }
    kept
}

/// Ratio of two sums over plants, with its standard error (plants resampled, to first order).
fn ratio(above: &[f64], below: &[f64]) -> (f64, f64) {
    let n = above.len() as f64;
    let (a, b) = (above.iter().sum::<f64>() / n, below.iter().sum::<f64>() / n);
    let ratio = a / b;
    let left: f64 = above.iter().zip(below).map(|(above, below)| (above - ratio * below).powi(2)).sum();
    (ratio, (left / (n - 1.0) / n).sqrt() / b)
}

/// Slope of the logistic regression of outcomes on the logit of what was foretold.
fn slope(pooled: &[(f64, f64)]) -> f64 {
    let logits: Vec<(f64, f64)> =
        pooled.iter().map(|(p, y)| (p.clamp(1e-4, 1.0 - 1e-4), y)).map(|(p, y)| ((p / (1.0 - p)).ln(), *y)).collect();
    let (mut a, mut b) = (0.0, 1.0);
    for _ in 0..30 {
        let mut g = [0.0; 2];
        let mut h = [0.0; 3];
        for (x, y) in &logits {
            let p = 1.0 / (1.0 + (-(a + b * x)).exp());
            let w = p * (1.0 - p);
            g[0] += y - p;
            g[1] += (y - p) * x;
            h[0] += w;
            h[1] += w * x;
            h[2] += w * x * x;
        }
        let d = h[0] * h[2] - h[1] * h[1];
        a += (h[2] * g[0] - h[1] * g[1]) / d;
        b += (h[0] * g[1] - h[1] * g[0]) / d;
    }
    b
}
