//! What deciding by a forecast would have cost, by what opening costs in late catches.

use crate::Voice;
use crate::drawing::{DrawError, Hand, Held, Sheet, Spoken, figure};
use crate::ink::{Ink, LIGHT};
use crate::lettering::width as text_width;
use crate::plot_frame::{Axis, PlotFrame, SIZE, end_for, percent_tick};
use crate::validation::DecisionCost;

/// Draws the four ways to decide; nothing to draw without costs.
pub(crate) fn draw(costs: &[DecisionCost], name: &str, voice: &Voice) -> Result<String, DrawError> {
    // On the page the inks follow its theme.
    let ink = LIGHT;
    let Some(last) = costs.last() else { return Ok(String::new()) };
    let most = costs.iter().map(|at| at.model.max(at.hours_only).min(2.0 * at.never)).fold(last.never, f64::max);
    let (in_percent, in_hundred) = (|share: f64| percent_tick(share, voice), |cost: f64| per_hundred(cost, voice));
    let frame = PlotFrame::new(
        Axis { end: last.ratio, words: voice.say("plot-costs-ratio"), label: &in_percent },
        Axis { end: end_for(1.15 * most), words: voice.say("plot-costs-spent"), label: &in_hundred },
    );
    figure(name, SIZE, &spoken(costs, voice), |sheet| {
        frame.draw(sheet, ink)?;
        let line = |cost: fn(&DecisionCost) -> f64| -> Vec<(i32, i32)> {
            let inside = costs.iter().filter(|at| cost(at) <= frame.up.end);
            std::iter::once((frame.x(0.0), frame.y(0.0)))
                .chain(inside.map(|at| (frame.x(at.ratio), frame.y(cost(at)))))
                .collect()
        };
        let always = line(|at| at.always);
        sheet.path(&always, 1, ink.soft)?;
        sheet.path(&[(frame.left, frame.y(last.never)), (frame.right, frame.y(last.never))], 1, ink.soft)?;
        sheet.dashes(&line(|at| at.hours_only), 2, ink.ink)?;
        sheet.path(&line(|at| at.model), 3, ink.ink)?;
        labels(sheet, costs, &frame, &always, voice, ink)
    })
}

fn labels(
    sheet: &Sheet<'_>,
    costs: &[DecisionCost],
    frame: &PlotFrame<'_>,
    always: &[(i32, i32)],
    voice: &Voice,
    ink: Ink,
) -> Result<(), DrawError> {
    let (plain, bold) = (Hand::plain(11, ink.soft), Hand::bold(11, ink.ink));
    let never = frame.y(costs[0].never);
    sheet.line_of_text(&voice.say("plot-costs-never"), frame.right, never - 16, Held::Right, plain)?;
    if let Some((x, y)) = always.get(always.len() * 3 / 4) {
        let word = voice.say("plot-costs-always");
        // Beside its line, on the side away from the curves if there is room.
        let fits = x - 8 - text_width(&word, 11) > frame.left;
        let (at, held) = if fits { (x - 8, Held::Right) } else { (frame.left + 6, Held::Left) };
        let y = if fits { y - 8 } else { frame.top - 2 };
        sheet.line_of_text(&word, at, y, held, plain)?;
    }
    // The two are named where they lie furthest apart, each on its own side.
    let middle = &costs[costs.len() / 5..costs.len() * 4 / 5];
    let apart = |at: &DecisionCost| (at.hours_only - at.model).abs();
    let Some(at) = middle.iter().max_by(|a, b| apart(a).total_cmp(&apart(b))) else { return Ok(()) };
    // All curves rise to the right: below and right of a point, and above and left of it, there is room.
    let x = frame.x(at.ratio);
    let below = |text: &str, y: i32, hand: Hand| {
        let x = (x + 4).min(frame.right - text_width(text, 11)).max(frame.left + 4);
        sheet.line_of_text(text, x, (y + 8).min(frame.base - 16), Held::Left, hand)
    };
    let above = |text: &str, y: i32, hand: Hand| {
        let x = (x - 4).max(frame.left + text_width(text, 11)).min(frame.right);
        sheet.line_of_text(text, x, (y - 20).max(frame.top), Held::Right, hand)
    };
    let (model, hours) = (frame.y(at.model), frame.y(at.hours_only));
    let dashed = Hand::plain(11, ink.ink);
    if apart(at) == 0.0 {
        return below(&voice.say("plot-costs-same"), model, bold);
    }
    let (by_model, by_hours) = (voice.say("plot-costs-model"), voice.say("plot-costs-hours"));
    if model > hours {
        below(&by_model, model, bold)?;
        return above(&by_hours, hours, dashed);
    }
    above(&by_model, model, bold)?;
    below(&by_hours, hours, dashed)
}

fn per_hundred(cost: f64, voice: &Voice) -> String {
    voice.exact((cost * 1e4).round() / 100.0)
}

fn spoken(costs: &[DecisionCost], voice: &Voice) -> Spoken {
    let per_hundred = |cost| per_hundred(cost, voice);
    let told = |at: &DecisionCost| {
        voice.tell(
            "plot-costs-told",
            &[
                ("ratio", &percent_tick(at.ratio, voice)),
                ("model", &per_hundred(at.model)),
                ("hours", &per_hundred(at.hours_only)),
                ("always", &per_hundred(at.always)),
                ("never", &per_hundred(at.never)),
            ],
        )
    };
    Spoken {
        title: voice.say("plot-costs"),
        description: costs.iter().skip(4).step_by(10).map(told).collect::<Vec<_>>().join(" "),
    }
}
