//! What work does to a tube.

use plant::{Grade, WorkEffect, WorkEffects};

use super::check::Checker;
use super::place::Place;
use super::raw;

/// The effects of work, each key from the config or else as it is by default. `limit` is the grade of which risks speak: a
/// life cannot begin with it.
pub fn effects(checker: &mut Checker, raw: &raw::Work, limit: Option<Grade>, place: &Place) -> WorkEffects {
    let usual = WorkEffects::default();
    let mut of =
        |raw: &raw::WorkEffect, usual: WorkEffect, name: &str| effect(checker, raw, usual, limit, &place.key(name));
    WorkEffects {
        new: of(&raw.new, usual.new, "new"),
        hone_polish: of(&raw.hone_polish, usual.hone_polish, "hone_polish"),
        replate: of(&raw.replate, usual.replate, "replate"),
        blades: of(&raw.blades, usual.blades, "blades"),
        other: of(&raw.other, usual.other, "other"),
    }
}

fn effect(
    checker: &mut Checker,
    raw: &raw::WorkEffect,
    usual: WorkEffect,
    limit: Option<Grade>,
    place: &Place,
) -> WorkEffect {
    let starts_life = raw.starts_life.unwrap_or(usual.starts_life);
    let grade = place.key("grade_after");
    let grade_after =
        raw.grade_after.and_then(|number| checker.take(&grade, Grade::try_from(number))).unwrap_or(usual.grade_after);
    if raw.grade_after.is_some() && !starts_life {
        checker.refuse(&grade, "this work starts no life, so it leaves the grade as it is; leave this key out");
    }
    if limit.is_some_and(|limit| grade_after >= limit) {
        checker.refuse(&grade, format!("a life cannot begin with grade {grade_after}: model.limit is not above it"));
    }
    let renews_plating = raw.renews_plating.unwrap_or(usual.renews_plating);
    if renews_plating && !starts_life {
        checker.refuse(&place.key("renews_plating"), "new plating has no grooves: this work starts a life too");
    }
    let used = place.key("plating_used_um");
    let plating_used_um = checker.maybe_within(&used, raw.plating_used_um, (0.0, 1000.0), "µm");
    WorkEffect {
        starts_life,
        grade_after,
        plating_used_um: plating_used_um.unwrap_or(usual.plating_used_um),
        renews_plating,
    }
}
