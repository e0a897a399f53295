//! Exposures from readings, held against handbook arithmetic and against what must not matter.

#[path = "exposure/arrival.rs"]
mod arrival;
#[path = "exposure/events.rs"]
mod events;
#[path = "exposure/excess.rs"]
mod excess;
#[path = "exposure/gaps.rs"]
mod gaps;
#[path = "exposure/laws.rs"]
mod laws;
#[path = "exposure/meters.rs"]
mod meters;
#[path = "exposure/plant.rs"]
mod plant_of_one;
