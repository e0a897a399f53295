//! A request that is not answered as it wished: programs get a problem, people a page.

use axum::response::{IntoResponse, Response};

use crate::pages;
use crate::problem::Problem;

/// Why a request was refused, for who counts: the `code` of its problem.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Refused(pub &'static str);

/// Paths that programs read, or that are no pages.
const FOR_PROGRAMS: [&str; 5] = ["/api/", "/health/", "/charts/", "/metrics", "/photos/"];

/// Whether what is at a path is read by programs.
pub(crate) fn is_for_programs(path: &str) -> bool {
    FOR_PROGRAMS.iter().any(|start| path.starts_with(start))
}

/// The problem, in the form that fits the path.
pub(crate) fn refusal(path: &str, problem: Problem) -> Response {
    if is_for_programs(path) { problem.into_response() } else { pages::refused(problem) }
}
