//! The frame of the pictures in a report: two axes with their words, and places on them.

use crate::Voice;
use crate::drawing::{DrawError, Hand, Held, Sheet};
use crate::ink::Ink;
use crate::lettering::width as text_width;

/// Size of every picture of a report, px: a phone shows it as it is.
pub(crate) const SIZE: (u32, u32) = (360, 330);

const SMALL: u32 = 11;
const LEAD: i32 = 15;

/// One axis, from 0 to its end.
pub(crate) struct Axis<'a> {
    /// The greatest value.
    pub end: f64,
    /// What it says, with its unit.
    pub words: String,
    /// How a value is written at its tick.
    pub label: &'a dyn Fn(f64) -> String,
}

/// Both axes, and where they stand.
pub(crate) struct PlotFrame<'a> {
    pub across: Axis<'a>,
    pub up: Axis<'a>,
    pub left: i32,
    pub right: i32,
    pub top: i32,
    pub base: i32,
}

impl<'a> PlotFrame<'a> {
    /// Room for the labels around the plot.
    pub(crate) fn new(across: Axis<'a>, up: Axis<'a>) -> Self {
        let widest = ticks(up.end).into_iter().map(|at| text_width(&(up.label)(at), SMALL)).max().unwrap_or(0);
        let half = text_width(&(across.label)(across.end), SMALL) / 2;
        let (width, height) = (SIZE.0 as i32, SIZE.1 as i32);
        PlotFrame { across, up, left: widest + 8, right: width - half - 2, top: LEAD + 12, base: height - 2 * LEAD - 8 }
    }

    /// Where a value stands across, px; one beyond the end stands at the end.
    pub(crate) fn x(&self, value: f64) -> i32 {
        self.left + (value / self.across.end * f64::from(self.right - self.left)).round() as i32
    }

    /// Where a value stands upwards, px.
    pub(crate) fn y(&self, value: f64) -> i32 {
        self.base - (value / self.up.end * f64::from(self.base - self.top)).round() as i32
    }

    /// The axes with their ticks and words.
    pub(crate) fn draw(&self, sheet: &Sheet<'_>, ink: Ink) -> Result<(), DrawError> {
        let small = Hand::plain(SMALL, ink.soft);
        sheet.line_of_text(&self.up.words, 0, 0, Held::Left, small)?;
        for at in ticks(self.up.end) {
            let y = self.y(at);
            sheet.rule((self.left, y), (self.right, y), 1, if at == 0.0 { ink.ink } else { ink.hair })?;
            sheet.line_of_text(&(self.up.label)(at), self.left - 6, y - 6, Held::Right, small)?;
        }
        for at in ticks(self.across.end) {
            let x = self.x(at);
            sheet.rule((x, self.base), (x, self.base + 4), 1, ink.ink)?;
            sheet.line_of_text(&(self.across.label)(at), x, self.base + 6, Held::Middle, small)?;
        }
        sheet.line_of_text(&self.across.words, self.right, self.base + 6 + LEAD, Held::Right, small)
    }
}

/// Places of ticks: five steps or so, each 1, 2 or 5 times a power of ten.
fn ticks(end: f64) -> Vec<f64> {
    let step = step(end);
    (0..=((end / step) * (1.0 + 1e-9)) as u32).map(|tick| f64::from(tick) * step).collect()
}

/// The distance of ticks for an axis up to `end`.
pub(crate) fn step(end: f64) -> f64 {
    let decade = 10f64.powf((end / 5.0).log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|step| step * decade).find(|step| end / step <= 5.0 + 1e-9).unwrap_or(10.0 * decade)
}

/// The end of an axis on which a value has its place: the next tick.
pub(crate) fn end_for(value: f64) -> f64 {
    let step = step(value);
    (value / step * (1.0 - 1e-9)).ceil() * step
}

/// A share in percent with as many digits as it needs: `5 %`, `0.5 %`.
pub(crate) fn percent_tick(share: f64, voice: &Voice) -> String {
    let percent = (share * 1e4).round() / 100.0;
    format!("{}\u{a0}%", voice.exact(percent))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_reach_the_end() {
        // By hand.
        assert_eq!((step(1.0), step(0.2), step(0.16), step(0.05)), (0.2, 0.05, 0.05, 0.01));
        assert_eq!(ticks(1.0).len(), 6);
        assert!((end_for(0.16) - 0.2).abs() < 1e-12 && (end_for(0.2) - 0.2).abs() < 1e-12);
        assert_eq!(
            ["0\u{a0}%", "0.5\u{a0}%", "15\u{a0}%"],
            [0.0, 0.005, 0.15].map(|share| percent_tick(share, &Voice::default())).each_ref().map(String::as_str)
        );
    }
}
