//! Signatures of requests: HTTP Message Signatures (RFC 9421) with HMAC-SHA256 over what RFC 9530 says of the body.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::{Digest, Sha256};

use crate::Secret;

/// The header `Content-Digest` of a body (RFC 9530, section 2).
pub(crate) fn content_digest(body: &[u8]) -> String {
    format!("sha-256=:{}:", BASE64_STANDARD.encode(Sha256::digest(body)))
}

/// What is signed, under which key's name, and when, s since 1970.
pub(crate) struct Signed<'a> {
    /// Names of components and their values, in order (RFC 9421, section 2).
    pub components: &'a [(&'a str, &'a str)],
    pub key_id: &'a str,
    pub created_s: i64,
}

impl Signed<'_> {
    /// The values of the headers `Signature-Input` and `Signature` (section 4), labelled `sig1`.
    pub(crate) fn headers(&self, secret: &Secret) -> (String, String) {
        let names: Vec<String> = self.components.iter().map(|(name, _)| format!("\"{name}\"")).collect();
        let parameters =
            format!("({});created={};keyid=\"{}\";alg=\"hmac-sha256\"", names.join(" "), self.created_s, self.key_id);
        (format!("sig1={parameters}"), format!("sig1=:{}:", self.signature(&parameters, secret)))
    }

    /// Of the signature base (section 2.5), by HMAC-SHA256 (section 3.3.3), in base64.
    fn signature(&self, parameters: &str, secret: &Secret) -> String {
        let lines: String = self.components.iter().map(|(name, value)| format!("\"{name}\": {value}\n")).collect();
        let base = format!("{lines}\"@signature-params\": {parameters}");
        sealed(secret.reveal().as_bytes(), base.as_bytes())
    }
}

fn sealed(key: &[u8], base: &[u8]) -> String {
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("HMAC takes a key of any length (RFC 2104)");
    mac.update(base);
    BASE64_STANDARD.encode(mac.finalize().into_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_standards_own_signature_comes_out() {
        // RFC 9421, appendix B.2.5, with the key of appendix B.1.5.
        let key = BASE64_STANDARD
            .decode("uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ==")
            .unwrap();
        let base = "\"date\": Tue, 20 Apr 2021 02:07:55 GMT\n\"@authority\": example.com\n\"content-type\": application/json\n\
                    \"@signature-params\": (\"date\" \"@authority\" \"content-type\");created=1618884473;keyid=\"test-shared-secret\"";
        assert_eq!(sealed(&key, base.as_bytes()), "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8=");
    }

    #[test]
    fn the_base_has_a_line_for_each_component_and_ends_with_the_parameters() {
        let signed =
            Signed { components: &[("@method", "POST"), ("@path", "/a")], key_id: "desk", created_s: 1_618_884_473 };
        let secret = Secret::new("s".repeat(32));
        let (input, signature) = signed.headers(&secret);
        assert_eq!(input, "sig1=(\"@method\" \"@path\");created=1618884473;keyid=\"desk\";alg=\"hmac-sha256\"");
        let base = format!("\"@method\": POST\n\"@path\": /a\n\"@signature-params\": {}", &input["sig1=".len()..]);
        assert_eq!(signature, format!("sig1=:{}:", sealed("s".repeat(32).as_bytes(), base.as_bytes())));
    }

    #[test]
    fn the_digest_is_the_one_of_the_standard() {
        // RFC 9530: the digest of {"hello": "world"} plus LF; `openssl dgst -sha256 -binary | base64` gives the same.
        assert_eq!(
            content_digest(b"{\"hello\": \"world\"}\n"),
            "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"
        );
    }
}
