//! Charts as PNG, for what cannot show SVG: our own SVG drawn here, with letters that are part of the program.

use std::sync::{Arc, LazyLock, OnceLock};

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::fontdb::{Database, Source};
use resvg::usvg::{Options, Tree};

/// So many pixels are drawn at most: each takes eight bytes while it is drawn and written.
const MOST_PX: u64 = 8_000_000;

/// The letters of charts, whatever the machine has: `dashboards/fonts`.
static FONTS: LazyLock<Arc<Database>> = LazyLock::new(|| {
    let mut fonts = Database::new();
    let files: [&'static [u8]; 3] = [
        include_bytes!("../../../dashboards/fonts/ChartSans-Regular.ttf"),
        include_bytes!("../../../dashboards/fonts/ChartSans-Bold.ttf"),
        include_bytes!("../../../dashboards/fonts/ChartSerif-Bold.ttf"),
    ];
    for file in files {
        fonts.load_font_source(Source::Binary(Arc::new(file)));
    }
    fonts.set_sans_serif_family("Chart Sans");
    fonts.set_serif_family("Chart Serif");
    Arc::new(fonts)
});

/// Why there is no picture.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PngError {
    /// It would be too large.
    #[error(
        "a picture of {width} x {height} pixels is not drawn; right would be at most {MOST_PX} pixels: less width, height or scale, or .svg"
    )]
    TooLarge {
        /// Its width, pixels.
        width: u64,
        /// Its height, pixels.
        height: u64,
    },
    /// Its words are in a script that the letters do not cover. Drawn, they would be boxes.
    #[error(
        "this picture says {0:?} (U+{code:04X}), and pictures in pixels are drawn in Latin, Greek and Cyrillic letters alone; right would be .svg, which is shown in the letters of its reader's machine",
        code = u32::from(*.0)
    )]
    NoLetter(char),
    /// The drawing is not as it should be.
    #[error("the drawing cannot be read: {0}")]
    Drawing(#[from] resvg::usvg::Error),
    /// The bytes cannot be written.
    #[error("the picture cannot be written: {0}")]
    Bytes(String),
}

/// Draws one of our own SVG documents, with `scale` pixels a side for each px of its size.
///
/// # Errors
///
/// More than [`MOST_PX`] pixels; a character without a letter.
pub(crate) fn png(svg: &str, scale: u8) -> Result<Vec<u8>, PngError> {
    let lacking = OnceLock::new();
    let mut options = Options { fontdb: FONTS.clone(), ..Options::default() };
    // Asked for a character that a face does not have. All faces have the same.
    options.font_resolver.select_fallback = Box::new(|letter, _, _| {
        lacking.get_or_init(|| letter);
        None
    });
    let tree = Tree::from_str(svg, &options)?;
    if let Some(letter) = lacking.get() {
        return Err(PngError::NoLetter(*letter));
    }
    let size = tree.size().to_int_size();
    let [width, height] = [size.width(), size.height()].map(|side| u64::from(side) * u64::from(scale));
    let fits = width.saturating_mul(height) <= MOST_PX;
    let sheet = if fits { Pixmap::new(width as u32, height as u32) } else { None };
    let mut picture = sheet.ok_or(PngError::TooLarge { width, height })?;
    resvg::render(&tree, Transform::from_scale(scale.into(), scale.into()), &mut picture.as_mut());
    picture.encode_png().map_err(|error| PngError::Bytes(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lettering::{SANS, SERIF};

    fn document((width, height): (u32, u32), face: &str, text: &str) -> String {
        format!(
            "<svg width=\"{width}\" height=\"{height}\" xmlns=\"http://www.w3.org/2000/svg\">\
             <text x=\"5\" y=\"30\" font-family=\"{face}\" font-size=\"24\" font-weight=\"bold\">{text}</text></svg>"
        )
    }

    /// The ink of a text, and of what a face draws for a character that it does not have.
    fn drawn(face: &str, text: &str) -> Vec<u8> {
        let picture = png(&document((60, 40), face, text), 1).unwrap();
        Pixmap::decode_png(&picture).unwrap().take()
    }

    #[test]
    fn every_word_of_the_charts_has_letters() {
        let words = include_str!("../../../dashboards/text/en.ftl");
        let mut letters: Vec<char> = words.chars().chain("µ·°²³½−–—…≤≥±×→ÄÖÜäöüßéñçåøčşłő€№Ωπж".chars()).collect();
        letters.retain(|letter| !letter.is_whitespace() && !matches!(letter, '&' | '<' | '>'));
        letters.sort_unstable();
        letters.dedup();
        assert!(letters.len() > 90);
        let nothing = vec![0; 60 * 40 * 4];
        for face in [SANS, SERIF] {
            for letter in &letters {
                assert_ne!(drawn(face, &letter.to_string()), nothing, "{face}: {letter:?} is blank");
            }
        }
        // Spaces that numbers and days are written with.
        assert_eq!(drawn(SANS, "\u{a0}\u{202f}"), nothing);
        assert_ne!(drawn(SANS, "a"), drawn(SERIF, "a"), "titles are set in other letters");
    }

    #[test]
    fn what_has_no_letters_is_refused_and_never_drawn_as_boxes() {
        for text in ["Rohr 管", "צינור", "\u{1f527} T1"] {
            match png(&document((200, 40), SANS, text), 1) {
                Err(error @ PngError::NoLetter(letter)) => {
                    assert!(text.contains(letter) && !letter.is_ascii(), "{letter:?}");
                    assert!(error.to_string().contains(&format!("(U+{:04X})", u32::from(letter))), "{error}");
                }
                other => panic!("{text}: {other:?}"),
            }
        }
    }

    #[test]
    fn more_pixels_than_memory_is_spent_on_are_refused() {
        assert!(png(&document((2000, 1000), SANS, "a"), 2).is_ok());
        for (size, scale) in [((2001, 1000), 2), ((2000, 2000), 3), ((10_000, 10_000), 1), ((60_000, 60_000), 255)] {
            assert!(matches!(png(&document(size, SANS, "a"), scale), Err(PngError::TooLarge { .. })), "{size:?}");
        }
    }
}
