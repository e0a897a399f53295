//! The durable record: journal, register, findings, campaigns, models, scores.
