//! What anybody could do who knew the law: a particle filter over the hidden state, fed with what was logged.

use crate::chance::Chance;
use crate::plant::{AHEAD_H, Campaign, EXCESS_SD, Law, Looked, Nature, Plant, READ_SD, STATIONS, Tube};

const PATHS: usize = 800;
/// Walls per path and station: given the path of a tube, its stations are strangers to each other.
const WALLS: usize = 16;
/// Guesses of the trouble that a unit is in.
const GUESSES: usize = 200;

#[derive(Clone)]
struct Path {
    frailty: f64,
    life: f64,
    /// Lie and drive, wall by wall, station by station.
    walls: Vec<[(f64, f64); WALLS]>,
}

/// For each look of a tube with an outcome, the chance of a catch.
pub fn foretell(plant: &Plant, tube: &Tube, chance: &mut Chance) -> Vec<f64> {
    let law = &plant.law;
    // The unit's own effect is one more factor of the tube to somebody who only sees the tube.
    let spread = (law.tube_sd.powi(2) + law.unit_sd.powi(2)).sqrt();
    let path = |chance: &mut Chance| Path { frailty: chance.lognormal(1.0, spread), life: 1.0, walls: Vec::new() };
    let mut cloud: Vec<Path> = (0..PATHS).map(|_| path(chance)).collect();
    let mut foretold = Vec::new();
    for life in &tube.lives {
        let mut age_h = 0.0;
        for path in &mut cloud {
            path.life = chance.lognormal(1.0, law.life_sd);
            path.walls =
                (0..STATIONS).map(|_| std::array::from_fn(|_| (chance.lognormal(1.0, law.lie_sd), 0.0))).collect();
        }
        for looked in life {
            for campaign in &looked.before {
                for path in &mut cloud {
                    grow(chance, law, path, tube.surface, age_h, campaign);
                }
                age_h += campaign.run_h;
            }
            let weights: Vec<f64> = cloud.iter_mut().map(|path| read(chance, law, path, looked)).collect();
            cloud = resample(chance, &cloud, &weights);
            for path in &mut cloud {
                path.frailty *= (0.03 * chance.normal()).exp();
            }
            if looked.outcome.is_some() {
                let nature = &plant.natures[looked.unit];
                let past = plant.units[looked.unit].iter().filter(|campaign| campaign.begins_h < looked.at_h);
                let troubles = troubles(chance, nature, past);
                foretold.push(ahead(chance, law, &cloud, tube.surface, age_h, (nature, &troubles)));
            }
        }
    }
    foretold
}

fn grow(chance: &mut Chance, law: &Law, path: &mut Path, surface: usize, age_h: f64, campaign: &Campaign) {
    // It knows what readings show; what they do not, it takes as usual for blind hours.
    let mut as_seen = campaign.clone();
    let covered = campaign.run_h - campaign.blind_h;
    for (worn, seen) in as_seen.worn.iter_mut().zip(campaign.seen) {
        *worn = if covered > 0.0 { seen * campaign.run_h / covered } else { campaign.run_h };
    }
    let load = chance.lognormal(1.0, law.load_sd);
    let drive_h = law.drive_h(&as_seen, load) * law.youth(age_h) * path.frailty * path.life;
    let jump = law.jump_um.powf(1.0 / law.power);
    for (walls, place) in path.walls.iter_mut().zip(law.place) {
        for (lie, drive) in walls {
            *drive += chance.gamma(law.um_per_h * drive_h * law.surface[surface] * *lie * place, jump);
        }
    }
}

/// Reweighs and resamples the walls of a path; gives how likely the readings were.
fn read(chance: &mut Chance, law: &Law, path: &mut Path, looked: &Looked) -> f64 {
    let mut likely = 1.0;
    for (station, grade) in &looked.stations {
        let depth = looked.depths_um.iter().find(|(at, _)| at == station);
        let walls = &mut path.walls[*station];
        let weights = walls.map(|(_, drive)| {
            let depth_um = law.depth_um(drive);
            let off = depth.map_or(0.0, |(_, read)| (read / depth_um.max(1e-6)).ln() / law.depth_sd);
            reads(law, depth_um, *grade, law.misread_station) * (-0.5 * off * off).exp() + 1e-12
        });
        likely *= weights.iter().sum::<f64>() / WALLS as f64;
        let kept = resample(chance, &walls[..], &weights);
        walls.copy_from_slice(&kept);
    }
    if let Some(grade) = looked.whole {
        let up_to = |drive: f64, edge: f64| {
            let depth_um = law.depth_um(drive);
            if depth_um <= 0.0 { 1.0 } else { cdf((edge / depth_um).ln() / law.blur) }
        };
        let own: Vec<[f64; 3]> = path
            .walls
            .iter()
            .map(|walls| law.edges_um.map(|edge| walls.iter().map(|w| up_to(w.1, edge)).sum::<f64>() / WALLS as f64))
            .collect();
        let all: [f64; 3] = std::array::from_fn(|g| own.iter().map(|own| own[g]).product());
        let chance_of = |all: [f64; 3]| mixed(all, grade, law.misread_whole);
        likely *= chance_of(all);
        for (walls, own) in path.walls.iter_mut().zip(&own) {
            let weights = walls.map(|(_, drive)| {
                chance_of(std::array::from_fn(|g| all[g] / own[g].max(1e-200) * up_to(drive, law.edges_um[g]))) + 1e-12
            });
            let kept = resample(chance, &walls[..], &weights);
            walls.copy_from_slice(&kept);
        }
    }
    likely
}

/// Chance to read a grade, from the chances that the grade is each or less.
fn mixed(up_to: [f64; 3], read: u8, (low, high): (f64, f64)) -> f64 {
    let is = |grade: u8| match grade {
        0 => up_to[0],
        3 => 1.0 - up_to[2],
        grade => up_to[usize::from(grade)] - up_to[usize::from(grade) - 1],
    };
    let stays = |grade: u8| 1.0 - if grade > 0 { low } else { 0.0 } - if grade < 3 { high } else { 0.0 };
    let mut chance = is(read) * stays(read);
    if read < 3 {
        chance += is(read + 1) * low;
    }
    if read > 0 {
        chance += is(read - 1) * high;
    }
    chance.max(0.0)
}

fn reads(law: &Law, depth_um: f64, read: u8, misread: (f64, f64)) -> f64 {
    let up_to = |edge: f64| if depth_um <= 0.0 { 1.0 } else { cdf((edge / depth_um).ln() / law.blur) };
    mixed(law.edges_um.map(up_to), read, misread)
}

/// A logistic stand-in for the normal distribution (Bowling et al. 2009), good to 1.4e-4.
fn cdf(x: f64) -> f64 {
    1.0 / (1.0 + (-0.07056 * x.powi(3) - 1.5976 * x).exp())
}

fn resample<T: Clone>(chance: &mut Chance, cloud: &[T], weights: &[f64]) -> Vec<T> {
    let sum: f64 = weights.iter().sum();
    if sum <= 0.0 {
        return cloud.to_vec();
    }
    let step = sum / cloud.len() as f64;
    let mut mark = chance.unit() * step;
    let (mut next, mut passed) = (Vec::with_capacity(cloud.len()), 0.0);
    for (one, weight) in cloud.iter().zip(weights) {
        passed += weight;
        while mark < passed && next.len() < cloud.len() {
            next.push(one.clone());
            mark += step;
        }
    }
    while next.len() < cloud.len() {
        next.push(cloud[cloud.len() - 1].clone());
    }
    next
}

/// The trouble that a unit is in after what was seen of it.
fn troubles<'a>(chance: &mut Chance, nature: &Nature, past: impl Iterator<Item = &'a Campaign>) -> Vec<f64> {
    let sd = (EXCESS_SD.powi(2) + READ_SD[0].powi(2)).sqrt();
    let mut troubles = vec![1.0; GUESSES];
    for campaign in past {
        troubles.iter_mut().for_each(|trouble| *trouble = Nature::trouble(chance, *trouble));
        let covered_h = campaign.run_h - campaign.blind_h;
        if covered_h > 0.5 {
            let off = |trouble: &f64| (campaign.seen[0] / covered_h / nature.excess(*trouble)).ln() / sd;
            let weights: Vec<f64> = troubles.iter().map(|trouble| (-0.5 * off(trouble).powi(2)).exp() + 1e-9).collect();
            troubles = resample(chance, &troubles, &weights);
        }
    }
    troubles
}

/// The chance of a catch after further hours, which nobody has seen yet.
fn ahead(
    chance: &mut Chance,
    law: &Law,
    cloud: &[Path],
    surface: usize,
    age_h: f64,
    (nature, troubles): (&Nature, &[f64]),
) -> f64 {
    let mut caught = 0.0;
    for path in cloud {
        let mut path = path.clone();
        let (mut left_h, mut age_h) = (AHEAD_H, age_h);
        let mut trouble = troubles[chance.whole(troubles.len())];
        while left_h > 0.0 {
            trouble = Nature::trouble(chance, trouble);
            let campaign = nature.campaign(chance, trouble, 0.0);
            // What it comes to is worn, not read.
            let known = Campaign { blind_h: 0.0, seen: campaign.worn, ..campaign };
            let run_h = known.run_h.min(left_h);
            grow(chance, law, &mut path, surface, age_h, &known.share(run_h / known.run_h));
            left_h -= run_h;
            age_h += run_h;
        }
        let up_to = |drive: f64, edge: f64| {
            let depth_um = law.depth_um(drive);
            if depth_um <= 0.0 { 1.0 } else { cdf((edge / depth_um).ln() / law.blur) }
        };
        let (mut station, mut all) = (1.0, [1.0; 3]);
        for walls in &path.walls {
            let mean = |of: &dyn Fn(f64) -> f64| walls.iter().map(|(_, drive)| of(*drive)).sum::<f64>() / WALLS as f64;
            station *= mean(&|drive| {
                let depth_um = law.depth_um(drive);
                reads(law, depth_um, 0, law.misread_station) + reads(law, depth_um, 1, law.misread_station)
            });
            all = std::array::from_fn(|g| all[g] * mean(&|drive| up_to(drive, law.edges_um[g])));
        }
        let whole = mixed(all, 0, law.misread_whole) + mixed(all, 1, law.misread_whole);
        caught += 1.0 - law.whole_share * whole - (1.0 - law.whole_share) * station;
    }
    (caught / cloud.len() as f64).clamp(0.0, 1.0)
}
