//! How far each way of forecasting stands behind the best one.

use crate::Voice;
use crate::drawing::{DrawError, Hand, Held, Spoken, figure};
use crate::ink::LIGHT;
use crate::plot_frame::{end_for, step};
use crate::validation::ForecastScores;
use crate::validation_page::decimals;

/// Size, px: a phone shows it as it is.
const SIZE: (u32, u32) = (360, 236);
const ROW: i32 = 44;

/// Draws the log loss of each forecast above the best one's, with one standard error between tubes.
pub(crate) fn draw(forecasts: &[ForecastScores], name: &str, voice: &Voice) -> Result<String, DrawError> {
    // On the page the inks follow its theme.
    let ink = LIGHT;
    let furthest = forecasts.iter().map(|at| at.above_best + at.above_best_se).filter(|at| at.is_finite());
    let end = end_for(furthest.fold(1e-4, f64::max));
    // To the left of 0, a standard error may reach below the best.
    let below = forecasts.iter().map(|at| at.above_best_se - at.above_best).filter(|at| at.is_finite());
    let below = below.fold(0.0, f64::max).min(end);
    let (left, right, top) = (8, SIZE.0 as i32 - 26, 20);
    let x = |value: f64| left + ((value + below) / (end + below) * f64::from(right - left)).round() as i32;
    let base = top + ROW * forecasts.len() as i32;
    let height = (base + 40) as u32;
    figure(name, (SIZE.0, height), &spoken(forecasts, voice), |sheet| {
        let small = Hand::plain(11, ink.soft);
        sheet.rule((x(0.0), top), (x(0.0), base), 1, ink.ink)?;
        sheet.line_of_text(
            &voice.say("plot-losses-best"),
            x(0.0),
            2,
            if below < 0.3 * end { Held::Left } else { Held::Middle },
            small,
        )?;
        for (place, at) in forecasts.iter().enumerate() {
            let y = top + ROW * place as i32;
            sheet.rule((left, y), (right, y), 1, ink.hair)?;
            let said = format!("{}: {}", capital(&at.forecast.words(voice)), decimals(at.log_loss, voice));
            sheet.line_of_text(&said, x(0.0) + 6, y + 5, Held::Left, Hand::bold(11, ink.ink))?;
            if !at.above_best.is_finite() {
                continue;
            }
            let y = y + 31;
            if at.above_best_se.is_finite() {
                let from = x((at.above_best - at.above_best_se).max(-below));
                sheet.block((from, y - 3), (x(at.above_best + at.above_best_se), y + 3), ink.band)?;
            }
            let at_x = x(at.above_best);
            sheet.block((at_x - 2, y - 7), (at_x + 2, y + 7), ink.ink)?;
        }
        sheet.rule((left, base), (right, base), 1, ink.ink)?;
        let step = step(end);
        for tick in 0..=((end / step) * (1.0 + 1e-9)) as u32 {
            let value = f64::from(tick) * step;
            sheet.rule((x(value), base), (x(value), base + 4), 1, ink.ink)?;
            let digits = (-step.log10().floor()).max(0.0) as usize;
            sheet.line_of_text(&voice.decimal(value, digits), x(value), base + 6, Held::Middle, small)?;
        }
        sheet.line_of_text(&voice.say("plot-losses-axis"), right, base + 22, Held::Right, small)
    })
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

fn spoken(forecasts: &[ForecastScores], voice: &Voice) -> Spoken {
    let told = |at: &ForecastScores| {
        voice.tell(
            "plot-losses-told",
            &[
                ("forecast", &capital(&at.forecast.words(voice))),
                ("loss", &decimals(at.log_loss, voice)),
                ("above", &decimals(at.above_best, voice)),
                ("error", &decimals(at.above_best_se, voice)),
            ],
        )
    };
    Spoken { title: voice.say("plot-losses"), description: forecasts.iter().map(told).collect::<Vec<_>>().join(" ") }
}
