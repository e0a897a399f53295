//! Answers kept as long as the plant stands as they say: made once per snapshot and question, however many ask.

use std::collections::HashMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, Weak};
use std::time::{Duration, Instant};

use axum::body::{Body, Bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use tokio::sync::OnceCell;

use crate::accept::wants_csv;
use crate::conditional::{self, Tagged};
use crate::tally::held;
use crate::{Publisher, Snapshot, cookie};

/// Answers tell how long ago something was: they are made anew after so long even if no new snapshot has come.
const LASTS: Duration = Duration::from_secs(2);
/// So many answers are kept at most, and so many bytes of them; what is asked beyond that is made each time.
const MOST: usize = 500;
const MOST_BYTES: usize = 64 * 1024 * 1024;
/// A longer question than this is not kept, bytes.
const LONGEST: usize = 500;

/// All that an answer depends on besides the plant. Whoever lets an answer depend on anything else of a request, such as who
/// asks, has to put it in here.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct Question {
    path_and_query: String,
    csv: bool,
    wishes: String,
}

impl Question {
    /// `None` for what is not kept.
    fn of(request: &Request) -> Option<Self> {
        let asked = request.uri().path_and_query()?.as_str();
        let wishes = cookie::wishes(request.headers());
        let fits = request.method() == Method::GET && asked.len() + wishes.len() <= LONGEST;
        fits.then(|| Question { path_and_query: asked.to_owned(), csv: wants_csv(request.headers()), wishes })
    }
}

/// An answer as it is sent, with its tag among the headers.
struct Answer {
    headers: HeaderMap,
    body: Bytes,
}

/// Who comes first makes the answer, and the others wait for it.
type Place = Arc<OnceCell<Answer>>;

/// The answers that tell of one snapshot.
struct Shelf {
    of: Weak<Snapshot>,
    begun: Instant,
    places: HashMap<Question, Place>,
    bytes: Arc<AtomicUsize>,
}

impl Shelf {
    fn new(of: Weak<Snapshot>) -> Self {
        Shelf { of, begun: Instant::now(), places: HashMap::new(), bytes: Arc::default() }
    }
}

/// What is kept.
pub(crate) struct Kept(Mutex<Shelf>);

impl Default for Kept {
    fn default() -> Self {
        Kept(Mutex::new(Shelf::new(Weak::new())))
    }
}

impl Kept {
    /// The place of an answer, and the count of bytes that it adds to; `None` if there is no more room.
    fn place(&self, snapshot: &Arc<Snapshot>, question: Question) -> Option<(Place, Arc<AtomicUsize>)> {
        let mut shelf = held(&self.0);
        if !std::ptr::eq(shelf.of.as_ptr(), Arc::as_ptr(snapshot)) || shelf.begun.elapsed() >= LASTS {
            *shelf = Shelf::new(Arc::downgrade(snapshot));
        }
        let bytes = shelf.bytes.clone();
        if let Some(place) = shelf.places.get(&question) {
            return Some((place.clone(), bytes));
        }
        if shelf.places.len() >= MOST || bytes.load(Ordering::Relaxed) >= MOST_BYTES {
            return None;
        }
        let place = Place::default();
        shelf.places.insert(question, place.clone());
        Some((place, bytes))
    }
}

/// Answers from what is kept, or makes an answer and keeps it. Only what went well and may be stored is kept.
pub(crate) async fn kept(State(publisher): State<Publisher>, request: Request, next: Next) -> Response {
    let asked = request.headers().get(header::IF_NONE_MATCH).cloned();
    let place = Question::of(&request).and_then(|question| publisher.kept.place(&publisher.newest(), question));
    let Some((place, bytes)) = place else { return next.run(request).await };
    let made = async || {
        let response = conditional::tagged(next.run(request).await).await?;
        let (parts, body) = response.into_parts();
        bytes.fetch_add(body.len(), Ordering::Relaxed);
        Ok(Answer { headers: parts.headers, body })
    };
    match place.get_or_try_init(made).await {
        Ok(answer) => given(answer, asked.as_ref()),
        Err(response) => response,
    }
}

fn given(answer: &Answer, asked: Option<&HeaderValue>) -> Response {
    if let Some(unchanged) = conditional::unchanged(&answer.headers, asked) {
        return unchanged;
    }
    let mut response = Body::from(answer.body.clone()).into_response();
    *response.headers_mut() = answer.headers.clone();
    response.extensions_mut().insert(Tagged);
    response
}
