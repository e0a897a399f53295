//! A plant of the second kind: campaigns with exposures, tubes with grooves, inspectors with errors. Its wear law, its
//! people and its habits are drawn anew for every seed, and it shares nothing with the plant of the demo.

use crate::chance::Chance;

pub const STATIONS: usize = 12;
/// What readings show of a campaign, besides its hours: excess work (MJ), starts, dry hours (h).
pub const TERMS: [&str; 3] = ["excess_work_mj", "starts", "dry_h"];
pub const MONTHS_18_H: f64 = 13_140.0;
pub const AHEAD_H: f64 = 500.0;
/// Looks of the outcome drawn from the true wall: their mean is the chance that is scored against.
const OUTCOMES: usize = 8;

/// How this plant's walls wear and are read.
#[derive(Clone, Debug)]
pub struct Law {
    pub um_per_h: f64,
    pub weights: [f64; 3],
    pub power: f64,
    pub running_in: f64,
    pub jump_um: f64,
    pub tube_sd: f64,
    pub life_sd: f64,
    pub unit_sd: f64,
    pub lie_sd: f64,
    pub place: [f64; STATIONS],
    pub load_sd: f64,
    pub abrasion: Vec<f64>,
    pub surface: [f64; 2],
    pub edges_um: [f64; 3],
    pub blur: f64,
    pub misread_station: (f64, f64),
    pub misread_whole: (f64, f64),
    pub depth_sd: f64,
    pub whole_share: f64,
    pub partial_share: f64,
}

impl Law {
    pub fn draw(chance: &mut Chance) -> Law {
        let kind = chance.whole(4);
        let hours_only = chance.happens(0.1);
        let episodes = if kind == 2 { 4.0 } else { 1.0 };
        let weight = |chance: &mut Chance, median: f64| {
            if hours_only { 0.05 } else { episodes * chance.lognormal(median, 0.7) }
        };
        let weights = [weight(chance, 0.8), weight(chance, 0.3), weight(chance, 0.4)];
        let catch_um = chance.between(12.0, 45.0);
        let power = if kind == 1 { chance.between(0.7, 1.6) } else { 1.0 };
        let half_h: f64 = chance.between(1500.0, 4500.0);
        let mean_weight = 1.0 + weights.iter().sum::<f64>();
        let sag = chance.between(1.0, 1.7);
        let ends = [chance.between(0.7, 1.2), chance.between(0.8, 1.2), chance.between(0.7, 1.3)];
        let place = std::array::from_fn(|station| {
            let clock = match station % 4 {
                2 => {
                    if station / 4 == 1 {
                        sag
                    } else {
                        0.5 * (1.0 + sag)
                    }
                }
                0 => chance.between(0.8, 1.1),
                _ => 0.9,
            };
            ends[station / 4] * clock
        });
        let worst = place.iter().copied().fold(0.0, f64::max) * 1.2;
        let scale = chance.between(0.15, 0.45);
        Law {
            um_per_h: catch_um.powf(1.0 / power) / (half_h * mean_weight * worst),
            weights,
            power,
            running_in: if kind == 3 { chance.between(0.5, 2.0) } else { 0.0 },
            jump_um: catch_um * chance.lognormal(0.03, 0.7),
            tube_sd: chance.between(0.2, 0.6),
            life_sd: chance.between(0.05, 0.3),
            unit_sd: chance.between(0.0, 0.2),
            lie_sd: chance.between(0.05, 0.3),
            place,
            load_sd: chance.between(0.1, 0.5),
            abrasion: (0..5).map(|_| chance.lognormal(1.0, 0.3)).collect(),
            surface: [1.0, chance.between(1.2, 2.5)],
            edges_um: [catch_um * scale, catch_um, catch_um * chance.between(1.7, 3.0)],
            blur: chance.between(0.03, 0.2),
            misread_station: (chance.between(0.02, 0.1), chance.between(0.002, 0.02)),
            misread_whole: (chance.between(0.03, 0.1), chance.between(0.01, 0.05)),
            depth_sd: chance.between(0.05, 0.2),
            whole_share: chance.between(0.1, 0.8),
            partial_share: 0.1,
        }
    }

    /// Plain hours' worth of wear of a campaign, hidden load and abrasion included.
    pub fn drive_h(&self, campaign: &Campaign, load: f64) -> f64 {
        let rates: f64 = self.weights.iter().zip(campaign.worn).map(|(weight, amount)| weight * amount).sum();
        load * self.abrasion[campaign.product] * (campaign.run_h + rates)
    }

    /// Running in: a young wall wears faster.
    pub fn youth(&self, age_h: f64) -> f64 {
        1.0 + self.running_in * (-age_h / 600.0).exp()
    }

    /// Depth of a groove whose drive so far is this.
    pub fn depth_um(&self, drive: f64) -> f64 {
        if self.power == 1.0 { drive } else { drive.powf(self.power) }
    }

    pub fn read_station(&self, chance: &mut Chance, depth_um: f64) -> u8 {
        let grade = self.blurred(depth_um, chance.lognormal(1.0, self.blur));
        misread(chance, grade, self.misread_station)
    }

    pub fn read_whole(&self, chance: &mut Chance, depths_um: &[f64; STATIONS]) -> u8 {
        let worst = depths_um.iter().copied().fold(0.0, f64::max);
        let grade = self.blurred(worst, chance.lognormal(1.0, self.blur));
        misread(chance, grade, self.misread_whole)
    }

    pub fn blurred(&self, depth_um: f64, off: f64) -> u8 {
        self.edges_um.iter().filter(|edge| depth_um * off >= **edge).count() as u8
    }

    /// A complete look: does it read a catch?
    pub fn catches(&self, chance: &mut Chance, depths_um: &[f64; STATIONS]) -> bool {
        if chance.happens(self.whole_share) {
            self.read_whole(chance, depths_um) >= 2
        } else {
            depths_um.iter().any(|depth| self.read_station(chance, *depth) >= 2)
        }
    }
}

fn misread(chance: &mut Chance, grade: u8, (low, high): (f64, f64)) -> u8 {
    let draw = chance.unit();
    if grade > 0 && draw < low {
        grade - 1
    } else if grade < 3 && (low..low + high).contains(&draw) {
        grade + 1
    } else {
        grade
    }
}

/// Running of one product in one unit.
#[derive(Clone)]
pub struct Campaign {
    pub begins_h: f64,
    pub run_h: f64,
    pub blind_h: f64,
    pub product: usize,
    /// What wore, in units of its usual amount per run hour.
    pub worn: [f64; 3],
    /// What readings show, covered hours only.
    pub seen: [f64; 3],
}

impl Campaign {
    pub fn share(&self, share: f64) -> Campaign {
        Campaign {
            run_h: self.run_h * share,
            blind_h: self.blind_h * share,
            worn: self.worn.map(|x| x * share),
            seen: self.seen.map(|x| x * share),
            ..self.clone()
        }
    }
}

#[derive(Clone, Default)]
pub struct Looked {
    pub at_h: f64,
    pub age_h: f64,
    pub stations: Vec<(usize, u8)>,
    pub depths_um: Vec<(usize, f64)>,
    pub whole: Option<u8>,
    /// Campaigns of the tube since its last look.
    pub before: Vec<Campaign>,
    pub unit: usize,
    /// Chance that a complete look after further run hours reads a catch, from the true wall; `None` at the end of a life.
    pub outcome: Option<f64>,
    pub ends_life: bool,
}

impl Looked {
    pub fn complete(&self) -> bool {
        self.whole.is_some() || self.stations.len() == STATIONS
    }

    pub fn worst(&self) -> u8 {
        self.stations.iter().map(|(_, grade)| *grade).chain(self.whole).max().unwrap_or(0)
    }
}

/// A tube's looks, life by life.
pub struct Tube {
    pub surface: usize,
    pub lives: Vec<Vec<Looked>>,
}

pub struct Plant {
    pub law: Law,
    pub tubes: Vec<Tube>,
    pub units: Vec<Vec<Campaign>>,
    /// How each unit runs, as only an oracle can know it.
    pub natures: Vec<Nature>,
    pub fittings: Vec<Fitting>,
}

/// Where a tube sat: from the campaign with which it began to the look with which it ended.
pub struct Fitting {
    pub tube: usize,
    pub unit: usize,
    pub from_h: f64,
    pub to_h: Option<f64>,
}

struct Wall {
    frailty: f64,
    life: f64,
    lie: [f64; STATIONS],
    drive: [f64; STATIONS],
    age_h: f64,
    surface: usize,
    lives: Vec<Vec<Looked>>,
    pending: Vec<Campaign>,
}

impl Wall {
    fn new(chance: &mut Chance, law: &Law) -> Wall {
        let surface = usize::from(chance.happens(0.25));
        let mut wall = Wall {
            frailty: chance.lognormal(1.0, law.tube_sd),
            life: 1.0,
            lie: [1.0; STATIONS],
            drive: [0.0; STATIONS],
            age_h: 0.0,
            surface,
            lives: vec![Vec::new()],
            pending: Vec::new(),
        };
        wall.renew(chance, law);
        wall
    }

    fn renew(&mut self, chance: &mut Chance, law: &Law) {
        self.life = chance.lognormal(1.0, law.life_sd);
        self.lie = std::array::from_fn(|_| chance.lognormal(1.0, law.lie_sd));
        self.drive = [0.0; STATIONS];
        self.age_h = 0.0;
    }

    fn depths_um(&self, law: &Law) -> [f64; STATIONS] {
        self.drive.map(|drive| law.depth_um(drive))
    }
}

fn grow(chance: &mut Chance, law: &Law, wall: &mut Wall, unit: f64, campaign: &Campaign) {
    let load = chance.lognormal(1.0, law.load_sd);
    let drive_h = law.drive_h(campaign, load) * law.youth(wall.age_h) * wall.frailty * wall.life * unit;
    let jump = law.jump_um.powf(1.0 / law.power);
    for station in 0..STATIONS {
        let mean = law.um_per_h * drive_h * law.surface[wall.surface] * wall.lie[station] * law.place[station];
        wall.drive[station] += chance.gamma(mean, jump);
    }
    wall.age_h += campaign.run_h;
}

impl Plant {
    pub fn new(seed: u64, units: usize) -> Plant {
        let mut chance = Chance::new(seed);
        let law = Law::draw(&mut chance);
        let (natures, campaigns): (Vec<Nature>, Vec<Vec<Campaign>>) = (0..units).map(|_| schedule(&mut chance)).unzip();
        let effect: Vec<f64> = (0..units).map(|_| chance.lognormal(1.0, law.unit_sd)).collect();
        let mut walls: Vec<Wall> = (0..units + units.div_ceil(6)).map(|_| Wall::new(&mut chance, &law)).collect();
        let mut spares: Vec<usize> = (units..walls.len()).collect();
        let mut fitted: Vec<usize> = (0..units).collect();
        let mut fittings: Vec<Fitting> =
            (0..units).map(|number| Fitting { tube: number, unit: number, from_h: 0.0, to_h: None }).collect();
        let mut due_h: Vec<f64> = (0..units).map(|_| chance.between(100.0, 1200.0)).collect();
        // Tubes of unequal age as the records begin: their first life is known, and so are its hours.
        let mut order: Vec<(usize, usize)> =
            campaigns.iter().enumerate().flat_map(|(unit, all)| (0..all.len()).map(move |i| (unit, i))).collect();
        order.sort_by(|a, b| campaigns[a.0][a.1].begins_h.total_cmp(&campaigns[b.0][b.1].begins_h));
        for (unit, i) in order {
            let campaign = &campaigns[unit][i];
            if campaign.begins_h > MONTHS_18_H {
                continue;
            }
            let number = fitted[unit];
            grow(&mut chance, &law, &mut walls[number], effect[unit], campaign);
            walls[number].pending.push(campaign.clone());
            due_h[unit] -= campaign.run_h;
            let ran_badly = campaign.seen[0] > 3.0 * campaign.run_h;
            if !(due_h[unit] <= 0.0 || (ran_badly && chance.happens(0.3))) {
                continue;
            }
            due_h[unit] = chance.between(400.0, 1500.0);
            let mut looked = look(&mut chance, &law, &walls[number], campaign.begins_h + campaign.run_h, unit);
            looked.before = std::mem::take(&mut walls[number].pending);
            let worst = looked.worst();
            if worst >= 2 && chance.happens(0.9) {
                looked.ends_life = true;
                walls[number].lives.last_mut().expect("there is one").push(looked);
                walls[number].renew(&mut chance, &law);
                walls[number].lives.push(Vec::new());
                if !spares.is_empty() && chance.happens(0.4) {
                    let spare = spares.remove(0);
                    spares.push(number);
                    let at_h = campaign.begins_h + campaign.run_h;
                    let sat = fittings.iter_mut().rev().find(|fitting| fitting.unit == unit);
                    sat.expect("a unit always has a tube").to_h = Some(at_h);
                    fittings.push(Fitting { tube: spare, unit, from_h: at_h, to_h: None });
                    fitted[unit] = spare;
                }
            } else {
                looked.outcome =
                    Some(outcome(&mut chance, &law, &walls[number], effect[unit], &campaigns[unit][i + 1..]));
                walls[number].lives.last_mut().expect("there is one").push(looked);
            }
        }
        let tubes = walls.into_iter().map(|wall| Tube { surface: wall.surface, lives: wall.lives }).collect();
        Plant { law, tubes, units: campaigns, natures, fittings }
    }
}

/// How a unit runs: its own amounts per run hour, against the fleet's.
#[derive(Clone)]
pub struct Nature([f64; 3]);

/// Logarithm's standard deviation of what readings of excess work and of dry hours are off by.
pub const READ_SD: [f64; 3] = [0.2, 0.0, 0.3];
/// The same of excess work from campaign to campaign.
pub const EXCESS_SD: f64 = 0.5;

impl Nature {
    /// Trouble comes and stays a while.
    pub fn trouble(chance: &mut Chance, before: f64) -> f64 {
        if chance.happens(0.15) { chance.lognormal(0.6, 1.0) } else { before }
    }

    /// Median of the excess work per run hour in such trouble.
    pub fn excess(&self, trouble: f64) -> f64 {
        0.8 * self.0[0] * trouble
    }

    pub fn campaign(&self, chance: &mut Chance, trouble: f64, begins_h: f64) -> Campaign {
        let run_h = chance.between(40.0, 160.0);
        let excess = run_h * chance.lognormal(self.excess(trouble), EXCESS_SD);
        let starts = run_h * self.0[1] * chance.lognormal(0.95, 0.4);
        let dry = if chance.happens(0.12) { 8.0 * run_h * self.0[2] * chance.lognormal(0.7, 0.6) } else { 0.0 };
        let worn = [excess, starts, dry];
        let blind_share = if chance.happens(0.06) { chance.between(0.2, 1.0) } else { 0.0 };
        let seen = std::array::from_fn(|term| worn[term] * (1.0 - blind_share) * chance.lognormal(1.0, READ_SD[term]));
        Campaign { begins_h, run_h, blind_h: run_h * blind_share, product: chance.whole(5), worn, seen }
    }
}

/// Campaigns of one unit over the records and the time that outcomes need beyond.
fn schedule(chance: &mut Chance) -> (Nature, Vec<Campaign>) {
    let nature = Nature([chance.lognormal(1.0, 0.5), chance.lognormal(1.0, 0.3), chance.lognormal(1.0, 0.7)]);
    let (mut at_h, mut campaigns, mut trouble) = (0.0, Vec::new(), 1.0);
    while at_h < MONTHS_18_H + 2500.0 {
        trouble = Nature::trouble(chance, trouble);
        let campaign = nature.campaign(chance, trouble, at_h);
        at_h += campaign.run_h + chance.between(10.0, 80.0);
        campaigns.push(campaign);
    }
    (nature, campaigns)
}

fn look(chance: &mut Chance, law: &Law, wall: &Wall, at_h: f64, unit: usize) -> Looked {
    let depths = wall.depths_um(law);
    let mut looked = Looked { at_h, age_h: wall.age_h, unit, ..Looked::default() };
    let draw = chance.unit();
    if draw < law.whole_share * (1.0 - law.partial_share) {
        looked.whole = Some(law.read_whole(chance, &depths));
        return looked;
    }
    let from = if draw > 1.0 - law.partial_share { 8 } else { 0 };
    for (station, depth) in depths.iter().enumerate().skip(from) {
        let grade = law.read_station(chance, *depth);
        looked.stations.push((station, grade));
        if grade >= 2 && chance.happens(0.4) {
            looked.depths_um.push((station, chance.lognormal(*depth, law.depth_sd)));
        }
    }
    looked
}

fn outcome(chance: &mut Chance, law: &Law, wall: &Wall, unit: f64, coming: &[Campaign]) -> f64 {
    let mut caught = 0;
    for _ in 0..OUTCOMES {
        let mut ahead = Wall { lives: Vec::new(), pending: Vec::new(), ..*wall };
        let mut left_h = AHEAD_H;
        for campaign in coming {
            let share = (left_h / campaign.run_h).min(1.0);
            grow(chance, law, &mut ahead, unit, &campaign.share(share));
            left_h -= campaign.run_h * share;
            if left_h <= 0.0 {
                break;
            }
        }
        caught += usize::from(law.catches(chance, &ahead.depths_um(law)));
    }
    caught as f64 / OUTCOMES as f64
}
