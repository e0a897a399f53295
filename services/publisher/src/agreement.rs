//! How far inspectors agree who read the same place at the same stop.

use axum::extract;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::Serialize;

use crate::api::Pretty;
use crate::{Publisher, Voice};

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
    pub(crate) fn sentence(&self, voice: &Voice) -> String {
        let ReaderAgreement { pairs, same, least_pairs, .. } = self;
        if *pairs == 0 {
            return voice.tell("agreement-none", &[("least", &least_pairs)]);
        }
        let read = voice.tell(
            "agreement-read",
            &[("count", &pairs), ("places", &voice.count(*pairs)), ("same", &voice.count(*same))],
        );
        if pairs < least_pairs {
            return voice.tell("agreement-few", &[("read", &read), ("least", &least_pairs)]);
        }
        match self.linear {
            None => voice.tell("agreement-one-grade", &[("read", &read)]),
            Some(_) => voice.tell("agreement-narrow", &[("read", &read)]),
        }
    }

    /// The kappas by name, for a table.
    pub(crate) fn rows(&self, voice: &Voice) -> Vec<[String; 3]> {
        let row = |name: String, kappa: Option<AgreementKappa>| {
            let kappa = kappa?;
            let range = voice
                .tell("range", &[("low", &voice.decimal(kappa.lower, 2)), ("high", &voice.decimal(kappa.upper, 2))]);
            Some([name, voice.decimal(kappa.value, 2), range])
        };
        let named = [
            row(voice.say("agreement-unweighted"), self.unweighted),
            row(voice.say("agreement-linear"), self.linear),
            row(voice.say("agreement-quadratic"), self.quadratic),
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
    Pretty(AgreementJson { at: snapshot.at, sentence: agreement.sentence(&publisher.site.voice), agreement })
        .into_response()
}
