//! The life line of a tube: where it sat, what was done to it, what looks found, and how much it ran.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan};
use plant::Grade;

use crate::chart_walls::{framed, renewed};
use crate::drawing::{Column, DrawError, Hand, Held, Sheet, Spoken, document};
use crate::ink::Ink;
use crate::lettering::width as text_width;
use crate::look_words::{findings_of, letters, worst_sign};
use crate::run_hours::RunHours;
use crate::{Site, Snapshot, TubeDetail};

const SMALL: u32 = 11;
const LEAD: i32 = 15;
/// Side of the mark of a look, px.
const MARK: i32 = 20;

/// A look as a mark on the line.
struct Seen {
    at: Timestamp,
    sign: String,
    worst: Option<Grade>,
    complete: bool,
}

/// Draws the life line, `size` in px.
pub(crate) fn draw(
    detail: &TubeDetail,
    snapshot: &Snapshot,
    site: &Site,
    size: (u32, u32),
    ink: Ink,
) -> Result<String, DrawError> {
    let voice = &site.voice;
    let run = RunHours::of(&detail.months, &site.zone, snapshot.at);
    let seen: Vec<Seen> = detail
        .looks
        .iter()
        .enumerate()
        .map(|(place, look)| Seen {
            at: look.at,
            sign: worst_sign(look.worst_mark, findings_of(detail, place)),
            worst: look.worst_mark,
            complete: look.complete,
        })
        .collect();
    let title = voice.tell("chart-life", &[("tube", &detail.tube.tube)]);
    let key = voice.tell("chart-life-key", &[("letters", &letters(voice))]);
    let spoken = Spoken { title: title.clone(), description: told(detail, &seen, &run, site) };
    document(size, ink, &spoken, |sheet| {
        let (width, height) = (size.0 as i32, size.1 as i32);
        let edge = if width < 400 { 10 } else { 16 };
        let mut column = Column { sheet, left: edge, width: width - 2 * edge, y: edge - 2, floor: height - edge };
        column.set(&title, Hand::title(16, ink.ink))?;
        column.set(&key, Hand::plain(SMALL, ink.soft))?;
        let Some(from) = beginning(detail, &run) else {
            column.skip(8);
            return column.set(&voice.say("chart-life-empty"), Hand::bold(13, ink.ink));
        };
        let to = snapshot.at.max(from + SignedDuration::from_hours(24));
        let line =
            Line { left: edge, right: width - edge - 4, top: column.y + 6, base: height - edge - LEAD, from, to };
        line.draw(sheet, detail, &seen, &run, site, ink)
    })
}

/// The earliest instant of which anything is written down.
fn beginning(detail: &TubeDetail, run: &RunHours) -> Option<Timestamp> {
    let fitted = detail.fittings.iter().map(|fitting| fitting.from);
    let worked = detail.work.iter().map(|work| work.at);
    let found = detail.findings.iter().map(|finding| finding.at);
    fitted.chain(worked).chain(found).chain(run.points.first().map(|(at, _)| *at)).min()
}

/// Everything that is drawn, as sentences.
fn told(detail: &TubeDetail, seen: &[Seen], run: &RunHours, site: &Site) -> String {
    let voice = &site.voice;
    let mut said: Vec<(Timestamp, String)> = Vec::new();
    for fitting in &detail.fittings {
        let day = site.day(fitting.from);
        let told = match fitting.to.map(|to| site.day(to)) {
            Some(to) => voice.tell("chart-life-fitted-until", &[("day", &day), ("unit", &fitting.unit), ("to", &to)]),
            None => voice.tell("chart-life-fitted", &[("day", &day), ("unit", &fitting.unit)]),
        };
        said.push((fitting.from, told));
    }
    for work in &detail.work {
        said.push((work.at, format!("{}: {}.", site.day(work.at), renewed(work.work, voice))));
    }
    for look in seen {
        let day = site.day(look.at);
        let told = if look.complete {
            voice.tell("chart-life-complete", &[("day", &day), ("mark", &look.sign)])
        } else {
            voice.tell("chart-life-part", &[("day", &day), ("mark", &look.sign)])
        };
        said.push((look.at, told));
    }
    said.sort_by_key(|(at, _)| *at);
    let mut said: Vec<String> = said.into_iter().map(|(_, words)| words).collect();
    match run.points.last() {
        Some((_, run_h)) => said.push(voice.tell("chart-life-run", &[("hours", &voice.hours(*run_h))])),
        None => said.push(voice.say("chart-life-no-run")),
    }
    said.join(" ")
}

/// Time across, lanes down.
struct Line {
    left: i32,
    right: i32,
    top: i32,
    base: i32,
    from: Timestamp,
    to: Timestamp,
}

impl Line {
    fn x(&self, at: Timestamp) -> i32 {
        let whole = self.to.duration_since(self.from).as_secs_f64();
        let part = (at.duration_since(self.from).as_secs_f64() / whole).clamp(0.0, 1.0);
        self.left + (part * f64::from(self.right - self.left)).round() as i32
    }

    fn draw(
        &self,
        sheet: &Sheet<'_>,
        detail: &TubeDetail,
        seen: &[Seen],
        run: &RunHours,
        site: &Site,
        ink: Ink,
    ) -> Result<(), DrawError> {
        let small = Hand::plain(SMALL, ink.soft);
        let (sat, worked) = (self.top + LEAD, self.top + LEAD + 24 + LEAD);
        let looked = worked + LEAD + 4 + LEAD;
        let rows = self.rows(seen);
        let deepest = rows.iter().max().map_or(1, |row| row + 1);
        let curve = looked + deepest * (MARK + 2) + LEAD + 4;
        let voice = &site.voice;
        let lanes = [
            (voice.say("chart-lane-sat"), sat),
            (voice.say("chart-lane-work"), worked),
            (voice.say("chart-lane-looks"), looked),
            (voice.say("chart-lane-run"), curve),
        ];
        for life in &detail.lives {
            if let Some(from) = life.from.filter(|from| *from > self.from) {
                sheet.rule((self.x(from), self.top), (self.x(from), self.base), 1, ink.hair)?;
            }
        }
        for (name, y) in lanes {
            if y < self.base {
                sheet.line_of_text(&name, self.left, y - LEAD, Held::Left, small)?;
            }
        }
        for fitting in &detail.fittings {
            let (x, end) = (self.x(fitting.from), self.x(fitting.to.unwrap_or(self.to)).max(self.x(fitting.from) + 2));
            sheet.block((x, sat), (end, sat + 18), ink.hair)?;
            sheet.frame((x, sat), (end, sat + 18), 1, ink.soft)?;
            if text_width(fitting.unit.as_str(), SMALL) + 8 <= end - x {
                sheet.line_of_text(fitting.unit.as_str(), x + 4, sat + 4, Held::Left, Hand::bold(SMALL, ink.ink))?;
            }
        }
        let mut free_from = i32::MIN;
        for work in &detail.work {
            let x = self.x(work.at);
            sheet.shape(&[(x, worked), (x - 5, worked + 9), (x + 5, worked + 9)], ink.ink)?;
            let words = renewed(work.work, voice);
            let wide = text_width(&words, SMALL);
            let (at, held) = if x + 8 + wide > self.right { (x - 8, Held::Right) } else { (x + 8, Held::Left) };
            let begins = if at < x { at - wide } else { at };
            if begins >= free_from {
                sheet.line_of_text(&words, at, worked, held, Hand::plain(SMALL, ink.ink))?;
                free_from = begins + wide + 8;
            }
        }
        for (look, row) in seen.iter().zip(&rows) {
            let (x, y) =
                (self.x(look.at).clamp(self.left + MARK / 2, self.right - MARK / 2), looked + row * (MARK + 2));
            self.look(sheet, look, (x, y), ink)?;
        }
        self.curve(sheet, run, curve, site, ink)?;
        self.ticks(sheet, site, ink)
    }

    /// In which row each look is set: beside the one before if there is room, else below it.
    fn rows(&self, seen: &[Seen]) -> Vec<i32> {
        let mut taken_to: Vec<i32> = Vec::new();
        seen.iter()
            .map(|look| {
                let x = self.x(look.at).clamp(self.left + MARK / 2, self.right - MARK / 2);
                let row = taken_to.iter().position(|end| *end + 2 <= x - MARK / 2);
                let row = row.unwrap_or_else(|| {
                    taken_to.push(0);
                    taken_to.len() - 1
                });
                taken_to[row] = x + MARK / 2;
                row as i32
            })
            .collect()
    }

    fn look(&self, sheet: &Sheet<'_>, look: &Seen, (x, y): (i32, i32), ink: Ink) -> Result<(), DrawError> {
        if y + MARK > self.base {
            return Ok(());
        }
        let (from, to) = ((x - MARK / 2, y), (x + MARK / 2, y + MARK));
        let filled = look.worst.is_some_and(|grade| grade.get() == 4);
        // The paper below keeps lines of lives from running through the figure.
        sheet.block(from, to, ink.paper)?;
        if look.complete || filled {
            framed(sheet, from, to, look.worst, ink)?;
        } else {
            sheet.rule(
                (from.0, to.1),
                to,
                if look.worst.is_some_and(|grade| grade.get() >= 2) { 3 } else { 1 },
                ink.ink,
            )?;
        }
        let hand = Hand::bold(SMALL, if filled { ink.paper } else { ink.ink });
        sheet.line_of_text(&look.sign, x, y + 5, Held::Middle, hand)
    }

    fn curve(&self, sheet: &Sheet<'_>, run: &RunHours, top: i32, site: &Site, ink: Ink) -> Result<(), DrawError> {
        let Some((_, most)) = run.points.last().filter(|(_, most)| *most > 0.0) else {
            if top + LEAD < self.base {
                let words = site.voice.say("chart-life-no-run-short");
                sheet.line_of_text(&words, self.left, top, Held::Left, Hand::plain(SMALL, ink.ink))?;
            }
            return Ok(());
        };
        if self.base - top < 16 {
            return Ok(());
        }
        let y = |run_h: f64| self.base - (run_h / most * f64::from(self.base - top)).round() as i32;
        let line: Vec<_> = run.points.iter().map(|(at, run_h)| (self.x(*at), y(*run_h))).collect();
        sheet.path(&line, 2, ink.ink)?;
        let Some((x, y)) = line.last() else { return Ok(()) };
        sheet.line_of_text(&site.voice.hours(*most), *x, y - 16, Held::Right, Hand::bold(SMALL, ink.ink))
    }

    /// The calendar below: as many marks as have room.
    fn ticks(&self, sheet: &Sheet<'_>, site: &Site, ink: Ink) -> Result<(), DrawError> {
        sheet.rule((self.left, self.base), (self.right, self.base), 1, ink.ink)?;
        let small = Hand::plain(SMALL, ink.soft);
        let first = self.from.to_zoned_datetime(site.zone.clone()).date();
        let days = self.to.duration_since(self.from).as_secs_f64() / 86_400.0;
        let room = f64::from(self.right - self.left) / 60.0;
        let fits = |months: &&i32| days / (f64::from(**months) * 30.4) <= room;
        let step = *[1, 3, 6, 12, 24, 60, 120].iter().find(fits).unwrap_or(&240);
        let mut day: Option<Date> = Some(Date::constant(first.year() - first.year().rem_euclid(20), 1, 1));
        while let Some(tick) = day {
            let at = tick.to_zoned_datetime(site.zone.clone()).map(|zoned| zoned.timestamp());
            let Ok(at) = at else { break };
            if at > self.to {
                break;
            }
            if at >= self.from {
                let x = self.x(at);
                sheet.rule((x, self.base), (x, self.base + 4), 1, ink.ink)?;
                let words = if step >= 12 { tick.year().to_string() } else { site.voice.month_and_year(tick) };
                let half = text_width(&words, SMALL) / 2;
                let x = x.clamp(self.left + half, (self.right - half).max(self.left + half));
                sheet.line_of_text(&words, x, self.base + 4, Held::Middle, small)?;
            }
            day = tick.checked_add(step.months()).ok();
        }
        Ok(())
    }
}
