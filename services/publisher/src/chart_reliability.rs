//! The reliability diagram: what was foretold against what came, with the band that chance explains.

use crate::Voice;
use crate::drawing::{DrawError, Hand, Held, Spoken, figure};
use crate::ink::{Ink, LIGHT};
use crate::lettering::width as text_width;
use crate::plot_frame::{Axis, PlotFrame, SIZE, end_for, percent_tick};
use crate::validation::{Honesty, ReliabilityBin};

/// Draws the groups of one forecast; `name` tells its ids apart from those of other pictures of the page.
pub(crate) fn draw(honesty: &Honesty, name: &str, voice: &Voice) -> Result<String, DrawError> {
    // On the page the inks follow its theme.
    let ink = LIGHT;
    let most = honesty.bins.iter().flat_map(|bin| [bin.mean, bin.share(), bin.band.1]).fold(0.01, f64::max);
    let end = end_for(most.min(1.0));
    let in_percent = |share: f64| percent_tick(share, voice);
    let frame = PlotFrame::new(
        Axis { end, words: voice.say("plot-reliability-foretold"), label: &in_percent },
        Axis { end, words: voice.say("plot-reliability-share"), label: &in_percent },
    );
    figure(name, SIZE, &spoken(honesty, voice), |sheet| {
        frame.draw(sheet, ink)?;
        sheet.dashes(&[(frame.x(0.0), frame.y(0.0)), (frame.x(end), frame.y(end))], 1, ink.soft)?;
        for bin in &honesty.bins {
            let x = frame.x(bin.mean);
            sheet.block((x - 3, frame.y(bin.band.1) - 1), (x + 3, frame.y(bin.band.0) + 1), ink.band)?;
        }
        for bin in &honesty.bins {
            let (x, y) = (frame.x(bin.mean), frame.y(bin.share()));
            if bin.by_chance() {
                sheet.block((x - 4, y - 2), (x + 4, y + 2), ink.ink)?;
            } else {
                // Another shape, not another colour.
                sheet.path(&[(x - 6, y - 6), (x + 6, y + 6)], 3, ink.ink)?;
                sheet.path(&[(x - 6, y + 6), (x + 6, y - 6)], 3, ink.ink)?;
            }
        }
        if let Some(bin) = honesty.bins.last() {
            let (x, y) = (frame.x(bin.mean), frame.y(bin.share()));
            let text = voice.tell("plot-reliability-of", &[("found", &bin.n_events), ("all", &bin.n)]);
            let left = x + 10 + text_width(&text, 11) > SIZE.0 as i32;
            let (at, held) = if left { (x - 10, Held::Right) } else { (x + 10, Held::Left) };
            sheet.line_of_text(&text, at, y - 6, held, Hand::bold(11, ink.ink))?;
        }
        let (x, y) = (frame.left + 8, frame.top + 2);
        key(sheet, (x, y), voice, ink)
    })
}

/// What the marks mean, in the corner that a forecast leaves free: far more was found than foretold.
fn key(sheet: &crate::drawing::Sheet<'_>, (x, y): (i32, i32), voice: &Voice, ink: Ink) -> Result<(), DrawError> {
    let small = Hand::plain(11, ink.soft);
    sheet.block((x, y + 4), (x + 8, y + 8), ink.ink)?;
    sheet.line_of_text(&voice.say("plot-reliability-found"), x + 16, y, Held::Left, small)?;
    sheet.path(&[(x, y + 17), (x + 8, y + 25)], 3, ink.ink)?;
    sheet.path(&[(x, y + 25), (x + 8, y + 17)], 3, ink.ink)?;
    sheet.line_of_text(&voice.say("plot-reliability-outside"), x + 16, y + 15, Held::Left, small)?;
    sheet.block((x + 1, y + 32), (x + 7, y + 42), ink.band)?;
    sheet.line_of_text(&voice.say("plot-reliability-band"), x + 16, y + 30, Held::Left, small)?;
    sheet.dashes(&[(x - 2, y + 53), (x + 10, y + 53)], 1, ink.soft)?;
    sheet.line_of_text(&voice.say("plot-reliability-as-foretold"), x + 16, y + 45, Held::Left, small)
}

fn spoken(honesty: &Honesty, voice: &Voice) -> Spoken {
    let group = |bin: &ReliabilityBin| {
        let (low, high) = bin.band;
        let [mean, share, low, high] = [bin.mean, bin.share(), low, high].map(|part| voice.share(part));
        if bin.by_chance() {
            voice.tell(
                "plot-reliability-told",
                &[
                    ("mean", &mean),
                    ("found", &bin.n_events),
                    ("all", &bin.n),
                    ("share", &share),
                    ("low", &low),
                    ("high", &high),
                ],
            )
        } else {
            voice.tell(
                "plot-reliability-told-outside",
                &[
                    ("mean", &mean),
                    ("found", &bin.n_events),
                    ("all", &bin.n),
                    ("share", &share),
                    ("low", &low),
                    ("high", &high),
                ],
            )
        }
    };
    Spoken {
        title: voice.tell("plot-reliability", &[("forecast", &honesty.forecast.words(voice))]),
        description: honesty.bins.iter().map(group).collect::<Vec<_>>().join(" "),
    }
}
