//! Photos of a finding: taken as they are, told by their first bytes, kept outside the database, shown as pictures only.

use std::fs;
use std::io::{self, Write};
use std::path::{Path as FilePath, PathBuf};

use axum::Extension;
use axum::body::Bytes;
use axum::extract::rejection::{BytesRejection, PathRejection, QueryRejection};
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use ledger::{NewPhoto, Photo};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::Publisher;
use crate::api::Pretty;
use crate::caller::Caller;
use crate::door::too_large;
use crate::findings::{no_such, number, stored};
use crate::problem::Problem;

/// Photos that one finding may have (house limit).
const MOST: usize = 20;
/// Longest name of a file as it is shown, in characters.
const LONGEST_NAME: usize = 80;

/// A picture is shown, never run: whatever is in the file, it may load and do nothing.
const POLICY: &str = "default-src 'none'; sandbox; frame-ancestors 'none'";

/// What a browser that sends the photo calls it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PhotoQuery {
    name: Option<String>,
}

#[derive(Serialize)]
struct PhotosJson<'a> {
    photos: Vec<PhotoJson<'a>>,
}

#[derive(Serialize)]
struct PhotoJson<'a> {
    id: i64,
    finding: i64,
    name: &'a str,
    media_type: &'a str,
    bytes: i64,
    sha256: &'a str,
    added_at: Timestamp,
    added_by: &'a str,
    url: String,
}

impl<'a> PhotoJson<'a> {
    fn of(photo: &'a Photo) -> Self {
        PhotoJson {
            id: photo.id,
            finding: photo.finding,
            name: &photo.name,
            media_type: &photo.media_type,
            bytes: photo.bytes,
            sha256: &photo.sha256,
            added_at: photo.added_at,
            added_by: &photo.added_by,
            url: format!("/photos/{}", photo.id),
        }
    }
}

/// `GET /api/v1/findings/{id}/photos`
pub(crate) async fn list(
    State(publisher): State<Publisher>,
    id: Result<Path<String>, PathRejection>,
) -> Result<Response, Problem> {
    let finding = stored(&publisher, id).await?;
    let photos = publisher.ledger.photos(finding.id).await?;
    Ok(Pretty(PhotosJson { photos: photos.iter().map(PhotoJson::of).collect() }).into_response())
}

/// `POST /api/v1/findings/{id}/photos`: the bytes of one picture.
pub(crate) async fn add(
    State(publisher): State<Publisher>,
    Extension(caller): Extension<Caller>,
    id: Result<Path<String>, PathRejection>,
    query: Result<Query<PhotoQuery>, QueryRejection>,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Problem> {
    let finding = stored(&publisher, id).await?;
    let Query(query) = query.map_err(|error| {
        let detail = format!("{}; right would be ?name=FILE or none", error.body_text());
        Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail)
    })?;
    let body = body.map_err(|error| match error.status() {
        StatusCode::PAYLOAD_TOO_LARGE => too_large(publisher.site.photo_bytes),
        status => Problem::new(status, "broken_body", error.body_text()),
    })?;
    let Some((media_type, ending)) = picture(&body) else {
        let detail = "this is no picture that is taken; right would be a JPEG, PNG or WebP".to_owned();
        return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "no_picture", detail));
    };
    let sha256: String = Sha256::digest(&body).iter().map(|byte| format!("{byte:02x}")).collect();
    let there = publisher.ledger.photos(finding.id).await?;
    // A photo that is sent again, because its answer was lost, is no further one.
    if there.len() >= MOST && there.iter().all(|photo| photo.sha256 != sha256) {
        let detail = format!("this finding has {} photos already; right would be {MOST} at most", there.len());
        return Err(Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "too_many_photos", detail));
    }
    let stored_as = format!("{sha256}.{ending}");
    let (folder, name, bytes) = (publisher.photos.clone(), stored_as.clone(), body.clone());
    let kept = tokio::task::spawn_blocking(move || keep(&folder, &name, &bytes)).await;
    if let Err(error) = kept.unwrap_or_else(|broken| Err(io::Error::other(broken))) {
        tracing::error!(%error, folder = %publisher.photos.display(), "a photo could not be kept");
        let detail = "the photo could not be kept; the service's log says why".to_owned();
        return Err(Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "not_kept", detail));
    }
    let name = shown_name(query.name.as_deref().unwrap_or_default(), ending);
    let photo = NewPhoto {
        finding: finding.id,
        name,
        media_type: media_type.to_owned(),
        bytes: body.len() as i64,
        sha256,
        stored_as,
    };
    let photo = publisher.ledger.add_photo(&photo, &caller.by(publisher.clock.now())).await?;
    Ok((StatusCode::CREATED, Pretty(PhotoJson::of(&photo))).into_response())
}

/// `GET /photos/{id}`
pub(crate) async fn show(
    State(publisher): State<Publisher>,
    id: Result<Path<String>, PathRejection>,
) -> Result<Response, Problem> {
    let id = number(id, "photo")?;
    let photo = publisher.ledger.photo(id).await?.ok_or_else(|| no_such("photo", &id.to_string()))?;
    let path = publisher.photos.join(&photo.stored_as);
    let read = tokio::task::spawn_blocking(move || fs::read(path)).await;
    let bytes = read.unwrap_or_else(|broken| Err(io::Error::other(broken))).map_err(|error| {
        tracing::error!(%error, photo = id, file = photo.stored_as, "a photo could not be read");
        let detail = format!("the file of photo {id} cannot be read; the service's log says why");
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "photo_missing", detail)
    })?;
    // What the bytes say now decides, not what a row says: the type is one of three, or it is not sent.
    let Some((media_type, ending)) = picture(&bytes) else { return Err(no_such("photo", &id.to_string())) };
    let named = HeaderValue::from_str(&format!("inline; filename=\"{}\"", file_name(&photo.name, ending)));
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(media_type)),
        (header::CONTENT_DISPOSITION, named.expect("only plain letters are left")),
        (header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY)),
        (header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache")),
    ];
    Ok((headers, bytes).into_response())
}

/// What kind of picture it is: media type and ending.
fn picture(bytes: &[u8]) -> Option<(&'static str, &'static str)> {
    use infer::image::{is_jpeg, is_png, is_webp};
    if is_jpeg(bytes) {
        Some(("image/jpeg", "jpg"))
    } else if is_png(bytes) {
        Some(("image/png", "png"))
    } else if is_webp(bytes) {
        Some(("image/webp", "webp"))
    } else {
        None
    }
}

/// Writes a file whole or not at all. Its name is of its bytes: if it is there, it is the same.
fn keep(folder: &FilePath, name: &str, bytes: &[u8]) -> io::Result<()> {
    let place: PathBuf = folder.join(name);
    if place.exists() {
        return Ok(());
    }
    fs::create_dir_all(folder)?;
    // Two requests may bring the same picture at once: each writes a file of its own, and either may stay.
    let unfinished = folder.join(format!("{name}.{:?}.part", std::thread::current().id()));
    let mut file = fs::File::create(&unfinished)?;
    let written = file.write_all(bytes).and_then(|()| file.sync_all()).and_then(|()| fs::rename(&unfinished, &place));
    if let Err(error) = written {
        // The first error is the one to tell; a rest that cannot be removed either is only a few megabytes.
        let _ = fs::remove_file(&unfinished);
        return Err(error);
    }
    fs::File::open(folder)?.sync_all()
}

/// The name under which a photo is shown: of what the browser called it, only what is plain.
fn shown_name(name: &str, ending: &str) -> String {
    let last = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let plain: String = last.chars().filter(|letter| !letter.is_control()).take(LONGEST_NAME).collect();
    let plain = plain.trim();
    if plain.is_empty() { format!("photo.{ending}") } else { plain.to_owned() }
}

/// A name for a header: letters, digits, dot, hyphen and underscore stay (RFC 6266, 4.3 and appendix D). Its ending is that
/// of the picture: on the disk of whoever keeps it there is no header that says so, and a page would be opened as a page.
fn file_name(name: &str, ending: &str) -> String {
    let plain = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '.' | '-' | '_');
    let name: String = name.chars().map(|letter| if plain(letter) { letter } else { '_' }).collect();
    let own = name.rsplit_once('.').map(|(_, own)| own.to_ascii_lowercase()).unwrap_or_default();
    if own == ending || (own == "jpeg" && ending == "jpg") { name } else { format!("{name}.{ending}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_only_a_name() {
        assert_eq!(shown_name("C:\\x\\..\\wall 3.jpg", "jpg"), "wall 3.jpg");
        assert_eq!(shown_name("../../etc/passwd", "jpg"), "passwd");
        assert_eq!(shown_name("\u{0}\n", "png"), "photo.png");
        assert_eq!(file_name("wall \"3\".jpg\r\nx: y", "jpg"), "wall__3_.jpg__x__y.jpg");
    }

    #[test]
    fn a_picture_is_kept_under_the_ending_of_a_picture() {
        for (name, ending) in [("wall.png", "png"), ("wall.JPG", "jpg"), ("wall.jpeg", "jpg")] {
            assert_eq!(file_name(name, ending), name);
        }
        for name in ["wall.html", "wall.svg", "wall.png.exe", "wall", "wall.", "wall.jpg"] {
            assert_eq!(file_name(name, "png"), format!("{name}.png"));
        }
    }

    #[test]
    fn pictures_are_told_by_their_first_bytes() {
        // PNG (RFC 2083, 12.11), JPEG (ITU-T T.81, B.1.1.3: SOI, then a marker), WebP (RFC 9649, 2.4).
        assert_eq!(picture(b"\x89PNG\r\n\x1a\n....").unwrap().0, "image/png");
        assert_eq!(picture(b"\xff\xd8\xff\xe0....").unwrap().0, "image/jpeg");
        assert_eq!(picture(b"RIFF\x10\0\0\0WEBPVP8 ").unwrap().0, "image/webp");
        for other in [&b"<svg xmlns='x'>"[..], b"<!doctype html>", b"GIF89a..", b"%PDF-1.7", b"BM......", b""] {
            assert_eq!(picture(other), None);
        }
    }
}
