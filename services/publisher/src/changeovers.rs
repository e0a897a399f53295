//! The stops between two campaigns that lie ahead, with what is known of the tube then.

use jiff::Timestamp;
use plant::{Campaign, Horizon, Score, UnitId};

use crate::rank::sayable;
use crate::{Snapshot, Voice, standing};

/// A stop of one unit between two campaigns.
#[derive(Debug)]
pub(crate) struct Changeover<'a> {
    pub unit: &'a UnitId,
    /// The campaign that ends.
    pub ends: &'a Campaign,
    /// The campaign that begins.
    pub begins: &'a Campaign,
    /// The score of the unit; `None` if it has not been evaluated.
    pub score: Option<&'a Score>,
    /// Run hours from now to the end of the campaign that begins, as planned.
    pub run_h_ahead: Result<f64, String>,
    /// The risk if the tube stays closed at this stop: at the end of the campaign that begins.
    pub if_not_opened: Result<Horizon, String>,
}

impl Changeover<'_> {
    /// When the stop begins. Campaigns that overlap leave no time between them.
    pub fn stop_from(&self) -> Timestamp {
        self.ends.to.min(self.begins.from)
    }

    /// When it ends.
    pub fn stop_to(&self) -> Timestamp {
        self.begins.from
    }

    /// The risk now; `None` if there is none to give.
    pub fn now(&self) -> Option<&Horizon> {
        self.score.and_then(|score| sayable(score).first())
    }
}

/// All changeovers that are not over, in order of time.
pub(crate) fn changeovers<'s>(snapshot: &'s Snapshot, voice: &Voice) -> Vec<Changeover<'s>> {
    let mut campaigns: Vec<&Campaign> = snapshot.campaigns.iter().collect();
    campaigns.sort_by(|a, b| (&a.unit, a.from, a.to).cmp(&(&b.unit, b.from, b.to)));
    let mut ahead = Vec::new();
    for campaigns in campaigns.chunk_by(|a, b| a.unit == b.unit) {
        let unit = &campaigns[0].unit;
        let score = snapshot.scores.iter().find(|score| score.unit.as_ref() == Some(unit));
        for (place, pair) in campaigns.windows(2).enumerate() {
            let [ends, begins] = [pair[0], pair[1]];
            if begins.from > snapshot.at {
                let run_h_ahead = run_h_ahead(&campaigns[..=place + 1], snapshot.at, voice);
                let if_not_opened = if_not_opened(score, &run_h_ahead, voice);
                ahead.push(Changeover { unit, ends, begins, score, run_h_ahead, if_not_opened });
            }
        }
    }
    ahead.sort_by(|a, b| (a.stop_from(), a.unit).cmp(&(b.stop_from(), b.unit)));
    ahead
}

/// What is left of the running campaign, in proportion to its time, and all run hours of those that follow.
fn run_h_ahead(campaigns: &[&Campaign], now: Timestamp, voice: &Voice) -> Result<f64, String> {
    if let Some(first) = campaigns.first().filter(|first| first.from > now) {
        return Err(voice.tell("changeover-nothing-before", &[("from", &first.from)]));
    }
    let mut sum = 0.0;
    for campaign in campaigns.iter().filter(|campaign| campaign.to > now) {
        let Some(run_h) = campaign.run_h.filter(|h| h.is_finite() && *h >= 0.0) else {
            return Err(
                voice.tell("changeover-no-run-hours", &[("product", &campaign.product), ("from", &campaign.from)])
            );
        };
        let whole = campaign.to.duration_since(campaign.from).as_secs_f64();
        let left = campaign.to.duration_since(campaign.from.max(now)).as_secs_f64();
        sum += if whole > 0.0 { run_h * left / whole } else { run_h };
    }
    Ok(sum)
}

fn if_not_opened(score: Option<&Score>, run_h_ahead: &Result<f64, String>, voice: &Voice) -> Result<Horizon, String> {
    let run_h = run_h_ahead.as_ref().map_err(Clone::clone)?;
    after(score.ok_or_else(|| voice.say("changeover-not-evaluated"))?, *run_h, voice)
}

/// The risk after so many further run hours, or why there is none to give.
pub(crate) fn after(score: &Score, run_h: f64, voice: &Voice) -> Result<Horizon, String> {
    let risks = sayable(score);
    if risks.is_empty() {
        return Err(standing::reason(score, voice).into_owned());
    }
    Horizon::after(risks, run_h).ok_or_else(|| {
        let longest = risks.iter().map(|ahead| ahead.horizon_h).fold(0.0, f64::max);
        let [ahead, longest] = [run_h, longest].map(|h| format!("{h:.0} h"));
        voice.tell("changeover-beyond", &[("ahead", &ahead), ("longest", &longest)])
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::SignedDuration;

    fn at(day: i64) -> Timestamp {
        "2026-05-12T04:30:00Z".parse::<Timestamp>().unwrap() + SignedDuration::from_hours(24 * day)
    }

    fn campaign(unit: &str, from: i64, to: i64, run_h: Option<f64>) -> Campaign {
        let unit = UnitId::new(unit).unwrap();
        Campaign { unit, from: at(from), to: at(to), product: "ice mix".to_owned(), planned: from > 0, run_h }
    }

    fn plant(campaigns: Vec<Campaign>) -> Snapshot {
        let mut score = crate::rank::tests::score("C1", "T1", Some(0.1));
        score.risks.push(Horizon { horizon_h: 250.0, risk: 0.2, lower: 0.1, upper: 0.3 });
        score.risks.push(Horizon { horizon_h: 500.0, risk: 0.4, lower: 0.2, upper: 0.5 });
        Snapshot { at: at(0), scores: vec![score], campaigns, ..Snapshot::default() }
    }

    fn risks(snapshot: &Snapshot) -> Vec<Option<f64>> {
        let risk = |ahead: &Horizon| (ahead.risk * 1e9).round() / 1e9;
        let stops = changeovers(snapshot, &Voice::default());
        stops.iter().map(|stop| stop.if_not_opened.as_ref().ok().map(risk)).collect()
    }

    #[test]
    fn the_risk_is_that_after_what_runs_until_the_next_chance_to_open() {
        // 5 of 10 days of the running campaign are left: 100 h; then 150 h, then 200 h.
        let running = campaign("C1", -5, 5, Some(200.0));
        let plan = vec![campaign("C1", 16, 26, Some(200.0)), running, campaign("C1", 6, 15, Some(150.0))];
        let snapshot = plant(plan);
        // 250 h are a horizon; 450 h lie four fifths of the way from 20 % at 250 h to 40 % at 500 h.
        assert_eq!(risks(&snapshot), [Some(0.2), Some(0.36)]);
        let stops = changeovers(&snapshot, &Voice::default());
        assert_eq!(stops[0].run_h_ahead, Ok(250.0));
        assert_eq!((stops[0].stop_from(), stops[0].stop_to()), (at(5), at(6)));
    }

    #[test]
    fn a_stop_that_is_over_does_not_lie_ahead_and_one_that_lasts_does() {
        assert!(risks(&plant(vec![campaign("C1", -9, -5, Some(1.0)), campaign("C1", -4, 4, Some(1.0))])).is_empty());
        let lasting = plant(vec![campaign("C1", -9, -5, Some(1.0)), campaign("C1", 2, 4, Some(240.0))]);
        // 240 h of the way from 10 % now to 20 % after 250 h.
        assert_eq!(risks(&lasting), [Some(0.196)]);
    }

    #[test]
    fn two_units_make_no_changeover_together() {
        assert!(
            changeovers(&plant(vec![campaign("C1", -1, 1, None), campaign("C2", 2, 3, None)]), &Voice::default())
                .is_empty()
        );
    }

    #[test]
    fn a_missing_risk_has_a_reason() {
        let why =
            |plan: Vec<Campaign>| changeovers(&plant(plan), &Voice::default())[0].if_not_opened.clone().unwrap_err();
        let no_hours = why(vec![campaign("C1", -1, 1, Some(9.0)), campaign("C1", 2, 9, None)]);
        assert!(no_hours.contains("has no run hours"), "{no_hours}");
        let too_long = why(vec![campaign("C1", -1, 1, Some(0.0)), campaign("C1", 2, 90, Some(501.0))]);
        assert!(too_long.contains("501 h") && too_long.contains("500 h"), "{too_long}");
        let no_score = why(vec![campaign("C2", -1, 1, Some(9.0)), campaign("C2", 2, 9, Some(9.0))]);
        assert!(no_score.contains("not been evaluated"), "{no_score}");
    }
}
