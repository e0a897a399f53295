//! What people and dashboards read: HTTP, pages and MQTT messages.
//!
//! What it says of risks comes from the newest [`Snapshot`], which the caller evaluates and sends through a watch
//! channel; what people write goes through the door of its route into the ledger. Of its own the room holds only how often
//! somebody tried to log in or wrote; socket, clock and shutdown are the caller's. A chance that is
//! not known is said to be unknown in every form: never null drawn as zero, never at the end of a ranking as if safe.

mod accept;
mod access;
#[cfg(test)]
mod access_tests;
mod advice;
mod advice_page;
mod agreement;
mod allowance;
mod api;
mod app;
mod approvals;
mod asides;
mod audit;
mod board;
mod caller;
mod chance;
mod changeover_rows;
mod changeovers;
mod chart_board;
mod chart_costs;
mod chart_life;
mod chart_losses;
mod chart_reliability;
mod chart_track;
mod chart_tube;
mod chart_walls;
mod charts;
mod choice;
mod conditional;
mod cookie;
mod corrections;
mod csv_tables;
mod display;
mod display_page;
mod door;
mod drawing;
mod drivers;
mod entry_page;
mod exposition;
mod exposure_table;
mod figures;
mod finding_body;
mod finding_json;
mod finding_page;
mod findings;
mod findings_page;
mod form;
mod ink;
mod interval;
mod kept;
mod latent_terms;
mod lettering;
mod login;
mod look_first;
mod look_words;
mod messages;
mod metrics;
mod missing;
mod models;
mod models_page;
mod need;
mod next_step;
mod next_stops;
mod notices;
mod openapi;
mod openapi_page;
mod opening;
mod origin;
mod pages;
mod photos;
mod plain_page;
mod plans;
mod plot_frame;
mod png;
mod problem;
mod product_pace;
mod published;
mod rank;
mod readiness;
mod refusal;
mod run_hours;
mod same_site;
mod serve;
mod short_code;
mod shown;
mod signals_page;
mod site;
mod snapshot;
mod standing;
mod stop_ask;
mod stop_board;
mod stop_days;
mod stop_form;
mod stop_json;
mod stop_page;
mod stop_words;
mod suspicions;
mod tally;
mod text;
mod throttle;
mod track;
mod track_page;
mod trial;
mod tube_page;
mod until;
mod validation;
mod validation_page;
mod voice;
mod wall;
mod wear_map;
mod words;
mod worksheet;

pub use agreement::{AgreementKappa, ReaderAgreement};
pub use app::{Publisher, app};
pub use display::{BadDisplay, DISPLAY_KEYS, Decimal, Display, Group, LengthUnit, TemperatureUnit, TorqueUnit};
pub use interval::{Interval, LongestInterval};
pub use ledger::Telling;
pub use messages::{
    Message, advice_message, collector_message, offline_message, online_message, risk_messages, unit_topics,
};
pub use models::{Contender, FittedTerm, ModelBasis, ModelEntry, ModelStatus};
pub use notices::{Notice, notice, trial_notice};
pub use opening::{Costs, NoCrew, Opening, Span};
pub use origin::{BadOrigin, Origin};
pub use product_pace::{ProductPace, ProductPaces};
pub use readiness::{Lack, lacks};
pub use serve::{ServeError, serve};
pub use site::{ReadAccess, Site};
pub use snapshot::{
    CollectorSeen, ConfigState, Disk, Journal, KnownShare, Link, Month, Snapshot, Totals, Trial, TubeDetail,
};
pub use text::{BadText, Text};
pub use track::{Drift, MarkedScore, TrackLine, TrackRecord};
pub use validation::{
    Concordance, DecisionCost, Estimate, FoldCounts, Forecast, ForecastScores, Honesty, ReliabilityBin, ReportCounts,
    RollingScores, RollingYear, Skill, ValidationReport, YearCost,
};
pub use validation_page::{ReportError, ReportSubject, validation_file};
pub use voice::Voice;
pub use wear_map::{WearCell, WearMap};
pub use worksheet::worksheet_file;
