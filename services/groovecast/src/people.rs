//! People who may log in, and tokens of machines.

use std::io::{BufRead, IsTerminal};
use std::sync::Arc;

use anyhow::Context;
use ledger::By;
use plant::Clock;

use crate::args::{People, Tokens, WithConfig};
use crate::config::Config;
use crate::exit::Failure;
use crate::plant_store::PlantStore;

/// Adds, lists and changes people.
pub async fn people(what: People, clock: &dyn Clock) -> Result<(), Failure> {
    let by = by(clock);
    match what {
        People::Add { name, role, with } => {
            let store = store(&with).await?;
            let person = store.ledger.add_person(&name, role, &password()?, &by).await?;
            println!("{} may log in as {}", person.name, person.role);
        }
        People::List { with } => {
            for person in store(&with).await?.ledger.people().await? {
                let until = person.disabled_at.map_or(String::new(), |at| format!("  disabled since {at:.0}"));
                println!("{}  {}  since {:.0}{until}", person.name, person.role, person.created_at);
            }
        }
        People::Role { name, role, with } => {
            store(&with).await?.ledger.set_role(&name, role, &by).await?;
            println!("{name} is {role} from the next request on");
        }
        People::Password { name, with } => {
            store(&with).await?.ledger.set_password(&name, &password()?, &by).await?;
            println!("{name} has a new password; whoever was logged in as {name} is not any more");
        }
        People::Disable { name, with } => {
            store(&with).await?.ledger.disable_person(&name, &by).await?;
            println!("{name} cannot log in any more; what was written stays under the name");
        }
    }
    Ok(())
}

/// Adds, lists and revokes tokens.
pub async fn tokens(what: Tokens, clock: &dyn Clock) -> Result<(), Failure> {
    let by = by(clock);
    match what {
        Tokens::Add { name, role, with } => {
            let secret = store(&with).await?.ledger.add_token(&name, role, &by).await?;
            eprintln!("the token of {name} ({role}), shown this once:");
            println!("{secret}");
        }
        Tokens::List { with } => {
            for token in store(&with).await?.ledger.tokens().await? {
                let until = token.revoked_at.map_or(String::new(), |at| format!("  revoked since {at:.0}"));
                println!("{}  {}  since {:.0}{until}", token.name, token.role, token.created_at);
            }
        }
        Tokens::Revoke { name, with } => {
            store(&with).await?.ledger.revoke_token(&name, &by).await?;
            println!("the token of {name} is taken no longer");
        }
    }
    Ok(())
}

async fn store(with: &WithConfig) -> Result<PlantStore, Failure> {
    Ok(PlantStore::open(Arc::new(Config::read(&with.config)?)).await?)
}

/// Whoever may run commands on the plant's data is above roles.
fn by(clock: &dyn Clock) -> By {
    By { who: "the command line".to_owned(), at: clock.now() }
}

/// A password from the terminal, asked twice and not shown, or the first line of standard input. Never an argument: others
/// on the machine can read those.
fn password() -> Result<String, Failure> {
    if std::io::stdin().is_terminal() {
        let first = rpassword::prompt_password("password (12 characters or more): ").context("no password came")?;
        let again = rpassword::prompt_password("the same again: ").context("no password came")?;
        if first != again {
            return Err(Failure::Input("the two passwords differ; nothing was changed".to_owned()));
        }
        return Ok(first);
    }
    let mut line = String::new();
    std::io::stdin().lock().read_line(&mut line).context("no password came on standard input")?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}
