//! Sparkplug topics: `spBv1.0/group/type/node`, and `/device` behind it (ISO/IEC 20237, Sparkplug 3.0.0, 4.1).

use crate::pattern::Pattern;

const NAMESPACE: &str = "spBv1.0";
const TYPE_LEVEL: usize = 2;
/// Levels of a node's topic.
pub(crate) const NODE_LEVELS: usize = 4;

/// What a message is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Birth,
    Death,
    Data,
    /// Sent to the node, our own requests among them.
    Command,
}

/// Whose message it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Address<'t> {
    pub(crate) topic: &'t str,
    pub(super) kind: Kind,
    pub(super) group: &'t str,
    pub(super) node: &'t str,
    pub(crate) device: Option<&'t str>,
}

impl<'t> Address<'t> {
    /// `None` if it is no topic of a node or a device.
    pub(crate) fn parse(topic: &'t str) -> Option<Self> {
        let mut levels = topic.strip_prefix(NAMESPACE)?.strip_prefix('/')?.split('/');
        let (group, kind, node, device) = (levels.next()?, levels.next()?, levels.next()?, levels.next());
        let kind = match (kind, device) {
            ("NBIRTH", None) | ("DBIRTH", Some(_)) => Kind::Birth,
            ("NDEATH", None) | ("DDEATH", Some(_)) => Kind::Death,
            ("NDATA", None) | ("DDATA", Some(_)) => Kind::Data,
            ("NCMD", None) | ("DCMD", Some(_)) => Kind::Command,
            _ => return None,
        };
        levels.next().is_none().then_some(Self { topic, kind, group, node, device })
    }

    /// The topic without the device.
    pub(crate) fn of_node(&self) -> &'t str {
        match self.device {
            Some(device) => &self.topic[..self.topic.len() - device.len() - 1],
            None => self.topic,
        }
    }

    /// Whether it belongs to a node of this pattern.
    pub(crate) fn is_below(&self, node: &Pattern) -> bool {
        node.take(self.of_node()).is_some()
    }

    /// The longest of its names, bytes.
    pub(super) fn longest_name(&self) -> usize {
        self.group.len().max(self.node.len()).max(self.device.map_or(0, str::len))
    }
}

/// Whether a pattern takes every type of message of a node or a device.
pub(crate) fn is_pattern(pattern: &Pattern) -> bool {
    (NODE_LEVELS..=NODE_LEVELS + 1).contains(&pattern.depth())
        && pattern.exact_level(0) == Some(NAMESPACE)
        && pattern.is_open(TYPE_LEVEL)
}

/// The filter that brings all that a node sends: its deaths speak for its devices too, and its messages are counted
/// over all of them.
pub(crate) fn filter(pattern: &Pattern) -> String {
    let filter = pattern.filter();
    let levels: Vec<&str> = filter.split('/').take(NODE_LEVELS).collect();
    format!("{}/#", levels.join("/"))
}
