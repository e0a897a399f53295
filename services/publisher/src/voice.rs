//! How one reader is told what there is to tell.

use crate::{Display, Text};

/// How one reader is told: in which words, in which units of measure, and in which style of numbers.
#[derive(Debug, Clone, Default)]
pub struct Voice {
    /// How numbers are shown.
    pub display: Display,
    /// The words.
    pub text: Text,
}
