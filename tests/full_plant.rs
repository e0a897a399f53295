//! A running service with something of everything to show: a tube in each standing, signals, faults, a model, plans.

use std::fmt::Write;

use jiff::SignedDuration;
use plant::{Clock, SystemClock};

use crate::broker::{Broker, Kind, wait_for};
use crate::plant_files::PlantFiles;
use crate::service::{Service, done, with_password};

/// The zone in which the pages speak, from `config/plant.toml`.
pub const ZONE: &str = "Europe/Amsterdam";

/// A service that others look at; all of it ends with the value.
pub struct FullPlant {
    /// The service, ready and evaluated.
    pub service: Service,
    _broker: Broker,
    files: PlantFiles,
}

impl FullPlant {
    /// Writes the plant down, takes it in, has a model approved, and starts the service.
    pub fn start() -> FullPlant {
        FullPlant::speaking("", "")
    }

    /// The same with pages in the words of a file of texts, unless it is empty, and with lines of `[site.display]`.
    pub fn speaking(texts: &str, display: &str) -> FullPlant {
        let now = SystemClock.now();
        let broker = Broker::start(Kind::Mosquitto);
        let files = PlantFiles::new(broker.port, now);
        let config = files.config.to_str().unwrap();
        let ago = |hours: i64| now - SignedDuration::from_hours(hours);
        let mut text = std::fs::read_to_string(config).unwrap();
        // K4 has no tube; K5 and K6 have one and were never heard, so that all their hours are blind.
        if !texts.is_empty() {
            std::fs::write(files.path("pages.ftl"), texts).unwrap();
            text = text.replacen("[site]\n", "[site]\ntext = \"pages.ftl\"\n", 1);
        }
        text = text.replacen("[site.display]\n", &format!("[site.display]\n{display}"), 1);
        text.push_str("\n[units.K4]\n[units.K5]\n[units.K6]\n");
        std::fs::write(config, text).unwrap();

        // The last looks into K1 and K2 lie some weeks back, and of K1's hours since then some are blind.
        let without = |name: &str, what: &dyn Fn(&str) -> bool, hours: i64| {
            let text = std::fs::read_to_string(files.path(name)).unwrap();
            let since = ago(hours).to_string();
            let kept = text.lines().filter(|row| !what(row) || row.split(',').next().is_some_and(|at| *at < *since));
            std::fs::write(files.path(name), kept.fold(String::new(), |text, row| text + row + "\n")).unwrap();
        };
        let of_two = |row: &str| row.contains("T-K1") || row.contains("T-K2");
        without("findings.csv", &of_two, 20 * 24);
        without("work.csv", &of_two, 20 * 24);
        without("history.csv", &|row| row.contains("K1,torque"), 3 * 24);

        let more = |name: &str, head: &str, rows: &[String]| {
            let mut text = std::fs::read_to_string(files.path(name)).unwrap();
            assert!(text.starts_with(head), "{name} does not begin with {head}");
            rows.iter().for_each(|row| writeln!(text, "{row}").unwrap());
            std::fs::write(files.path(name), text).unwrap();
        };
        let tubes = ["T-K5,stainless,152.4,", "T 6 ö,hard_chrome,152.4,400", "T-shelf,nitrided,152.4,"];
        more("tubes.csv", "tube,surface,bore_mm,run_h_before", &tubes.map(str::to_owned));
        let fitted = ["T-K5,K5", "T 6 ö,K6"].map(|tube| format!("{tube},{},", ago(2400)));
        more("fittings.csv", "tube,unit,from,to", &fitted);
        let findings = [format!("{},T-K3,2,nail,A. Marsh", ago(2)), format!("{},T-K5,1,nail,A. Marsh", ago(48))];
        more("findings.csv", "at,tube,grade,method,inspector", &findings);
        let flake = format!("at,tube,grade,zone,clock,kind\n{},T 6 ö,4,far,6,flake\n", ago(30));
        std::fs::write(files.path("flake.csv"), flake).unwrap();
        let (stop, end) = (now + SignedDuration::from_hours(126), now + SignedDuration::from_hours(400));
        more("campaigns.csv", "unit,from,to,product,planned", &[format!("K1,{stop},{end},caramel,yes")]);

        let import = |what: &str, names: &[&str]| {
            let paths: Vec<String> = names.iter().map(|name| files.path(name)).collect();
            let words =
                ["import", what].into_iter().chain(paths.iter().map(String::as_str)).chain(["--config", config]);
            done(&words.collect::<Vec<_>>());
        };
        import("history", &["history.csv"]);
        import("register", &["tubes.csv", "fittings.csv", "work.csv"]);
        import("campaigns", &["campaigns.csv"]);
        import("findings", &["findings.csv", "flake.csv"]);
        done(&["fit", "--config", config, "--out", &files.path("model.json")]);
        done(&["models", "approve", "1", "--by", "R. Analyst", "--why", "for show", "--config", config]);

        let service = Service::start(&files.config);
        broker.publish("harrow/K1/shaft/torque", &format!("{{\"value\": 131.5, \"at\": \"{}\"}}", ago(0)));
        broker.publish("harrow/K1/shaft/torque", "{\"value\": \"much\"}");
        broker.publish("harrow/K9/shaft/torque", "{\"value\": 80}");
        wait_for("risks of every tube, and what arrived", || {
            let risks = service.json("/api/v1/risks");
            let signals = service.get("/api/v1/signals").1;
            let all = risks["risks"].as_array().is_some_and(|risks| risks.len() == 7);
            (all && signals.contains("131.5") && signals.contains("K9")).then_some(())
        });
        FullPlant { service, _broker: broker, files }
    }

    /// Adds somebody who may log in.
    pub fn person(&self, name: &str, role: &str, password: &str) {
        let config = self.files.config.to_str().unwrap();
        let (added, said) = with_password(&["people", "add", name, "--role", role, "--config", config], password);
        assert!(added, "{said}");
    }

    /// The token of a machine that may see all that there is to see.
    pub fn token(&self) -> String {
        let config = self.files.config.to_str().unwrap();
        let token = done(&["tokens", "add", "a reader of others", "--role", "analyst", "--config", config]);
        token.trim().to_owned()
    }
}
