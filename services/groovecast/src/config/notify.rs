//! Who is told when advice is raised, and how.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use jiff::SignedDuration;
use notifier::{Address, Encryption, Login, Mail, MailServer, Secret, Way, Webhook, WebhookUrl};
use plant::AdviceKind;

use super::check::Checker;
use super::place::Place;
use super::{Target, raw, secret};

/// Usual ports of a mail server, by encryption: submission (RFC 6409), submissions (RFC 8314), SMTP (RFC 5321).
const PORTS: [(Encryption, u16); 3] = [(Encryption::StartTls, 587), (Encryption::Tls, 465), (Encryption::None, 25)];
/// A shared key is at least as long as what HMAC-SHA256 makes of it (RFC 2104, section 3), in characters.
const KEY_LENGTH: usize = 32;
/// Longest name of a target.
const NAME_LENGTH: usize = 64;

/// The sections `[notify.NAME]`, with the mail server of `[mail]`; files are seen from `folder`.
pub fn targets(
    checker: &mut Checker,
    raw: &BTreeMap<String, raw::Notify>,
    mail: Option<&raw::Mail>,
    folder: &Path,
    root: &Place,
) -> Vec<Target> {
    let server = mail.and_then(|mail| server(checker, mail, folder, &root.key("mail")));
    let known = mail.is_some();
    let section = root.key("notify");
    let targets: Vec<Target> = raw
        .iter()
        .filter_map(|(name, one)| {
            let place = section.key(name);
            let plain = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '-' | '_');
            if name.is_empty() || name.len() > NAME_LENGTH || !name.chars().all(plain) {
                let right = "right would be up to 64 letters, digits, '-' and '_', such as desk";
                checker.refuse(&place, format!("{name:?} is no name for it; {right}"));
            }
            target(checker, name, one, (known, server.as_ref()), folder, &place)
        })
        .collect();
    if known && !raw.values().any(|one| one.mail.is_some()) {
        checker.refuse(&root.key("mail"), "nobody is told by mail; give a [notify.NAME] with mail, or leave this out");
    }
    targets
}

fn target(
    checker: &mut Checker,
    name: &str,
    raw: &raw::Notify,
    (known, server): (bool, Option<&MailServer>),
    folder: &Path,
    place: &Place,
) -> Option<Target> {
    let timeout_s = checker.within(&place.key("timeout_s"), raw.timeout_s, 1.0, 60.0, "s");
    let timeout = Duration::try_from_secs_f64(timeout_s).unwrap_or_default();
    let pause = checker.within(&place.key("pause_s"), raw.pause_s, 1.0, 600.0, "s");
    let give_up = checker.within(&place.key("give_up_after_h"), raw.give_up_after_h, 1.0, 720.0, "h");
    let kinds: Vec<AdviceKind> = match &raw.kinds {
        None => AdviceKind::ALL.to_vec(),
        Some(kinds) => {
            let list = place.key("kinds");
            if kinds.is_empty() {
                checker.refuse(&list, "nothing is told; right would be some of hold, reached, interval, chance");
            }
            let take = |(at, kind): (usize, &String)| checker.take(&list.at(at), kind.parse::<AdviceKind>());
            kinds.iter().enumerate().filter_map(take).collect()
        }
    };
    let way = match (&raw.webhook, &raw.mail) {
        (Some(url), None) => Way::Webhook(webhook(checker, name, url, raw, timeout, folder, place)?),
        (None, Some(to)) => {
            for (key, given) in [
                ("secret_file", raw.secret_file.is_some()),
                ("secret_env", raw.secret_env.is_some()),
                ("ca_file", raw.ca_file.is_some()),
            ] {
                if given {
                    checker.refuse(&place.key(key), "this is for a webhook; what a mail needs stands in [mail]");
                }
            }
            if !known {
                checker
                    .refuse(&place.key("mail"), "a mail needs a server; right would be a section [mail] with its host");
            }
            let to: Option<Address> = checker.take(&place.key("mail"), to.parse());
            Way::Mail(Mail { server: server?.clone(), to: to?, timeout })
        }
        _ => {
            checker.refuse(place, "right would be either webhook = \"https://...\" or mail = \"shift@...\"");
            return None;
        }
    };
    Some(Target {
        name: name.to_owned(),
        way,
        kinds,
        cleared: raw.cleared,
        pause: SignedDuration::from_millis((pause * 1000.0) as i64),
        give_up_after: SignedDuration::from_secs((give_up * 3600.0) as i64),
    })
}

fn webhook(
    checker: &mut Checker,
    name: &str,
    url: &str,
    raw: &raw::Notify,
    timeout: Duration,
    folder: &Path,
    place: &Place,
) -> Option<Webhook> {
    let url: Option<WebhookUrl> = checker.take(&place.key("webhook"), url.parse());
    let secret = shared(checker, raw, folder, place);
    let url = url?;
    match (url.is_https(), &raw.ca_file) {
        (true, None) => {
            let problem = "https needs a ca_file: the certificates of the authorities that may vouch for the receiver. For a \
                           public authority it is the system's own list, such as /etc/ssl/certs/ca-certificates.crt";
            checker.refuse(&place.key("webhook"), problem);
        }
        (false, Some(_)) => checker.refuse(&place.key("ca_file"), "this is for https; leave it out"),
        _ => {}
    }
    let webhook = Webhook {
        url,
        key_id: name.to_owned(),
        secret: secret?,
        ca_file: raw.ca_file.as_ref().map(|ca| secret::file(folder, ca)),
        timeout,
    };
    checker.take(&place.key("ca_file"), Way::Webhook(webhook.clone()).check())?;
    Some(webhook)
}

/// The key that we share with a receiver.
fn shared(checker: &mut Checker, raw: &raw::Notify, folder: &Path, place: &Place) -> Option<Secret> {
    let [file_at, variable_at] = ["secret_file", "secret_env"].map(|key| place.key(key));
    let named = (raw.secret_file.as_deref(), &file_at);
    let Some((key, text)) = secret::given(checker, folder, named, (raw.secret_env.as_deref(), &variable_at)).ok()?
    else {
        let problem = "requests are signed, which needs a key that the receiver knows too: secret_file or secret_env";
        checker.refuse(&place.key("webhook"), problem);
        return None;
    };
    if text.chars().count() < KEY_LENGTH {
        let right = "right would be 32 or more at random, such as `openssl rand -hex 32` gives";
        checker.refuse(&key, format!("the key has {} characters; {right}", text.chars().count()));
        return None;
    }
    Some(Secret::new(text))
}

fn server(checker: &mut Checker, raw: &raw::Mail, folder: &Path, place: &Place) -> Option<MailServer> {
    let encryption = match raw.tls.as_str() {
        "starttls" => Some(Encryption::StartTls),
        "tls" => Some(Encryption::Tls),
        "none" => Some(Encryption::None),
        other => {
            let problem =
                format!("{other:?} is not known; right would be starttls, tls, or none on this machine itself");
            checker.refuse(&place.key("tls"), problem);
            None
        }
    };
    if raw.host.trim().is_empty() || raw.host.contains(['/', '@', ' ']) {
        checker.refuse(
            &place.key("host"),
            format!("{:?} is no host; right would be a name or an address alone", raw.host),
        );
    }
    let local = raw.host == "localhost" || raw.host.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback());
    if encryption == Some(Encryption::None) && !local {
        checker.refuse(&place.key("tls"), "mail leaves this machine encrypted only; right would be starttls or tls");
    }
    let needs_ca = encryption.is_some_and(|encryption| encryption != Encryption::None);
    if needs_ca && raw.ca_file.is_none() {
        let problem = "TLS needs a ca_file: the certificates of the authorities that may vouch for the server. For a public \
                       authority it is the system's own list, such as /etc/ssl/certs/ca-certificates.crt";
        checker.refuse(&place.key("host"), problem);
    }
    if !needs_ca && raw.ca_file.is_some() {
        checker.refuse(&place.key("ca_file"), "this is for TLS, which is off; leave it out");
    }
    if raw.port == Some(0) {
        checker.refuse(&place.key("port"), "0 is no port; right would be 587, or whatever the server listens on");
    }
    let from: Option<Address> = checker.take(&place.key("from"), raw.from.parse());
    let login = login(checker, raw, folder, place);
    let encryption = encryption?;
    let usual = PORTS.iter().find(|(one, _)| *one == encryption).map_or(25, |(_, port)| *port);
    let server = MailServer {
        host: raw.host.clone(),
        port: raw.port.unwrap_or(usual),
        encryption,
        ca_file: raw.ca_file.as_ref().map(|file| secret::file(folder, file)),
        login,
        from: from?,
    };
    checker.take(&place.key("ca_file"), server.check())?;
    Some(server)
}

fn login(checker: &mut Checker, raw: &raw::Mail, folder: &Path, place: &Place) -> Option<Login> {
    let password = (raw.password_file.as_deref(), raw.password_env.as_deref());
    let (user, password) = secret::login(checker, folder, place, raw.username.as_deref(), password)?;
    Some(Login { user, password: Secret::new(password) })
}

#[cfg(test)]
mod tests {
    use super::super::Config;
    use notifier::Way;

    const WEBHOOK: &str = "[notify.desk]\nwebhook = \"http://10.0.0.9/hook/t0psecret\"\n";
    const MAIL: &str = "[mail]\nhost = \"127.0.0.1\"\ntls = \"none\"\nfrom = \"g@harrow.example\"\n";

    /// A small plant with these lines behind it, beside files of secrets.
    fn read(lines: &str) -> Result<Config, String> {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("long"), format!("hunter2-{}\n", "x".repeat(32))).unwrap();
        std::fs::write(folder.path().join("short"), "hunter2\n").unwrap();
        let text = format!(
            "[site]\nname = \"x\"\ntime_zone = \"UTC\"\ndata = \"data\"\n[broker]\nhost = \"10.0.0.5\"\nclient_id = \"c\"\n\
             [[topics]]\ntopic = \"p/{{unit}}\"\nsignal = \"torque\"\nmeasure = \"N·m\"\n[units.K1]\n{lines}"
        );
        let path = folder.path().join("plant.toml");
        std::fs::write(&path, text).unwrap();
        Config::read(&path).map_err(|problems| problems.iter().map(|p| format!("{}: {}\n", p.key, p.problem)).collect())
    }

    #[test]
    fn nobody_is_told_unless_the_config_says_so() {
        assert!(read("").unwrap().notify.is_empty());
    }

    #[test]
    fn a_webhook_and_a_mail_are_taken_and_show_no_secret() {
        let lines = format!(
            "{WEBHOOK}secret_file = \"long\"\nkinds = [\"hold\"]\n[notify.shift]\nmail = \"Shift <shift@harrow.example>\"\n\
             cleared = true\n{MAIL}username = \"u\"\npassword_file = \"short\"\n"
        );
        let config = read(&lines).unwrap();
        let told: Vec<_> = config.notify.iter().map(|one| (one.name.as_str(), one.kinds.len(), one.cleared)).collect();
        assert_eq!(told, [("desk", 1, false), ("shift", 4, true)]);
        let Way::Mail(mail) = &config.notify[1].way else { panic!("{:?}", config.notify[1]) };
        assert_eq!((mail.server.port, mail.to.to_string().as_str()), (25, "Shift <shift@harrow.example>"));
        let shown = format!("{config:?}");
        assert!(!shown.contains("hunter2") && !shown.contains("t0psecret"), "{shown}");
    }

    #[test]
    fn what_lacks_or_contradicts_is_named_and_nothing_of_it_shown() {
        let shift = "[notify.shift]\nmail = \"shift@harrow.example\"\n";
        for (lines, key, says) in [
            (WEBHOOK.to_owned(), "notify.desk.webhook", "secret_file or secret_env"),
            (format!("{WEBHOOK}secret_file = \"short\""), "notify.desk.secret_file", "openssl rand"),
            (format!("{WEBHOOK}secret_env = \"NO_SUCH_NAME_1\""), "notify.desk.secret_env", "NO_SUCH_NAME_1"),
            (format!("{WEBHOOK}secret_file = \"long\"\nkinds = [\"loud\"]"), "notify.desk.kinds", "loud"),
            (format!("{WEBHOOK}secret_file = \"long\"\nkinds = []"), "notify.desk.kinds", "hold"),
            (format!("{WEBHOOK}secret_file = \"long\"\nca_file = \"ca\""), "notify.desk.ca_file", "https"),
            (format!("{WEBHOOK}secret_file = \"long\"\ntimeout_s = 0.0"), "notify.desk.timeout_s", "1 to 60"),
            (format!("{WEBHOOK}secret_file = \"long\"\nmail = \"a@b.example\""), "notify.desk", "either"),
            ("[notify.desk]\n".to_owned(), "notify.desk", "either"),
            ("[notify.\"a b\"]\nmail = \"a@b.example\"\n".to_owned() + MAIL, "notify.a b", "no name"),
            (
                "[notify.desk]\nwebhook = \"https://desk.example/t0psecret\"\nsecret_file = \"long\"".to_owned(),
                "notify.desk.webhook",
                "ca-certificates.crt",
            ),
            (
                "[notify.desk]\nwebhook = \"desk.example/t0psecret\"\nsecret_file = \"long\"".to_owned(),
                "notify.desk.webhook",
                "https://",
            ),
            (shift.to_owned(), "notify.shift.mail", "[mail]"),
            (MAIL.to_owned(), "mail", "nobody is told"),
            (format!("{shift}secret_file = \"long\"\n{MAIL}"), "notify.shift.secret_file", "webhook"),
            (format!("[notify.shift]\nmail = \"shift\"\n{MAIL}"), "notify.shift.mail", "no mail address"),
            (format!("{shift}{MAIL}username = \"u\""), "mail.username", "password_env"),
            (format!("{shift}{MAIL}password_file = \"short\""), "mail", "username"),
            (format!("{shift}{}", MAIL.replace("127.0.0.1", "10.0.0.8")), "mail.tls", "encrypted"),
            (format!("{shift}{}", MAIL.replace("none", "starttls")), "mail.host", "ca_file"),
            (format!("{shift}{}", MAIL.replace("none", "ssl")), "mail.tls", "starttls"),
        ] {
            let problems = read(&lines).map(|_| ()).expect_err(&lines);
            assert!(problems.starts_with(key) && problems.contains(says), "{lines}: {problems}");
            assert!(!problems.contains("hunter2") && !problems.contains("t0psecret"), "{problems}");
        }
    }
}
