//! The inks of drawn charts: those of the sheet, by theme.

use plotters::style::RGBColor;

/// The colours of one theme.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Ink {
    pub paper: RGBColor,
    pub ink: RGBColor,
    pub soft: RGBColor,
    pub hair: RGBColor,
    pub band: RGBColor,
}

/// On light paper, and for print.
pub(crate) const LIGHT: Ink = Ink {
    paper: RGBColor(0xfa, 0xf7, 0xf0),
    ink: RGBColor(0x1d, 0x1b, 0x18),
    soft: RGBColor(0x55, 0x50, 0x4a),
    hair: RGBColor(0xd5, 0xce, 0xc1),
    band: RGBColor(0x7b, 0x90, 0xa6),
};

/// In a dark room.
pub(crate) const DARK: Ink = Ink {
    paper: RGBColor(0x17, 0x16, 0x14),
    ink: RGBColor(0xec, 0xe7, 0xdc),
    soft: RGBColor(0xb3, 0xac, 0xa0),
    hair: RGBColor(0x3b, 0x38, 0x33),
    band: RGBColor(0x64, 0x7d, 0x98),
};

#[cfg(test)]
mod tests {
    use super::*;

    /// A chart stands on pages of the same sheet, whose contrasts are tested.
    #[test]
    fn the_inks_are_those_of_the_sheet() {
        let sheet = include_str!("../../../dashboards/style/sheet.css");
        let mut blocks = sheet.split(":root {").skip(1);
        for ink in [LIGHT, DARK] {
            let block = blocks.next().and_then(|rest| rest.split('}').next()).unwrap();
            for (name, RGBColor(red, green, blue)) in
                [("paper", ink.paper), ("ink", ink.ink), ("soft", ink.soft), ("hair", ink.hair), ("band", ink.band)]
            {
                let line = format!("--{name}: #{red:02x}{green:02x}{blue:02x};");
                assert!(block.contains(&line), "{line} is not in the sheet");
            }
        }
    }
}
