//! Where a key stands in the file, so that a problem found later can still name its line.

use toml::de::{DeTable, DeValue};

/// One step into a document: a key, or a position in an array.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// A key of a table.
    Key(String),
    /// A position in an array, from 0.
    At(usize),
}

/// A path into the document, written like `units.C1.bore_mm` or `topics[2].signal`.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Place(Vec<Step>);

impl Place {
    /// The path of what stands at a byte of a document; the root where no key or value does.
    pub fn of_byte(text: &str, byte: usize) -> Place {
        fn within(value: &DeValue<'_>, byte: usize) -> Option<Vec<Step>> {
            let deeper = |step: Step, mut below: Vec<Step>| {
                below.insert(0, step);
                below
            };
            match value {
                DeValue::Table(table) => table.iter().find_map(|(name, value)| {
                    let here = || name.span().contains(&byte) || value.span().contains(&byte);
                    let below = within(value.get_ref(), byte).or_else(|| here().then(Vec::new))?;
                    Some(deeper(Step::Key(name.get_ref().to_string()), below))
                }),
                DeValue::Array(array) => array.iter().enumerate().find_map(|(position, value)| {
                    let here = || value.span().contains(&byte).then(Vec::new);
                    Some(deeper(Step::At(position), within(value.get_ref(), byte).or_else(here)?))
                }),
                _ => None,
            }
        }
        let document = DeTable::parse(text).map(|document| DeValue::Table(document.into_inner()));
        Place(document.ok().and_then(|document| within(&document, byte)).unwrap_or_default())
    }

    /// The path one key deeper.
    pub fn key(&self, key: &str) -> Place {
        self.with(Step::Key(key.to_owned()))
    }

    /// The path one array position deeper.
    pub fn at(&self, position: usize) -> Place {
        self.with(Step::At(position))
    }

    fn with(&self, step: Step) -> Place {
        Place(self.0.iter().cloned().chain([step]).collect())
    }

    /// The line of this path in a document, or of the nearest part of it that is there.
    pub fn line(&self, text: &str) -> usize {
        line_of(text, self.find(text).1)
    }

    /// Whether all of this path stands in a document.
    pub fn stands_in(&self, text: &str) -> bool {
        self.find(text).0 == self.0.len()
    }

    /// How many steps of the path are there, and the byte at which the last of them begins.
    fn find(&self, text: &str) -> (usize, usize) {
        let Ok(document) = DeTable::parse(text) else { return (0, 0) };
        let mut found = (0, 0);
        let mut table = Some(document.get_ref());
        let mut array = None;
        for step in &self.0 {
            let next = match step {
                Step::Key(key) => table
                    .and_then(|table| table.iter().find(|(name, _)| name.get_ref().as_ref() == key.as_str()))
                    .map(|(name, value)| (name.span().start, value.get_ref())),
                Step::At(position) => array
                    .and_then(|array: &toml::de::DeArray| array.get(*position))
                    .map(|value| (value.span().start, value.get_ref())),
            };
            let Some((start, value)) = next else { break };
            found = (found.0 + 1, start);
            (table, array) = match value {
                DeValue::Table(table) => (Some(table), None),
                DeValue::Array(array) => (None, Some(array)),
                _ => (None, None),
            };
        }
        found
    }
}

/// The line of a byte offset, counted from 1.
pub fn line_of(text: &str, offset: usize) -> usize {
    text.as_bytes().iter().take(offset).filter(|byte| **byte == b'\n').count() + 1
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (position, step) in self.0.iter().enumerate() {
            match step {
                Step::Key(key) if position > 0 => write!(f, ".{key}")?,
                Step::Key(key) => f.write_str(key)?,
                Step::At(at) => write!(f, "[{at}]")?,
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_finds_its_line_or_the_nearest_one() {
        let text = "[site]\nname = \"x\"\n\n[[topics]]\ntopic = \"a\"\n[[topics]]\ntopic = \"b\"\n";
        let topics = Place::default().key("topics").at(1);
        assert_eq!(topics.key("topic").line(text), 7);
        assert_eq!(topics.key("signal").line(text), 6);
        assert_eq!(topics.key("topic").to_string(), "topics[1].topic");
        assert_eq!(Place::default().key("broker").line(text), 1);
    }

    #[test]
    fn a_byte_finds_the_path_of_what_stands_there() {
        let text = "[costs]\nopen = 3000\n[[topics]]\n[[topics]]\nparts = [{ a = 1 }, { b = 2 }]\n";
        for (there, path) in [
            ("3000", "costs.open"),
            ("open", "costs.open"),
            ("b = 2", "topics[1].parts[1].b"),
            ("2 }", "topics[1].parts[1].b"),
        ] {
            assert_eq!(Place::of_byte(text, text.find(there).unwrap()).to_string(), path);
        }
        assert_eq!(Place::of_byte(text, 1000).to_string(), "");
        assert_eq!(Place::of_byte("no toml", 1).to_string(), "");
    }
}
