//! The file of a translation.

use std::path::Path;

use publisher::Text;

use super::check::Checker;
use super::place::Place;

/// The words of pages, and the keys that the translation leaves out; English without one.
pub fn text(checker: &mut Checker<'_>, file: Option<&Path>, folder: &Path, place: &Place) -> (Text, Vec<&'static str>) {
    let Some(file) = file else { return (Text::default(), Vec::new()) };
    let path = folder.join(file);
    let source = std::fs::read_to_string(&path).map_err(|error| format!("{} cannot be read: {error}", path.display()));
    let Some(source) = checker.take(place, source) else { return (Text::default(), Vec::new()) };
    Text::read(&source).unwrap_or_else(|wrong| {
        wrong.iter().for_each(|bad| checker.refuse_in(&path, bad.line, &bad.key, &bad.problem));
        (Text::default(), Vec::new())
    })
}
