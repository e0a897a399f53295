//! HTTP, pages and charts: what people and dashboards read.
