//! The likelihood against closed forms and other software, and the laws of its risk.

use linfa::traits::Fit;
use proptest::prelude::*;

use super::ascent::Landscape;
use super::filter::Law;
use super::fit::Fleet;
use super::nodes::Nodes;
use super::parameters::Layout;
use super::proposal::Proposal;
use super::reading::Tables;
use super::*;
use crate::validate::{Forecast, by_tube_and_station};
use crate::{HazardParams, Intervals, Row};

fn life(looks: Vec<(f64, Readings)>) -> LifeHistory {
    let stretch = |covered_h: f64| Stretch { covered_h, blind_h: 0.0, amounts: Vec::new() };
    let looks = looks.into_iter().map(|(hours, readings)| (stretch(hours), readings)).collect();
    LifeHistory::new(1, true, looks)
}

fn read(grade: u8) -> Readings {
    Readings { stations: vec![(0, grade)], ..Readings::default() }
}

/// The risk of a tube with all its looks.
fn risk(latent: &Latent, tube: &TubeHistory, ahead: Ahead) -> Result<crate::Risk, crate::WearError> {
    let outlook = latent.outlook();
    outlook.risk(&outlook.filter(tube), ahead)
}

#[test]
fn one_look_at_one_place_is_the_ordered_probit_of_other_software() {
    // Miners by years of exposure and grade (Ashford 1959; McCullagh & Nelder 1989, p. 178): what statsmodels 0.15.0
    // OrderedModel(distr="probit") on the logarithm of years makes of them, and its chances of the grades.
    let (slope, edges) = (1.458_771_15, [5.460_049_31, 5.986_143_1]);
    let miners = [
        (5.8, [0.998109, 0.001580, 0.000311]),
        (15.0, [0.934430, 0.044680, 0.020889]),
        (27.5, [0.734149, 0.141088, 0.124762]),
        (39.5, [0.538703, 0.194740, 0.266556]),
        (51.5, [0.385978, 0.207413, 0.406609]),
    ];
    let places = vec![Place { zone: 0, clock: 0 }];
    let layout = Layout { dose_ref_h: 1.0, ..Layout::of(&Histories::new(Vec::new(), places.clone())) };
    let theta: Vec<f64> = layout.priors(None).iter().map(|p| p.value).collect();
    let mut law = Law::new(&layout, &theta, &places);
    // All that is random adds up to a variance of 1.
    let [part, place, blur] = [0.2_f64, 0.05, 0.35].map(f64::sqrt);
    let m = &mut law.meaning;
    (m.level, m.power) = (-edges[1], slope);
    (m.tube_sd, m.life_sd, m.stretch_sd, m.place_sd) = (part, part, part / slope, place);
    m.places = vec![0.0];
    m.eye.edges = [edges[0] - edges[1], 0.0, 50.0];
    (m.eye.blur, m.eye.station, m.eye.slip) = (blur, (0.0, 0.0), 0.0);
    law.tables = Tables::new(&law.meaning.eye);
    let nodes = Nodes::new(8192);
    for (years, expected) in miners {
        for (grade, expected) in (0u8..3).zip(expected) {
            let lives = vec![life(vec![(years, read(grade))])];
            let tube = TubeHistory { tube: String::new(), surface: 0, lives };
            let (_, ln) = law.draw(&tube, &Proposal::of(&law, &tube), &nodes).weights();
            assert!((ln.exp() - expected).abs() < 0.003, "{years} years, grade {grade}: {} not {expected}", ln.exp());
        }
    }
}

/// A fleet from the model's own law: so many tubes, each looked at every 600 h at four stations, honed on a catch.
fn invented(tubes: usize, seed: u64) -> Histories {
    let mut dice = Dice(seed);
    let places: Vec<Place> = (0..4).map(|clock| Place { zone: 0, clock }).collect();
    let mut histories = Histories::new(vec!["starts".to_owned()], places);
    for number in 0..tubes {
        let own = 0.5 * dice.normal();
        let mut lives = Vec::new();
        for number in 1..4 {
            let off = 0.2 * dice.normal();
            let place: Vec<f64> = (0..4).map(|_| 0.2 * dice.normal()).collect();
            let (mut dose, mut looks) = (0.0, Vec::new());
            for _ in 0..6 {
                let starts = 600.0 * (0.8 * dice.normal() - 0.32).exp();
                dose += (600.0 + 1.5 * starts) / 2.5 * (0.2 * dice.normal()).exp();
                let middle = own + off - 0.2 + 1.2 * (dose / 2000.0).ln();
                let grade = |x: f64, blur: f64| [-1.1, 0.0, 0.9].iter().filter(|edge| x + blur > **edge).count() as u8;
                let stations = (0..4).map(|s| (s, grade(middle + place[s], 0.15 * dice.normal()))).collect();
                let readings = Readings { stations, ..Readings::default() };
                let worst = readings.worst();
                looks.push((Stretch { covered_h: 600.0, blind_h: 0.0, amounts: vec![starts] }, readings));
                if worst >= Some(2) {
                    break;
                }
            }
            lives.push(LifeHistory::new(number, true, looks));
        }
        histories.push(TubeHistory { tube: format!("T{number:03}"), surface: 0, lives }).unwrap();
    }
    histories
}

struct Dice(u64);

impl Dice {
    /// SplitMix64 (Steele, Lea & Flood 2014).
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Box & Muller (1958).
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

#[test]
fn the_law_behind_invented_tubes_is_found_again() {
    let latent = LatentParams::new().fit(&invented(60, 4).dataset()).unwrap();
    let of = |name: &str| latent.parameters.iter().find(|p| p.name == name).unwrap().value;
    assert!(latent.converged, "{} steps", latent.iterations);
    // Tolerances: some three standard errors of 60 tubes with three lives each.
    for (name, truth, tolerance) in [
        ("ln_power", 1.2_f64.ln(), 0.15),
        ("ln_tube_sd", 0.5_f64.ln(), 0.35),
        ("ln_place_sd", 0.2_f64.ln(), 0.4),
        ("ln_gap_to_visible", 1.1_f64.ln(), 0.12),
        ("ln_weight_starts", 1.5_f64.ln(), 0.8),
    ] {
        assert!((of(name) - truth).abs() < tolerance, "{name} is {} for {truth}", of(name));
    }
}

#[test]
fn what_looks_gain_is_the_slope_of_the_likelihood() {
    let histories = invented(6, 9);
    let layout = Layout::of(&histories);
    let nodes = Nodes::new(32);
    let fleet = Fleet { layout: &layout, nodes: &nodes, histories: &histories };
    let theta: Vec<f64> = layout.priors(None).iter().map(|p| p.value).collect();
    let land = fleet.around(&theta);
    for j in 0..theta.len() {
        let moved = |by: f64| {
            let mut there = theta.clone();
            there[j] += by;
            there
        };
        let slope = (land.value(&moved(1e-3)) - land.value(&moved(-1e-3))) / 2e-3;
        let gained =
            (land.gains(&moved(1e-3)).iter().sum::<f64>() - land.gains(&moved(-1e-3)).iter().sum::<f64>()) / 2e-3;
        assert!((slope - gained).abs() < 0.02 * (1.0 + slope.abs()), "parameter {j}: {slope} but {gained}");
    }
}

#[test]
fn a_tube_that_wears_fast_is_foretold_to_wear_fast() {
    let latent = LatentParams::new().fit(&invented(30, 4).dataset()).unwrap();
    let outlook = latent.outlook();
    let tube = |grade: u8| {
        let readings = Readings { stations: (0..4).map(|s| (s, grade)).collect(), ..Readings::default() };
        let honed = LifeHistory::new(2, true, Vec::new());
        let looks = vec![(Stretch { covered_h: 1200.0, blind_h: 0.0, amounts: vec![1200.0] }, readings)];
        let lives = vec![LifeHistory::new(1, true, looks), honed];
        TubeHistory { tube: "own".to_owned(), surface: 0, lives }
    };
    let risk = |grade: u8| {
        outlook.risk(&outlook.filter(&tube(grade)), Ahead { covered: 1500.0, ..Ahead::default() }).unwrap().risk
    };
    // The wall is smooth again, but whoever grooved it so fast will do so again.
    assert!(risk(2) > 1.5 * risk(0), "{} after a catch, {} after none", risk(2), risk(0));
}

fn fitted() -> &'static Latent {
    static FITTED: std::sync::OnceLock<Latent> = std::sync::OnceLock::new();
    FITTED.get_or_init(|| LatentParams::new().fit(&invented(12, 5).dataset()).unwrap())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn more_running_seen_blind_or_to_come_never_lowers_a_risk(
        covered in 0.0..3000.0, blind in 0.0..1000.0, coming in 0.0..1000.0,
        more in 0.0..500.0, which in 0usize..3, number in 0usize..12,
    ) {
        let latent = fitted();
        let outlook = latent.outlook();
        let history = invented(12, 5).tubes[number].clone();
        let filtered = outlook.filter(&history);
        let less = Ahead { covered, blind, coming };
        let mut longer = less;
        *[&mut longer.covered, &mut longer.blind, &mut longer.coming][which] += more;
        let (less, longer) = (outlook.risk(&filtered, less).unwrap(), outlook.risk(&filtered, longer).unwrap());
        prop_assert!(longer.risk >= less.risk - 1e-12, "{less:?} {longer:?}");
        prop_assert!(less.lower <= less.risk && less.risk <= less.upper);
    }
}

#[test]
fn blind_hours_widen_an_interval() {
    let outlook = fitted().outlook();
    let history = invented(12, 5).tubes[0].clone();
    let filtered = outlook.filter(&history);
    let width = |blind: f64| {
        let risk = outlook.risk(&filtered, Ahead { covered: 1000.0 - blind, blind, coming: 0.0 }).unwrap();
        (-(-risk.upper).ln_1p()).ln() - (-(-risk.lower).ln_1p()).ln()
    };
    assert!(width(800.0) > width(0.0) + 0.3, "{} {}", width(800.0), width(0.0));
}

#[test]
fn a_belief_speaks_where_nothing_was_found_and_fades_where_much_was() {
    let believe = |early_h: f64| LatentParams::new().belief(Belief { early_h, late_h: 4.0 * early_h, spread: 1.5 });
    let none = |hours: f64| life(vec![(hours, Readings { stations: vec![(0, 0)], ..Readings::default() })]);
    let mut few = Histories::new(Vec::new(), vec![Place { zone: 0, clock: 0 }]);
    few.push(TubeHistory { tube: "a".to_owned(), surface: 0, lives: vec![none(300.0)] }).unwrap();
    let risk = |params: LatentParams, histories: &Histories| {
        let latent = params.fit(&histories.clone().dataset()).unwrap();
        let tube = TubeHistory { tube: "new".to_owned(), surface: 0, lives: vec![life(Vec::new())] };
        risk(&latent, &tube, Ahead { covered: 2000.0, ..Ahead::default() }).unwrap().risk
    };
    let (short, long) = (risk(believe(500.0), &few), risk(believe(5000.0), &few));
    assert!(short > 3.0 * long, "{short} {long}");
    let many = invented(40, 3);
    let (short, long) = (risk_of(believe(500.0), &many), risk_of(believe(5000.0), &many));
    assert!(short < 1.2 * long, "{short} {long}");
}

fn risk_of(params: LatentParams, histories: &Histories) -> f64 {
    let latent = params.fit(&histories.clone().dataset()).unwrap();
    let fresh = LifeHistory::new(1, true, Vec::new());
    let tube = TubeHistory { tube: "new".to_owned(), surface: 0, lives: vec![fresh] };
    risk(&latent, &tube, Ahead { covered: 2000.0, ..Ahead::default() }).unwrap().risk
}

#[test]
fn a_kept_model_reads_back_and_says_the_same() {
    let latent = fitted();
    let kept: Latent = serde_json::from_str(&serde_json::to_string(latent).unwrap()).unwrap();
    let history = invented(12, 5).tubes[3].clone();
    let risk = |latent: &Latent| risk(latent, &history, Ahead { covered: 700.0, ..Ahead::default() }).unwrap();
    assert_eq!(risk(&kept), risk(latent));
}

#[test]
fn the_same_record_gives_the_same_model() {
    let again = LatentParams::new().fit(&invented(12, 5).dataset()).unwrap();
    assert_eq!(again, *fitted());
}

#[test]
fn what_the_choice_of_a_kind_flatters_is_held_against_the_model() {
    // Few tubes, of which some would choose otherwise.
    let fleet = invented(8, 5);
    let mut rows = Intervals::builder(["starts"]);
    for tube in fleet.tubes() {
        for life in &tube.lives {
            let (mut age_h, mut grade_start) = (0.0, 0);
            for (stretch, readings) in &life.looks {
                let (end_h, grade_end) = (age_h + stretch.run_h(), grade_start.max(readings.worst().unwrap()));
                rows.row(Row { group: &tube.tube, life: life.life, grade_start, grade_end }).unwrap();
                rows.cell(age_h, end_h, &[(stretch.amounts[0] / stretch.run_h()).ln_1p()]).unwrap();
                (age_h, grade_start) = (end_h, grade_end);
            }
        }
    }
    let (params, rows) = (LatentParams::new(), rows.build().unwrap());
    let latent = Some(LatentCandidate { params: &params, histories: &fleet });
    let found = by_tube_and_station(&rows, 2, &[HazardParams::new().ridge(1.0)], latent, 4).unwrap();
    assert_eq!(found.kinds.len(), 2);
    assert!(found.flattery > 0.0, "{:?}", found.kinds);
    let [hours, model] = [Forecast::HoursOnly, Forecast::Model].map(|forecast| &found.contenders[forecast as usize]);
    let saved = hours.log_loss - model.log_loss - found.flattery;
    assert!((hours.log_loss_above_best - model.log_loss_above_best - saved).abs() < 1e-12);
    let report = found.report.unwrap();
    let skill = report.skills.iter().find(|skill| skill.against == Forecast::HoursOnly).unwrap();
    assert!((skill.log_loss_saved.unwrap().value - saved).abs() < 1e-12);
    assert!(report.sentence.contains("its kind was chosen by the same tubes"), "{}", report.sentence);
}
