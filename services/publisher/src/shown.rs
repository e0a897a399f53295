//! Who reads: pages and pictures are told as their reader asked for.

use std::convert::Infallible;

use axum::extract::FromRequestParts;
use axum::http::request::Parts;

use crate::{Publisher, cookie};

/// What a page or a picture answers from: its words, numbers and units of measure are the reader's. What programs read
/// takes the publisher as it is, so that nobody's wishes change it.
pub(crate) struct Shown(pub Publisher);

impl FromRequestParts<Publisher> for Shown {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, publisher: &Publisher) -> Result<Self, Infallible> {
        let line = cookie::display(&parts.headers);
        Ok(Shown(publisher.to_people(|usual| line.map_or(usual, |line| usual.with_line(line)))))
    }
}
