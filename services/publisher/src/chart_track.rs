//! Finds against those expected, added up look by look.

use crate::Voice;
use crate::drawing::{DrawError, Hand, Held, Spoken, figure};
use crate::ink::LIGHT;
use crate::plot_frame::{Axis, PlotFrame, SIZE, end_for};
use crate::track::MarkedScore;

/// Draws the sums of finds and of chances over the looks; nothing to draw without a look.
pub(crate) fn draw(marks: &[MarkedScore], name: &str, voice: &Voice) -> Result<String, DrawError> {
    // On the page the inks follow its theme.
    let ink = LIGHT;
    if marks.is_empty() {
        return Ok(String::new());
    }
    let mut sums = vec![(0.0, 0.0, 0.0)];
    for mark in marks.iter().rev() {
        let (found, expected, variance) = sums[sums.len() - 1];
        let one = f64::from(u8::from(mark.found));
        sums.push((found + one, expected + mark.chance, variance + mark.chance * (1.0 - mark.chance)));
    }
    let (found, expected, variance) = sums[sums.len() - 1];
    let most = found.max(expected + 2.0 * variance.sqrt()).max(1.0);
    // With a decimal only where a tick stands between two whole numbers.
    let (whole, tenths) =
        (|value: f64| voice.decimal(value, 0), |value: f64| voice.exact((value * 10.0).round() / 10.0));
    let frame = PlotFrame::new(
        Axis { end: (marks.len() as f64).max(5.0), words: voice.say("plot-track-looks"), label: &whole },
        Axis { end: end_for(1.05 * most), words: voice.say("plot-track-sum"), label: &tenths },
    );
    let spoken = Spoken {
        title: voice.say("plot-track"),
        description: voice.tell(
            "plot-track-told",
            &[
                ("looks", &voice.count(marks.len() as u64)),
                ("found", &voice.decimal(found, 0)),
                ("expected", &voice.decimal(expected, 1)),
            ],
        ),
    };
    figure(name, SIZE, &spoken, |sheet| {
        frame.draw(sheet, ink)?;
        let line = |of: fn(&(f64, f64, f64)) -> f64| -> Vec<(i32, i32)> {
            let at = |(look, sums): (usize, &(f64, f64, f64))| (frame.x(look as f64), frame.y(of(sums).max(0.0)));
            sums.iter().enumerate().map(at).collect()
        };
        // Two standard deviations either way: where right chances leave one case in twenty outside.
        let mut band = line(|(_, expected, variance)| expected + 2.0 * variance.sqrt());
        band.extend(line(|(_, expected, variance)| expected - 2.0 * variance.sqrt()).into_iter().rev());
        sheet.shape(&band, ink.hair)?;
        sheet.dashes(&line(|(_, expected, _)| *expected), 2, ink.ink)?;
        sheet.path(&line(|(found, _, _)| *found), 3, ink.ink)?;
        let (x, plain, bold) = (frame.left + 8, Hand::plain(11, ink.ink), Hand::bold(11, ink.ink));
        sheet.line_of_text(&voice.say("plot-track-thick"), x, frame.top + 2, Held::Left, bold)?;
        sheet.line_of_text(&voice.say("plot-track-dashed"), x, frame.top + 17, Held::Left, plain)
    })
}
