//! Tells people and their systems what they should know: one message at a time, by webhook or by mail.
//!
//! Nothing here remembers, repeats or decides: a try is made when the caller says so, on a thread that may block, and its
//! outcome says what to do next. A message bears a key that stays the same over all its tries, so that a receiver who sees
//! it twice knows that it is one.

mod mail;
mod message;
mod secret;
mod signature;
mod trust;
mod webhook;

use jiff::Timestamp;

pub use mail::{Address, BadAddress, Encryption, Login, Mail, MailServer};
pub use message::Message;
pub use secret::Secret;
pub use trust::TrustError;
pub use webhook::{BadUrl, Webhook, WebhookUrl};

/// A way to somebody.
#[derive(Debug, Clone)]
pub enum Way {
    /// A request to an address of theirs.
    Webhook(Webhook),
    /// A mail.
    Mail(Mail),
}

/// Why a message did not get through. No secret is in it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotSent {
    /// Nobody answered in time. Another message would not get through either.
    #[error("{0}")]
    Unreached(String),
    /// Somebody answered and did not take it this time.
    #[error("{why}")]
    NotNow {
        /// What they said.
        why: String,
        /// For how long they asked not to be asked again, s.
        wait_s: Option<u64>,
    },
    /// It will never be taken as it is.
    #[error("{0}")]
    Never(String),
}

impl Way {
    /// Reads what it needs from files.
    ///
    /// # Errors
    /// [`TrustError`] for the first file that is wrong.
    pub fn check(&self) -> Result<(), TrustError> {
        match self {
            Way::Webhook(webhook) => webhook.check(),
            Way::Mail(mail) => mail.server.check(),
        }
    }

    /// Tries once, and blocks until there is an outcome or the time is up. `now` dates the signature.
    ///
    /// # Errors
    /// [`NotSent`], which says whether another try makes sense.
    pub fn send(&self, message: &Message, now: Timestamp) -> Result<(), NotSent> {
        match self {
            Way::Webhook(webhook) => webhook.send(message, now),
            Way::Mail(mail) => mail.send(message),
        }
    }
}

/// What others say, cut to a length and without control characters, so that it can be shown and logged.
fn shown(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).take(300).collect()
}
