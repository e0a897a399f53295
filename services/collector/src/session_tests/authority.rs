//! Certificates for tests, made and signed by the `openssl` command: what judges ours is not what made them.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use tempfile::TempDir;

/// An authority with a folder of its own.
pub(crate) struct Authority {
    folder: TempDir,
}

/// A certificate and its key.
pub(crate) struct Pair {
    pub(crate) cert: PathBuf,
    pub(crate) key: PathBuf,
}

impl Authority {
    pub(crate) fn new(name: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let subject = format!("/CN={name}");
        openssl(folder.path(), &["req", "-x509", "-days", "2", "-subj", &subject, "-out", "ca.pem"], "ca.key");
        Self { folder }
    }

    /// Its own certificate.
    pub(crate) fn file(&self) -> PathBuf {
        self.folder.path().join("ca.pem")
    }

    /// A certificate for `name`, valid for two days from now.
    pub(crate) fn issue(&self, name: &str, alternative_names: &str) -> Pair {
        let pair = self.request(name, alternative_names);
        let (request, cert) = (format!("{name}.csr"), format!("{name}.pem"));
        let sign = ["x509", "-req", "-in", &request, "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"];
        let rest = ["-copy_extensions", "copy", "-days", "2", "-out", &cert];
        run(self.folder.path(), &[&sign[..], &rest[..]].concat());
        pair
    }

    /// One that was valid in January and February 2020.
    pub(crate) fn issue_expired(&self, name: &str, alternative_names: &str) -> Pair {
        let folder = self.folder.path();
        let pair = self.request(name, alternative_names);
        let book = "[ca]\ndefault_ca = book\n[book]\ndatabase = index.txt\nnew_certs_dir = .\nrand_serial = yes\n\
                    default_md = sha256\npolicy = any\ncopy_extensions = copy\n[any]\ncommonName = supplied\n";
        std::fs::write(folder.join("book.conf"), book).unwrap();
        std::fs::write(folder.join("index.txt"), "").unwrap();
        let (request, cert) = (format!("{name}.csr"), format!("{name}.pem"));
        let sign = ["ca", "-batch", "-notext", "-config", "book.conf", "-cert", "ca.pem", "-keyfile", "ca.key"];
        let rest = ["-startdate", "20200101000000Z", "-enddate", "20200301000000Z", "-in", &request, "-out", &cert];
        run(folder, &[&sign[..], &rest[..]].concat());
        pair
    }

    fn request(&self, name: &str, alternative_names: &str) -> Pair {
        let folder = self.folder.path();
        let (request, key) = (format!("{name}.csr"), format!("{name}.key"));
        let (subject, names) = (format!("/CN={name}"), format!("subjectAltName={alternative_names}"));
        openssl(folder, &["req", "-subj", &subject, "-addext", &names, "-out", &request], &key);
        Pair { cert: folder.join(format!("{name}.pem")), key: folder.join(key) }
    }

    /// The key once more, under a passphrase.
    pub(crate) fn lock(&self, key: &Path) -> PathBuf {
        let locked = key.with_extension("locked");
        let (from, to) = (key.to_str().unwrap(), locked.to_str().unwrap());
        run(self.folder.path(), &["pkcs8", "-topk8", "-passout", "pass:hunter2", "-in", from, "-out", to]);
        locked
    }
}

fn openssl(folder: &Path, arguments: &[&str], key: &str) {
    let new_key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", key];
    run(folder, &[arguments, &new_key[..]].concat());
}

fn run(folder: &Path, arguments: &[&str]) {
    let output = Command::new("openssl").args(arguments).current_dir(folder).stdin(Stdio::null()).output();
    let output = output.expect("openssl is not installed: ./tests/setup installs it");
    assert!(output.status.success(), "openssl {arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
}
