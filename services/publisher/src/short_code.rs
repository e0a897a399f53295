//! An address as a short code (QR) that a phone or tablet reads, drawn as one path.

use qrcode::{Color, EcLevel, QrCode};

/// Empty modules around the code (ISO/IEC 18004, 9.1: four).
const QUIET: usize = 4;

/// A code ready to be drawn in an SVG of `side` by `side` modules.
#[derive(Debug)]
pub(crate) struct ShortCode {
    pub side: usize,
    /// The dark modules, as an SVG path.
    pub path: String,
}

/// The code of an address; `None` if it is too long for one. A quarter of it may be dirty: level Q.
pub(crate) fn short_code(address: &str) -> Option<ShortCode> {
    let code = QrCode::with_error_correction_level(address, EcLevel::Q).ok()?;
    let width = code.width();
    let mut path = String::new();
    for (place, color) in code.to_colors().into_iter().enumerate() {
        if color == Color::Dark {
            path.push_str(&format!("M{} {}h1v1h-1z", place % width + QUIET, place / width + QUIET));
        }
    }
    Some(ShortCode { side: width + 2 * QUIET, path })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finder_patterns_stand_in_three_corners_inside_a_quiet_zone() {
        // ISO/IEC 18004, 6.3.3: a finder is 7 x 7: dark ring, light ring, dark 3 x 3; a version 1 symbol is 21 x 21 (from memory).
        let code = short_code("A").unwrap();
        assert_eq!(code.side, 21 + 8);
        let dark = |x: usize, y: usize| code.path.contains(&format!("M{} {}h1", x + 4, y + 4));
        for (left, top) in [(0, 0), (14, 0), (0, 14)] {
            for (x, y) in (0..7).flat_map(|x| (0..7).map(move |y| (x, y))) {
                let ring = x.max(6 - x).max(y.max(6 - y));
                assert_eq!(dark(left + x, top + y), ring != 5, "{x}, {y} of the finder at {left}, {top}");
            }
        }
        assert!(short_code(&"x".repeat(5000)).is_none());
    }
}
