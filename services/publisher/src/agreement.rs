//! How far inspectors agree who read the same place at the same stop.

use axum::extract;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::Serialize;

use crate::Publisher;
use crate::api::Pretty;
use crate::figures::count;

/// Agreement beyond chance: 1 is full, 0 what chance would give.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AgreementKappa {
    /// The estimate.
    pub value: f64,
    /// Lower end of its 95 % interval.
    pub lower: f64,
    /// Upper end of it.
    pub upper: f64,
}

/// The first reader of a place at a stop against the second.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct ReaderAgreement {
    /// Places that two inspectors read at one stop.
    pub pairs: u64,
    /// Of these, places to which both gave the same grade.
    pub same: u64,
    /// Fewest pairs of which a kappa is told.
    pub least_pairs: u64,
    /// Only the same grade agrees; `None` for too few pairs, or if all have one grade.
    pub unweighted: Option<AgreementKappa>,
    /// Credit falls with the distance of the grades.
    pub linear: Option<AgreementKappa>,
    /// Credit falls with the square of the distance.
    pub quadratic: Option<AgreementKappa>,
    /// Pairs by the first reader's grade (rows, 0 to 4) and the second's (columns).
    pub table: Vec<Vec<u32>>,
}

impl ReaderAgreement {
    /// What can be said of it, in a sentence or two.
    pub(crate) fn sentence(&self) -> String {
        let ReaderAgreement { pairs, same, least_pairs, .. } = self;
        if *pairs == 0 {
            return format!(
                "No place was read by two inspectors at one stop: nothing is known of how far they agree. It takes some \
                 {least_pairs} double readings."
            );
        }
        let places = if *pairs == 1 { "1 place was".to_owned() } else { format!("{} places were", count(*pairs)) };
        let read =
            format!("{places} read by two inspectors at one stop; {} got the same grade from both.", count(*same));
        if pairs < least_pairs {
            return format!("{read} That is too few for more: it takes {least_pairs}.");
        }
        match self.linear {
            None => format!("{read} All have one grade, which says nothing of agreement beyond chance."),
            Some(_) => format!(
                "{read} Stations of one tube are no independent witnesses, so the intervals are rather too narrow."
            ),
        }
    }

    /// The kappas by name, for a table.
    pub(crate) fn rows(&self) -> Vec<[String; 3]> {
        let row = |name: &str, kappa: Option<AgreementKappa>| {
            let kappa = kappa?;
            let range = format!("{:.2} to {:.2}", kappa.lower, kappa.upper);
            Some([name.to_owned(), format!("{:.2}", kappa.value), range])
        };
        let named = [
            row("only the same grade agrees", self.unweighted),
            row("by the distance of the grades", self.linear),
            row("by the square of the distance", self.quadratic),
        ];
        named.into_iter().flatten().collect()
    }
}

#[derive(Serialize)]
struct AgreementJson<'a> {
    at: Timestamp,
    sentence: String,
    #[serde(flatten)]
    agreement: &'a ReaderAgreement,
}

/// `GET /api/v1/agreement`
pub(crate) async fn agreement(extract::State(publisher): extract::State<Publisher>) -> Response {
    let snapshot = publisher.newest();
    let agreement = &snapshot.agreement;
    Pretty(AgreementJson { at: snapshot.at, sentence: agreement.sentence(), agreement }).into_response()
}
