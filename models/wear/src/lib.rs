//! Wear statistics: intervals in, fitted hazard and risk out. No I/O, no clock.
