//! Exposures from readings, held against handbook arithmetic and against what must not matter.

#[cfg(test)]
#[path = "exposure/arrival.rs"]
mod arrival;
#[cfg(test)]
#[path = "exposure/events.rs"]
mod events;
#[cfg(test)]
#[path = "exposure/excess.rs"]
mod excess;
#[cfg(test)]
#[path = "exposure/gaps.rs"]
mod gaps;
#[cfg(test)]
#[path = "exposure/laws.rs"]
mod laws;
#[cfg(test)]
#[path = "exposure/meters.rs"]
mod meters;
#[cfg(test)]
#[path = "exposure/plant.rs"]
mod plant_of_one;
