//! How much of what can be known does a model know? Invented plants of many kinds, hours alone at the bottom, an oracle
//! that knows the law at the top; the share of the Brier gap between the two that each rival closes.
//!
//! `cargo run --release -p wear --example second_plant -- PLANTS UNITS...`
#![allow(missing_docs)]

mod chance;
mod oracle;
mod plant;
mod rivals;

use chance::Chance;
use plant::Plant;
use rivals::Foretold;

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let plants = numbers.first().copied().unwrap_or(20);
    let sizes = if numbers.len() > 1 { numbers[1..].to_vec() } else { vec![12, 48] };
    for units in sizes {
        size(plants, units as usize);
    }
}

/// Mean squared difference to outcomes that are chances themselves, above what no forecast can avoid.
fn excess(foretold: &[Foretold], of: impl Fn(&Foretold) -> f64) -> f64 {
    foretold.iter().map(|look| (of(look) - look.outcome).powi(2)).sum::<f64>() / foretold.len() as f64
}

fn size(plants: u64, units: usize) {
    let (mut hazard, mut latent, mut mean) = (Vec::new(), Vec::new(), Vec::new());
    let mut pooled: Vec<(f64, f64)> = Vec::new();
    let mut sums = [0.0; 5];
    let (mut seconds, mut within, mut looks, mut catches, mut nodes) = (0.0, 0.0, 0, 0.0, 0.0);
    for seed in 0..plants {
        let plant = Plant::new(1000 * units as u64 + seed, units);
        let foretold = rivals::foretell(&plant, &mut seconds);
        let mut chance = Chance::new(seed);
        let mut of_tube = std::collections::BTreeMap::new();
        let mut best = 0.0;
        for (number, tube) in plant.tubes.iter().enumerate() {
            of_tube.insert(number, oracle_of(&plant, tube, &mut chance));
        }
        let mut taken = std::collections::BTreeMap::new();
        for look in &foretold {
            let next: &mut usize = taken.entry(look.tube).or_default();
            let p = of_tube[&look.tube][*next];
            *next += 1;
            best += (p - look.outcome).powi(2) / foretold.len() as f64;
            within += f64::from(u8::from(look.lower <= p && p <= look.upper));
            looks += 1;
            nodes += look.node_share;
            catches += look.outcome;
            pooled.push((look.latent, look.outcome));
        }
        let floor = excess(&foretold, |look| look.hours_only);
        let share = |brier: f64| (floor - brier) / (floor - best);
        let of = |of: fn(&Foretold) -> f64| share(excess(&foretold, of));
        hazard.push(of(|look| look.hazard));
        latent.push(of(|look| look.latent));
        mean.push(of(|look| 0.5 * (look.latent + look.hazard)));
        let briers = [
            floor,
            best,
            excess(&foretold, |look| look.hazard),
            excess(&foretold, |look| look.latent),
            excess(&foretold, |look| 0.5 * (look.latent + look.hazard)),
        ];
        sums.iter_mut().zip(briers).for_each(|(sum, brier)| *sum += brier);
        println!(
            "plant {seed:2}: {:4} looks, hours {floor:.4} oracle {best:.4}; hazard {:5.2} latent {:5.2} mean {:5.2}",
            foretold.len(),
            hazard[hazard.len() - 1],
            latent[latent.len() - 1],
            mean[mean.len() - 1],
        );
    }
    println!("{units} units, {plants} plants, {looks} looks, mean outcome {:.3}:", catches / looks as f64);
    for (at, (name, shares)) in [("hazard", &hazard), ("latent", &latent), ("mean of both", &mean)].into_iter().enumerate() {
        let pooled = (sums[0] - sums[at + 2]) / (sums[0] - sums[1]);
        let (average, se) = mean_se(shares);
        let better = shares.iter().filter(|share| **share > 0.0).count() as f64 / shares.len() as f64;
        println!("  {name:14} share of the mean gap {pooled:.3}, per plant {average:.3} +- {se:.3}, better than hours alone on {better:.2}");
    }
    println!("  latent slope {:.3}, oracle within interval {:.3}, nodes used {:.2}, {:.2} s per plant", slope(&pooled), within / looks as f64, nodes / looks as f64, seconds / plants as f64);
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

fn mean_se(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, (variance / n).sqrt())
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
