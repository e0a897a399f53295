//! How a model is fitted and judged.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

/// Which rows an intervals table has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Rows {
    /// The tube's worst place.
    Worst,
    /// Every station.
    Station,
}

/// Which standard errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum StandardErrors {
    /// From the observed information.
    Observed,
    /// From the expected information.
    Expected,
}

/// On which scale the ridge is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum RidgeScale {
    /// In each column's own unit.
    Raw,
    /// Per standard deviation.
    Sd,
}

/// Fit a wear model.
#[derive(Debug, Args)]
pub struct Fit {
    /// The plant's own record.
    #[arg(long, value_name = "FILE", required_unless_present = "table", conflicts_with = "table")]
    pub config: Option<PathBuf>,
    /// A table (CSV or Parquet) instead; given several times, each is a site of its own, called by the name of its file.
    #[arg(long, value_name = "FILE")]
    pub table: Vec<PathBuf>,
    /// The table's column of the site: each further site gets an offset of its own against the first, without a penalty.
    #[arg(long, value_name = "COL", requires = "table")]
    pub site: Option<String>,
    /// The grade whose onset is modelled.
    #[arg(long, value_name = "G", value_parser = clap::value_parser!(u8).range(1..=4))]
    pub limit: Option<u8>,
    /// Columns that enter.
    #[arg(long, value_name = "A,B,C", value_delimiter = ',')]
    pub terms: Option<Vec<String>>,
    /// Columns that enter without a penalty.
    #[arg(long, value_name = "D,E", value_delimiter = ',')]
    pub unpenalised: Vec<String>,
    /// Ridge penalty.
    #[arg(long, value_name = "L", allow_negative_numbers = true)]
    pub ridge: Option<f64>,
    /// On which scale the penalty is (default: sd with --table, raw with --config).
    #[arg(long, value_enum)]
    pub ridge_scale: Option<RidgeScale>,
    /// Shape of the hazard over run hours: a number, or `fit`.
    #[arg(long, value_name = "K|fit", value_parser = shape)]
    pub shape: Option<Shape>,
    /// Which standard errors.
    #[arg(long, value_enum, default_value = "observed")]
    pub se: StandardErrors,
    /// Rows of the tube's worst place, or of every station; with --config.
    #[arg(long, value_enum, default_value = "worst", conflicts_with = "table")]
    pub rows: Rows,
    /// Write the fitted model here as JSON (otherwise it is printed).
    #[arg(long, value_name = "MODEL.json")]
    pub out: Option<PathBuf>,
    /// The table's column of the group (default: tube).
    #[arg(long, value_name = "COL", default_value = "tube")]
    pub group: String,
    /// The table's column of the earlier age (default: start_h).
    #[arg(long, value_name = "COL", default_value = "start_h")]
    pub start: String,
    /// The table's column of the later age (default: end_h).
    #[arg(long, value_name = "COL", default_value = "end_h")]
    pub end: String,
    /// A 0/1 column of events, for tables without grades.
    #[arg(long, value_name = "COL")]
    pub event: Option<String>,
}

/// Hold a model against the baselines.
#[derive(Debug, Args)]
pub struct Validate {
    /// What is fitted in each fold.
    #[command(flatten)]
    pub fit: Fit,
    /// Folds, with --table (with --config they stand there).
    #[arg(long, value_name = "N", default_value_t = 5)]
    pub folds: usize,
    /// Further run hours of which the predictions speak.
    #[arg(long, value_name = "H", requires = "predictions")]
    pub horizon: Option<f64>,
    /// Write the prediction at each past inspection here.
    #[arg(long, value_name = "FILE.csv", requires = "horizon", conflicts_with = "table")]
    pub predictions: Option<PathBuf>,
    /// Write the report here, to be read: one HTML file with pictures, which ends in publish or do not, and why.
    #[arg(long, value_name = "FILE.html")]
    pub html: Option<PathBuf>,
}

/// Shape of the hazard over run hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// This one.
    Fixed(f64),
    /// Estimated.
    Fitted,
}

fn shape(text: &str) -> Result<Shape, String> {
    if text == "fit" {
        return Ok(Shape::Fitted);
    }
    match text.parse::<f64>() {
        Ok(k) if k.is_finite() && k > 0.0 => Ok(Shape::Fixed(k)),
        _ => Err(format!("{text:?} is no shape; right would be a number above 0, or fit")),
    }
}
