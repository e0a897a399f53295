//! Who may read, and what a login is like.

use jiff::SignedDuration;
use publisher::ReadAccess;

use super::check::Checker;
use super::place::Place;
use super::{Access, raw};

/// The raw table checked. Where the pages are served beyond this machine, it must be said who may read.
pub fn access(checker: &mut Checker, raw: &raw::Access, beyond_this_machine: bool, place: &Place) -> Access {
    let reading = match raw.reading.as_deref() {
        Some("open") => Some(ReadAccess::Open),
        Some("login") => Some(ReadAccess::Login),
        Some(other) => {
            checker.refuse(&place.key("reading"), format!("{other:?} is neither; right would be open or login"));
            None
        }
        None => {
            if beyond_this_machine {
                checker.refuse(
                    &place.key("reading"),
                    "the pages are served beyond this machine, so it must be said who may read; right would be \
                     reading = \"open\" (anybody who reaches them) or \"login\" below [access]",
                );
            }
            None
        }
    };
    let session_h = checker.within(&place.key("session_h"), raw.session_h, 0.25, 720.0, "h");
    let photo_mib = checker.within(&place.key("max_photo_mib"), f64::from(raw.max_photo_mib), 1.0, 100.0, "MiB");
    Access {
        reading,
        https: raw.https,
        session_lasts: SignedDuration::from_secs((session_h * 3600.0) as i64),
        photo_bytes: photo_mib as usize * 1024 * 1024,
    }
}
