//! An invented plant in every state that a page can show.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use ledger::{By, Ledger, Rules};
use plant::{
    Advice, AdviceKind, Aside, Bands, Campaign, Clock, Driver, Fault, Grade, Horizon, PutOff, Score, Signal,
    SignalReport, State, Suspicion, SuspicionKind, Suspicions, Table, TubeId, UnitId, UnmappedTopic, Zone,
};
use publisher::{
    AgreementKappa, CollectorSeen, ConfigState, Contender, Costs, Disk, Drift, FittedTerm, Journal, KnownShare, Link,
    LongestInterval, MarkedScore, ModelBasis, ModelEntry, ModelStatus, Opening, ProductPace, ProductPaces, Publisher,
    ReadAccess, ReaderAgreement, Site, Snapshot, Span, Telling, Totals, TrackLine, TrackRecord, Trial, TubeDetail,
    Voice, WearCell, WearMap,
};
use tokio::sync::watch;

#[path = "judged.rs"]
pub mod judged;
#[path = "tubes.rs"]
mod tubes;

pub use tubes::{tube, worn_tube};

use tubes::bare_tube;

pub fn at(text: &str) -> Timestamp {
    text.parse().expect("a time of the invented plant")
}

/// The instant at which everybody looks.
pub fn now() -> Timestamp {
    at("2026-05-12T04:30:00Z")
}

pub fn tube_id(text: &str) -> TubeId {
    TubeId::new(text).expect("an id of the invented plant")
}

pub fn unit_id(text: &str) -> UnitId {
    UnitId::new(text).expect("an id of the invented plant")
}

/// A clock that stands still.
pub struct Standing(pub Timestamp);

impl Clock for Standing {
    fn now(&self) -> Timestamp {
        self.0
    }
}

pub fn site() -> Site {
    Site {
        name: "Invented works, line 1".to_owned(),
        zone: TimeZone::get("Europe/Amsterdam").expect("bundled time zones"),
        version: "0.1.0".to_owned(),
        limit: Grade::CATCH,
        zones: ["drive", "middle", "far"].map(|zone| Zone(zone.to_owned())).to_vec(),
        bands: Bands { torque_nm: vec![80.0, 140.0], temp_degc: vec![-4.0] },
        longest_interval: LongestInterval { run_h: Some(2000.0), days: Some(365) },
        opening: Opening {
            room: Some(2),
            costs: Some(Costs {
                open: Span { low: 2_000.0, high: 4_000.0 },
                late_catch: Span { low: 20_000.0, high: 40_000.0 },
                money: "EUR".to_owned(),
            }),
            without_crew: vec![],
        },
        late_after: SignedDuration::from_mins(15),
        frame_origins: vec!["https://wall.example".parse().expect("an origin")],
        reading: ReadAccess::Open,
        https: false,
        address: Some("http://works.example".to_owned()),
        session_lasts: SignedDuration::from_hours(12),
        photo_bytes: 200_000,
        voice: Voice::default(),
    }
}

/// A publisher of one snapshot, its clock at [`now`].
pub fn publisher(snapshot: Snapshot, site: Site, ledger: Ledger, photos: PathBuf) -> Publisher {
    let (_, snapshots) = watch::channel(Arc::new(snapshot));
    Publisher::new(Arc::new(site), snapshots, Arc::new(Standing(now())), ledger, photos)
}

/// How somebody is told of advice.
fn told(target: &str, told: u64, waiting: u64, given_up: u64, error: Option<&str>) -> Telling {
    let waits_since = (waiting > 0).then(|| now() - SignedDuration::from_hours(3));
    Telling { target: target.to_owned(), told, waiting, given_up, waits_since, error: error.map(str::to_owned) }
}

/// Writes the tubes and findings of a snapshot into a ledger, as if somebody had imported them.
pub async fn write_down(ledger: &Ledger, snapshot: &Snapshot) {
    let by = By { who: "A. Clerk".to_owned(), at: now() };
    let details: Vec<&TubeDetail> = snapshot.tubes.values().collect();
    let table = Table {
        path: PathBuf::from("tubes.csv"),
        columns: ["tube", "surface"].map(str::to_owned).to_vec(),
        rows: details
            .iter()
            .zip(2..)
            .map(|(detail, line)| (line, vec![detail.tube.tube.to_string(), detail.tube.surface.clone()]))
            .collect(),
    };
    let rules = Rules {
        units: details.iter().filter_map(|detail| detail.unit.clone()).collect(),
        zones: site().zones,
        surfaces: details.iter().map(|detail| detail.tube.surface.clone()).collect(),
        time_zone: TimeZone::UTC,
        now: now(),
    };
    ledger.import_register(&[table], &rules, &by).await.expect("a register");
    for detail in details.iter().filter(|detail| !detail.findings.is_empty()) {
        ledger.add_findings(&detail.findings, None, &by).await.expect("findings");
    }
}

/// A service that has just started on an empty folder.
pub fn empty() -> Snapshot {
    let error = Some("connection refused".to_owned());
    Snapshot { at: now(), link: Link { error, ..Link::default() }, ..Snapshot::default() }
}

pub fn score(unit: &str, tube: &str, state: State, reason: &str) -> Score {
    Score {
        at: now(),
        tube: Some(tube_id(tube)),
        unit: Some(unit_id(unit)),
        state,
        reason: reason.to_owned(),
        risks: vec![],
        last_look_at: Some(at("2026-03-18T09:00:00Z")),
        last_grade: Some(Grade::SMOOTH),
        run_h: 760.0,
        blind_h: 15.0,
        assumed_h: 0.0,
        coverage: Some(0.98),
        equivalent_h: 760.0,
        drivers: vec![],
        hold_and_assess: false,
        model: "cloglog-2026-04".to_owned(),
        data_from: Some(at("2024-01-08T00:00:00Z")),
        data_to: Some(at("2026-04-02T00:00:00Z")),
    }
}

pub fn risks(now: [f64; 3], ahead: [f64; 3], further: [f64; 3]) -> Vec<Horizon> {
    [(0.0, now), (500.0, ahead), (1000.0, further)]
        .map(|(horizon_h, [risk, lower, upper])| Horizon { horizon_h, risk, lower, upper })
        .to_vec()
}

fn driver(name: &str, hours_equivalent: f64, text: &str) -> Driver {
    Driver { name: name.to_owned(), hours_equivalent, text: text.to_owned() }
}

/// Eight units in different states and one tube on the shelf, in no order.
pub fn scores() -> Vec<Score> {
    let ranked = Score {
        risks: risks([0.31, 0.18, 0.49], [0.44, 0.27, 0.64], [0.55, 0.34, 0.77]),
        last_look_at: Some(at("2025-12-03T10:00:00Z")),
        last_grade: Grade::try_from(1).ok(),
        run_h: 1410.0,
        blind_h: 112.0,
        assumed_h: 0.0,
        coverage: Some(0.92),
        equivalent_h: 2380.0,
        drivers: vec![
            driver("run_h", 1298.0, "running itself"),
            driver("excess_work_mj", 690.0, "torque above what this product usually takes"),
            driver("cold_starts", 240.0, "21 starts on product colder than −6 °C"),
            driver("blind_h", 152.0, "hours that no reading covers, taken as no better than the fleet's"),
        ],
        ..score("C-103", "T-0042", State::Ok, "a fitted model")
    };
    let low = Score {
        risks: risks([0.004, 0.001, 0.02], [0.06, 0.02, 0.13], [0.12, 0.05, 0.24]),
        last_look_at: Some(at("2026-04-28T08:00:00Z")),
        run_h: 262.0,
        equivalent_h: 240.0,
        drivers: vec![driver("run_h", 262.0, "running itself"), driver("dry_h", -22.0, "less dry running than usual")],
        ..score("C-101", "T-0007", State::Ok, "a fitted model")
    };
    let hours_alone = Score {
        risks: risks([0.12, 0.06, 0.22], [0.19, 0.10, 0.33], [0.25, 0.13, 0.43]),
        drivers: vec![driver("run_h", 760.0, "running itself")],
        model: "hours-2026-04".to_owned(),
        ..score("C-106", "T-0051", State::Baseline, "no model beat run hours alone on this fleet")
    };
    let blind = Score {
        risks: risks([0.2, 0.08, 0.46], [0.28, 0.11, 0.58], [0.35, 0.14, 0.68]),
        last_look_at: Some(at("2025-04-30T08:00:00Z")),
        run_h: 1640.0,
        blind_h: 1120.0,
        assumed_h: 0.0,
        coverage: Some(0.32),
        equivalent_h: 1710.0,
        drivers: vec![
            driver("blind_h", 1180.0, "hours that no reading covers, taken as no better than the fleet's"),
            driver("run_h", 530.0, "running itself"),
        ],
        ..score("C-104", "T-0038", State::Blind, "1 120 of 1 640 run hours are blind")
    };
    let reached = Score {
        last_grade: Some(Grade::CATCH),
        ..score("C-102", "T-0019", State::Reached, "grade 2 at far, 6 o'clock, on 18 Mar 2026")
    };
    let hold = Score {
        last_grade: Grade::try_from(4).ok(),
        hold_and_assess: true,
        ..score("C-108", "T-0023", State::Reached, "flaked plating at drive, 12 o'clock, on 18 Mar 2026")
    };
    let stale = Score {
        risks: risks([0.05, 0.02, 0.11], [0.09, 0.04, 0.19], [0.13, 0.06, 0.27]),
        drivers: vec![driver("run_h", 760.0, "running itself")],
        ..score("C-105", "T-0030", State::Stale, "torque has not arrived for 3 days")
    };
    let no_tube = Score {
        tube: None,
        last_look_at: None,
        last_grade: None,
        run_h: 0.0,
        blind_h: 0.0,
        assumed_h: 0.0,
        coverage: None,
        equivalent_h: 0.0,
        model: String::new(),
        data_from: None,
        data_to: None,
        ..score("C-107", "T-0", State::NoTube, "no tube is entered as fitted in C-107 since 2 May 2026")
    };
    let shelf = Score {
        unit: None,
        last_look_at: None,
        last_grade: None,
        run_h: 0.0,
        blind_h: 0.0,
        assumed_h: 0.0,
        coverage: None,
        equivalent_h: 0.0,
        ..score("C-0", "T-0011", State::NotFitted, "re-plated on 20 Apr 2026, not fitted since")
    };
    vec![low, stale, shelf, reached, ranked, no_tube, blind, hold, hours_alone]
}

pub fn signals() -> Vec<SignalReport> {
    let report = |unit: &str, signal: Signal, value: &str, raw: &str, measure: &str| SignalReport {
        unit: unit_id(unit),
        signal,
        topic: format!("works/{unit}/{signal}"),
        count: 14_210,
        per_min: 6.0,
        last_at: Some(now() - SignedDuration::from_secs(9)),
        arrived_at: Some(now() - SignedDuration::from_secs(8)),
        value: value.to_owned(),
        measure: measure.to_owned(),
        raw: raw.to_owned(),
        unprotected: false,
        faults: vec![],
    };
    let mut late = report("C-105", Signal::Torque, "96.2", "851.4 lbf·in", "N·m");
    late.last_at = Some(now() - SignedDuration::from_hours(75));
    late.arrived_at = late.last_at;
    (late.per_min, late.unprotected) = (0.0, true);
    late.faults.push(Fault {
        reason: "out_of_range".to_owned(),
        count: 12,
        first: now() - SignedDuration::from_hours(90),
        last: now() - SignedDuration::from_hours(76),
        sample: "-9999; right would be -100 to 20000 N·m".to_owned(),
    });
    vec![
        report("C-103", Signal::ProductTemp, "-5.1", "-5.1", "°C"),
        late,
        report("C-103", Signal::Torque, "121.4", "121.4", "N·m"),
        report("C-103", Signal::RunHours, "18211.3", "182113", "h"),
    ]
}

/// One model that speaks, one that spoke, and one that nobody has approved yet; in no order.
pub fn models() -> Vec<ModelEntry> {
    let contender = |forecast: &str, log_loss: f64, brier: f64, auc: Option<f64>| Contender {
        forecast: forecast.to_owned(),
        log_loss,
        brier,
        auc,
    };
    let term = |name: &str, coefficient: f64, std_error: f64| FittedTerm {
        name: name.to_owned(),
        coefficient,
        std_error: Some(std_error),
        of: None,
    };
    let approved = ModelEntry {
        version: 2,
        name: "cloglog-2026-04".to_owned(),
        created_at: at("2026-04-02T08:10:00Z"),
        status: ModelStatus::Approved,
        decided_at: Some(at("2026-04-03T06:00:00Z")),
        decided_by: Some("R. Example".to_owned()),
        why: Some("beat run hours alone on tubes it had not seen".to_owned()),
        basis: ModelBasis::Exposures,
        record_revision: Some(412),
        n_rows: 168,
        n_events: 24,
        n_event_lives: 21,
        data_from: Some(at("2024-01-08T00:00:00Z")),
        data_to: Some(at("2026-04-02T00:00:00Z")),
        verdict: Some(
            "It beats run hours alone: log loss 0.301 against 0.342, in 48 of 50 resamples of tubes.".to_owned(),
        ),
        notes: vec!["sliding_km is left out: no bore is entered for C-107".to_owned()],
        contenders: vec![
            contender("base_rate", 0.371, 0.108, Some(0.5)),
            contender("constant_rate", 0.352, 0.104, Some(0.61)),
            contender("hours_only", 0.342, 0.101, Some(0.66)),
            contender("model", 0.301, 0.089, Some(0.81)),
        ],
        terms: vec![term("excess_work_mj", 0.0412, 0.0131), term("cold_starts", 0.87, 0.39), term("dry_h", -0.2, 0.61)],
        report: Some(Arc::new(judged::report())),
    };
    let prior = ModelEntry {
        version: 1,
        name: "prior".to_owned(),
        created_at: at("2025-06-01T08:00:00Z"),
        status: ModelStatus::Retired,
        decided_at: Some(at("2026-04-03T06:00:00Z")),
        why: None,
        basis: ModelBasis::Prior,
        record_revision: None,
        n_rows: 31,
        n_events: 3,
        n_event_lives: 3,
        verdict: None,
        notes: vec![],
        contenders: vec![],
        terms: vec![],
        report: None,
        ..approved.clone()
    };
    let proposed = ModelEntry {
        version: 3,
        name: "hours-2026-05".to_owned(),
        created_at: at("2026-05-11T02:00:00Z"),
        status: ModelStatus::Proposed,
        decided_at: None,
        decided_by: None,
        why: None,
        basis: ModelBasis::HoursOnly,
        record_revision: None,
        verdict: Some(
            "hours_only (log loss 0.3300) is not beaten by more than one standard error between tubes".to_owned(),
        ),
        contenders: vec![contender("hours_only", 0.33, 0.1, None)],
        terms: vec![],
        report: None,
        ..approved.clone()
    };
    vec![approved, prior, proposed]
}

/// What runs and what is planned; in no order.
pub fn campaigns() -> Vec<Campaign> {
    let campaign = |unit: &str, from: &str, to: &str, product: &str, run_h: Option<f64>| Campaign {
        unit: unit_id(unit),
        from: at(from),
        to: at(to),
        product: product.to_owned(),
        planned: at(from) > now(),
        run_h,
    };
    vec![
        campaign("C-103", "2026-05-24T06:00:00Z", "2026-06-18T06:00:00Z", "sorbet base", Some(420.0)),
        campaign("C-103", "2026-05-04T06:00:00Z", "2026-05-22T06:00:00Z", "ice mix", Some(300.0)),
        campaign("C-103", "2026-06-19T06:00:00Z", "2026-08-20T06:00:00Z", "ice mix", Some(1100.0)),
        campaign("C-101", "2026-05-04T06:00:00Z", "2026-05-16T06:00:00Z", "margarine", Some(200.0)),
        campaign("C-101", "2026-05-16T18:00:00Z", "2026-05-30T06:00:00Z", "margarine", None),
        campaign("C-105", "2026-05-01T06:00:00Z", "2026-05-18T06:00:00Z", "ice mix", Some(280.0)),
        campaign("C-105", "2026-05-18T06:00:00Z", "2026-06-01T06:00:00Z", "sorbet base", Some(240.0)),
        campaign("C-108", "2026-05-01T06:00:00Z", "2026-05-13T06:00:00Z", "starch paste", Some(210.0)),
        campaign("C-108", "2026-05-14T06:00:00Z", "2026-05-29T06:00:00Z", "starch paste", Some(250.0)),
        campaign("C-107", "2026-04-20T06:00:00Z", "2026-05-02T06:00:00Z", "jam", Some(210.0)),
        campaign("C-107", "2026-05-19T06:00:00Z", "2026-05-29T06:00:00Z", "jam", Some(180.0)),
    ]
}

/// Advice that was put off, and a hold that nobody has seen.
pub fn advice() -> Vec<Advice> {
    let raised = |id, unit: &str, tube: &str, kind| Advice {
        id,
        tube: tube_id(tube),
        unit: unit_id(unit),
        kind,
        cause_since: at("2026-05-09T06:00:00Z"),
        raised_at: Some(at("2026-05-10T06:00:00Z")),
        gone_since: None,
        cleared_at: None,
        seen: None,
        put_off: None,
    };
    let put_off = PutOff {
        until: at("2026-05-21T22:00:00Z"),
        why: "no crew before the stop of 22 May".to_owned(),
        who: "O. Example".to_owned(),
        at: at("2026-05-11T08:00:00Z"),
    };
    let chance = Advice { put_off: Some(put_off), ..raised(1, "C-103", "T-0042", AdviceKind::Chance) };
    vec![chance, raised(2, "C-108", "T-0023", AdviceKind::Hold)]
}

/// A doubt about a tube, and one about two units.
fn suspicions() -> Suspicions {
    let doubts = vec![
        Suspicion {
            kind: SuspicionKind::TradedTorque,
            at: at("2026-05-04T06:00:00Z"),
            tube: None,
            units: vec![unit_id("C-101"), unit_id("C-102")],
            what: "C-101 usually took 90 N·m and C-102 150 N·m; since the stop it is the other way round".to_owned(),
            check: "Are the signals mapped the other way round?".to_owned(),
        },
        Suspicion {
            kind: SuspicionKind::GradeFell,
            at: at("2025-12-03T10:00:00Z"),
            tube: Some(tube_id("T-0042")),
            units: vec![unit_id("C-103")],
            what: "far 6 o'clock reads grade 1 where it read grade 3 at the look before".to_owned(),
            check: "Was the tube honed and not written down?".to_owned(),
        },
    ];
    Suspicions { doubts, one_lower: 7, compared: 1_204 }
}

/// One signal of the invented plant is known all the time, one half of it; the others never.
fn known() -> BTreeMap<(UnitId, Signal), KnownShare> {
    let share = |signal, day, week| ((unit_id("C-103"), signal), KnownShare { day, week });
    [share(Signal::Torque, 1.0, 1.0), share(Signal::RunHours, 0.5, 0.928)].into()
}

/// Double readings of an invented plant, and their kappas as another library weighs that table.
fn agreement() -> ReaderAgreement {
    let kappa = |value, lower, upper| Some(AgreementKappa { value, lower, upper });
    let table = [[44, 5, 1, 0, 0], [7, 31, 6, 1, 0], [0, 4, 18, 3, 0], [0, 1, 2, 9, 1], [0, 0, 0, 1, 6]];
    ReaderAgreement {
        pairs: 140,
        same: 108,
        least_pairs: 20,
        unweighted: kappa(0.686_691, 0.592_029, 0.781_354),
        linear: kappa(0.800_016, 0.732_122, 0.867_910),
        quadratic: kappa(0.891_861, 0.843_776, 0.939_947),
        table: table.map(|row| row.to_vec()).to_vec(),
    }
}

/// The whole plant.
/// What the proposed model would say: more of each tube that has a chance.
fn trial() -> Trial {
    let mut scores = scores();
    for score in &mut scores {
        score.model = "hours-2026-05".to_owned();
        score.risks.iter_mut().for_each(|ahead| ahead.upper = 1.0);
        score.risks.iter_mut().for_each(|ahead| ahead.risk = (ahead.risk + 0.07).min(1.0));
    }
    Trial { version: 3, scores }
}

/// How fast the invented tubes wear.
fn wear_map() -> WearMap {
    let cell = |hours: f64, rate: f64| WearCell { hours, equivalent_h: hours * rate };
    let cells = vec![
        cell(4100.0, 0.7),
        cell(900.0, 0.8),
        cell(2600.0, 1.1),
        cell(410.0, 1.6),
        cell(230.0, 3.8),
        cell(3.0, 5.0),
    ];
    let nowhere = cell(51.0, 1.0);
    WearMap {
        from: now() - SignedDuration::from_hours(365 * 24),
        to: now(),
        covered_h: cells.iter().map(|cell| cell.hours).sum::<f64>() + nowhere.hours,
        equivalent_h: cells.iter().map(|cell| cell.equivalent_h).sum::<f64>() + nowhere.equivalent_h,
        cells,
        nowhere,
    }
}

/// How fast two of the units wear with two products.
fn product_paces() -> ProductPaces {
    let pace = |times, covered_h, own| ProductPace { times, covered_h, own };
    let of = |unit: &str, ice, fondant| {
        (unit_id(unit), BTreeMap::from([("ice mix".to_owned(), ice), ("fondant".to_owned(), fondant)]))
    };
    ProductPaces::from([
        of("C-103", pace(0.5, 2210.0, true), pace(2.0, 640.0, true)),
        of("C-106", pace(0.8, 5310.0, false), pace(1.5, 640.0, false)),
    ])
}

/// How the chances of the invented plant did.
fn track() -> TrackRecord {
    let mark = |day: &str, tube: &str, chance: f64, found: bool| MarkedScore {
        tube: tube_id(tube),
        unit: Some(unit_id("C-103")),
        look_at: at(&format!("{day}T09:00:00Z")),
        reason: None,
        said_at: at(&format!("{day}T09:00:00Z")) - SignedDuration::from_hours(27),
        model: "cloglog-2026-04".to_owned(),
        state: State::Ok,
        run_h: 18.5,
        chance,
        found,
    };
    let line = |which: &str, looks: u64, found: u64, expected: f64, (at_least, at_most): (u64, u64)| TrackLine {
        which: which.to_owned(),
        looks,
        found,
        expected,
        at_least,
        at_most,
        share_lower: 0.02,
        share_upper: 0.61,
        brier: 0.102,
        log_loss: 0.33,
    };
    TrackRecord {
        lines: vec![
            line("all but floors", 4, 1, 0.81, (0, 3)),
            line("because something looked bad (advice, complaint)", 3, 3, 0.4, (0, 2)),
        ],
        bins: vec![line("20 % to 40 %", 2, 1, 0.6, (0, 2))],
        drift: Some(Drift {
            model: "cloglog-2026-04".to_owned(),
            looks: 4,
            evidence: 1.4,
            limit: 100.0,
            since: None,
            sentence: "Nothing speaks against the chances of cloglog-2026-04".to_owned(),
        }),
        marks: vec![
            mark("2026-05-04", "T-0042", 0.31, true),
            mark("2026-04-28", "T-0019", 0.04, false),
            mark("2026-04-21", "T-0023", 0.29, false),
            mark("2026-04-14", "T-0030", 0.17, false),
        ],
        unmarked: 12,
    }
}

/// A look that an analyst doubts.
fn aside() -> Aside {
    Aside {
        id: 1,
        tube: tube_id("T-0042"),
        look: at("2025-11-03T08:00:00Z"),
        at: at("2026-02-01T10:00:00Z"),
        who: "R. Example".to_owned(),
        why: "read by torchlight <alone>".to_owned(),
        lifted_at: None,
        lifted_by: None,
        lifted_why: None,
    }
}

pub fn snapshot() -> Snapshot {
    let tubes = [
        ("T-0007", Some("C-101")),
        ("T-0011", None),
        ("T-0019", Some("C-102")),
        ("T-0023", Some("C-108")),
        ("T-0030", Some("C-105")),
        ("T-0038", Some("C-104")),
        ("T-0051", Some("C-106")),
    ];
    let mut tubes: Vec<_> = tubes.map(|(tube, unit)| bare_tube(tube, unit)).into();
    tubes.push(tube());
    let fault = |reason: &str, sample: &str| Fault {
        reason: reason.to_owned(),
        count: 3,
        first: now() - SignedDuration::from_hours(30),
        last: now() - SignedDuration::from_mins(40),
        sample: sample.to_owned(),
    };
    Snapshot {
        collectors: vec![CollectorSeen {
            name: "b".into(),
            seen_at: now() - SignedDuration::from_secs(3),
            working: true,
            error: None,
        }],
        told: vec![told("desk", 12, 0, 0, None), told("shift", 3, 2, 1, Some("there was no answer within 10 s"))],
        disk: Some(Disk { free_bytes: 112_400_000_000, bytes_per_day: Some(2.7e9), full_in_days: Some(41.6) }),
        at: now(),
        evaluated_at: Some(now() - SignedDuration::from_mins(2)),
        scores: scores(),
        tubes: tubes.into_iter().map(|detail| (detail.tube.tube.clone(), detail)).collect(),
        models: models(),
        trial: Some(Arc::new(trial())),
        asides: vec![aside()],
        track: Arc::new(track()),
        wear_map: Some(Arc::new(wear_map())),
        product_paces: Arc::new(product_paces()),
        campaigns: campaigns(),
        advice: advice(),
        suspicions: suspicions(),
        agreement: agreement(),
        signals: signals(),
        known: Arc::new(known()),
        unmapped: vec![UnmappedTopic {
            topic: "works/C-110/shaft/torque".to_owned(),
            count: 5120,
            last: now() - SignedDuration::from_secs(4),
            sample: "{\"value\": 101.3}".to_owned(),
        }],
        faults: vec![fault("decimal_comma", "works/C-103/torque: 12,5; right would be 12.5")],
        totals: Totals { messages: 1_204_511, readings: 1_198_020, duplicates: 6421, kept_out: 70 },
        link: Link { connected: true, since: Some(now() - SignedDuration::from_hours(51)), ..Link::default() },
        journal: Journal { last_commit_at: Some(now() - SignedDuration::from_secs(1)), error: None },
        config: ConfigState::default(),
    }
}
