//! The record of the fleet, and what follows from it: lives, looks, and the spans between looks.
//!
//! At equal times the order is finding, work, fitting: what was found at the stop belongs to the life that ends there.

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp};

use crate::{
    Aside, Campaign, ClockPosition, Correction, Finding, Fitting, Grade, Kind, Reason, Tube, TubeId, UnitId, Work,
    WorkEffects, WorkKind, Zone,
};

/// Findings of one tube closer than this, without work between them, are one look.
const SAME_STOP: SignedDuration = SignedDuration::from_hours(24);

/// Everything written down about the fleet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Record {
    /// Tubes by serial.
    pub tubes: BTreeMap<TubeId, Tube>,
    /// Fittings, in order of time.
    pub fittings: Vec<Fitting>,
    /// Work, in order of time.
    pub work: Vec<Work>,
    /// Findings, in order of time.
    pub findings: Vec<Finding>,
    /// Campaigns, in order of time.
    pub campaigns: Vec<Campaign>,
    /// The zones of a tube, in order from the drive end.
    pub zones: Vec<Zone>,
    /// What work does to a tube.
    pub effects: WorkEffects,
    /// What was corrected or withdrawn, in the order in which that was done.
    pub corrections: Vec<Correction>,
    /// Looks that were ever set aside, in the order in which that was done.
    pub asides: Vec<Aside>,
    /// Grows with every change of what is written down; 0 for a record that is kept nowhere.
    pub revision: i64,
}

/// The period of a tube between renewals.
#[derive(Debug, Clone, PartialEq)]
pub struct Life {
    /// Counted from 1 per tube.
    pub number: u32,
    /// After which instant; `None` if it began before the records.
    pub from: Option<Timestamp>,
    /// Up to and including which instant; `None` while it lasts.
    pub to: Option<Timestamp>,
    /// What ended it.
    pub ended_by: Option<WorkKind>,
    /// The worst grade of the wall when it began, if that is known: smooth, unless the work's effect says otherwise.
    pub grade_at_start: Option<Grade>,
    /// Run hours before the records begin, h; known age, blind hours.
    pub run_h_before: f64,
    /// When the surface was plated or came new; `None` if that was before the records.
    pub surface_from: Option<Timestamp>,
}

impl Life {
    /// Whether an instant lies in this life (its first instant does not, its last does).
    pub fn holds(&self, at: Timestamp) -> bool {
        self.from.is_none_or(|from| from < at) && self.to.is_none_or(|to| at <= to)
    }
}

/// All findings of one tube within one stop.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// Its last finding.
    pub at: Timestamp,
    /// From when all of it could be known.
    pub known_at: Timestamp,
    /// The worst groove that was read; `None` if only other kinds were.
    pub grade: Option<Grade>,
    /// Every station was read, or a finding spoke for the whole tube.
    pub complete: bool,
    /// Groove grades of the stations at which grooves were read, smooth ones included.
    pub stations: BTreeMap<(Zone, ClockPosition), Grade>,
    /// Depths of grooves that were measured at a station, µm, in order of time.
    pub depths_um: Vec<((Zone, ClockPosition), f64)>,
    /// Marks of other kinds, the worst of each station.
    pub others: BTreeMap<(Zone, ClockPosition), (Grade, Kind)>,
    /// The worst mark of any kind, stated for a station or for the whole tube.
    pub worst_mark: Option<Grade>,
    /// Why the tube was opened, if somebody said so.
    pub reason: Option<Reason>,
    /// Flakes or exposed metal were seen.
    pub hold_and_assess: bool,
}

/// From one look (or a smooth beginning) to the next within a life, for a station or for the tube's worst.
#[derive(Debug, Clone, PartialEq)]
pub struct Span {
    /// Whose.
    pub tube: TubeId,
    /// Which life.
    pub life: u32,
    /// Which station; `None` for the worst of the tube.
    pub station: Option<(Zone, ClockPosition)>,
    /// The earlier look; `None` for the beginning of the life.
    pub start_at: Option<Timestamp>,
    /// The later look.
    pub end_at: Timestamp,
    /// Worst grade read in this life up to the earlier look.
    pub grade_start: Grade,
    /// Worst grade read in this life up to the later look.
    pub grade_end: Grade,
    /// What the later look itself read.
    pub grade_end_seen: Grade,
}

impl Record {
    /// The tube that sits in a unit at an instant.
    pub fn tube_in(&self, unit: &UnitId, at: Timestamp) -> Option<&TubeId> {
        self.fittings.iter().find(|f| f.unit == *unit && f.holds(at)).map(|f| &f.tube)
    }

    /// The fittings of a tube, in order of time.
    pub fn fittings_of(&self, tube: &TubeId) -> impl Iterator<Item = &Fitting> {
        self.fittings.iter().filter(move |fitting| fitting.tube == *tube)
    }

    /// The unit in which a tube sits at an instant.
    pub fn unit_of(&self, tube: &TubeId, at: Timestamp) -> Option<&UnitId> {
        self.fittings_of(tube).find(|f| f.holds(at)).map(|f| &f.unit)
    }

    /// The same record tube by tube, in order of serial: what asks about one tube need not go through all the others.
    pub fn by_tube(&self) -> Vec<(TubeId, Record)> {
        let alone = |(id, tube): (&TubeId, &Tube)| {
            let tubes = [(id.clone(), tube.clone())].into();
            let (zones, effects, revision) = (self.zones.clone(), self.effects, self.revision);
            (id.clone(), Record { tubes, zones, effects, revision, ..Record::default() })
        };
        let mut own: BTreeMap<TubeId, Record> = self.tubes.iter().map(alone).collect();
        fn give<T: Clone>(
            own: &mut BTreeMap<TubeId, Record>,
            all: &[T],
            of: impl Fn(&T) -> &TubeId,
            place: impl Fn(&mut Record) -> &mut Vec<T>,
        ) {
            for one in all {
                if let Some(record) = own.get_mut(of(one)) {
                    place(record).push(one.clone());
                }
            }
        }
        give(&mut own, &self.fittings, |fitting| &fitting.tube, |record| &mut record.fittings);
        give(&mut own, &self.work, |work| &work.tube, |record| &mut record.work);
        give(&mut own, &self.findings, |finding| &finding.tube, |record| &mut record.findings);
        give(&mut own, &self.asides, |aside| &aside.tube, |record| &mut record.asides);
        own.into_iter().collect()
    }

    /// The lives of a tube, in order; the last one lasts. A tube has at least one.
    pub fn lives(&self, tube: &TubeId) -> Vec<Life> {
        let own_work = || self.work.iter().filter(|work| work.tube == *tube);
        let mut begun: Vec<(Timestamp, WorkKind)> =
            own_work().filter(|w| self.effects.of(w.work).starts_life).map(|w| (w.at, w.work)).collect();
        begun.sort();
        begun.dedup_by_key(|(at, _)| *at);
        let first_fitted = self.fittings_of(tube).map(|f| f.from).min();
        let first_found = self.findings.iter().filter(|f| f.tube == *tube).map(|f| f.at).min();
        let run_h_before = self.tubes.get(tube).and_then(|tube| tube.run_h_before);
        let mut lives = Vec::new();
        // What was found at the moment of the first work was found before it.
        let traced_before =
            |at: Timestamp| first_fitted.is_some_and(|from| from < at) || first_found.is_some_and(|found| found <= at);
        let older = begun.first().is_none_or(|(at, _)| run_h_before.is_some() || traced_before(*at));
        if older {
            lives.push(Life {
                number: 1,
                from: None,
                to: None,
                ended_by: None,
                grade_at_start: run_h_before.map(|_| Grade::SMOOTH),
                run_h_before: run_h_before.unwrap_or(0.0),
                surface_from: None,
            });
        }
        for (at, work) in begun {
            if let Some(last) = lives.last_mut() {
                last.to = Some(at);
                last.ended_by = Some(work);
            }
            let number = u32::try_from(lives.len()).unwrap_or(u32::MAX).saturating_add(1);
            lives.push(Life {
                number,
                from: Some(at),
                to: None,
                ended_by: None,
                grade_at_start: Some(self.effects.of(work).grade_after),
                run_h_before: 0.0,
                surface_from: self.plated_at(tube, at),
            });
        }
        lives
    }

    /// The looks of a tube to go by, in order of time. Findings on two sides of a renewal are never one look.
    pub fn looks(&self, tube: &TubeId) -> Vec<Look> {
        self.stops(tube).iter().filter(|stop| !self.is_aside(stop)).map(|stop| self.look(stop)).collect()
    }

    /// The looks of a tube that are set aside, in order of time.
    pub fn looks_aside(&self, tube: &TubeId) -> Vec<Look> {
        self.stops(tube).iter().filter(|stop| self.is_aside(stop)).map(|stop| self.look(stop)).collect()
    }

    /// The findings of a tube, stop by stop.
    fn stops(&self, tube: &TubeId) -> Vec<Vec<&Finding>> {
        let lives = self.lives(tube);
        let life_at = |at: Timestamp| lives.iter().position(|life| life.holds(at));
        let mut findings: Vec<&Finding> = self.findings.iter().filter(|finding| finding.tube == *tube).collect();
        findings.sort_by_key(|finding| finding.at);
        let mut stops = Vec::new();
        while let Some(first) = findings.first() {
            let same = |finding: &&Finding| {
                finding.at.duration_since(first.at) < SAME_STOP && life_at(finding.at) == life_at(first.at)
            };
            let rest = findings.split_off(findings.iter().take_while(|finding| same(finding)).count());
            stops.push(std::mem::replace(&mut findings, rest));
        }
        stops
    }

    fn look(&self, stop: &[&Finding]) -> Look {
        let mut stations: BTreeMap<(Zone, ClockPosition), Grade> = BTreeMap::new();
        let mut others: BTreeMap<(Zone, ClockPosition), (Grade, Kind)> = BTreeMap::new();
        let measured = stop.iter().filter(|finding| finding.is_groove());
        let depths_um = measured.filter_map(|f| Some((f.zone.clone().zip(f.clock)?, f.depth_um?))).collect::<Vec<_>>();
        let mut grade = None;
        let mut whole_tube = false;
        for finding in stop {
            if finding.is_groove() {
                grade = grade.max(Some(finding.grade));
            }
            match (finding.zone.clone().zip(finding.clock), finding.kind) {
                (Some(station), Some(kind)) if !finding.is_groove() => {
                    let mark = others.entry(station).or_insert((finding.grade, kind));
                    *mark = (*mark).max((finding.grade, kind));
                }
                (Some(station), _) => {
                    let read = stations.entry(station).or_insert(Grade::SMOOTH);
                    *read = (*read).max(finding.grade);
                }
                (None, _) => whole_tube |= finding.is_groove(),
            }
        }
        let read = |zone: &Zone, clock: ClockPosition| {
            let station = (zone.clone(), clock);
            stations.contains_key(&station) || others.contains_key(&station)
        };
        let every_station = !self.zones.is_empty()
            && self.zones.iter().all(|zone| ClockPosition::ALL.iter().all(|clock| read(zone, *clock)));
        // Where every station was looked at and no groove written down, there was none.
        let grade = if every_station { Some(grade.unwrap_or(Grade::SMOOTH)) } else { grade };
        Look {
            at: stop.iter().map(|f| f.at).max().unwrap_or_default(),
            known_at: stop.iter().map(|f| f.known_at()).max().unwrap_or_default(),
            grade,
            complete: whole_tube || every_station,
            stations,
            depths_um,
            others,
            worst_mark: stop.iter().map(|f| f.grade).max(),
            reason: stop.iter().find_map(|f| f.reason),
            hold_and_assess: stop.iter().any(|f| f.asks_to_hold()),
        }
    }

    /// The spans of a tube's worst grade, in order.
    ///
    /// A look that was not complete ends a span only if it found `limit` or worse; otherwise it proves nothing of
    /// the places that were not read. A life whose beginning is unknown starts at its first such look.
    pub fn spans(&self, tube: &TubeId, limit: Grade) -> Vec<Span> {
        let looks = self.looks(tube);
        let mut spans = Vec::new();
        for life in self.lives(tube) {
            let reads = looks.iter().filter(|look| life.holds(look.at)).filter_map(|look| {
                let grade = look.grade?;
                (look.complete || grade >= limit).then_some((look.at, grade))
            });
            push_spans(&mut spans, tube, &life, None, reads);
        }
        spans
    }

    /// The spans of every station of a tube that was read, in order of station, then time.
    pub fn station_spans(&self, tube: &TubeId) -> Vec<Span> {
        let looks = self.looks(tube);
        let stations: BTreeSet<_> = looks.iter().flat_map(|look| look.stations.keys().cloned()).collect();
        let mut spans = Vec::new();
        for station in stations {
            for life in self.lives(tube) {
                let reads = looks
                    .iter()
                    .filter(|look| life.holds(look.at))
                    .filter_map(|look| look.stations.get(&station).map(|grade| (look.at, *grade)));
                push_spans(&mut spans, tube, &life, Some(&station), reads);
            }
        }
        spans
    }
}

fn push_spans(
    spans: &mut Vec<Span>,
    tube: &TubeId,
    life: &Life,
    station: Option<&(Zone, ClockPosition)>,
    reads: impl Iterator<Item = (Timestamp, Grade)>,
) {
    let mut before = life.grade_at_start.map(|grade| (None, grade));
    for (at, seen) in reads {
        let worst = before.map_or(seen, |(_, worst)| seen.max(worst));
        if let Some((start_at, grade_start)) = before {
            spans.push(Span {
                tube: tube.clone(),
                life: life.number,
                station: station.cloned(),
                start_at,
                end_at: at,
                grade_start,
                grade_end: worst,
                grade_end_seen: seen,
            });
        }
        before = Some((Some(at), worst));
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub(crate) fn at(day: u32) -> Timestamp {
        Timestamp::from_second(i64::from(day) * 86_400).unwrap()
    }

    fn tube() -> TubeId {
        TubeId::new("T1").unwrap()
    }

    pub(crate) fn finding(day: u32, grade: u8) -> Finding {
        Finding {
            at: at(day),
            tube: tube(),
            grade: Grade::try_from(grade).unwrap(),
            zone: None,
            clock: None,
            method: None,
            kind: None,
            depth_um: None,
            reason: None,
            inspector: None,
            run_h: None,
            recorded_at: None,
            note: None,
        }
    }

    fn work(day: u32, work: WorkKind) -> Work {
        Work { at: at(day), tube: tube(), work, note: None }
    }

    fn record(findings: Vec<Finding>, work: Vec<Work>) -> Record {
        let zones = ["drive", "middle", "far"].map(|zone| Zone(zone.to_owned())).to_vec();
        let fittings = vec![Fitting { tube: tube(), unit: UnitId::new("C1").unwrap(), from: at(0), to: None }];
        Record { findings, work, fittings, zones, ..Record::default() }
    }

    fn grades(spans: &[Span]) -> Vec<(u32, u8, u8, u8)> {
        spans.iter().map(|s| (s.life, s.grade_start.get(), s.grade_end.get(), s.grade_end_seen.get())).collect()
    }

    #[test]
    fn a_life_of_unknown_beginning_starts_at_its_first_look() {
        let spans = record(vec![finding(10, 1), finding(40, 0), finding(80, 2)], vec![]).spans(&tube(), Grade::CATCH);
        assert_eq!(grades(&spans), [(1, 1, 1, 0), (1, 1, 2, 2)]);
    }

    #[test]
    fn a_new_tube_is_known_smooth_and_honing_starts_a_new_life() {
        let record = record(
            vec![finding(10, 0), finding(50, 2), finding(90, 1)],
            vec![work(0, WorkKind::New), work(50, WorkKind::HonePolish), work(60, WorkKind::Blades)],
        );
        let spans = record.spans(&tube(), Grade::CATCH);
        assert_eq!(grades(&spans), [(1, 0, 0, 0), (1, 0, 2, 2), (2, 0, 1, 1)]);
        assert_eq!(spans[0].start_at, None);
        assert_eq!(record.lives(&tube()).len(), 2);
    }

    #[test]
    fn hours_before_the_records_make_a_known_smooth_beginning() {
        let mut record = record(vec![finding(10, 2)], vec![]);
        let known = Tube {
            tube: tube(),
            surface: "hard_chrome".into(),
            bore_mm: None,
            length_mm: None,
            plating_um: None,
            run_h_before: Some(3000.0),
            note: None,
        };
        record.tubes.insert(tube(), known);
        assert_eq!(grades(&record.spans(&tube(), Grade::CATCH)), [(1, 0, 2, 2)]);
        assert_eq!(record.lives(&tube())[0].run_h_before, 3000.0);
    }

    #[test]
    fn a_station_not_read_is_unknown() {
        let mut one = finding(20, 0);
        one.zone = Some(Zone("drive".into()));
        one.clock = Some(ClockPosition::Six);
        let mut catch = one.clone();
        catch.at = at(60);
        catch.grade = Grade::CATCH;
        let record = record(vec![finding(10, 0), one, catch], vec![]);
        assert!(!record.looks(&tube())[1].complete);
        assert_eq!(
            grades(&record.spans(&tube(), Grade::CATCH)),
            [(1, 0, 2, 2)],
            "the clean part-look must not end a span"
        );
        assert_eq!(grades(&record.station_spans(&tube())), [(1, 0, 2, 2)]);
    }

    #[test]
    fn twelve_stations_make_a_complete_look() {
        let mut all = Vec::new();
        for zone in ["drive", "middle", "far"] {
            for clock in ClockPosition::ALL {
                let mut finding = finding(10, 0);
                finding.zone = Some(Zone(zone.into()));
                finding.clock = Some(*clock);
                all.push(finding);
            }
        }
        let looks = record(all, vec![]).looks(&tube());
        assert_eq!(looks.len(), 1);
        assert!(looks[0].complete);
        assert_eq!(looks[0].grade, Some(Grade::SMOOTH));
    }

    #[test]
    fn a_depth_belongs_to_the_look_that_measured_it() {
        let at_hour = |hour: i64, grade, depth_um| Finding {
            at: Timestamp::from_second(864_000 + hour * 3600).unwrap(),
            zone: Some(Zone("far".to_owned())),
            clock: Some(ClockPosition::Six),
            depth_um,
            ..finding(10, grade)
        };
        let honed = Work {
            at: Timestamp::from_second(864_000 + 15 * 3600).unwrap(),
            tube: tube(),
            work: WorkKind::HonePolish,
            note: None,
        };
        let record = record(vec![at_hour(14, 2, Some(34.0)), at_hour(17, 0, None)], vec![honed]);
        let depths: Vec<usize> = record.looks(&tube()).iter().map(|look| look.depths_um.len()).collect();
        assert_eq!(depths, [1, 0], "what was honed out is no groove of the new life");
    }

    #[test]
    fn a_tube_alone_has_the_lives_and_looks_that_it_has_among_others() {
        let other = TubeId::new("T2").unwrap();
        let mut all = record(
            vec![finding(10, 1), Finding { tube: other.clone(), ..finding(20, 3) }, finding(40, 2)],
            vec![work(50, WorkKind::HonePolish)],
        );
        for id in [tube(), other] {
            let known = Tube {
                tube: id.clone(),
                surface: "hard_chrome".into(),
                bore_mm: None,
                length_mm: None,
                plating_um: None,
                run_h_before: None,
                note: None,
            };
            all.tubes.insert(id, known);
        }
        let alone = all.by_tube();
        assert_eq!(alone.iter().map(|(id, _)| id.as_str()).collect::<Vec<_>>(), ["T1", "T2"]);
        for (id, own) in &alone {
            assert_eq!((own.lives(id), own.looks(id)), (all.lives(id), all.looks(id)));
            assert_eq!(own.spans(id, Grade::CATCH), all.spans(id, Grade::CATCH));
        }
        assert_eq!(alone.iter().map(|(_, own)| own.findings.len()).sum::<usize>(), 3);
    }

    #[test]
    fn daily_findings_do_not_chain_into_one_look() {
        let looks = record((10..14).map(|day| finding(day, 0)).collect(), vec![]).looks(&tube());
        assert_eq!(looks.len(), 4);
    }

    #[test]
    fn a_flake_asks_to_hold_but_is_no_groove() {
        let mut flake = finding(10, 4);
        flake.kind = Some(crate::Kind::Flake);
        flake.zone = Some(Zone("drive".into()));
        flake.clock = Some(ClockPosition::Twelve);
        let looks = record(vec![flake], vec![]).looks(&tube());
        assert!(looks[0].hold_and_assess && !looks[0].complete);
        assert_eq!((looks[0].grade, looks[0].worst_mark.map(Grade::get)), (None, Some(4)));
        assert!(looks[0].stations.is_empty(), "a flake must not read as a smooth station");
    }
}
