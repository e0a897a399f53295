//! Finds against those expected, added up look by look.

use crate::drawing::{DrawError, Hand, Held, Spoken, figure};
use crate::ink::LIGHT;
use crate::plot_frame::{Axis, PlotFrame, SIZE, end_for};
use crate::track::MarkedScore;

/// Draws the sums of finds and of chances over the looks; nothing to draw without a look.
pub(crate) fn draw(marks: &[MarkedScore], name: &str) -> Result<String, DrawError> {
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
    let frame = PlotFrame::new(
        Axis { end: (marks.len() as f64).max(5.0), words: "complete looks, oldest first", label: whole },
        Axis { end: end_for(1.05 * most), words: "found, and expected, added up", label: tenths },
    );
    let spoken = Spoken {
        title: "What looks found against what the chances before them said, added up".to_owned(),
        description: format!("After {} looks: {found:.0} found, {expected:.1} expected.", marks.len()),
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
        sheet.line_of_text("thick: found", x, frame.top + 2, Held::Left, bold)?;
        sheet.line_of_text("dashed: expected; shaded: right chances, 19 of 20", x, frame.top + 17, Held::Left, plain)
    })
}

fn whole(value: f64) -> String {
    format!("{value:.0}")
}

/// With a decimal only where a tick stands between two whole numbers.
fn tenths(value: f64) -> String {
    ((value * 10.0).round() / 10.0).to_string()
}
