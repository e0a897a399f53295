//! A chance as words, and as a mark on an axis from 0 to 100 %.

use plant::{Horizon, Score};

use crate::figures::percent_range;
use crate::rank::sayable;
use crate::{Site, Snapshot, Voice};

/// One chance of a score, ready to be set.
#[derive(Debug)]
pub(crate) struct Chance {
    /// `now`, or how many run hours ahead.
    pub when: String,
    /// The chance in words; a floor says `at least`, a guess that it is one.
    pub said: String,
    /// Its interval.
    pub range: String,
    /// Where the interval begins on the axis, percent of its length.
    pub from_pc: String,
    /// How long the interval is, percent of the axis.
    pub width_pc: String,
    /// Where the chance lies, percent of the axis.
    pub point_pc: String,
}

/// The chances of a score, now first; none if there is none to give.
pub(crate) fn chances(score: &Score, voice: &Voice) -> Vec<Chance> {
    let when = |ahead: &Horizon| match ahead.horizon_h {
        0.0 => voice.say("chance-now"),
        horizon_h => voice.tell("chance-ahead", &[("hours", &voice.hours(horizon_h))]),
    };
    sayable(score).iter().map(|ahead| chance(score, ahead, when(ahead), voice)).collect()
}

/// A chance of a score in words; where most hours are blind it is a floor, where nobody counted them a guess.
pub(crate) fn said(ahead: &Horizon, score: Option<&Score>, voice: &Voice) -> String {
    let chance = voice.percent(ahead.risk);
    match score {
        Some(score) if score.is_guess() => voice.tell("chance-guess", &[("chance", &chance)]),
        Some(score) if score.is_floor() => voice.tell("chance-floor", &[("chance", &chance)]),
        _ => chance,
    }
}

/// That the chances of a unit whose data are old are the last known, and from readings until when.
pub(crate) fn last_known(score: &Score, snapshot: &Snapshot, site: &Site) -> String {
    let voice = &site.voice;
    let own = snapshot.signals.iter().filter(|signal| Some(&signal.unit) == score.unit.as_ref());
    match own.filter_map(|signal| signal.last_at).max() {
        Some(until) => voice.tell("chance-last-known", &[("time", &site.minute(until))]),
        None => voice.say("tube-last-known-no-longer-current"),
    }
}

/// One risk of a score, with the words for when it is.
pub(crate) fn chance(score: &Score, ahead: &Horizon, when: String, voice: &Voice) -> Chance {
    let place = |part: f64| format!("{:.1}", part * 100.0);
    Chance {
        when,
        said: said(ahead, Some(score), voice),
        range: percent_range(ahead.lower, ahead.upper),
        from_pc: place(ahead.lower),
        width_pc: place(ahead.upper - ahead.lower),
        point_pc: place(ahead.risk),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn position_on_the_axis_is_the_probability() {
        let mut score = crate::rank::tests::score("C1", "T1", Some(0.31));
        score.risks = vec![Horizon { horizon_h: 0.0, risk: 0.31, lower: 0.18, upper: 0.49 }];
        let chance = &chances(&score, &Voice::default())[0];
        assert_eq!(
            (chance.from_pc.as_str(), chance.width_pc.as_str(), chance.point_pc.as_str()),
            ("18.0", "31.0", "31.0")
        );
        assert_eq!(chance.when, "now");
        assert_eq!(format!("{} ({})", chance.said, chance.range), "31\u{a0}% (18–49\u{a0}%)");
    }

    #[test]
    fn a_mostly_blind_chance_is_called_a_floor() {
        let mut score = crate::rank::tests::score("C1", "T1", Some(0.2));
        score.state = plant::State::Blind;
        assert_eq!(chances(&score, &Voice::default())[0].said, "at least 20\u{a0}%");
        (score.run_h, score.assumed_h) = (100.0, 10.0);
        assert_eq!(chances(&score, &Voice::default())[0].said, "at least 20\u{a0}%");
        score.assumed_h = 10.1;
        assert_eq!(chances(&score, &Voice::default())[0].said, "perhaps 20\u{a0}%");
    }
}
