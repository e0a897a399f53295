//! The broker: where it is, who we are there, and how the connection is encrypted.

use std::path::Path;

use collector::{ClientFiles, Protocol, Tls};

use super::check::Checker;
use super::place::Place;
use super::{Broker, Login, raw, secret};

/// MQTT's port, and its port through TLS (IANA).
const PORTS: (u16, u16) = (1883, 8883);

/// The section `[broker]`; files are seen from `folder`.
pub fn broker(checker: &mut Checker, raw: &raw::Broker, folder: &Path, place: &Place) -> Option<Broker> {
    if raw.host.trim().is_empty() {
        checker.refuse(&place.key("host"), "the host is empty; right would be a name or an address");
    }
    if raw.host.contains("://") || raw.host.contains('/') {
        let problem = format!("{:?} is no host; right would be a name or an address alone, such as 10.0.0.5", raw.host);
        checker.refuse(&place.key("host"), problem);
    }
    let port = raw.port.unwrap_or(if raw.tls { PORTS.1 } else { PORTS.0 });
    if port == 0 {
        checker.refuse(&place.key("port"), "0 is no port; right would be 1883, or whatever the broker listens on");
    }
    if raw.client_id.chars().any(char::is_control) {
        checker.refuse(&place.key("client_id"), "the client id has a control character");
    }
    if raw.client_id.is_empty() {
        checker.refuse(&place.key("client_id"), "the client id is empty; a session needs one to be kept under");
    }
    checker.within(&place.key("keep_alive_s"), f64::from(raw.keep_alive_s), 5.0, 3600.0, "s");
    checker.within(&place.key("window"), f64::from(raw.window), 1.0, 1000.0, "messages");
    checker.within(&place.key("max_message_kib"), raw.max_message_kib as f64, 1.0, 65_536.0, "KiB");
    if let Some(share) = &raw.share
        && (share.is_empty() || share.contains(['/', '+', '#']) || share.chars().any(char::is_control))
    {
        let problem =
            format!("{share:?} names no share; right would be a word such as groovecast, without '/', '+' and '#'");
        checker.refuse(&place.key("share"), problem);
    }
    let protocol = protocol(checker, raw, place);
    let tls = tls(checker, raw, folder, place);
    Some(Broker {
        host: raw.host.clone(),
        port,
        client_id: raw.client_id.clone(),
        protocol: protocol?,
        tls,
        login: login(checker, raw, folder, place),
        keep_alive_s: raw.keep_alive_s,
        window: raw.window,
        max_message_bytes: raw.max_message_kib * 1024,
        ask_rebirth: raw.ask_rebirth,
        share: raw.share.clone(),
    })
}

fn protocol(checker: &mut Checker, raw: &raw::Broker, place: &Place) -> Option<Protocol> {
    match raw.protocol.as_str() {
        "auto" => Some(Protocol::Auto),
        "5" => Some(Protocol::V5),
        "3.1.1" => Some(Protocol::V311),
        other => {
            let problem = format!("{other:?} is no version of MQTT; right would be \"auto\", \"5\" or \"3.1.1\"");
            checker.refuse(&place.key("protocol"), problem);
            None
        }
    }
}

fn login(checker: &mut Checker, raw: &raw::Broker, folder: &Path, place: &Place) -> Option<Login> {
    let password = (raw.password_file.as_deref(), raw.password_env.as_deref());
    let (user, password) = secret::login(checker, folder, place, raw.username.as_deref(), password)?;
    Some(Login { user, password })
}

fn tls(checker: &mut Checker, raw: &raw::Broker, folder: &Path, place: &Place) -> Option<Tls> {
    if !raw.tls {
        let given = [
            ("ca_file", raw.ca_file.is_some()),
            ("client_cert_file", raw.client_cert_file.is_some()),
            ("client_key_file", raw.client_key_file.is_some()),
            ("server_name", raw.server_name.is_some()),
        ];
        for (key, _) in given.into_iter().filter(|(_, given)| *given) {
            checker.refuse(&place.key(key), "this is for TLS, which is off; set tls = true, or leave this out");
        }
        return None;
    }
    let Some(ca_file) = &raw.ca_file else {
        let problem = "TLS needs a ca_file: the certificates of the authorities that may vouch for the broker. For a public \
                       authority it is the system's own list, such as /etc/ssl/certs/ca-certificates.crt";
        checker.refuse(&place.key("tls"), problem);
        return None;
    };
    let client = match (&raw.client_cert_file, &raw.client_key_file) {
        (None, None) => None,
        (Some(cert), Some(key)) => {
            Some(ClientFiles { cert_file: secret::file(folder, cert), key_file: secret::file(folder, key) })
        }
        (Some(_), None) => {
            checker.refuse(&place.key("client_cert_file"), "a certificate needs its client_key_file beside it");
            return None;
        }
        (None, Some(_)) => {
            checker.refuse(&place.key("client_key_file"), "a key needs its client_cert_file beside it");
            return None;
        }
    };
    let tls = Tls { ca_file: secret::file(folder, ca_file), client, server_name: raw.server_name.clone() };
    checker.take(&place.key("tls"), tls.check(&raw.host))?;
    Some(tls)
}

#[cfg(test)]
mod tests {
    use super::super::Config;
    use super::Protocol;

    /// A small plant with these lines in its `[broker]`, beside a file of a password.
    fn read(broker: &str) -> Result<Config, String> {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("secret"), "hunter2\n").unwrap();
        std::fs::write(folder.path().join("empty"), "\n").unwrap();
        let text = format!(
            "[site]\nname = \"x\"\ntime_zone = \"UTC\"\ndata = \"data\"\n[broker]\nhost = \"10.0.0.5\"\n\
             client_id = \"c\"\n{broker}\n[[topics]]\ntopic = \"p/{{unit}}\"\nsignal = \"torque\"\nmeasure = \"N·m\"\n[units.K1]\n"
        );
        let path = folder.path().join("plant.toml");
        std::fs::write(&path, text).unwrap();
        Config::read(&path).map_err(|problems| problems.iter().map(|p| format!("{}: {}\n", p.key, p.problem)).collect())
    }

    #[test]
    fn a_password_comes_from_a_file_or_the_environment_and_is_never_shown() {
        let config = read("username = \"u\"\npassword_file = \"secret\"").unwrap();
        assert_eq!(config.broker.login.as_ref().unwrap().password, "hunter2");
        assert!(!format!("{config:?}").contains("hunter2"));
        // Cargo sets this variable for every test.
        let config = read("username = \"u\"\npassword_env = \"CARGO_PKG_NAME\"").unwrap();
        assert_eq!(config.broker.login.unwrap().password, "groovecast");
    }

    #[test]
    fn what_lacks_or_contradicts_is_named() {
        for (lines, key, says) in [
            ("username = \"u\"", "broker.username", "password_env"),
            ("password_file = \"secret\"", "broker.password_file", "username"),
            ("username = \"u\"\npassword_file = \"empty\"", "broker.password_file", "empty"),
            (
                "username = \"u\"\npassword_file = \"$CREDENTIALS_DIRECTORY/secrets_x\"",
                "broker.password_file",
                "groovecast-as-service",
            ),
            ("username = \"u\"\npassword_env = \"NO_SUCH_NAME_1\"", "broker.password_env", "NO_SUCH_NAME_1"),
            (
                "username = \"u\"\npassword_file = \"secret\"\npassword_env = \"PATH\"",
                "broker.password_env",
                "leave one",
            ),
            ("share = \"a/b\"", "broker.share", "such as groovecast"),
            ("protocol = \"4\"", "broker.protocol", "3.1.1"),
            ("tls = true", "broker.tls", "ca_file"),
            ("ca_file = \"ca.pem\"", "broker.ca_file", "tls = true"),
            ("tls = true\nca_file = \"ca.pem\"", "broker.tls", "ca.pem cannot be read"),
            ("tls = true\nca_file = \"secret\"", "broker.tls", "no certificate"),
            (
                "tls = true\nca_file = \"ca.pem\"\nclient_cert_file = \"c\"",
                "broker.client_cert_file",
                "client_key_file",
            ),
        ] {
            let problems = read(lines).map(|_| ()).expect_err(lines);
            assert!(problems.starts_with(key) && problems.contains(says), "{lines}: {problems}");
            assert!(!problems.contains("hunter2"), "{problems}");
        }
    }

    #[test]
    fn the_version_of_mqtt_is_the_newest_unless_it_is_said() {
        assert_eq!(read("").unwrap().broker.protocol, Protocol::Auto);
        assert_eq!(read("protocol = \"3.1.1\"").unwrap().broker.protocol, Protocol::V311);
        assert_eq!(read("protocol = \"5\"").unwrap().broker.protocol, Protocol::V5);
    }

    #[test]
    fn the_usual_port_depends_on_tls() {
        assert_eq!(read("").unwrap().broker.port, 1883);
        assert_eq!(read("port = 18830").unwrap().broker.port, 18830);
    }
}
