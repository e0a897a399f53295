//! What made the wear since the last look, as bars that add up.

use plant::{Driver, Score};

use crate::{Site, Voice};

/// What a driver did in one line: `2.1 h of dry running, like 306 h of plain running`.
pub(crate) fn line(driver: &Driver, voice: &Voice) -> String {
    let hours = voice.hours(driver.hours_equivalent.abs());
    if driver.name == "run_h" {
        voice.tell("driver-running", &[("hours", &hours)])
    } else if driver.hours_equivalent < 0.0 {
        voice.tell("driver-spared", &[("what", &driver.text), ("hours", &hours)])
    } else {
        voice.tell("driver-wore", &[("what", &driver.text), ("hours", &hours)])
    }
}

/// One driver, ready to be set.
#[derive(Debug)]
pub(crate) struct DriverBar {
    /// What it means.
    pub text: String,
    /// Its name in the data.
    pub name: String,
    /// Run hours that would have done the same.
    pub hours: String,
    /// Where the bar begins, percent of the axis.
    pub from_pc: String,
    /// How long it is, percent of the axis.
    pub width_pc: String,
}

/// Drivers as bars on one axis of hours, in the order given. A driver that spared the wall reaches left of the zero.
pub(crate) fn bars(drivers: &[Driver], voice: &Voice) -> Vec<DriverBar> {
    let finite = |driver: &Driver| if driver.hours_equivalent.is_finite() { driver.hours_equivalent } else { 0.0 };
    let lowest = drivers.iter().map(finite).fold(0.0, f64::min);
    let highest = drivers.iter().map(finite).fold(0.0, f64::max);
    let axis = if highest > lowest { highest - lowest } else { 1.0 };
    let place = |h: f64| format!("{:.1}", h / axis * 100.0);
    drivers
        .iter()
        .map(|driver| DriverBar {
            text: driver.text.clone(),
            name: driver.name.clone(),
            hours: voice.hours(driver.hours_equivalent),
            from_pc: place(finite(driver).min(0.0) - lowest),
            width_pc: place(finite(driver).abs()),
        })
        .collect()
}

/// What wore most besides plain running, in a sentence; `None` if nothing did or shares have no meaning.
pub(crate) fn greatest(score: &Score, site: &Site) -> Option<String> {
    let (all, voice) = (score.equivalent_h, &site.voice);
    let sums = score.drivers.iter().all(|driver| driver.hours_equivalent >= 0.0) && all > 0.0 && all.is_finite();
    let driver = score.drivers.iter().filter(|driver| driver.name != "run_h" && sums).max_by(|a, b| {
        let hours = |driver: &Driver| driver.hours_equivalent;
        hours(a).total_cmp(&hours(b))
    })?;
    let part = driver.hours_equivalent / all;
    let since = score.last_look_at.map_or_else(|| voice.say("drivers-life-began"), |at| site.day(at));
    (part >= 0.01).then(|| {
        voice.tell("drivers-greatest", &[("share", &voice.share(part)), ("since", &since), ("what", &driver.text)])
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn driver(name: &str, hours_equivalent: f64) -> Driver {
        Driver { name: name.to_owned(), hours_equivalent, text: name.to_owned() }
    }

    #[test]
    fn a_driver_reads_in_one_line_and_its_two_amounts_apart() {
        let told = |name: &str, hours: f64, text: &str| {
            let driver = Driver { name: name.to_owned(), hours_equivalent: hours, text: text.to_owned() };
            line(&driver, &Voice::default()).replace('\u{a0}', " ")
        };
        assert_eq!(told("dry_h", 306.2, "2.1 h of dry running"), "2.1 h of dry running, like 306 h of plain running");
        assert_eq!(told("run_h", 0.7, "running itself"), "0.7 h of running itself");
        assert_eq!(told("dry_h", -0.01, "no dry running"), "no dry running, which spared under 0.1 h of plain running");
    }

    #[test]
    fn bars_share_one_axis_and_a_sparing_driver_reaches_left() {
        let bars = bars(&[driver("a", 300.0), driver("b", 150.0), driver("c", -100.0)], &Voice::default());
        let geometry: Vec<_> = bars.iter().map(|bar| (bar.from_pc.as_str(), bar.width_pc.as_str())).collect();
        assert_eq!(geometry, [("25.0", "75.0"), ("25.0", "37.5"), ("0.0", "25.0")]);
    }
}
