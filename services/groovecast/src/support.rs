//! `support`: what somebody who is asked for help would ask for, in a folder of plain text. No secrets, no readings, and no
//! names of people unless asked.
//!
//! It works beside a running service, and where something is broken: what cannot be had is named with the reason. It opens the
//! database to read only and brings nothing up to date.

mod kept;
mod machine;
mod scrub;
mod told;

use std::fs;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;

use anyhow::Context;
use ledger::Place;
use plant::Clock;
use serde_json::{Value, json};

use crate::args::Support;
use crate::config::{Config, Problem};
use crate::exit::Failure;
use crate::pages;
use scrub::Scrub;
use told::Told;

/// What was found, and what was not.
#[derive(Default)]
struct Found {
    files: Vec<(&'static str, String)>,
    missing: Vec<(&'static str, String)>,
}

impl Found {
    fn text(&mut self, name: &'static str, text: Result<String, String>) {
        match text {
            Ok(text) => self.files.push((name, text)),
            Err(why) => self.missing.push((name, why)),
        }
    }

    fn json(&mut self, name: &'static str, value: Result<Value, String>) {
        self.text(name, value.map(|value| format!("{value:#}\n")));
    }
}

/// Writes the folder.
pub async fn support(asked: &Support, clock: &dyn Clock) -> Result<(), Failure> {
    let out = &asked.out;
    if fs::read_dir(out).is_ok_and(|mut entries| entries.next().is_some()) {
        return Err(Failure::Usage(format!("{} is not empty; right would be a new folder", out.display())));
    }
    let path = &asked.with.config;
    let (mut found, mut scrub) = (Found::default(), Scrub::default());
    let token = match &asked.token_file {
        Some(file) => {
            let text = fs::read_to_string(file).with_context(|| format!("cannot read {}", file.display()))?;
            scrub.secret(&text);
            Some(text.trim().to_owned())
        }
        None => None,
    };

    let (text, read) = (fs::read_to_string(path), Config::read(path));
    let told = told::told(path, text.as_deref().unwrap_or_default(), &mut scrub);
    found.json("about.json", Ok(about(clock)));
    found.text("check.txt", Ok(checked(&read, &told)));
    found.text("configuration.json", told.text.clone().ok_or_else(|| "the file is no TOML, see check.txt".to_owned()));
    match &told.data {
        Some(data) => found.json("disk.json", machine::disk(data)),
        None => found.missing.push(("disk.json", "the configuration names no data folder".to_owned())),
    }
    found.text("service.txt", machine::said("systemctl", &["show", "groovecast", "--no-pager", "--property", UNIT]));

    of_pages(&mut found, told.listen.as_deref(), token.as_deref()).await;
    let place = match (&read, &told) {
        (Ok(config), _) => Some(config.database.clone()),
        (Err(_), Told { database: None, data: Some(data), .. }) => Some(Place::Sqlite(data.join("groovecast.db"))),
        (Err(_), _) => None,
    };
    let config = read.ok().map(Arc::new);
    let names = kept::of_record(&mut found, place, told.data.as_deref(), config).await;
    of_log(&mut found, asked, names.is_some());
    if !asked.names {
        names.iter().flatten().for_each(|name| scrub.name(name));
    }
    write(out, found, &scrub, asked, clock).with_context(|| format!("cannot write {}", out.display()))?;
    Ok(())
}

/// What systemd is asked about the service.
const UNIT: &str = "ActiveState,SubState,Result,NRestarts,ExecMainStatus,StatusText,MemoryCurrent,ActiveEnterTimestamp,FragmentPath,DropInPaths,WatchdogUSec";

fn about(clock: &dyn Clock) -> Value {
    json!({
        "groovecast": env!("CARGO_PKG_VERSION"),
        "with_demo": cfg!(feature = "demo"),
        "made_at": clock.now(),
        "machine": machine::machine(),
    })
}

/// What check says. Of a file that is no TOML only the lines: nobody knows which of its words are secrets.
fn checked(read: &Result<Config, Vec<Problem>>, told: &Told) -> String {
    match read {
        Ok(config) => format!("it is right: {} units, {} topics\n", config.units.len(), config.mappings.len()),
        Err(problems) if told.text.is_some() => problems.iter().map(|problem| format!("{problem}\n")).collect(),
        Err(problems) => problems
            .iter()
            .map(|problem| {
                format!("{}:{}: it cannot be read, or is no TOML there\n", problem.file.display(), problem.line)
            })
            .collect(),
    }
}

/// What the service says of itself.
async fn of_pages(found: &mut Found, listen: Option<&str>, token: Option<&str>) {
    let Some(address) = listen.and_then(|listen| listen.parse::<SocketAddr>().ok()) else {
        let why = "the configuration does not say where pages are served";
        return ["health.json", "signals.json"].into_iter().for_each(|name| found.missing.push((name, why.to_owned())));
    };
    let mut health = serde_json::Map::new();
    for path in ["/health/live", "/health/ready"] {
        let said = match pages::get(address, path, token).await {
            Ok((status, body)) => {
                let body = serde_json::from_str(&body).unwrap_or(Value::String(body));
                json!({ "status": status, "body": body })
            }
            Err(error) => json!({ "error": format!("{error:#}") }),
        };
        health.insert(path.to_owned(), said);
    }
    found.json("health.json", Ok(Value::Object(health)));
    let signals = match pages::get(address, "/api/v1/signals", token).await {
        Ok((200, body)) => serde_json::from_str(&body).map(without_values).map_err(|error| error.to_string()),
        Ok((401 | 403, _)) => {
            Err("the service asks for a login: give --token-file, a file with a reader's token".to_owned())
        }
        Ok((status, _)) => Err(format!("the service answers with status {status}")),
        Err(error) => Err(format!("{error:#}")),
    };
    found.json("signals.json", signals);
}

/// Counts and faults without what was measured: a fault's sample stays, because it says what is wrong. Of a topic or unit that is
/// not known nothing may be wrong with the message.
fn without_values(mut signals: Value) -> Value {
    for (list, keys) in [("signals", &["value", "raw"][..]), ("unmapped", &["sample"])] {
        for entry in signals.get_mut(list).and_then(Value::as_array_mut).into_iter().flatten() {
            if let Some(entry) = entry.as_object_mut() {
                keys.iter().for_each(|key| drop(entry.remove(*key)));
            }
        }
    }
    for fault in signals.get_mut("faults").and_then(Value::as_array_mut).into_iter().flatten() {
        if ["unmapped", "unknown_unit"].iter().any(|reason| fault["reason"] == **reason)
            && let Some(fault) = fault.as_object_mut()
        {
            fault.remove("sample");
        }
    }
    signals
}

/// The last lines of the log; not where nobody knows which names in it to take out.
fn of_log(found: &mut Found, asked: &Support, names_known: bool) {
    let log = match names_known || asked.names {
        true => machine::log(asked.log.as_deref()),
        false => {
            Err("the record cannot be read, so nobody knows which names to take out of it; --names takes it as it is"
                .into())
        }
    };
    found.text("log.txt", log);
}

fn write(out: &Path, found: Found, scrub: &Scrub, asked: &Support, clock: &dyn Clock) -> anyhow::Result<()> {
    let mut read_me = format!(
        "What groovecast {} could tell about itself at {:.0}, for whoever is asked for help.\n\
         Secrets, comments of the configuration and readings are left out; {}.\n\
         Samples of faults are what a device sent. Look through the files before you pass them on.\n\n",
        env!("CARGO_PKG_VERSION"),
        clock.now(),
        if asked.names { "names of people are in it, because that was asked for" } else { "so are names of people" },
    );
    found.files.iter().for_each(|(name, _)| read_me.push_str(&format!("{name}\n")));
    for (name, why) in &found.missing {
        read_me.push_str(&format!("{name} is missing: {}\n", scrub.clean(why)));
        eprintln!("{name}: {}", scrub.clean(why));
    }
    fs::create_dir_all(out)?;
    for (name, text) in found.files.iter().map(|(name, text)| (*name, text)).chain([("read-me.txt", &read_me)]) {
        fs::write(out.join(name), scrub.clean(text)).with_context(|| format!("cannot write {name}"))?;
    }
    println!("{}: {} files; look through them before you pass them on", out.display(), found.files.len() + 1);
    Ok(())
}
