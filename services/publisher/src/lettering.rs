//! Lines of text in a drawn chart: broken to a width, because SVG does not break lines.

/// Fonts of the reader's machine: a chart fetches nothing.
pub(crate) const SERIF: &str = "ui-serif, Charter, Cambria, Liberation Serif, serif";
/// For everything but titles.
pub(crate) const SANS: &str = "system-ui, Liberation Sans, sans-serif";

/// Mean width of a character as part of its size, on the generous side: a line too short is better than one cut off.
const MEAN_WIDTH: f64 = 0.54;

/// How wide a text will be at most times, px.
pub(crate) fn width(text: &str, size_px: u32) -> i32 {
    // From U+2E80 on, scripts fill a whole square per character.
    let ems: f64 = text.chars().map(|letter| if letter >= '\u{2e80}' { 1.0 } else { MEAN_WIDTH }).sum();
    (ems * f64::from(size_px)).ceil() as i32
}

/// Breaks a text into lines no wider than `room_px`: at spaces, and inside a word only if it fills a line by itself.
pub(crate) fn lines(text: &str, size_px: u32, room_px: i32) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split([' ', '\n']).filter(|word| !word.is_empty()) {
        match lines.last_mut() {
            Some(line) if width(line, size_px) + width(" ", size_px) + width(word, size_px) <= room_px => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(String::new()),
        }
        let line = lines.last_mut().expect("a line was pushed if there was none");
        if !line.is_empty() {
            continue;
        }
        for letter in word.chars() {
            let line = lines.last_mut().expect("a line was pushed above");
            if !line.is_empty() && width(line, size_px) + width(letter.encode_utf8(&mut [0; 4]), size_px) > room_px {
                lines.push(letter.to_string());
            } else {
                line.push(letter);
            }
        }
    }
    lines
}

/// A text without the characters that XML 1.0 (section 2.2) cannot hold, and without other controls.
pub(crate) fn drawable(text: &str) -> String {
    text.chars().filter(|letter| !letter.is_control() && !matches!(letter, '\u{fffe}' | '\u{ffff}')).collect()
}

/// A text as content of an XML element.
pub(crate) fn xml(text: &str) -> String {
    drawable(text).replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_at_spaces_and_no_line_is_too_wide() {
        let text = "Chance that a complete look finds grade 2 (catches a fingernail) or worse";
        let broken = lines(text, 12, 200);
        assert!(broken.len() > 1);
        assert!(broken.iter().all(|line| width(line, 12) <= 200), "{broken:?}");
        assert_eq!(broken.join(" "), text);
    }

    #[test]
    fn a_long_name_is_broken_rather_than_cut() {
        let name = "N".repeat(64);
        let broken = lines(&format!("Tube {name} here"), 16, 180);
        assert!(broken.iter().all(|line| width(line, 16) <= 180), "{broken:?}");
        assert_eq!(broken.concat().replace(' ', ""), format!("Tube{name}here"));
    }

    #[test]
    fn what_xml_cannot_hold_is_left_out() {
        assert_eq!(xml("a\u{0}\u{8}<b>&\u{ffff}\u{1b}"), "a&lt;b&gt;&amp;");
    }
}
