//! The chart of one tube: the risk now and ahead with its interval, readable without anything around it.

use plant::{Horizon, Score, State};

use crate::advice::advice;
use crate::chance::{Chance, chances};
use crate::drawing::{Column, DrawError, Hand, Held, Sheet, Spoken, document};
use crate::ink::Ink;
use crate::lettering::width as text_width;
use crate::rank::sayable;
use crate::{Interval, Site, Snapshot, TubeDetail, Voice, standing};

/// Draws the chart of a tube, `size` in px.
pub(crate) fn draw(
    detail: &TubeDetail,
    snapshot: &Snapshot,
    site: &Site,
    size: (u32, u32),
    ink: Ink,
) -> Result<String, DrawError> {
    let score = snapshot.score_of(&detail.tube.tube);
    let words = Words::of(detail, score, snapshot, site, size);
    let spoken =
        Spoken { title: format!("{}. {}", words.title, words.subtitle), description: words.spoken(score, &site.voice) };
    document(size, ink, &spoken, |sheet| {
        let (width, height) = (size.0 as i32, size.1 as i32);
        let edge = if width < 400 { 10 } else { 16 };
        let small = Hand::plain(11, ink.soft);
        let foot_y = height - edge - small.lead();
        sheet.line_of_text(&words.foot, edge, foot_y + 3, Held::Left, small)?;
        let mut column = Column { sheet, left: edge, width: width - 2 * edge, y: edge - 2, floor: foot_y };
        column.set(&words.title, Hand::title(16, ink.ink))?;
        column.set(&words.subtitle, Hand::plain(12, ink.soft))?;
        column.skip(4);
        match score.filter(|score| words.flag.is_none() && !sayable(score).is_empty()) {
            Some(score) => {
                column.set(&words.statement, Hand::bold(13, ink.ink))?;
                if words.room == Room::Plenty {
                    column.set(&words.behind, Hand::plain(12, ink.soft))?;
                }
                let top = column.y + 10;
                Plot::new(score, (edge, top), (width - edge, foot_y - 2), &site.voice).draw(sheet, score, ink)
            }
            None => {
                column.set(words.flag.as_ref().unwrap_or(&words.none), Hand::bold(15, ink.ink))?;
                // The advice comes first: in a small picture the rest is cut.
                column.set(&words.advice, Hand::plain(12, ink.ink))?;
                column.skip(4);
                column.set(&words.behind, Hand::plain(12, ink.soft))
            }
        }
    })
}

/// What the chart says in words.
struct Words {
    title: String,
    subtitle: String,
    statement: String,
    /// What stands where no chance can be given.
    none: String,
    behind: String,
    advice: String,
    flag: Option<String>,
    foot: String,
    room: Room,
}

/// How much a picture of a size can say beside its plot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Room {
    Little,
    Some,
    Plenty,
}

impl Room {
    fn of((width, height): (u32, u32)) -> Self {
        match (width, height) {
            (..300, _) => Room::Little,
            (360.., 300..) => Room::Plenty,
            _ => Room::Some,
        }
    }
}

impl Words {
    fn of(detail: &TubeDetail, score: Option<&Score>, snapshot: &Snapshot, site: &Site, size: (u32, u32)) -> Self {
        let room = Room::of(size);
        let voice = &site.voice;
        let state = score.map_or_else(|| voice.say("chart-not-evaluated"), |score| standing::short(score, voice));
        let flag = score.and_then(|score| match (score.hold_and_assess, score.state) {
            (true, _) => Some(voice.say("chart-hold")),
            (false, State::Reached) => Some(voice.say("board-limit-reached")),
            _ => None,
        });
        let (tube, unit) = (&detail.tube.tube, detail.unit.as_ref());
        Words {
            title: match (room, unit) {
                (Room::Little, Some(unit)) => voice.tell("chart-tube-in-short", &[("tube", &tube), ("unit", &unit)]),
                (Room::Little, None) => voice.tell("chart-tube-alone-short", &[("tube", &tube)]),
                (_, Some(unit)) => voice.tell("chart-tube-in", &[("tube", &tube), ("unit", &unit)]),
                (_, None) => voice.tell("chart-tube-alone", &[("tube", &tube)]),
            },
            subtitle: match room {
                Room::Little => voice.tell("chart-chance-short", &[("grade", &site.limit)]),
                Room::Some => voice.tell("chart-chance", &[("limit", &site.limit_words())]),
                Room::Plenty => voice.tell("chart-chance-long", &[("limit", &site.limit_words())]),
            },
            statement: score.map_or(String::new(), |score| statement(score, room, &site.voice)),
            behind: score.map_or_else(|| voice.say("chart-no-score"), |score| behind(score, site)),
            advice: score.map_or_else(
                || voice.say("missing-ranking-next"),
                |score| advice(score, &Interval::of(score, snapshot, site), site),
            ),
            flag,
            foot: foot(room, size.0, &state, snapshot, site),
            none: voice.say("chart-no-chance"),
            room,
        }
    }

    /// Everything that is drawn, as sentences.
    fn spoken(&self, score: Option<&Score>, voice: &Voice) -> String {
        let mut said: Vec<String> = Vec::new();
        if let Some(flag) = &self.flag {
            said.push(format!("{flag}."));
        } else {
            let chances = score.map(|score| chances(score, voice)).unwrap_or_default();
            if chances.is_empty() {
                said.push(format!("{}.", self.none));
            }
            said.extend(chances.iter().map(|chance| format!("{}: {} ({}).", chance.when, chance.said, chance.range)));
        }
        said.extend([self.behind.clone(), self.advice.clone(), format!("{}.", self.foot.trim_end_matches('.'))]);
        said.join(" ")
    }
}

/// The longest foot that fits on one line.
fn foot(room: Room, width: u32, state: &str, snapshot: &Snapshot, site: &Site) -> String {
    let voice = &site.voice;
    if room == Room::Little {
        return format!("{state}, {}", site.day(snapshot.at));
    }
    let as_known = voice.tell("chart-as-known", &[("time", &site.minute(snapshot.at))]);
    let governs = voice.say("chart-governs");
    let whole = format!("{as_known}. {governs}");
    if text_width(&whole, SMALL) <= width as i32 - 32 { whole } else { as_known }
}

/// The risk now, as a sentence.
fn statement(score: &Score, room: Room, voice: &Voice) -> String {
    let Some(now) = chances(score, voice).into_iter().next() else { return String::new() };
    let chance = voice.tell("chance-with-range", &[("chance", &now.said), ("range", &now.range)]);
    match (score.state, room) {
        (State::Stale, _) => voice.tell("chart-stale", &[("chance", &chance)]),
        (_, Room::Little) => voice.tell("chart-now", &[("chance", &chance)]),
        (_, _) => voice.tell("chart-now-state", &[("chance", &chance), ("state", &standing::short(score, voice))]),
    }
}

/// What stands behind it: the last look, and the reason of the state.
fn behind(score: &Score, site: &Site) -> String {
    let voice = &site.voice;
    if score.hold_and_assess {
        return format!("{}.", capital(&standing::reason(score, voice)));
    }
    let hours = voice.hours(score.run_h);
    let look = match (score.last_look_at.map(|at| site.day(at)), score.last_grade) {
        (Some(day), Some(grade)) => {
            voice.tell("chart-look-grade", &[("day", &day), ("hours", &hours), ("grade", &grade)])
        }
        (Some(day), None) => voice.tell("chart-look", &[("day", &day), ("hours", &hours)]),
        (None, _) if score.unit.is_none() => String::new(),
        (None, Some(grade)) => voice.tell("chart-no-look-grade", &[("hours", &hours), ("grade", &grade)]),
        (None, None) => voice.tell("chart-no-look", &[("hours", &hours)]),
    };
    let reason = score.reason.trim_end_matches('.');
    format!("{look} {}: {reason}.", capital(&standing::short(score, voice))).trim_start().to_owned()
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// The plot: run hours across, chance upwards from 0 to 100 %, always.
struct Plot<'a> {
    voice: &'a Voice,
    left: i32,
    right: i32,
    top: i32,
    base: i32,
    /// There is room for a line that says what stands below the axis.
    titled: bool,
    /// Run hours at the left edge; negative: before now.
    first_h: f64,
    /// Run hours at the right edge.
    last_h: f64,
    /// How many run hours ago the last complete look was.
    look_h: Option<f64>,
    /// The look lies too far back to be drawn at its place: an arrow points to it.
    look_beyond: bool,
}

const SMALL: u32 = 11;
/// From one small line to the next, px.
const SMALL_LEAD: i32 = 15;

/// Width of a label of two lines, the second one bold, px.
fn label_width(when: &str, said: &str) -> i32 {
    text_width(when, SMALL).max(text_width(said, SMALL) * 8 / 7)
}

impl<'a> Plot<'a> {
    /// The plot in a frame, its labels included.
    fn new(score: &Score, (left, top): (i32, i32), (right, bottom): (i32, i32), voice: &'a Voice) -> Self {
        let furthest = sayable(score).iter().map(|ahead| ahead.horizon_h).fold(0.0, f64::max);
        let ahead = if furthest > 0.0 { furthest } else { 100.0 };
        let look_h = score.last_look_at.map(|_| score.run_h).filter(|h| *h >= 0.0);
        // A look far back would take the room of what lies ahead.
        let look_beyond = look_h.is_some_and(|h| h > ahead);
        let past = match look_h {
            Some(_) if look_beyond => 0.3 * ahead,
            Some(h) => h + 0.04 * ahead,
            None => 0.04 * ahead,
        };
        let titled = bottom - top > 130;
        // The last label is wider than its tick: it must not be cut off at the edge.
        let last_label = chances(score, voice).last().map_or(0, |last| label_width(&last.when, &last.said) / 2 - 6);
        Plot {
            voice,
            left: left + text_width("100\u{a0}%", SMALL) + 6,
            right: right - last_label.max(8),
            top: top + SMALL_LEAD,
            base: bottom - 2 * SMALL_LEAD - 8 - if titled { SMALL_LEAD } else { 0 },
            titled,
            first_h: -past,
            last_h: ahead,
            look_h,
            look_beyond,
        }
    }

    fn x(&self, h: f64) -> i32 {
        let part = (h - self.first_h) / (self.last_h - self.first_h);
        self.left + (part * f64::from(self.right - self.left)).round() as i32
    }

    fn y(&self, chance: f64) -> i32 {
        self.base - (chance * f64::from(self.base - self.top)).round() as i32
    }

    fn draw(&self, sheet: &Sheet<'_>, score: &Score, ink: Ink) -> Result<(), DrawError> {
        if self.base - self.top < 24 {
            // The words above have taken the room; they say it all.
            return Ok(());
        }
        let mut risks: Vec<&Horizon> = sayable(score).iter().collect();
        risks.sort_by(|a, b| a.horizon_h.total_cmp(&b.horizon_h));
        self.axes(sheet, ink)?;
        self.last_look(sheet, ink)?;
        let upper = risks.iter().map(|ahead| (self.x(ahead.horizon_h), self.y(ahead.upper)));
        let lower = risks.iter().rev().map(|ahead| (self.x(ahead.horizon_h), self.y(ahead.lower)));
        sheet.shape(&upper.chain(lower).collect::<Vec<_>>(), ink.band)?;
        if let [only] = risks[..] {
            let x = self.x(only.horizon_h);
            sheet.block((x - 4, self.y(only.upper)), (x + 4, self.y(only.lower)), ink.band)?;
        }
        let line: Vec<_> = risks.iter().map(|ahead| (self.x(ahead.horizon_h), self.y(ahead.risk))).collect();
        sheet.path(&line, 2, if score.state == State::Stale { ink.soft } else { ink.ink })?;
        for (x, y) in line {
            sheet.block((x - 3, y - 3), (x + 3, y + 3), ink.ink)?;
        }
        self.labels(sheet, score, ink)
    }

    fn axes(&self, sheet: &Sheet<'_>, ink: Ink) -> Result<(), DrawError> {
        let small = Hand::plain(SMALL, ink.soft);
        let steps: &[u8] = if self.base - self.top >= 150 { &[0, 25, 50, 75, 100] } else { &[0, 50, 100] };
        for step in steps {
            let y = self.y(f64::from(*step) / 100.0);
            sheet.rule((self.left, y), (self.right, y), 1, if *step == 0 { ink.ink } else { ink.hair })?;
            let label = if *step == 100 { "100\u{a0}%".to_owned() } else { step.to_string() };
            sheet.line_of_text(&label, self.left - 6, y - 6, Held::Right, small)?;
        }
        sheet.rule((self.x(0.0), self.top), (self.x(0.0), self.base), 1, ink.hair)?;
        if self.titled {
            let title = &self.voice.say("chart-axis");
            let y = self.base + 2 * SMALL_LEAD + 10;
            sheet.line_of_text(title, (self.left + self.right) / 2, y, Held::Middle, small)?;
        }
        Ok(())
    }

    /// The last complete look at its place, or an arrow towards it.
    fn last_look(&self, sheet: &Sheet<'_>, ink: Ink) -> Result<(), DrawError> {
        let Some(look_h) = self.look_h else { return Ok(()) };
        let small = Hand::plain(SMALL, ink.soft);
        let ago = self.voice.tell("age-ago", &[("length", &self.voice.hours(look_h))]);
        let x = if self.look_beyond { self.left } else { self.x(-look_h) };
        let (beside, short) = (self.x(0.0) - x - 14, self.voice.say("chart-last-look"));
        let inside = beside >= text_width(&short, SMALL).max(text_width(&ago, SMALL));
        let text_y = if inside { self.top + 2 } else { self.top - SMALL_LEAD };
        let text_x = if inside || self.look_beyond { x + 10 } else { x };
        if self.look_beyond {
            let y = text_y + 6;
            sheet.shape(&[(x, y), (x + 6, y - 4), (x + 6, y + 4)], ink.soft)?;
        } else {
            sheet.rule((x, self.top), (x, self.base + 5), 2, ink.soft)?;
        }
        let whole = self.voice.say("chart-last-complete-look");
        let words = if inside && beside >= text_width(&whole, SMALL) { whole } else { short };
        sheet.line_of_text(&words, text_x, text_y, Held::Left, small)?;
        if inside {
            sheet.line_of_text(&ago, text_x, text_y + SMALL_LEAD, Held::Left, small)?;
        }
        Ok(())
    }

    /// Under each risk its run hours and its words, as far as they do not touch.
    fn labels(&self, sheet: &Sheet<'_>, score: &Score, ink: Ink) -> Result<(), DrawError> {
        let small = Hand::plain(SMALL, ink.soft);
        let mut labels: Vec<_> =
            sayable(score).iter().map(|ahead| self.x(ahead.horizon_h)).zip(chances(score, self.voice)).collect();
        labels.sort_by_key(|(x, _)| *x);
        let half = |chance: &Chance| label_width(&chance.when, &chance.said) / 2 + 4;
        // The furthest risk keeps its label; those between give way.
        let last_from = labels.last().map_or(i32::MAX, |(x, chance)| x - half(chance));
        let last_x = labels.last().map_or(0, |(x, _)| *x);
        let mut free_from = i32::MIN;
        for (x, chance) in labels {
            let half = half(&chance);
            if x != last_x && (x - half < free_from || x + half > last_from) {
                continue;
            }
            free_from = x + half;
            sheet.rule((x, self.base), (x, self.base + 5), 1, ink.ink)?;
            sheet.line_of_text(&chance.when, x, self.base + 6, Held::Middle, small)?;
            sheet.line_of_text(
                &chance.said,
                x,
                self.base + 6 + SMALL_LEAD,
                Held::Middle,
                Hand::bold(SMALL, ink.ink),
            )?;
        }
        Ok(())
    }
}
