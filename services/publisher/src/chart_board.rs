//! The chart of all units: the interval of each chance now, in the order of the board.

use plant::{Score, State};

use crate::chance::chances;
use crate::drawing::{Column, DrawError, Hand, Held, Sheet, Spoken, document};
use crate::ink::Ink;
use crate::rank::{Ranking, sayable};
use crate::{Interval, Site, Snapshot, Voice};

/// Height of a row, px.
const ROW: i32 = 24;

/// Draws all units, `width` in px; the height follows the number of units.
pub(crate) fn draw(snapshot: &Snapshot, site: &Site, width: u32, ink: Ink) -> Result<String, DrawError> {
    let (ranking, voice) = (Ranking::of(snapshot, site), &site.voice);
    let rows: Vec<Line<'_>> = ranking
        .all()
        .filter(|score| score.unit.is_some())
        .map(|score| Line { score, due: Interval::of(score, snapshot, site).is_due() })
        .collect();
    let (title, subtitle) = (
        voice.tell("chart-board", &[("site", &site.name)]),
        voice.tell("chart-board-about", &[("limit", &site.limit_words())]),
    );
    let narrow = width < 420;
    let known = if narrow { site.day(snapshot.at) } else { site.minute(snapshot.at) };
    let foot = voice.tell("chart-as-known", &[("time", &known)]);
    let (edge, hand) = (if width < 400 { 10 } else { 16 }, Hand::plain(12, ink.soft));
    let room = width as i32 - 2 * edge;
    let head = Hand::title(16, ink.ink);
    let lines = |text: &str, hand: Hand| {
        crate::lettering::lines(text, hand.size_px, if hand.bold { room * 7 / 8 } else { room }).len() as i32
            * hand.lead()
    };
    let top = edge + lines(&title, head) + lines(&subtitle, hand) + 26;
    let height = top + ROW * rows.len().max(1) as i32 + 12 + hand.lead() + edge;
    let spoken = Spoken { title: format!("{title}. {subtitle}"), description: spoken(&rows, &foot, &site.voice) };
    document((width, height as u32), ink, &spoken, |sheet| {
        let mut column = Column { sheet, left: edge, width: room, y: edge - 2, floor: top };
        column.set(&title, head)?;
        column.set(&subtitle, hand)?;
        let beside = if narrow { 88 } else { room * if rows.iter().any(|line| line.due) { 42 } else { 32 } / 100 };
        let axis = Axis { left: edge + room * 28 / 100, right: edge + room - beside - 8, end: edge + room, narrow };
        axis.head(sheet, top, ink)?;
        for (place, line) in rows.iter().enumerate() {
            row(sheet, line, &axis, (edge, top + ROW * place as i32), &site.voice, ink)?;
        }
        sheet.rule((edge, top + ROW * rows.len() as i32), (edge + room, top + ROW * rows.len() as i32), 1, ink.hair)?;
        if rows.is_empty() {
            sheet.line_of_text(&voice.say("chart-board-empty"), edge, top + 6, Held::Left, Hand::bold(13, ink.ink))?;
        }
        sheet.line_of_text(&foot, edge, height - edge - hand.lead() + 3, Held::Left, Hand::plain(11, ink.soft))
    })
}

/// One unit.
struct Line<'a> {
    score: &'a Score,
    /// The plant's own interval is over or counts as over.
    due: bool,
}

/// What a row says instead of, or beside, its mark; in a narrow picture without the interval.
fn said(line: &Line<'_>, narrow: bool, voice: &Voice) -> String {
    match (line.due, narrow) {
        (true, true) => voice.say("chart-board-inspect"),
        (true, false) => voice.tell("chart-board-over", &[("chance", &of_chance(line.score, false, voice))]),
        (false, _) => of_chance(line.score, narrow, voice),
    }
}

fn of_chance(score: &Score, narrow: bool, voice: &Voice) -> String {
    if score.hold_and_assess {
        return voice.say("state-hold");
    }
    if score.state == State::Reached {
        return voice.say("state-reached");
    }
    match chances(score, voice).first() {
        Some(now) if narrow && score.state != State::Stale => now.said.clone(),
        Some(_) if narrow => voice.say("chart-board-stale"),
        None if narrow => voice.say("number-unknown"),
        Some(now) if score.state == State::Stale => {
            voice.tell("chart-board-last", &[("chance", &now.said), ("range", &now.range)])
        }
        Some(now) => voice.tell("chance-with-range", &[("chance", &now.said), ("range", &now.range)]),
        None => voice.say("chance-unknown"),
    }
}

fn spoken(rows: &[Line<'_>], foot: &str, voice: &Voice) -> String {
    let mut said_of: Vec<String> =
        rows.iter().map(|line| format!("{}: {}.", name(line.score), said(line, false, voice))).collect();
    said_of.push(format!("{foot}."));
    said_of.join(" ")
}

fn name(score: &Score) -> String {
    score.unit.as_ref().map(ToString::to_string).unwrap_or_default()
}

/// From 0 to 100 %, and where the sheet ends.
struct Axis {
    left: i32,
    right: i32,
    end: i32,
    narrow: bool,
}

impl Axis {
    fn x(&self, chance: f64) -> i32 {
        self.left + (chance * f64::from(self.right - self.left)).round() as i32
    }

    fn head(&self, sheet: &Sheet<'_>, top: i32, ink: Ink) -> Result<(), DrawError> {
        for (step, label) in [(0.0, "0"), (0.5, "50"), (1.0, "100\u{a0}%")] {
            sheet.rule((self.x(step), top - 4), (self.x(step), top), 1, ink.hair)?;
            if step == 0.5 && self.right - self.left < 100 {
                continue;
            }
            sheet.line_of_text(label, self.x(step), top - 19, Held::Middle, Hand::plain(11, ink.soft))?;
        }
        Ok(())
    }
}

fn row(
    sheet: &Sheet<'_>,
    line: &Line<'_>,
    axis: &Axis,
    (left, y): (i32, i32),
    voice: &Voice,
    ink: Ink,
) -> Result<(), DrawError> {
    let score = line.score;
    let (text_y, middle) = (y + 5, y + ROW / 2);
    sheet.rule((left, y), (axis.end, y), 1, ink.hair)?;
    let column = axis.left - left - 8;
    let unit = crate::lettering::lines(&name(score), 13, column).into_iter().next().unwrap_or_default();
    sheet.line_of_text(&unit, left, text_y, Held::Left, Hand::bold(13, ink.ink))?;
    let flagged = score.hold_and_assess || score.state == State::Reached;
    let said = said(line, axis.narrow, voice);
    match sayable(score).first().filter(|_| !flagged && score.state != State::Stale) {
        Some(now) => {
            for step in [0.0, 0.5, 1.0] {
                sheet.rule((axis.x(step), y), (axis.x(step), y + ROW), 1, ink.hair)?;
            }
            let (from, to) = (axis.x(now.lower), axis.x(now.upper));
            sheet.block((from, middle - 4), (to.max(from + 1), middle + 4), ink.band)?;
            sheet.rule((axis.x(now.risk), y + 3), (axis.x(now.risk), y + ROW - 3), 3, ink.ink)?;
            sheet.line_of_text(&said, axis.right + 10, text_y, Held::Left, Hand::plain(12, ink.ink))
        }
        None => {
            let hand = if flagged { Hand::bold(12, ink.ink) } else { Hand::plain(12, ink.soft) };
            sheet.line_of_text(&said, axis.left, text_y, Held::Left, hand)
        }
    }
}
