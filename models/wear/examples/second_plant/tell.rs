//! A plant as JSON, for programs that make files of it and hold a whole service against its truth.

use serde_json::{Value, json};

use crate::plant::{MONTHS_18_H, Plant};
use crate::rivals::Foretold;

/// What was run, fitted and read, and per look what is true and what hours alone, latent wear and the oracle say of it.
pub fn tell(plant: &Plant, foretold: &[Foretold], oracle: &[f64]) -> Value {
    let campaigns: Vec<Vec<Value>> = plant
        .units
        .iter()
        .map(|campaigns| {
            let within = campaigns.iter().filter(|campaign| campaign.begins_h <= MONTHS_18_H);
            let one = within.map(|c| {
                json!({"begins_h": c.begins_h, "run_h": c.run_h, "blind_h": c.blind_h, "product": c.product, "seen": c.seen})
            });
            one.collect()
        })
        .collect();
    let fittings: Vec<Value> = plant
        .fittings
        .iter()
        .map(|f| json!({"tube": f.tube, "unit": f.unit, "from_h": f.from_h, "to_h": f.to_h}))
        .collect();
    let looks: Vec<Value> = plant
        .tubes
        .iter()
        .enumerate()
        .flat_map(|(tube, of)| of.lives.iter().flatten().map(move |look| (tube, look)))
        .map(|(tube, look)| {
            json!({"tube": tube, "unit": look.unit, "at_h": look.at_h, "stations": look.stations,
                "depths_um": look.depths_um, "whole": look.whole, "ends_life": look.ends_life})
        })
        .collect();
    let truth: Vec<Value> = foretold
        .iter()
        .zip(oracle)
        .map(|(look, oracle)| {
            json!({"tube": look.tube, "at_h": look.at_h, "outcome": look.outcome, "hours_only": look.hours_only,
                "published": look.published, "oracle": oracle})
        })
        .collect();
    let surfaces: Vec<usize> = plant.tubes.iter().map(|tube| tube.surface).collect();
    json!({"surfaces": surfaces, "campaigns": campaigns, "fittings": fittings, "looks": looks, "truth": truth})
}
