//! The parameters of latent wear in words and in units of their own, as `wear` names and scales them.

use plant::{ClockPosition, Term};

use crate::{FittedTerm, Site};

/// A parameter in words.
pub(crate) struct Told {
    pub what: String,
    pub value: String,
}

/// What a parameter of latent wear is and what its value means; `None` for a coefficient of a hazard.
pub(crate) fn told(term: &FittedTerm, site: &Site) -> Option<Told> {
    let (voice, value) = (&site.voice, term.coefficient);
    let factor = || voice.tell("latent-times", &[("factor", &voice.decimal(value.exp(), 2))]);
    // The reader is wrong in half of what the logit says at most: beyond that the grades would be turned round.
    let share = || voice.share(0.5 / (1.0 + (-value).exp()));
    let (what, value) = match term.name.as_str() {
        "level" => (voice.say("latent-level"), voice.decimal(value, 2)),
        "ln_power" => (voice.say("latent-power"), voice.decimal(value.exp(), 2)),
        "ln_tube_sd" => (voice.say("latent-tube-sd"), factor_of(value, site)),
        "ln_life_sd" => (voice.say("latent-life-sd"), factor_of(value, site)),
        "ln_stretch_sd" => (voice.say("latent-stretch-sd"), factor_of(value, site)),
        "ln_place_sd" => (voice.say("latent-place-sd"), factor_of(value, site)),
        "ln_gap_to_visible" => (voice.say("latent-gap-to-visible"), factor_of(value, site)),
        "ln_gap_to_scored" => (voice.say("latent-gap-to-scored"), factor_of(value, site)),
        "ln_blur" => (voice.say("latent-blur"), factor_of(value, site)),
        "logit_station_too_low" => (voice.say("latent-station-too-low"), share()),
        "logit_station_too_high" => (voice.say("latent-station-too-high"), share()),
        "logit_whole_too_low" => (voice.say("latent-whole-too-low"), share()),
        "logit_whole_too_high" => (voice.say("latent-whole-too-high"), share()),
        "ln_catch_um" => (voice.say("latent-catch"), voice.measured(plant::Quantity::Depth, value.exp())),
        "ln_depth_sd" => (voice.say("latent-depth-sd"), factor_of(value, site)),
        name => {
            let what = if let Some(place) = name.strip_prefix("zone_") {
                let zone = place.parse().ok().and_then(|place: usize| site.zones.get(place));
                voice.tell("latent-zone", &[("zone", &zone.map_or(place, |zone| zone.0.as_str()))])
            } else if let Some(place) = name.strip_prefix("clock_") {
                let clock = place.parse().ok().and_then(|place: usize| ClockPosition::ALL.get(place));
                voice.tell("latent-clock", &[("clock", &clock.map_or(place.to_owned(), |clock| voice.clock(*clock)))])
            } else if let Some(place) = name.strip_prefix("surface_") {
                let surface = term.of.as_deref().map_or(place.to_owned(), |surface| voice.surface(surface));
                voice.tell("latent-surface", &[("surface", &surface)])
            } else {
                let exposure = name.strip_prefix("ln_weight_")?;
                let words = exposure.parse().map_or(exposure.to_owned(), |term: Term| term.as_str().replace('_', " "));
                voice.tell("latent-weight", &[("exposure", &words)])
            };
            (what, factor())
        }
    };
    Some(Told { what, value })
}

/// A spread of logarithms of depth or pace, or a step between two, as the factor that it is.
fn factor_of(ln: f64, site: &Site) -> String {
    let voice = &site.voice;
    voice.tell("latent-times", &[("factor", &voice.decimal(ln.exp().exp(), 2))])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parameters_read_in_words_and_in_their_own_units() {
        let site = Site { zones: vec![plant::Zone("drive".to_owned())], ..crate::rank::tests::site() };
        let told = |name: &str, coefficient: f64, of: Option<&str>| {
            let term = FittedTerm { name: name.to_owned(), coefficient, std_error: None, of: of.map(str::to_owned) };
            told(&term, &site).map(|told| (told.what, told.value.replace('\u{a0}', " ")))
        };
        // By hand: e^3.2 = 24.5; 0.5 / (1 + e^3) = 2.4 %; e^0.307 = 1.36; e^(e^-1) = 1.44.
        assert_eq!(told("ln_catch_um", 3.2, None).unwrap().1, "25 µm");
        assert_eq!(told("logit_whole_too_low", -3.0, None).unwrap().1, "2 %");
        let (what, value) = told("surface_2", 0.307, Some("stainless")).unwrap();
        assert!(what.contains("stainless") && value.contains("1.36"), "{what} {value}");
        assert!(told("zone_0", 0.0, None).unwrap().0.contains("drive"));
        assert!(told("ln_tube_sd", -1.0, None).unwrap().1.contains("1.44"));
        assert!(told("excess_work_mj", 0.04, None).is_none());
    }
}
