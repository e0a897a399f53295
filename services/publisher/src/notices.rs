//! What others are told when advice is raised or cleared, in words for people and as data for programs.

use plant::{Advice, Horizon, State, UnitId};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::advice_page::title;
use crate::chance::chances;
use crate::rank::{rounded, sayable};
use crate::{Interval, Site, Snapshot, advice, standing};

/// What is told, whichever way it goes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Notice {
    /// What happened, such as `groovecast.advice.raised`.
    pub event: String,
    /// Of which unit it speaks; `None` for a trial.
    pub unit: Option<UnitId>,
    /// In one line.
    pub title: String,
    /// For people.
    pub text: String,
    /// For programs: an object.
    pub data: Value,
}

/// What is told of a piece of advice that was raised, or cleared if it bears the time of that.
pub fn notice(advice: &Advice, snapshot: &Snapshot, site: &Site) -> Notice {
    // What others are told is data too: the same for everybody.
    let site = &site.for_programs();
    let voice = &site.voice;
    let event = if advice.cleared_at.is_some() { "cleared" } else { "raised" };
    let score = snapshot.score_of(&advice.tube);
    let says = match score {
        Some(score) => advice::advice(score, &Interval::of(score, snapshot, site), site),
        None => advice::unavailable(&voice.say("advice-not-evaluated"), voice),
    };
    let reason = score.map(|score| standing::reason(score, voice).into_owned());
    let link = site.address.as_ref().map(|origin| format!("{origin}/tubes/{}", segment(advice.tube.as_str())));
    // A risk that is old has no words beside it in a list of numbers.
    let risks: Vec<Horizon> = score
        .filter(|score| score.state != State::Stale)
        .map_or(Vec::new(), |score| sayable(score).iter().map(rounded).collect());
    let place = format!("{}, tube {}", advice.unit, advice.tube);
    let mut lines =
        vec![format!("Advice on {place} at {} was {event}: {}.", site.name, title(advice.kind, voice)), says.clone()];
    if let Some(score) = score {
        let said: Vec<String> = chances(score, voice)
            .iter()
            .map(|chance| format!("{} {} ({})", chance.when, chance.said, chance.range))
            .collect();
        let known = if score.state == State::Stale { ", as last known" } else { "" };
        if said.is_empty() {
            lines.push("Chance: none is given.".to_owned());
        } else {
            lines.push(format!(
                "Chance that a complete look finds {}{known}: {}.",
                site.limit_words(),
                said.join(", ")
            ));
        }
        lines.push(format!("Why: {}.", standing::reason(score, voice).trim_end_matches('.')));
    }
    lines.push(format!("Time: {}.", site.minute(advice.cleared_at.or(advice.raised_at).unwrap_or(snapshot.at))));
    lines.extend(link.as_ref().map(|link| format!("More: {link}")));
    lines.extend([standing::what_it_is_not(site), standing::before_opening(voice)]);
    Notice {
        event: format!("groovecast.advice.{event}"),
        unit: Some(advice.unit.clone()),
        title: format!("Advice {event}: {place}: {}", title(advice.kind, voice)),
        text: lines.join("\n\n"),
        data: json!({
            "event": event,
            "trial": false,
            "unit": advice.unit,
            "tube": advice.tube,
            "kind": advice.kind,
            "meaning": title(advice.kind, voice),
            "raised_at": advice.raised_at,
            "cleared_at": advice.cleared_at,
            "limit_grade": site.limit,
            "risks": risks,
            "state": score.map(|score| score.state),
            "reason": reason,
            "advice": says,
            "model": score.map(|score| &score.model),
            "link": link,
            "notice": standing::what_it_is_not(site),
        }),
    }
}

/// What is sent to see whether something arrives.
pub fn trial_notice(site: &Site) -> Notice {
    let site = &site.for_programs();
    let text = "This is a trial: nothing was raised, and there is nothing to do. It shows that messages of groovecast arrive here.";
    Notice {
        event: "groovecast.trial".to_owned(),
        unit: None,
        title: format!("Trial: messages of groovecast at {}", site.name),
        text: format!("{text}\n\n{}", standing::what_it_is_not(site)),
        data: json!({ "event": "trial", "trial": true, "notice": text }),
    }
}

/// A name as one segment of a path.
fn segment(name: &str) -> String {
    // URL Standard: a form writes a space as plus, and a plus as %2B; a path has neither.
    form_urlencoded::byte_serialize(name.as_bytes()).collect::<String>().replace('+', "%20")
}
