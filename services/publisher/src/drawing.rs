//! A sheet to draw on: what all charts share.

use plotters::coord::Shift;
use plotters::element::{DashedPathElement, PathElement, Polygon, Rectangle};
use plotters::prelude::{DrawingArea, DrawingAreaErrorKind, IntoDrawingArea, IntoFont, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontStyle, RGBColor, ShapeStyle, TextStyle};

use crate::ink::Ink;
use crate::lettering::{self, SANS, SERIF, drawable, xml};

/// Why a chart could not be drawn.
pub(crate) type DrawError = DrawingAreaErrorKind<std::io::Error>;

/// How a line of text is set.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hand {
    pub size_px: u32,
    pub bold: bool,
    pub serif: bool,
    pub colour: RGBColor,
}

impl Hand {
    pub(crate) const fn plain(size_px: u32, colour: RGBColor) -> Self {
        Hand { size_px, bold: false, serif: false, colour }
    }

    pub(crate) const fn bold(size_px: u32, colour: RGBColor) -> Self {
        Hand { size_px, bold: true, serif: false, colour }
    }

    pub(crate) const fn title(size_px: u32, colour: RGBColor) -> Self {
        Hand { size_px, bold: true, serif: true, colour }
    }

    /// From one line to the next, px.
    pub(crate) fn lead(self) -> i32 {
        (self.size_px as f64 * 1.35).round() as i32
    }
}

/// Where a line of text is held.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Held {
    Left,
    Middle,
    Right,
}

/// The sheet under way.
pub(crate) struct Sheet<'b> {
    area: DrawingArea<SVGBackend<'b>, Shift>,
}

impl Sheet<'_> {
    /// One line, its top at `y`.
    pub(crate) fn line_of_text(&self, text: &str, x: i32, y: i32, held: Held, hand: Hand) -> Result<(), DrawError> {
        let held = match held {
            Held::Left => HPos::Left,
            Held::Middle => HPos::Center,
            Held::Right => HPos::Right,
        };
        let style = if hand.bold { FontStyle::Bold } else { FontStyle::Normal };
        // The library writes the size of a font divided by this.
        let size = f64::from(hand.size_px) * 1.24;
        let font = (if hand.serif { SERIF } else { SANS }, size, style).into_font();
        let style = TextStyle::from(font).color(&hand.colour).pos(Pos::new(held, VPos::Top));
        self.area.draw_text(&drawable(text), &style, (x, y))
    }

    /// A straight line.
    pub(crate) fn rule(
        &self,
        from: (i32, i32),
        to: (i32, i32),
        width_px: u32,
        colour: RGBColor,
    ) -> Result<(), DrawError> {
        self.path(&[from, to], width_px, colour)
    }

    /// A line through points.
    pub(crate) fn path(&self, points: &[(i32, i32)], width_px: u32, colour: RGBColor) -> Result<(), DrawError> {
        self.area.draw(&PathElement::new(points.to_vec(), ShapeStyle::from(&colour).stroke_width(width_px)))
    }

    /// The edge of a rectangle.
    pub(crate) fn frame(
        &self,
        (left, top): (i32, i32),
        (right, bottom): (i32, i32),
        width_px: u32,
        colour: RGBColor,
    ) -> Result<(), DrawError> {
        let corners = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
        self.path(&corners, width_px, colour)
    }

    /// A dashed line through points.
    pub(crate) fn dashes(&self, points: &[(i32, i32)], width_px: u32, colour: RGBColor) -> Result<(), DrawError> {
        let style = ShapeStyle::from(&colour).stroke_width(width_px);
        self.area.draw(&DashedPathElement::new(points.to_vec(), 6, 4, style))
    }

    /// A filled shape.
    pub(crate) fn shape(&self, points: &[(i32, i32)], colour: RGBColor) -> Result<(), DrawError> {
        self.area.draw(&Polygon::new(points.to_vec(), colour.filled()))
    }

    /// A filled rectangle.
    pub(crate) fn block(&self, from: (i32, i32), to: (i32, i32), colour: RGBColor) -> Result<(), DrawError> {
        self.area.draw(&Rectangle::new([from, to], colour.filled()))
    }
}

/// Lines set one under the other, down to a floor.
pub(crate) struct Column<'s, 'b> {
    pub sheet: &'s Sheet<'b>,
    pub left: i32,
    pub width: i32,
    /// Top of the next line.
    pub y: i32,
    /// No line reaches below it.
    pub floor: i32,
}

impl Column<'_, '_> {
    /// Sets a text in as many lines as it takes; what does not fit any more is cut, with a mark that says so.
    pub(crate) fn set(&mut self, text: &str, hand: Hand) -> Result<(), DrawError> {
        // Bold letters are wider.
        let room = if hand.bold { self.width * 7 / 8 } else { self.width };
        let lines = lettering::lines(text, hand.size_px, room);
        let fit = ((self.floor - self.y).max(0) / hand.lead()) as usize;
        for (place, line) in lines.iter().take(fit).enumerate() {
            let cut = place + 1 == fit && lines.len() > fit;
            let line = if cut { format!("{} …", line.trim_end_matches(['.', ',', ';'])) } else { line.clone() };
            self.sheet.line_of_text(&line, self.left, self.y, Held::Left, hand)?;
            self.y += hand.lead();
        }
        Ok(())
    }

    /// Leaves some room.
    pub(crate) fn skip(&mut self, px: i32) {
        self.y += px;
    }
}

/// What a picture says to who does not see it.
pub(crate) struct Spoken {
    pub title: String,
    pub description: String,
}

/// Draws a whole SVG document: paper, drawing, and what it says in words.
pub(crate) fn document(
    size: (u32, u32),
    ink: Ink,
    spoken: &Spoken,
    draw: impl FnOnce(&Sheet<'_>) -> Result<(), DrawError>,
) -> Result<String, DrawError> {
    let svg = drawn(size, |sheet| {
        sheet.area.fill(&ink.paper)?;
        draw(sheet)
    })?;
    Ok(named(&svg, "", ("name", "words"), spoken))
}

/// Draws a picture to stand in the markup of a page, on the page's own paper: its inks follow those of the sheet. `name`
/// tells its ids apart from those of the page's other pictures.
pub(crate) fn figure(
    name: &str,
    size: (u32, u32),
    spoken: &Spoken,
    draw: impl FnOnce(&Sheet<'_>) -> Result<(), DrawError>,
) -> Result<String, DrawError> {
    let ids = (format!("{name}-name"), format!("{name}-words"));
    Ok(named(&drawn(size, draw)?, " class=\"plot\"", (&ids.0, &ids.1), spoken))
}

fn drawn(size: (u32, u32), draw: impl FnOnce(&Sheet<'_>) -> Result<(), DrawError>) -> Result<String, DrawError> {
    let mut svg = String::new();
    let sheet = Sheet { area: SVGBackend::with_string(&mut svg, size).into_drawing_area() };
    draw(&sheet)?;
    sheet.area.present()?;
    drop(sheet);
    Ok(svg)
}

/// The library writes neither a name nor a role: both go right behind and into the opening tag.
fn named(svg: &str, class: &str, (name, words): (&str, &str), spoken: &Spoken) -> String {
    let opening = format!(
        "{class} role=\"img\" aria-labelledby=\"{name} {words}\">\n<title id=\"{name}\">{}</title>\n<desc id=\"{words}\">{}</desc>",
        xml(&spoken.title),
        xml(&spoken.description)
    );
    svg.replacen('>', &opening, 1)
}
