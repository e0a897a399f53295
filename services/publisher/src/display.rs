//! In which units of measure and in which style of numbers a reader wants what is shown.
//!
//! Only pages and pictures follow it. What programs read keeps the house units and a decimal point.

use plant::{Measure, Quantity};

use crate::form::Form;

/// How numbers are shown. Each key has a few words; [`Display::with`] takes them from the config, a cookie, a form or the
/// address of a chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Display {
    /// In what torques are shown.
    pub torque: TorqueUnit,
    /// In what temperatures are shown.
    pub temperature: TemperatureUnit,
    /// In what lengths and depths are shown.
    pub length: LengthUnit,
    /// What stands before the decimals.
    pub decimal: Decimal,
    /// What stands between thousands.
    pub group: Group,
}

/// A unit of torque.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum TorqueUnit {
    /// N·m
    #[default]
    NewtonMetre,
    /// lbf·in
    PoundForceInch,
}

/// A unit of temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum TemperatureUnit {
    /// °C
    #[default]
    Celsius,
    /// °F
    Fahrenheit,
}

/// A unit of length, and one for what is thin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum LengthUnit {
    /// mm and µm
    #[default]
    Millimetre,
    /// in and mil
    Inch,
}

/// The decimal mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Decimal {
    /// 12.5
    #[default]
    Point,
    /// 12,5
    Comma,
}

/// What stands between thousands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Group {
    /// A narrow space.
    #[default]
    Space,
    /// Nothing.
    None,
    /// Whichever of point and comma is not the decimal mark.
    Mark,
}

/// A key or a word that says nothing of a display.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadDisplay {
    /// The key is none.
    #[error(
        "{0:?} says nothing of how numbers are shown; right would be torque, temperature, length, decimal or group"
    )]
    Key(String),
    /// The word does not go with the key.
    #[error("{key} = {word:?} is not known; right would be {right}")]
    Word {
        /// The key.
        key: &'static str,
        /// What it was given.
        word: String,
        /// The words that it takes.
        right: String,
    },
}

/// The keys of a display.
pub const DISPLAY_KEYS: [&str; 5] = ["torque", "temperature", "length", "decimal", "group"];

impl Display {
    /// The same with one key set. Units of measure may be spelt in any way that the config knows.
    ///
    /// # Errors
    /// [`BadDisplay`] with what would be right.
    pub fn with(self, key: &str, word: &str) -> Result<Display, BadDisplay> {
        let known = DISPLAY_KEYS.into_iter().find(|known| *known == key);
        let key = known.ok_or_else(|| BadDisplay::Key(key.chars().take(40).collect()))?;
        let bad =
            || BadDisplay::Word { key, word: word.chars().take(40).collect(), right: Display::words(key).join(" or ") };
        let unit = |quantity| Measure::parse(word, quantity).map(|measure| measure.name()).unwrap_or_default();
        let mut shown = self;
        match (key, word) {
            ("torque", _) => shown.torque = TorqueUnit::named(unit(Quantity::Torque)).ok_or_else(bad)?,
            ("temperature", _) => {
                shown.temperature = TemperatureUnit::named(unit(Quantity::Temperature)).ok_or_else(bad)?;
            }
            ("length", "mm") => shown.length = LengthUnit::Millimetre,
            ("length", "in") => shown.length = LengthUnit::Inch,
            ("decimal", _) => shown.decimal = Decimal::named(word).ok_or_else(bad)?,
            ("group", "space") => shown.group = Group::Space,
            ("group", "none") => shown.group = Group::None,
            ("group", "mark") => shown.group = Group::Mark,
            _ => return Err(bad()),
        }
        Ok(shown)
    }

    /// The words that a key takes, as this service writes them.
    pub(crate) fn words(key: &str) -> &'static [&'static str] {
        match key {
            "torque" => &["Nm", "lbf.in"],
            "temperature" => &["C", "F"],
            "length" => &["mm", "in"],
            "decimal" => &["point", "comma"],
            "group" => &["space", "none", "mark"],
            _ => &[],
        }
    }

    /// The word of a key.
    pub(crate) fn word(self, key: &str) -> &'static str {
        let place = match key {
            "torque" => self.torque as usize,
            "temperature" => self.temperature as usize,
            "length" => self.length as usize,
            "decimal" => self.decimal as usize,
            _ => self.group as usize,
        };
        Display::words(key).get(place).copied().unwrap_or_default()
    }

    /// All of it in one line: `torque=Nm&temperature=C&length=mm&decimal=point&group=space`.
    pub(crate) fn line(self) -> String {
        DISPLAY_KEYS.map(|key| format!("{key}={}", self.word(key))).join("&")
    }

    /// This display with what a line says otherwise. What it says that is not known changes nothing: it is what a browser
    /// has kept, and nobody could mend it there.
    pub(crate) fn with_line(self, line: &str) -> Display {
        let told = Form::read(line.as_bytes());
        told.fields().fold(self, |shown, (key, word)| shown.with(key, word).unwrap_or(shown))
    }

    /// The unit of measure in which a quantity is shown.
    pub(crate) fn measure(self, quantity: Quantity) -> Measure {
        let name = match quantity {
            Quantity::Torque if self.torque == TorqueUnit::PoundForceInch => "lbf·in",
            Quantity::Temperature if self.temperature == TemperatureUnit::Fahrenheit => "°F",
            Quantity::Length if self.length == LengthUnit::Inch => "in",
            Quantity::Depth if self.length == LengthUnit::Inch => "mil",
            _ => return Measure::house(quantity),
        };
        Measure::parse(name, quantity).expect("the names above stand in the table of measures: a test asks for each")
    }
}

impl TorqueUnit {
    fn named(name: &str) -> Option<Self> {
        match name {
            "N·m" => Some(TorqueUnit::NewtonMetre),
            "lbf·in" => Some(TorqueUnit::PoundForceInch),
            _ => None,
        }
    }
}

impl TemperatureUnit {
    fn named(name: &str) -> Option<Self> {
        match name {
            "°C" => Some(TemperatureUnit::Celsius),
            "°F" => Some(TemperatureUnit::Fahrenheit),
            _ => None,
        }
    }
}

impl Decimal {
    /// The style of a word, `point` or `comma`.
    pub(crate) fn named(word: &str) -> Option<Self> {
        match word {
            "point" => Some(Decimal::Point),
            "comma" => Some(Decimal::Comma),
            _ => None,
        }
    }

    /// Its word.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Decimal::Point => "point",
            Decimal::Comma => "comma",
        }
    }

    /// The mark.
    pub(crate) const fn mark(self) -> char {
        match self {
            Decimal::Point => '.',
            Decimal::Comma => ',',
        }
    }

    /// The mark that is not used for decimals.
    pub(crate) const fn other(self) -> char {
        match self {
            Decimal::Point => ',',
            Decimal::Comma => '.',
        }
    }

    /// A number as somebody typed it in this style, thousands set apart by spaces or not at all, and by the other mark where the
    /// reader's numbers are shown so: then it stands before each three digits. Elsewhere that mark is refused:
    /// `1.234` is a thousand to some and one and a bit to others.
    ///
    /// # Errors
    /// What would be right.
    pub(crate) fn read(self, group: Group, text: &str) -> Result<f64, String> {
        let refused = |why: &str| {
            let text: String = text.chars().take(40).collect();
            let mark = self.mark();
            format!("{text:?} {why}; right would be a number such as 1250{mark}5 or 1 250{mark}5")
        };
        let text = text.trim();
        let by_mark = text.contains(self.other());
        let between: &[char] = if by_mark { &[self.other()] } else { &[' ', '\u{a0}', '\u{202f}'] };
        let groups: Vec<&str> = text.split(between).collect();
        let digits = |group: &str| group.split(self.mark()).next().map_or(0, str::len);
        let first = groups[0].trim_start_matches(['+', '-']);
        let apart = groups.iter().skip(1).all(|group| digits(group) == 3)
            && (groups.len() == 1 || (1..=3).contains(&first.len()));
        // No thousands begin with nought: 0.125 is what the other style writes.
        let apart = apart && !(by_mark && first.starts_with('0'));
        if by_mark && !(group == Group::Mark && apart) {
            let why = match (self, group) {
                (Decimal::Point, Group::Mark) => {
                    "has a comma that sets no thousands apart, and decimals are written with a point here"
                }
                (Decimal::Comma, Group::Mark) => {
                    "has a point that sets no thousands apart, and decimals are written with a comma here"
                }
                (Decimal::Point, _) => "has a comma, and decimals are written with a point here",
                (Decimal::Comma, _) => "has a point, and decimals are written with a comma here",
            };
            return Err(refused(why));
        }
        let whole = groups.iter().rev().skip(1).all(|group| !group.contains(self.mark()));
        let number = groups.concat().replace(self.mark(), ".").parse::<f64>();
        number.ok().filter(|number| apart && whole && number.is_finite()).ok_or_else(|| refused("is no number"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_is_taken_and_comes_back_the_same() {
        for key in DISPLAY_KEYS {
            for word in Display::words(key) {
                let shown = Display::default().with(key, word).unwrap();
                assert_eq!(shown.word(key), *word);
                assert_eq!(Display::default().with_line(&shown.line()), shown);
                for quantity in [Quantity::Torque, Quantity::Temperature, Quantity::Length, Quantity::Depth] {
                    shown.measure(quantity);
                }
            }
        }
        let config = Display::default().with("torque", "lbf·in").unwrap().with("temperature", "°F").unwrap();
        assert_eq!(config, Display::default().with_line("torque=lbf.in&temperature=F"));
    }

    #[test]
    fn nonsense_is_refused_with_what_would_be_right_and_forgiven_in_a_line() {
        let refused = Display::default().with("torque", "furlong").unwrap_err().to_string();
        assert_eq!(refused, "torque = \"furlong\" is not known; right would be Nm or lbf.in");
        // kN·m is a torque, and none in which anybody asked to read one.
        assert!(Display::default().with("torque", "kN·m").is_err());
        assert!(Display::default().with("colour", "red").unwrap_err().to_string().contains("torque, temperature"));
        let line = "torque=furlong&length=in&&=&decimal=%ff&group";
        assert_eq!(Display::default().with_line(line), Display::default().with("length", "in").unwrap());
    }

    #[test]
    fn a_number_is_read_in_its_own_style_and_never_in_the_other() {
        let (point, comma) = (Decimal::Point, Decimal::Comma);
        let read = |style: Decimal, text: &str| style.read(Group::Space, text);
        assert_eq!(read(point, " 1234.5 "), Ok(1234.5));
        assert_eq!(read(comma, "1234,5"), Ok(1234.5));
        assert_eq!(read(comma, "1 234\u{202f}567,25"), Ok(1_234_567.25));
        assert_eq!(read(point, "12\u{a0}500"), Ok(12_500.0));
        assert_eq!(read(comma, "0"), Ok(0.0));
        // A thousand to some, one and a bit to others: no guess is made.
        for (style, text) in [(comma, "1.234"), (point, "1,234"), (comma, "1.234,5"), (point, "1,234.5")] {
            let why = read(style, text).unwrap_err();
            assert!(why.contains("right would be a number such as 1250"), "{why}");
        }
        for text in ["", "1 23", "12 34", "1,5,5", "1,5 000", "twelve", "inf", "NaN", "1 2345", "1234 567", "- 5"] {
            assert!(read(comma, text).is_err(), "{text:?}");
        }
    }

    /// ISO 80000-1:2022, 7.2 (from memory): groups of three, counted from the decimal mark.
    #[test]
    fn thousands_are_read_as_they_are_shown_where_the_mark_stands_before_each_three_digits() {
        for line in ["decimal=comma&group=mark", "group=mark", "decimal=comma", "group=none"] {
            let display = Display::default().with_line(line);
            let voice = crate::Voice { display, ..crate::Voice::default() };
            for number in [0.5, 2.0, 999.25, 2_000.0, 12_500.5, 1_234_567.0] {
                assert_eq!(display.decimal.read(display.group, &voice.exact(number)), Ok(number), "{line}");
            }
        }
        for text in
            ["2.00", "2.0000", "1234.567", "0.125", "00.125", ".500", "1.234.56", "1.234 567", "1,5.000", "-.500"]
        {
            let why = Decimal::Comma.read(Group::Mark, text).unwrap_err();
            assert!(why.contains("right would be a number such as 1250,5"), "{text}: {why}");
        }
    }
}
