//! Whom we believe to be who they say: authorities from a file, and words for what TLS refuses.

use std::error::Error;
use std::path::{Path, PathBuf};

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{CertificateError, Error as RustlsError, RootCertStore};

/// Why the authorities cannot be taken. It names the file and never shows what is in it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TrustError {
    /// The file cannot be read.
    #[error("{} cannot be read: {error}", file.display())]
    File {
        /// Which.
        file: PathBuf,
        /// Why.
        error: String,
    },
    /// It holds no certificate that can be used.
    #[error("{} has {found}; right would be PEM text with -----BEGIN CERTIFICATE-----", file.display())]
    Content {
        /// Which.
        file: PathBuf,
        /// What is there instead.
        found: String,
    },
}

/// The certificates of the authorities that may vouch for a server. Nobody else is trusted.
pub(crate) fn authorities(file: &Path) -> Result<Vec<CertificateDer<'static>>, TrustError> {
    let content = |found: String| TrustError::Content { file: file.to_owned(), found };
    let text =
        std::fs::read(file).map_err(|error| TrustError::File { file: file.to_owned(), error: error.to_string() })?;
    // The error itself could show a line of the file.
    let found: Vec<CertificateDer<'static>> = CertificateDer::pem_slice_iter(&text)
        .collect::<Result<_, _>>()
        .map_err(|_| content("broken PEM text".to_owned()))?;
    if found.is_empty() {
        return Err(content("no certificate".to_owned()));
    }
    let mut store = RootCertStore::empty();
    for certificate in &found {
        store.add(certificate.clone()).map_err(|error| content(error.to_string()))?;
    }
    Ok(found)
}

/// What TLS says is wrong, if it was TLS, and what may help.
pub(crate) fn explained(error: &(dyn Error + 'static)) -> Option<String> {
    let mut next = Some(error);
    while let Some(error) = next {
        let inside = error.downcast_ref::<std::io::Error>().and_then(|error| error.get_ref());
        let tls = error.downcast_ref::<RustlsError>().or_else(|| inside.and_then(|inner| inner.downcast_ref()));
        if let Some(tls) = tls {
            return Some(in_words(tls));
        }
        next = error.source();
    }
    None
}

fn in_words(error: &RustlsError) -> String {
    match error {
        RustlsError::InvalidCertificate(problem) => match problem {
            CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
                "its certificate has expired".to_owned()
            }
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
                "its certificate is not valid yet by our clock: is the clock right?".to_owned()
            }
            CertificateError::UnknownIssuer | CertificateError::BadSignature => {
                "no authority in ca_file vouches for its certificate: is it the right ca_file?".to_owned()
            }
            CertificateError::NotValidForNameContext { presented, .. } if !presented.is_empty() => {
                format!("its certificate is for {}, and not for the host in the config", presented.join(", "))
            }
            CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
                "its certificate is not for the host in the config".to_owned()
            }
            problem => format!("its certificate cannot be trusted: {problem}"),
        },
        RustlsError::InvalidMessage(_) => "what answers does not speak TLS: is this its port for TLS?".to_owned(),
        error => format!("TLS failed: {error}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_certificate_is_named_and_not_shown() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("ca.pem");
        let told = |text: Option<&str>| {
            text.into_iter().for_each(|text| std::fs::write(&file, text).unwrap());
            authorities(&file).unwrap_err().to_string()
        };
        assert!(told(None).contains("cannot be read"));
        assert!(told(Some("hunter2")).contains("no certificate"));
        let broken = told(Some("-----BEGIN CERTIFICATE-----\nhunter2!\n-----END CERTIFICATE-----\n"));
        assert!(broken.contains("ca.pem") && !broken.contains("hunter2"), "{broken}");
    }
}
