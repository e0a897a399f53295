//! The wall of a tube at each look, one small picture beside the other on the same scale.

use plant::{ClockPosition, Grade, Kind, Life, Look, Work, WorkKind, Zone};

use crate::drawing::{Column, DrawError, Hand, Held, Sheet, Spoken, document};
use crate::ink::Ink;
use crate::lettering::{lines, width as text_width};
use crate::look_words::{extent, findings_of, letter, letters, run_words, who, whole_tube};
use crate::run_hours::RunHours;
use crate::{Site, Snapshot, TubeDetail, Voice};

/// Looks in one picture; of more the newest are drawn.
const MOST: usize = 40;
const EDGE: i32 = 16;
const SMALL: u32 = 11;
const LEAD: i32 = 15;
/// Room for the clock positions at the left of each wall, px.
const GUTTER: i32 = 18;
const STATION_HEIGHT: i32 = 22;
/// Lines under each wall: day, extent, run hours, who, whole tube.
const LINES: i32 = 5;

/// One look as it is drawn.
struct Panel<'a> {
    look: &'a Look,
    /// What made the wall new since the look before.
    renewed: Option<String>,
    lines: Vec<String>,
    whole: Option<Grade>,
}

impl Panel<'_> {
    /// It has no station: one grade speaks for the whole tube.
    fn is_whole(&self) -> bool {
        self.look.stations.is_empty() && self.look.others.is_empty()
    }

    /// The look as a sentence.
    fn spoken(&self, voice: &Voice) -> String {
        let renewed = self.renewed.as_ref().map(|words| format!("{words}. ")).unwrap_or_default();
        let mut marks: Vec<String> = Vec::new();
        let marked = |(station, grade): (&(Zone, ClockPosition), &Grade)| {
            (grade.get() > 0).then(|| {
                voice.tell(
                    "wall-grade-at",
                    &[("grade", &grade), ("zone", &station.0.0), ("clock", &voice.clock(station.1))],
                )
            })
        };
        marks.extend(self.look.stations.iter().filter_map(marked));
        marks.extend(self.look.others.iter().map(|((zone, clock), (grade, kind))| {
            voice.tell(
                "wall-mark-at",
                &[("kind", &voice.kind(*kind)), ("grade", &grade), ("zone", &zone.0), ("clock", &voice.clock(*clock))],
            )
        }));
        if let Some(whole) = self.whole {
            marks.push(voice.tell("wall-whole", &[("grade", &whole)]));
        }
        let smooth = self.look.stations.values().filter(|grade| **grade == Grade::SMOOTH).count();
        if smooth > 0 {
            marks.push(voice.tell("wall-smooth", &[("stations", &smooth)]));
        }
        format!("{renewed}{}: {}.", self.lines.join(", "), marks.join("; "))
    }
}

/// Draws the walls of a tube over time, `width` px wide; the height follows the number of looks.
pub(crate) fn draw(
    detail: &TubeDetail,
    snapshot: &Snapshot,
    site: &Site,
    width: u32,
    ink: Ink,
) -> Result<String, DrawError> {
    let voice = &site.voice;
    let panels = panels(detail, snapshot, site);
    let zones = zones(detail, site);
    let plan = Plan::of(width as i32, zones.len(), panels.len());
    let title = voice.tell("wall-title", &[("tube", &detail.tube.tube)]);
    let names: Vec<&str> = zones.iter().map(|zone| zone.0.as_str()).collect();
    let hidden = detail.looks.len() - panels.len();
    let left_out =
        if hidden > 0 { format!(" {}", voice.tell("wall-left-out", &[("looks", &hidden)])) } else { String::new() };
    let scale = voice.tell("wall-scale", &[("zones", &names.join(", "))]) + &left_out;
    let key = voice.tell("wall-key", &[("letters", &letters(voice))]);
    let none = voice.say("wall-none");
    let (title_hand, plain) = (Hand::title(16, ink.ink), Hand::plain(SMALL, ink.soft));
    let inner = width as i32 - 2 * EDGE;
    let high = |text: &str, hand: Hand| {
        let room = if hand.bold { inner * 7 / 8 } else { inner };
        lines(text, hand.size_px, room).len() as i32 * hand.lead()
    };
    let head = high(&title, title_hand) + high(&scale, plain) + 14;
    let body = if panels.is_empty() { high(&none, Hand::bold(13, ink.ink)) + 8 } else { plan.rows * plan.height };
    let height = EDGE + head + body + high(&key, plain) + EDGE;
    let said: Vec<String> = panels.iter().map(|panel| panel.spoken(voice)).collect();
    let description = if said.is_empty() { none.clone() } else { format!("{scale} {}", said.join(" ")) };
    let spoken = Spoken { title: title.clone(), description };
    document((width, height as u32), ink, &spoken, |sheet| {
        let mut column = Column { sheet, left: EDGE, width: inner, y: EDGE - 2, floor: height };
        column.set(&title, title_hand)?;
        column.set(&scale, plain)?;
        let top = EDGE + head;
        if panels.is_empty() {
            column.skip(8);
            column.set(&none, Hand::bold(13, ink.ink))?;
        }
        for (place, panel) in panels.iter().enumerate() {
            let (across, down) = (place as i32 % plan.per_row, place as i32 / plan.per_row);
            let corner = (EDGE + across * (plan.panel + plan.gap), top + down * plan.height);
            plan.panel(sheet, panel, &zones, corner, ink)?;
        }
        let mut foot = Column { sheet, left: EDGE, width: inner, y: top + body, floor: height };
        foot.set(&key, plain)
    })
}

/// The zones of the config, then those that only findings name.
fn zones(detail: &TubeDetail, site: &Site) -> Vec<Zone> {
    let mut zones = site.zones.clone();
    for (zone, _) in detail.looks.iter().flat_map(|look| look.stations.keys().chain(look.others.keys())) {
        if !zones.contains(zone) {
            zones.push(zone.clone());
        }
    }
    zones
}

/// Whether a life of the tube begins with a piece of work.
fn begins_life(detail: &TubeDetail, work: &Work) -> bool {
    let ended = |life: &Life| life.to == Some(work.at) && life.ended_by == Some(work.work);
    detail.lives.iter().any(ended) || detail.lives.first().is_some_and(|life| life.from == Some(work.at))
}

fn panels<'a>(detail: &'a TubeDetail, snapshot: &Snapshot, site: &Site) -> Vec<Panel<'a>> {
    let run = RunHours::of(&detail.months, &site.zone, snapshot.at);
    let first = detail.looks.len().saturating_sub(MOST);
    (first..detail.looks.len())
        .map(|place| {
            let look = &detail.looks[place];
            let before = place.checked_sub(1).map(|place| detail.looks[place].at);
            let since = |at| before.is_none_or(|before| before < at) && at < look.at;
            let renewal = detail.work.iter().rfind(|work| begins_life(detail, work) && since(work.at));
            let findings = || findings_of(detail, place);
            let whole = whole_tube(findings());
            let mut lines =
                vec![site.day(look.at), extent(detail, place, site), run_words(findings(), look.at, &run, &site.voice)];
            lines.extend(Some(who(findings())).filter(|who| !who.is_empty()));
            if let Some(grade) = whole.filter(|_| !look.stations.is_empty() || !look.others.is_empty()) {
                lines.push(site.voice.tell("wall-whole-line", &[("grade", &grade)]));
            }
            Panel {
                look,
                renewed: renewal.map(|work| format!("{} {}", renewed(work.work, &site.voice), site.day(work.at))),
                lines,
                whole,
            }
        })
        .collect()
}

/// Work in a word.
pub(crate) fn renewed(work: WorkKind, voice: &Voice) -> String {
    match work {
        WorkKind::New => voice.say("renewed-new"),
        WorkKind::HonePolish => voice.say("renewed-honed"),
        WorkKind::Replate => voice.say("renewed-replated"),
        WorkKind::Blades => voice.say("renewed-blades"),
        WorkKind::Other => voice.say("renewed-other"),
    }
}

/// Sizes that all walls share, px.
struct Plan {
    /// Width of a station.
    station: i32,
    /// Width of a wall with its gutter and captions.
    panel: i32,
    gap: i32,
    /// From one row of walls to the next.
    height: i32,
    per_row: i32,
    rows: i32,
    zones: i32,
}

impl Plan {
    fn of(width: i32, zones: usize, panels: usize) -> Self {
        let inner = width - 2 * EDGE;
        let zones = zones.max(1) as i32;
        let station = ((inner - GUTTER) / zones).clamp(3, 34);
        let panel = (GUTTER + zones * station).max(138).min(inner);
        let gap = 14;
        let per_row = ((inner + gap) / (panel + gap)).max(1);
        let wall = ClockPosition::ALL.len() as i32 * STATION_HEIGHT;
        // One line above for what made the wall new.
        let height = LEAD + 4 + wall + 4 + LINES * LEAD + 12;
        Plan { station, panel, gap, height, per_row, rows: (panels as i32 + per_row - 1) / per_row, zones }
    }

    fn panel(
        &self,
        sheet: &Sheet<'_>,
        panel: &Panel<'_>,
        zones: &[Zone],
        (left, top): (i32, i32),
        ink: Ink,
    ) -> Result<(), DrawError> {
        let small = Hand::plain(SMALL, ink.soft);
        if let Some(words) = &panel.renewed {
            sheet.line_of_text(&fitted(words, self.panel), left, top, Held::Left, Hand::bold(SMALL, ink.ink))?;
        }
        let (left_wall, top_wall) = (left + GUTTER, top + LEAD + 4);
        if panel.is_whole() {
            let corner = (left_wall + self.zones * self.station, top_wall + 4 * STATION_HEIGHT);
            let sign = panel.whole.map_or("–".to_owned(), |grade| grade.to_string());
            framed(sheet, (left_wall, top_wall), corner, panel.look.worst_mark, ink)?;
            let filled = panel.look.worst_mark.is_some_and(|grade| grade.get() == 4);
            let hand = Hand::bold(24, if filled { ink.paper } else { ink.ink });
            let middle = ((left_wall + corner.0) / 2, (top_wall + corner.1) / 2 - 12);
            sheet.line_of_text(&sign, middle.0, middle.1, Held::Middle, hand)?;
        } else {
            for (down, clock) in ClockPosition::ALL.iter().enumerate() {
                let y = top_wall + down as i32 * STATION_HEIGHT;
                sheet.line_of_text(clock.as_str(), left_wall - 4, y + 5, Held::Right, small)?;
                for (across, zone) in zones.iter().enumerate() {
                    let x = left_wall + across as i32 * self.station;
                    self.station(sheet, panel.look, &(zone.clone(), *clock), (x, y), ink)?;
                }
            }
        }
        for (down, line) in panel.lines.iter().take(LINES as usize).enumerate() {
            let hand = if down == 0 { Hand::bold(SMALL, ink.ink) } else { small };
            let y = top_wall + 4 * STATION_HEIGHT + 4 + down as i32 * LEAD;
            sheet.line_of_text(&fitted(line, self.panel), left, y, Held::Left, hand)?;
        }
        Ok(())
    }

    fn station(
        &self,
        sheet: &Sheet<'_>,
        look: &Look,
        place: &(Zone, ClockPosition),
        (x, y): (i32, i32),
        ink: Ink,
    ) -> Result<(), DrawError> {
        let (groove, other) = (look.stations.get(place).copied(), look.others.get(place).copied());
        let (from, to) = ((x + 1, y + 1), (x + self.station - 1, y + STATION_HEIGHT - 1));
        let worst = groove.max(other.map(|(grade, _)| grade));
        framed(sheet, from, to, worst, ink)?;
        let Some(worst) = worst else {
            return sheet.rule((from.0 + 3, to.1 - 3), (to.0 - 3, from.1 + 3), 1, ink.soft);
        };
        // Where both do not fit, the worse of the two stands.
        let alone = match other {
            Some((grade, _)) if Some(grade) >= groove => sign(None, other),
            _ => sign(groove, None),
        };
        let fits = |sign: &String| text_width(sign, SMALL) <= self.station;
        if let Some(sign) = [sign(groove, other), alone].into_iter().find(fits) {
            let colour = if worst.get() == 4 { ink.paper } else { ink.ink };
            let hand = if worst.get() >= 1 { Hand::bold(SMALL, colour) } else { Hand::plain(SMALL, colour) };
            sheet.line_of_text(&sign, x + self.station / 2, y + 5, Held::Middle, hand)?;
        }
        Ok(())
    }
}

/// What stands in a station: the groove's grade, then another mark with its letter.
fn sign(groove: Option<Grade>, other: Option<(Grade, Kind)>) -> String {
    let groove = groove.map(|grade| grade.to_string());
    let other = other.map(|(grade, kind)| format!("{}{grade}", letter(kind)));
    groove.into_iter().chain(other).collect::<Vec<_>>().join(" ")
}

/// A frame that is heavier the worse the grade is; grade 4 is filled.
pub(crate) fn framed(
    sheet: &Sheet<'_>,
    from: (i32, i32),
    to: (i32, i32),
    grade: Option<Grade>,
    ink: Ink,
) -> Result<(), DrawError> {
    match grade.map(Grade::get) {
        None => sheet.frame(from, to, 1, ink.hair),
        Some(0 | 1) => sheet.frame(from, to, 1, ink.soft),
        Some(2) => sheet.frame(from, to, 2, ink.ink),
        Some(3) => sheet.frame(from, to, 3, ink.ink),
        Some(_) => sheet.block(from, to, ink.ink),
    }
}

/// A text cut to a width, with a mark that says so.
fn fitted(text: &str, room_px: i32) -> String {
    if text_width(text, SMALL) <= room_px {
        return text.to_owned();
    }
    let mut kept = String::new();
    for letter in text.chars() {
        if text_width(&kept, SMALL) + text_width("m…", SMALL) > room_px {
            break;
        }
        kept.push(letter);
    }
    format!("{}…", kept.trim_end())
}
