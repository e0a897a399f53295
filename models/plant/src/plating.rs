//! How much plating a tube has left: honing takes some off every time, and what is worn through cannot be honed out.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{Record, TubeId};

/// The plating of a tube, µm, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Plating {
    /// Thickness when it was new, by the register.
    pub new_um: f64,
    /// Thickness that honing has left.
    pub left_um: f64,
    /// The deepest groove that was measured in this life.
    pub deepest_um: Option<f64>,
    /// What is left under it.
    pub reserve_um: f64,
}

impl Record {
    /// When a tube last came new or was plated, up to and including an instant; `None` if that was before the records.
    pub fn plated_at(&self, tube: &TubeId, at: Timestamp) -> Option<Timestamp> {
        let own = self.work.iter().filter(|work| work.tube == *tube && work.at <= at);
        own.filter(|work| self.effects.of(work.work).renews_plating).map(|work| work.at).max()
    }

    /// The plating of a tube at an instant; `None` if the register does not give its thickness.
    ///
    /// Work takes off what its effect says, and at least the deepest groove that was measured in the life that it ends:
    /// a wall is not smooth before its deepest groove is out. Grooves that were not measured are not in it.
    pub fn plating(&self, tube: &TubeId, at: Timestamp) -> Option<Plating> {
        let new_um = self.tubes.get(tube)?.plating_um?;
        let plated = self.plated_at(tube, at);
        let lives = self.lives(tube);
        let deepest_in_life = |when: Timestamp| {
            let life = lives.iter().find(|life| life.holds(when))?;
            let own = self.findings.iter().filter(|finding| finding.tube == *tube && finding.is_groove());
            own.filter(|f| life.holds(f.at) && f.at <= when).filter_map(|f| f.depth_um).max_by(f64::total_cmp)
        };
        let since = self.work.iter().filter(|w| w.tube == *tube && w.at <= at && plated.is_none_or(|from| from < w.at));
        let used_um: f64 = since
            .map(|work| {
                let effect = self.effects.of(work.work);
                let groove_um = deepest_in_life(work.at).filter(|_| effect.starts_life).unwrap_or(0.0);
                effect.plating_used_um.max(groove_um)
            })
            .sum();
        let left_um = (new_um - used_um).max(0.0);
        // An instant at which a life begins belongs to the one before it.
        let deepest_um = deepest_in_life(at).filter(|_| lives.iter().all(|life| life.from != Some(at)));
        Some(Plating { new_um, left_um, deepest_um, reserve_um: (left_um - deepest_um.unwrap_or(0.0)).max(0.0) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Finding, Grade, Tube, Work, WorkKind};

    fn at(day: i64) -> Timestamp {
        Timestamp::from_second(day * 86_400).unwrap()
    }

    fn tube() -> TubeId {
        TubeId::new("T1").unwrap()
    }

    fn record(work: &[(i64, WorkKind)], depths: &[(i64, f64)]) -> Record {
        let known = Tube {
            tube: tube(),
            surface: "hard_chrome".into(),
            bore_mm: None,
            length_mm: None,
            plating_um: Some(120.0),
            run_h_before: None,
            note: None,
        };
        let finding = |(day, depth_um): &(i64, f64)| Finding {
            at: at(*day),
            tube: tube(),
            grade: Grade::CATCH,
            zone: None,
            clock: None,
            method: None,
            kind: None,
            depth_um: Some(*depth_um),
            reason: None,
            inspector: None,
            run_h: None,
            recorded_at: None,
            note: None,
        };
        Record {
            tubes: [(tube(), known)].into(),
            work: work.iter().map(|(day, work)| Work { at: at(*day), tube: tube(), work: *work, note: None }).collect(),
            findings: depths.iter().map(finding).collect(),
            ..Record::default()
        }
    }

    fn left(record: &Record, day: i64) -> (f64, Option<f64>, f64) {
        let plating = record.plating(&tube(), at(day)).unwrap();
        (plating.left_um, plating.deepest_um, plating.reserve_um)
    }

    #[test]
    fn honing_takes_its_share_or_the_deepest_groove_and_plating_brings_all_back() {
        let record = record(
            &[(0, WorkKind::New), (20, WorkKind::HonePolish), (40, WorkKind::HonePolish), (60, WorkKind::Replate)],
            &[(20, 34.0), (30, 6.0), (70, 25.0)],
        );
        assert_eq!(left(&record, 10), (120.0, None, 120.0));
        assert_eq!(left(&record, 20), (86.0, None, 86.0), "a groove of 34 µm was honed out");
        assert_eq!(left(&record, 35), (86.0, Some(6.0), 80.0));
        assert_eq!(left(&record, 50), (76.0, None, 76.0), "honing takes 10 µm at least");
        assert_eq!(left(&record, 80), (120.0, Some(25.0), 95.0));
    }

    #[test]
    fn blades_take_nothing_and_no_plating_is_less_than_none() {
        let blades = record(&[(0, WorkKind::New), (20, WorkKind::Blades)], &[(10, 30.0)]);
        assert_eq!(left(&blades, 30), (120.0, Some(30.0), 90.0));
        let through = record(&[(0, WorkKind::New), (20, WorkKind::HonePolish)], &[(10, 150.0)]);
        assert_eq!(left(&through, 30), (0.0, None, 0.0));
    }

    #[test]
    fn without_a_thickness_nothing_is_said() {
        let mut unknown = record(&[(0, WorkKind::New)], &[]);
        unknown.tubes.values_mut().for_each(|tube| tube.plating_um = None);
        assert_eq!(unknown.plating(&tube(), at(10)), None);
    }

    #[test]
    fn hours_on_the_surface_go_on_over_a_honing() {
        let record = record(&[(0, WorkKind::New), (20, WorkKind::HonePolish), (60, WorkKind::Replate)], &[]);
        let from: Vec<_> = record.lives(&tube()).iter().map(|life| life.surface_from).collect();
        assert_eq!(from, [Some(at(0)), Some(at(0)), Some(at(60))]);
    }
}
