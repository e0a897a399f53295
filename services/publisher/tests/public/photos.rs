use plant::Role;
use serde_json::json;

use crate::desk::Desk;

/// The first bytes by which each is known: RFC 2083, 12.11 (PNG); ITU-T T.81, B.1.1.3 (JPEG); RFC 9649, 2.4 (WebP).
pub const PICTURES: [(&str, &[u8]); 3] = [
    ("image/png", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"),
    ("image/jpeg", b"\xff\xd8\xff\xe0\0\x10JFIF\0"),
    ("image/webp", b"RIFF\x24\0\0\0WEBPVP8 \x18\0\0\0"),
];

async fn desk_with_a_finding() -> (Desk, String, String) {
    let desk = Desk::with_tubes().await;
    let token = format!("Bearer {}", desk.token(Role::Inspector).await);
    let body = json!({ "at": "2026-05-11T09:30:00Z", "tube": "T-0042", "grade": 2 });
    let added = desk.send(&token[7..], "/api/v1/findings", &[], &body).await;
    let url = added.json()["findings"][0]["url"].as_str().expect("a finding").to_owned();
    (desk, token, format!("{url}/photos"))
}

#[tokio::test]
async fn a_photo_comes_back_as_it_was_sent_and_as_a_picture_only() {
    let (desk, token, to) = desk_with_a_finding().await;
    for (media, bytes) in PICTURES {
        // A picture that is a page too: whoever opens it must get a picture.
        let bytes = [bytes, b"<script>alert(1)</script>"].concat();
        // What the sender says of the type does not count.
        let headers = [("authorization", &*token), ("content-type", "text/html")];
        let name = "..%2F..%2Fwall%22%0D%0Ax%3A+y.html";
        let added = desk.ask("POST", &format!("{to}?name={name}"), &headers, bytes.clone()).await;
        assert_eq!(added.status.as_u16(), 201, "{}", added.body);
        let told = added.json();
        assert_eq!((&told["media_type"], &told["bytes"]), (&json!(media), &json!(bytes.len())));
        let shown = desk.ask("GET", told["url"].as_str().unwrap(), &[], "").await;
        assert_eq!(shown.body, String::from_utf8_lossy(&bytes));
        assert_eq!(shown.header("content-type"), media);
        assert_eq!(shown.header("x-content-type-options"), "nosniff");
        assert_eq!(shown.header("content-security-policy"), "default-src 'none'; sandbox; frame-ancestors 'none'");
        let ending = media.trim_start_matches("image/").replace("jpeg", "jpg");
        // Saved under the ending of a page it would be one: on a disk no header says otherwise.
        let named = format!("inline; filename=\"wall_x__y.html.{ending}\"");
        assert_eq!(shown.header("content-disposition"), named);
        let stored = desk.photos().join(format!("{}.{ending}", told["sha256"].as_str().unwrap()));
        assert_eq!(std::fs::read(stored).unwrap(), bytes);
    }
    let listed = desk.ask("GET", &to, &[], "").await.json();
    assert_eq!(listed["photos"].as_array().unwrap().len(), PICTURES.len());
    assert_eq!(std::fs::read_dir(desk.photos()).unwrap().count(), PICTURES.len(), "nothing unfinished is left");
}

#[tokio::test]
async fn what_is_no_picture_or_too_large_is_refused() {
    let (desk, token, to) = desk_with_a_finding().await;
    let svg: &[u8] = b"<svg xmlns=\"http://www.w3.org/2000/svg\" onload=\"alert(1)\"/>";
    for other in [svg, b"<!doctype html>", b"GIF89a", b"%PDF-1.7", b"MZ\x90\0", b""] {
        let headers = [("authorization", &*token), ("content-type", "image/png")];
        let refused = desk.ask("POST", &to, &headers, other).await;
        assert_eq!((refused.status.as_u16(), refused.json()["code"].as_str()), (415, Some("no_picture")));
    }
    // The invented site takes 200 000 bytes.
    let mut large = PICTURES[1].1.to_vec();
    large.resize(200_001, 0);
    let refused = desk.ask("POST", &to, &[("authorization", &token)], large.clone()).await;
    assert_eq!((refused.status.as_u16(), refused.json()["code"].as_str()), (413, Some("too_large")));
    large.pop();
    assert_eq!(desk.ask("POST", &to, &[("authorization", &token)], large).await.status.as_u16(), 201);
    let nowhere = desk.ask("POST", "/api/v1/findings/999/photos", &[("authorization", &token)], PICTURES[0].1).await;
    assert_eq!(nowhere.status.as_u16(), 404);
    for uri in ["/photos/999", "/photos/x", "/photos/..%2F..%2Fetc%2Fpasswd", "/photos/-1"] {
        assert_eq!(desk.ask("GET", uri, &[], "").await.status.as_u16(), 404, "{uri}");
    }
}

#[tokio::test]
async fn the_same_photo_of_two_findings_is_one_file() {
    let (desk, token, to) = desk_with_a_finding().await;
    let body = json!({ "at": "2026-05-11T10:00:00Z", "tube": "T-0043", "grade": 1 });
    let other = desk.send(&token[7..], "/api/v1/findings", &[], &body).await;
    let other = format!("{}/photos", other.json()["findings"][0]["url"].as_str().unwrap());
    for to in [&to, &other] {
        let added = desk.ask("POST", to, &[("authorization", &token)], PICTURES[0].1).await;
        assert_eq!(added.status.as_u16(), 201, "{}", added.body);
    }
    assert_eq!(std::fs::read_dir(desk.photos()).unwrap().count(), 1);
}

#[tokio::test]
async fn a_finding_is_full_at_twenty_photos_and_one_sent_again_is_no_further_one() {
    let (desk, token, to) = desk_with_a_finding().await;
    for number in 0..21u8 {
        let bytes = [PICTURES[0].1, &[number]].concat();
        let added = desk.ask("POST", &to, &[("authorization", &token)], bytes).await;
        assert_eq!(added.status.as_u16(), if number < 20 { 201 } else { 422 }, "{}", added.body);
    }
    let again = [PICTURES[0].1, &[7]].concat();
    let again = desk.ask("POST", &to, &[("authorization", &token)], again).await;
    assert_eq!(again.status.as_u16(), 201, "{}", again.body);
    assert_eq!(desk.ask("GET", &to, &[], "").await.json()["photos"].as_array().unwrap().len(), 20);
}
