//! Readings to Parquet by day, and from there to exposures.
