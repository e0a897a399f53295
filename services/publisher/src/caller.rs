//! Who asks: a person with a session, or a machine with a token.

use axum::http::{HeaderMap, StatusCode, header};
use jiff::Timestamp;
use ledger::By;
use plant::Role;

use crate::problem::Problem;
use crate::{Publisher, cookie};

/// Who asks, as the ledger knows them.
#[derive(Debug, Clone)]
pub(crate) struct Caller {
    /// The name under which writes are kept.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// The token that forms of this session carry; a machine has none and needs none.
    pub csrf: Option<String>,
}

impl Caller {
    /// Who wrote, and when.
    pub(crate) fn by(&self, at: Timestamp) -> By {
        By { who: self.name.clone(), at }
    }

    /// Finds out who asks; `None` if nobody says, or says it with a session that is over.
    ///
    /// # Errors
    /// A problem if there is a token that nobody gave out, another way to log in than by token or session, or no answer
    /// from the ledger.
    pub(crate) async fn of(publisher: &Publisher, headers: &HeaderMap) -> Result<Option<Caller>, Problem> {
        if let Some(value) = headers.get(header::AUTHORIZATION) {
            // RFC 6750, 2.1; the scheme's name is the same in any case (RFC 9110, 11.1).
            let (scheme, secret) = value.to_str().ok().and_then(|value| value.split_once(' ')).unwrap_or_default();
            if !scheme.eq_ignore_ascii_case("bearer") {
                let detail = "this way of logging in is not taken; right would be `Authorization: Bearer TOKEN`";
                return Err(Problem::new(StatusCode::UNAUTHORIZED, "bad_authorization", detail.to_owned()));
            }
            return match publisher.ledger.token(secret.trim()).await? {
                Some(token) => Ok(Some(Caller { name: token.name, role: token.role, csrf: None })),
                None => {
                    let detail = "this token is not known or was revoked; an admin gives out a new one with \
                                  `groovecast tokens add`";
                    Err(Problem::new(StatusCode::UNAUTHORIZED, "bad_token", detail.to_owned()))
                }
            };
        }
        let Some(secret) = cookie::secret(headers, publisher.site.https) else { return Ok(None) };
        let session = publisher.ledger.session(secret, publisher.clock.now()).await?;
        Ok(session.map(|session| Caller {
            name: session.person.name,
            role: session.person.role,
            csrf: Some(session.csrf),
        }))
    }
}
