//! Who may do what.

use crate::finding::words;

words!(
    /// What a person, or a machine with a token, may do. Each may do what those before it may.
    Role, "role", {
        /// Look.
        Reader = "reader",
        /// Log, correct and withdraw findings.
        Inspector = "inspector",
        /// Say to advice that it was seen, and put it off.
        Operations = "operations",
        /// Approve models too.
        Analyst = "analyst",
        /// Say who may do what.
        Admin = "admin",
    }
);
