//! The inks of the sheet against its papers.

use std::collections::BTreeMap;

use crate::body;

/// The colours of each `:root` block: light, dark, print.
fn palettes(style: &str) -> Vec<BTreeMap<String, [u8; 3]>> {
    let blocks = style.split(":root {").skip(1).map(|rest| rest.split('}').next().unwrap_or_default());
    blocks
        .map(|block| {
            let colours = block.split(';').filter_map(|line| {
                let (name, value) = line.trim().strip_prefix("--")?.split_once(": #")?;
                Some((name.to_owned(), colour(value)))
            });
            colours.collect()
        })
        .collect()
}

fn colour(hex: &str) -> [u8; 3] {
    let digit = |place: usize| u8::from_str_radix(&hex[place..=place], 16).expect("a hexadecimal digit");
    if hex.len() == 3 {
        [0, 1, 2].map(|place| digit(place) * 17)
    } else {
        [0, 2, 4].map(|place| digit(place) * 16 + digit(place + 1))
    }
}

/// WCAG 2.2, definition of relative luminance.
fn luminance(colour: [u8; 3]) -> f64 {
    let [red, green, blue] = colour.map(|part| {
        let part = f64::from(part) / 255.0;
        if part <= 0.04045 { part / 12.92 } else { ((part + 0.055) / 1.055).powf(2.4) }
    });
    0.2126 * red + 0.7152 * green + 0.0722 * blue
}

/// WCAG 2.2, definition of contrast ratio.
fn contrast(a: [u8; 3], b: [u8; 3]) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn the_ratio_of_black_and_white_is_21() {
    // WCAG 2.2: contrast ratios range from 1 to 21; #767676 on white is the usual example of just above 4.5 (from memory: 4.54).
    assert!((contrast([0; 3], [255; 3]) - 21.0).abs() < 1e-9);
    assert!((contrast([0x76; 3], [255; 3]) - 4.54).abs() < 0.01);
}

#[tokio::test]
async fn every_ink_stands_out_from_its_paper() {
    let palettes = palettes(&body("/style.css").await);
    assert_eq!(palettes.len(), 3, "light, dark, print");
    for palette in palettes {
        for paper in ["paper", "tint"] {
            // WCAG 2.2, 1.4.3 (AA): text 4.5 to 1; 1.4.11: parts of pictures 3 to 1.
            for (ink, least) in [("ink", 4.5), ("soft", 4.5), ("link", 4.5), ("band", 3.0)] {
                if (paper, ink) != ("tint", "band") {
                    let ratio = contrast(palette[ink], palette[paper]);
                    assert!(ratio >= least, "{ink} on {paper}: {ratio:.2}, at least {least}");
                }
            }
        }
    }
}
