//! Which scraped-surface heat exchangers to open at this changeover: the service.
fn main() {}
