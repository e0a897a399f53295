//! Mail: plain text, by the plant's own mail server.

use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;
use std::time::{Duration, SystemTime};

use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Mailbox, MessageBuilder};
use lettre::transport::smtp;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters};
use lettre::{SmtpTransport, Transport};

use crate::{Message, NotSent, Secret, TrustError, shown, trust};

/// Somebody's mailbox, and how mail gets there.
#[derive(Debug, Clone)]
pub struct Mail {
    /// The server that takes it.
    pub server: MailServer,
    /// Whose it is.
    pub to: Address,
    /// How long a try may take.
    pub timeout: Duration,
}

/// The plant's mail server.
#[derive(Debug, Clone)]
pub struct MailServer {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// How the connection is encrypted.
    pub encryption: Encryption,
    /// PEM file with the authorities that may vouch for the server; needed with encryption.
    pub ca_file: Option<PathBuf>,
    /// Who we are there, if it asks.
    pub login: Option<Login>,
    /// From whom mail is.
    pub from: Address,
}

/// How the connection to a mail server is encrypted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encryption {
    /// It begins in the open and must then be encrypted before anything else is said (RFC 3207).
    StartTls,
    /// From the first byte on (RFC 8314).
    Tls,
    /// Not at all.
    None,
}

/// A name and a password.
#[derive(Debug, Clone)]
pub struct Login {
    /// The name.
    pub user: String,
    /// The password.
    pub password: Secret,
}

/// A mailbox, with or without a name: `shift@harrow.example` or `Shift lead <shift@harrow.example>`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address(Mailbox);

/// A text that is no mailbox.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} is no mail address; right would be shift@harrow.example or Shift lead <shift@harrow.example>")]
pub struct BadAddress(String);

impl FromStr for Address {
    type Err = BadAddress;

    fn from_str(text: &str) -> Result<Self, BadAddress> {
        text.parse().map(Address).map_err(|_| BadAddress(shown(text)))
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl MailServer {
    /// Reads what it needs from files.
    ///
    /// # Errors
    /// [`TrustError`] if the file of authorities is wrong.
    pub fn check(&self) -> Result<(), TrustError> {
        self.ca_file.as_deref().map_or(Ok(()), |file| trust::authorities(file).map(|_| ()))
    }

    fn tls(&self) -> Result<Tls, String> {
        if self.encryption == Encryption::None {
            return Ok(Tls::None);
        }
        let mut parameters = TlsParameters::builder(self.host.clone()).certificate_store(CertificateStore::None);
        if let Some(file) = &self.ca_file {
            for authority in trust::authorities(file).map_err(|error| error.to_string())? {
                let authority = Certificate::from_der(authority.to_vec()).map_err(|error| error.to_string())?;
                parameters = parameters.add_root_certificate(authority);
            }
        }
        let parameters = parameters.build_rustls().map_err(|error| error.to_string())?;
        Ok(match self.encryption {
            Encryption::Tls => Tls::Wrapper(parameters),
            _ => Tls::Required(parameters),
        })
    }
}

impl Mail {
    /// One try. The files are read each time, so that renewed ones need no restart.
    pub(crate) fn send(&self, message: &Message) -> Result<(), NotSent> {
        let letter = self.letter(message)?;
        let server = &self.server;
        let mut way = SmtpTransport::builder_dangerous(&server.host)
            .port(server.port)
            .tls(server.tls().map_err(NotSent::Unreached)?)
            .timeout(Some(self.timeout));
        if let Some(login) = &server.login {
            way = way.credentials(Credentials::new(login.user.clone(), login.password.reveal().to_owned()));
        }
        way.build().send(&letter).map(|_| ()).map_err(|error| refused(&error, self.timeout))
    }

    fn letter(&self, message: &Message) -> Result<lettre::Message, NotSent> {
        let domain = self.server.from.0.email.domain();
        // RFC 3834, section 5: no vacation notice answers it.
        let by_itself = HeaderValue::new(HeaderName::new_from_ascii_str("Auto-Submitted"), "auto-generated".to_owned());
        MessageBuilder::new()
            .from(self.server.from.0.clone())
            .to(self.to.0.clone())
            .date(SystemTime::UNIX_EPOCH + Duration::from_secs(u64::try_from(message.at.as_second()).unwrap_or(0)))
            .message_id(Some(format!("<{}@{domain}>", message.key)))
            .subject(message.title.clone())
            .raw_header(by_itself)
            .header(ContentType::TEXT_PLAIN)
            .body(message.text.clone())
            .map_err(|error| NotSent::Never(format!("no mail can be made of it: {error}")))
    }
}

fn refused(error: &smtp::Error, timeout: Duration) -> NotSent {
    if error.status().is_none() {
        let why = match trust::explained(error) {
            Some(told) => told,
            None if error.is_timeout() => format!("there was no answer within {} s", timeout.as_secs_f64()),
            None => chain(error),
        };
        return NotSent::Unreached(why);
    }
    // RFC 5321, section 4.2.1, would not send again what is answered with 5yz. But most of these speak of the login, of relaying or of
    // the sender, which people mend; what a hold says waits for them.
    NotSent::NotNow { why: format!("the answer was {}", chain(error)), wait_s: None }
}

fn chain(error: &smtp::Error) -> String {
    let mut told = error.to_string();
    let mut next = std::error::Error::source(error);
    while let Some(cause) = next {
        let cause_told = cause.to_string();
        if !told.contains(&cause_told) {
            told = format!("{told}: {cause_told}");
        }
        next = cause.source();
    }
    shown(&told)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::tests::message;

    fn mail() -> Mail {
        let server = MailServer {
            host: "127.0.0.1".to_owned(),
            port: 25,
            encryption: Encryption::None,
            ca_file: None,
            login: Some(Login { user: "groovecast".to_owned(), password: Secret::new("hunter2".to_owned()) }),
            from: "groovecast <groovecast@harrow.example>".parse().unwrap(),
        };
        Mail { server, to: "Shift lead <shift@harrow.example>".parse().unwrap(), timeout: Duration::from_secs(1) }
    }

    #[test]
    fn a_letter_says_of_itself_what_the_standards_ask_for() {
        let letter = mail().letter(&message()).unwrap().formatted();
        let letter = String::from_utf8(letter).unwrap();
        let (head, _) = letter.split_once("\r\n\r\n").unwrap();
        for line in [
            "From: groovecast <groovecast@harrow.example>",
            "To: \"Shift lead\" <shift@harrow.example>",
            "Date: Mon, 11 May 2026 06:00:00 +0000",
            "Message-ID: <7b0e-1@harrow.example>",
            "Subject: Advice on K1: chance is high",
            "Auto-Submitted: auto-generated",
        ] {
            assert!(head.lines().any(|told| told == line), "{line} is not in:\n{head}");
        }
    }

    #[test]
    fn a_title_cannot_bring_a_header_of_its_own() {
        let title = "x\r\nBcc: everybody@harrow.example".to_owned();
        let letter = mail().letter(&Message { title, ..message() }).unwrap().formatted();
        let letter = String::from_utf8(letter).unwrap();
        assert!(!letter.lines().any(|line| line.starts_with("Bcc:")), "{letter}");
    }

    #[test]
    fn no_password_is_shown() {
        assert!(!format!("{:?}", mail()).contains("hunter2"));
    }
}
