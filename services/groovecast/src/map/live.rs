//! What arrives from the broker, as topics to map.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::Arc;

use collector::Specimen;
use plant::{Clock, UnitId};

use super::{client, site};
use crate::args;
use crate::config::Config;
use crate::exit::Failure;
use crate::guess::Certainty;
use crate::listen;
use crate::propose::{self, Proposal};
use crate::quoted::quoted;

/// Where the configuration would stand.
const DRAFT: &str = "plant.toml";
/// Topics that are listed as not mapped.
const LISTED: usize = 200;

/// What was heard.
pub struct Live {
    /// `[site]` and `[broker]` as lines of the configuration.
    pub head: Vec<String>,
    /// The file that they are taken from: what they name is seen from there.
    path: PathBuf,
    /// The broker's address.
    pub broker: String,
    /// A message of each topic.
    pub specimens: Vec<Specimen>,
    /// Units that topics name.
    pub units: BTreeSet<UnitId>,
}

/// Listens for a while.
pub async fn hear(asked: &args::Map, clock: Arc<dyn Clock>) -> Result<Live, Failure> {
    for filter in &asked.topics {
        listen::check_filter(filter).map_err(Failure::Usage)?;
    }
    let path = asked.config.clone().unwrap_or_else(|| PathBuf::from(DRAFT));
    let head = match (&asked.config, &asked.broker) {
        (Some(path), _) => {
            let text = std::fs::read_to_string(path)
                .map_err(|error| Failure::Input(format!("{} cannot be read: {error}", path.display())))?;
            taken_over(&text)
        }
        (None, Some(broker)) => at(broker).map_err(Failure::Usage)?,
        (None, None) => {
            let problem = "--live needs --broker HOST[:PORT], or --config FILE whose [broker] says how to connect";
            return Err(Failure::Usage(problem.to_owned()));
        }
    };
    let config = Config::hold_to_listen(&head.join("\n"), &path)?;
    let topics = if asked.topics.is_empty() { vec!["#".to_owned()] } else { asked.topics.clone() };
    let heard = listen::hear(&config, topics, asked.lasts, |_| false, clock).await?;
    listen::connected(&config, &heard.report)?;
    let broker = format!("{}:{}", config.broker.host, config.broker.port);
    let ours = |specimen: &Specimen| specimen.topic.starts_with(&format!("{}/", config.prefix));
    let specimens: Vec<Specimen> = heard.specimens.into_iter().filter(|specimen| !ours(specimen)).collect();
    if specimens.is_empty() {
        let lasts = asked.lasts.as_secs();
        return Err(Failure::Input(format!(
            "nothing came from {broker} within {lasts} s; is it the right broker and --topic?"
        )));
    }
    let units = propose::units_in(&specimens);
    Ok(Live { head, path, broker, specimens, units })
}

/// `[site]` and `[broker]` for a broker of which only the address is known.
fn at(broker: &str) -> Result<Vec<String>, String> {
    let bad = || format!("{broker:?} is no broker; right would be 10.0.0.5 or broker.example:1883");
    let (host, port) = match broker.rsplit_once(':') {
        Some((host, port)) if !host.contains(':') || host.ends_with(']') => {
            (host, Some(port.parse::<u16>().map_err(|_| bad())?))
        }
        _ => (broker, None),
    };
    if host.is_empty() || host.contains(['/', ' ']) {
        return Err(bad());
    }
    let mut lines = site("where is the plant");
    lines.push(format!("host = {}", quoted(host)));
    lines.extend(port.map(|port| format!("port = {port}")));
    lines.extend(client());
    Ok(lines)
}

/// The lines of `[site]` and `[broker]`, and of what stands below them.
fn taken_over(text: &str) -> Vec<String> {
    let (mut lines, mut waiting) = (Vec::new(), Vec::new());
    let mut wanted = false;
    for line in text.lines() {
        // A comment belongs to what follows it without a gap.
        let bare = line.trim();
        if bare.is_empty() {
            waiting.clear();
        }
        if bare.is_empty() || bare.starts_with('#') {
            waiting.push(line.to_owned());
            continue;
        }
        if let Some(table) = bare.strip_prefix('[') {
            let table = table.split([']', '.']).next().unwrap_or_default().trim();
            wanted = table == "site" || table == "broker";
        }
        if wanted {
            lines.append(&mut waiting);
            lines.push(line.to_owned());
        }
        waiting.clear();
    }
    lines.into_iter().skip_while(|line: &String| line.trim().is_empty()).collect()
}

impl Live {
    /// The topics that are mapped, those that are asked about, and those of which nothing is known, as lines that hold between
    /// those before and after them.
    pub fn topics(&self, before: &[String], after: &[String]) -> Vec<String> {
        let mut lines = Vec::new();
        let mut spoken = BTreeSet::new();
        let mut proposals: Vec<Proposal> = propose::proposals(&self.specimens, &[], &self.units);
        proposals.sort_by_key(|proposal| std::cmp::Reverse(proposal.sure));
        let refused = self.refused(&proposals, before, after);
        for (proposal, refused) in proposals.iter().zip(refused) {
            spoken.extend(proposal.topics.iter().cloned());
            let Some(why) = refused else {
                lines.push("\n".to_owned() + &proposal.text);
                continue;
            };
            lines.push(if why.is_empty() {
                "\n# ? Take away the # in front of what is right, or mend it:".to_owned()
            } else {
                format!("\n# ? Left out, for {why:?}:")
            });
            lines.extend(proposal.text.lines().map(commented));
        }
        let unknown: Vec<&Specimen> =
            self.specimens.iter().filter(|specimen| !spoken.contains(&specimen.topic)).collect();
        if !unknown.is_empty() {
            lines.push("\n# Not mapped, for nothing says that these are readings of shaft or product:".to_owned());
            lines.extend(unknown.iter().take(LISTED).map(|specimen| format!("#   {}", quoted(&specimen.topic))));
        }
        if unknown.len() > LISTED {
            lines.push(format!("#   and {} more", unknown.len() - LISTED));
        }
        lines
    }

    /// For each proposal why the configuration would not hold with it (nothing, if it is too unsure to try); `None` for those
    /// that are taken. One may need another that comes after it.
    fn refused(&self, proposals: &[Proposal], before: &[String], after: &[String]) -> Vec<Option<String>> {
        let mut refused = vec![Some(String::new()); proposals.len()];
        let mut left = proposals.len() + 1;
        loop {
            let waits = |place: &usize| refused[*place].is_some() && proposals[*place].sure > Certainty::Guess;
            let waiting: Vec<usize> = (0..proposals.len()).filter(waits).collect();
            if waiting.len() == left {
                return refused;
            }
            left = waiting.len();
            for place in waiting {
                let taken = |other: &usize| *other == place || refused[*other].is_none();
                let with: Vec<String> =
                    (0..proposals.len()).filter(taken).map(|other| proposals[other].text.clone()).collect();
                // A unit that no topic speaks of yet is no fault of this one.
                let whole = [before, &with, after].concat().join("\n");
                let problems = Config::hold_to_listen(&whole, &self.path).err();
                refused[place] = problems.and_then(|problems| problems.first().map(|problem| problem.problem.clone()));
            }
        }
    }

    /// Whether a configuration is refused for a unit.
    pub fn is_refused(&self, unit: &str, lines: &[String]) -> bool {
        let place = format!("units.{unit}");
        let problems = Config::hold(&lines.join("\n"), &self.path).err().unwrap_or_default();
        problems.iter().any(|problem| problem.key == place)
    }
}

fn commented(line: &str) -> String {
    if line.starts_with('#') { line.to_owned() } else { format!("# {line}") }
}
