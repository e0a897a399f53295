//! The tubes of the invented plant, with what was found in them.

use jiff::civil::date;
use plant::{
    ClockPosition, Exposure, Finding, Fitting, Grade, Kind, Method, Reason, Record, Term, Tube, Work, WorkKind, Zone,
};
use publisher::{Month, TubeDetail};

use super::{at, now, site, tube_id, unit_id};

/// The tube with the longest history.
pub fn tube() -> TubeDetail {
    let id = tube_id("T-0042");
    let found = |time: &str, zone: &str, clock, grade: u8| Finding {
        at: at(time),
        tube: id.clone(),
        grade: Grade::try_from(grade).expect("a grade"),
        zone: Some(Zone(zone.to_owned())),
        clock: Some(clock),
        method: Some(Method::Nail),
        kind: Some(Kind::Groove),
        depth_um: None,
        reason: Some(Reason::Changeover),
        inspector: Some("J. Example".to_owned()),
        run_h: None,
        recorded_at: None,
        note: None,
    };
    let mut findings = vec![Finding {
        zone: None,
        clock: None,
        method: Some(Method::Gauge),
        depth_um: Some(38.0),
        note: Some("deepest near the far bearing".to_owned()),
        ..found("2025-02-11T09:00:00Z", "far", ClockPosition::Six, 2)
    }];
    for zone in ["drive", "middle", "far"] {
        for clock in ClockPosition::ALL {
            if (zone, *clock) != ("middle", ClockPosition::Nine) {
                let grade = u8::from(zone == "far" && *clock == ClockPosition::Six);
                findings.push(found("2025-12-03T10:00:00Z", zone, *clock, grade));
            }
        }
    }
    findings.push(Finding { zone: None, clock: None, ..found("2025-12-03T10:20:00Z", "far", ClockPosition::Six, 1) });
    let fitting = |unit: &str, from: &str, to: Option<&str>| Fitting {
        tube: id.clone(),
        unit: unit_id(unit),
        from: at(from),
        to: to.map(at),
    };
    let tube = Tube {
        tube: id.clone(),
        surface: "hard_chrome".to_owned(),
        bore_mm: Some(152.4),
        length_mm: Some(1830.0),
        plating_um: Some(120.0),
        run_h_before: None,
        note: None,
    };
    let record = Record {
        tubes: [(id.clone(), tube.clone())].into(),
        fittings: vec![
            fitting("C-101", "2024-01-08T06:00:00Z", Some("2025-02-11T06:00:00Z")),
            fitting("C-103", "2025-03-03T06:00:00Z", None),
        ],
        work: vec![
            Work { at: at("2024-01-08T05:00:00Z"), tube: id.clone(), work: WorkKind::New, note: None },
            Work {
                at: at("2025-02-20T12:00:00Z"),
                tube: id.clone(),
                work: WorkKind::HonePolish,
                note: Some("25 µm taken off".to_owned()),
            },
        ],
        findings,
        zones: site().zones,
        ..Record::default()
    };
    TubeDetail {
        plating: record.plating(&id, now()),
        surface_h: Some(6_310.0),
        tube,
        unit: Some(unit_id("C-103")),
        lives: record.lives(&id),
        looks: record.looks(&id),
        fittings: record.fittings,
        work: record.work,
        findings: record.findings,
        months: vec![month(2026, 3, 402.0, 31.0), month(2026, 4, 376.0, 0.0)],
    }
}

/// A tube with six looks in two lives: smooth, a catch, a scratch, honed, one look in part, a flake.
pub fn worn_tube() -> TubeDetail {
    let mut detail = tube();
    let id = tube_id("T-0042");
    let template = detail.findings.last().expect("the tube was looked into").clone();
    let found = |time: &str, station: Option<(&str, ClockPosition)>, kind: Kind, grade: u8| Finding {
        at: at(time),
        zone: station.map(|(zone, _)| Zone(zone.to_owned())),
        clock: station.map(|(_, clock)| clock),
        kind: Some(kind),
        grade: Grade::try_from(grade).expect("a grade"),
        ..template.clone()
    };
    let wall = |time: &str, worst: u8| -> Vec<Finding> {
        let stations = ["drive", "middle", "far"]
            .into_iter()
            .flat_map(|zone| ClockPosition::ALL.iter().map(move |clock| (zone, *clock)));
        stations
            .map(|(zone, clock)| {
                let grade = match (zone, clock) {
                    ("far", ClockPosition::Six) => worst,
                    ("middle", ClockPosition::Six) => worst.saturating_sub(1),
                    _ => 0,
                };
                found(time, Some((zone, clock)), Kind::Groove, grade)
            })
            .collect()
    };
    let mut findings = vec![Finding { run_h: Some(1_210.0), ..found("2024-06-04T08:00:00Z", None, Kind::Groove, 0) }];
    findings.extend(wall("2024-11-05T08:00:00Z", 2));
    findings.extend(wall("2025-02-11T09:00:00Z", 3));
    findings.push(found("2025-02-11T09:10:00Z", Some(("drive", ClockPosition::Twelve)), Kind::AxialScratch, 1));
    findings.extend(wall("2025-12-03T10:00:00Z", 1));
    findings.push(found("2026-03-10T07:00:00Z", Some(("far", ClockPosition::Six)), Kind::Groove, 1));
    findings.push(found("2026-05-11T07:00:00Z", Some(("far", ClockPosition::Twelve)), Kind::Flake, 4));
    findings.push(found("2026-05-11T07:00:00Z", Some(("far", ClockPosition::Six)), Kind::Groove, 2));
    let record = Record {
        tubes: [(id.clone(), detail.tube.clone())].into(),
        fittings: detail.fittings.clone(),
        work: detail.work.clone(),
        findings,
        zones: site().zones,
        ..Record::default()
    };
    (detail.lives, detail.looks) = (record.lives(&id), record.looks(&id));
    detail.findings = record.findings;
    detail.months = (1..=12i8).map(|number| month(2025, number, 300.0 + f64::from(number) * 10.0, 12.0)).collect();
    detail.months.extend((1..=5i8).map(|number| month(2026, number, 380.0, 0.0)));
    detail
}

fn month(year: i16, month: i8, run_h: f64, blind_h: f64) -> Month {
    let mut exposure = Exposure::default();
    for (term, amount) in [
        (Term::RunH, run_h),
        (Term::BlindH, blind_h),
        (Term::ShaftWorkMj, run_h * 9.5),
        (Term::Starts, 24.0),
        (Term::TorqueExcursions, 3.0),
        (Term::DryH, 0.25),
    ] {
        exposure.add(term, amount);
    }
    exposure.mark_lacking(Term::ExcessWorkMj);
    exposure.mark_lacking(Term::ColdStarts);
    exposure.add(Term::SlidingKm, run_h * 4.0);
    exposure.band_h = [0.05, 0.1, 0.2, 0.35, 0.3, 0.0].map(|part| part * (run_h - blind_h)).to_vec();
    Month { first_day: date(year, month, 1), exposure }
}

/// A tube of which little is written down.
pub fn bare_tube(tube: &str, unit: Option<&str>) -> TubeDetail {
    let id = tube_id(tube);
    let from = at("2024-06-03T06:00:00Z");
    let fittings = unit.map(|unit| Fitting { tube: id.clone(), unit: unit_id(unit), from, to: None });
    let record = Record { fittings: fittings.into_iter().collect(), ..Record::default() };
    TubeDetail {
        tube: Tube {
            tube: id.clone(),
            surface: "stainless".to_owned(),
            bore_mm: None,
            length_mm: None,
            plating_um: None,
            run_h_before: None,
            note: None,
        },
        unit: unit.map(unit_id),
        lives: record.lives(&id),
        looks: vec![],
        fittings: record.fittings,
        work: vec![],
        findings: vec![],
        months: vec![],
        surface_h: None,
        plating: None,
    }
}
