//! One integration binary over the real parts.
