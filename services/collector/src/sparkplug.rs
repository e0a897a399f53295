//! Sparkplug B (ISO/IEC 20237, the text of Sparkplug 3.0.0): what nodes and devices report, and what must be remembered of them.
//!
//! A birth names the metrics of a node or device and gives each an alias; data may carry the alias alone. So births are
//! remembered, until the connection breaks: what was missed meanwhile may have been another birth, and a value under the
//! wrong name would be worse than none. Data that names its metrics is taken without a birth.
//!
//! After a death nobody knows what the values are: each signal that the node or device had told gets a reading without
//! a value, just after its last one.

mod address;
mod metric;
mod metrics;
mod nodes;
mod wire;

#[cfg(test)]
mod tests;

pub(crate) use address::{Address, NODE_LEVELS, filter, is_pattern};
pub(crate) use nodes::Nodes;
