//! `map`: from a historian's export, from what arrives, or from both to a whole configuration to begin with.
//!
//! Each guess stands with its reason and how sure it is; what cannot be guessed is passed over and asked about in a comment. The
//! configuration holds together as it is written, so that it can be checked and tried with a dry run before it is edited.

mod export;
mod live;
#[cfg(test)]
mod tests;
mod written;

use std::fs::OpenOptions;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;

use plant::Clock;

use crate::args;
use crate::exit::Failure;
use crate::guess::Certainty;
use export::Export;
use live::Live;
use written::Judged;

/// Writes a configuration for what files hold and what arrives.
pub async fn map(asked: &args::Map, clock: Arc<dyn Clock>) -> Result<(), Failure> {
    if let Some(path) = asked.out.as_deref().filter(|path| path.exists()) {
        return Err(Failure::Usage(format!("{} is there already; nothing was written", path.display())));
    }
    let mut export = Export::default();
    for file in &asked.files {
        let table = history::sample(file, export::tags).map_err(|error| Failure::Input(error.to_string()))?;
        export.add(&table).map_err(|why| Failure::Input(format!("{}: {why}", file.display())))?;
    }
    let live = if asked.live { Some(live::hear(asked, clock).await?) } else { None };
    let text = configuration(&export, &asked.files, live.as_ref());
    let Some(path) = &asked.out else {
        print!("{text}");
        return Ok(());
    };
    // Whoever was faster keeps what they wrote.
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .map_err(|error| anyhow::anyhow!("cannot write {}: {error}", path.display()))?;
    file.write_all(text.as_bytes()).map_err(anyhow::Error::from)?;
    let questions = text.matches("# ? ").count();
    eprintln!("{} is written; it asks {questions} questions (lines with \"# ?\")", path.display());
    Ok(())
}

/// The configuration as text.
fn configuration(export: &Export, files: &[PathBuf], live: Option<&Live>) -> String {
    let known = live.map(|live| live.units.clone()).unwrap_or_default();
    let mut judged = Judged::of(export, &known);
    let mut lines = vec![format!("# A configuration to begin with, from {}.", from(export, files, live))];
    if export.own.is_empty() && !files.is_empty() {
        lines.push(counted(&judged));
    }
    lines.push(
        "# Each guess says how sure it is and why. A line with \"# ?\" asks you; config/plant.toml explains every key."
            .into(),
    );
    lines.push(
        "# Then: groovecast check --config FILE; groovecast import history EXPORT --dry-run --config FILE\n".into(),
    );
    lines.extend(live.map_or_else(|| head(export.zone_assumed), |live| live.head.clone()));
    let rest = |judged: &Judged| {
        let units = written::units(judged, &export.own);
        if files.is_empty() { units } else { [units, written::files(export, judged)].concat() }
    };
    if let Some(live) = live {
        lines.extend(live.topics(&lines, &rest(&judged)));
        // Of what was heard, and turned out to say too little.
        let is_told = |unit: &String| !live.is_refused(unit, &[&lines[..], &rest(&judged)].concat());
        judged.units = judged.units.iter().filter(|unit| is_told(unit)).cloned().collect();
    }
    [lines, rest(&judged)].concat().join("\n") + "\n"
}

fn from(export: &Export, files: &[PathBuf], live: Option<&Live>) -> String {
    let at = |at_us| jiff::Timestamp::from_microsecond(at_us).map_or_else(|_| String::new(), |at| at.to_string());
    let name = |path: &PathBuf| format!("{:?}", path.display().to_string());
    let mut parts: Vec<String> = files.iter().map(name).collect();
    if let Some((first, last)) = export.span_us {
        parts.push(format!("{} to {}", at(first), at(last)));
    }
    parts.extend(live.map(|live| format!("{} topics of {}", live.specimens.len(), live.broker)));
    parts.join(", ")
}

fn counted(judged: &Judged) -> String {
    let taken: Vec<Certainty> =
        judged.guesses.iter().filter(|guess| judged.takes(guess)).map(|guess| guess.judged.sure).collect();
    let sure = taken.iter().filter(|sure| **sure == Certainty::Sure).count();
    let (all, others) = (judged.guesses.len(), judged.guesses.len() - taken.len());
    format!(
        "# Of {all} columns or tags {} are mapped, {sure} of them surely; {others} are asked about or passed over.",
        taken.len()
    )
}

/// Site and broker, of which nothing is known.
fn head(zone_assumed: bool) -> Vec<String> {
    let zone = if zone_assumed {
        "times in the files have no offset: which zone's clock are they"
    } else {
        "where is the plant"
    };
    [site(zone), vec!["host = \"127.0.0.1\"                   # ? The plant's MQTT broker".into()], client()].concat()
}

fn site(zone: &str) -> Vec<String> {
    vec![
        "[site]\nname = \"Plant\"                       # ? What is it called".into(),
        format!("time_zone = \"UTC\"                    # ? An IANA name such as Europe/Amsterdam: {zone}"),
        "data = \"data\"                        # the folder of everything that is kept, seen from this file".into(),
        "\n[broker]".into(),
    ]
}

fn client() -> Vec<String> {
    vec![
        "client_id = \"groovecast\"              # ? one running service per id: the broker keeps the session under it"
            .into(),
    ]
}
