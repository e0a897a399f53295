//! The text format of OpenMetrics 1.0: metric families, one after the other, and an end.

use std::collections::BTreeSet;
use std::fmt::Write;

/// What kind of family it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A value now.
    Gauge,
    /// A count since the start. Its samples end in `_total`.
    Counter,
    /// One of a fixed set of states, each 0 or 1.
    StateSet,
    /// Text as labels. Its sample ends in `_info`.
    Info,
}

impl Kind {
    const fn word(self) -> &'static str {
        match self {
            Kind::Gauge => "gauge",
            Kind::Counter => "counter",
            Kind::StateSet => "stateset",
            Kind::Info => "info",
        }
    }

    const fn suffix(self) -> &'static str {
        match self {
            Kind::Counter => "_total",
            Kind::Info => "_info",
            Kind::Gauge | Kind::StateSet => "",
        }
    }
}

/// Units of measure that end a family's name and are declared with it.
const UNITS: [&str; 3] = ["seconds", "hours", "ratio"];

/// An exposition that grows by whole families: the format forbids to come back to one.
#[derive(Debug, Default)]
pub(crate) struct Exposition {
    text: String,
}

impl Exposition {
    /// Begins a family. Its unit is read off its name.
    pub(crate) fn family(&mut self, name: &'static str, kind: Kind, help: &str) -> Family<'_> {
        let text = &mut self.text;
        line(text, format_args!("# TYPE {name} {}", kind.word()));
        let unit = UNITS.into_iter().find(|unit| name.strip_suffix(unit).is_some_and(|rest| rest.ends_with('_')));
        if let Some(unit) = unit {
            line(text, format_args!("# UNIT {name} {unit}"));
        }
        line(text, format_args!("# HELP {name} {}", escaped(help)));
        Family { text, name, kind, written: BTreeSet::new() }
    }

    /// The whole text.
    pub(crate) fn end(mut self) -> String {
        self.text.push_str("# EOF\n");
        self.text
    }
}

/// A family under way.
pub(crate) struct Family<'a> {
    text: &'a mut String,
    name: &'static str,
    kind: Kind,
    written: BTreeSet<String>,
}

impl Family<'_> {
    /// One sample. A value that is no number is left out: in a chart a gap says unknown. A series that was written is not
    /// written again: one double series would make the whole text unreadable.
    pub(crate) fn sample(&mut self, labels: &[(&str, &str)], value: f64) {
        let labels: Vec<String> = labels.iter().map(|(name, value)| format!("{name}=\"{}\"", escaped(value))).collect();
        let labels = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        if value.is_finite() && self.written.insert(labels.clone()) {
            line(self.text, format_args!("{}{}{labels} {value}", self.name, self.kind.suffix()));
        }
    }

    /// The states of a set, of which one holds. The label that tells them has the family's own name.
    pub(crate) fn states<'s>(&mut self, labels: &[(&str, &str)], states: impl Iterator<Item = (&'s str, bool)>) {
        for (state, holds) in states {
            let mut labels = labels.to_vec();
            labels.push((self.name, state));
            self.sample(&labels, f64::from(u8::from(holds)));
        }
    }
}

fn line(text: &mut String, words: std::fmt::Arguments<'_>) {
    writeln!(text, "{words}").expect("a String takes every text");
}

/// Backslash, quote and line feed have a meaning of their own in labels and help texts.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_family_reads_as_the_specification_writes_it() {
        let mut text = Exposition::default();
        text.family("a_age_seconds", Kind::Gauge, "How old.").sample(&[("unit", "C-1")], 4.5);
        text.family("a_messages", Kind::Counter, "How many.").sample(&[], 17.0);
        text.family("a_state", Kind::StateSet, "Which.")
            .states(&[("unit", "C-1")], [("up", true), ("down", false)].into_iter());
        text.family("a", Kind::Info, "What.").sample(&[("version", "1")], 1.0);
        // OpenMetrics 1.0: metadata in the order TYPE, UNIT, HELP with the unit as last part of the name; _total and
        // _info; the label of a state named like its family; the end marked.
        assert_eq!(
            text.end(),
            "# TYPE a_age_seconds gauge\n# UNIT a_age_seconds seconds\n# HELP a_age_seconds How old.\n\
             a_age_seconds{unit=\"C-1\"} 4.5\n\
             # TYPE a_messages counter\n# HELP a_messages How many.\na_messages_total 17\n\
             # TYPE a_state stateset\n# HELP a_state Which.\n\
             a_state{unit=\"C-1\",a_state=\"up\"} 1\na_state{unit=\"C-1\",a_state=\"down\"} 0\n\
             # TYPE a info\n# HELP a What.\na_info{version=\"1\"} 1\n# EOF\n"
        );
    }

    #[test]
    fn labels_are_escaped_and_a_series_stands_once() {
        let mut text = Exposition::default();
        let mut family = text.family("a", Kind::Gauge, "A.");
        family.sample(&[("u", "\"\\\n")], 1.0);
        family.sample(&[("u", "\"\\\n")], 2.0);
        family.sample(&[("u", "x")], f64::NAN);
        assert!(text.end().ends_with("A.\na{u=\"\\\"\\\\\\n\"} 1\n# EOF\n"));
    }
}
