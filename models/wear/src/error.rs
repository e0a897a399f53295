//! What can be wrong with a table, a setting or a fit.

/// Everything that this room refuses, with the value that was wrong and what would be right.
///
/// Rows are counted from 1 in the order in which they were given.
#[derive(Debug, Clone, thiserror::Error)]
pub enum WearError {
    /// No rows, or none whose `grade_start` is below the limit.
    #[error("no row is at risk: every fit needs rows with a grade_start below the limit")]
    NoRows,
    /// A cell with a wrong number of covariates.
    #[error("row {row}: a cell has {found} covariates; right would be {expected}, one per term")]
    WrongWidth {
        /// The row.
        row: usize,
        /// How many were given.
        found: usize,
        /// How many terms there are.
        expected: usize,
    },
    /// A covariate that is NaN or infinite.
    #[error("row {row}: term {term} is {value}; right would be a finite number")]
    NotFinite {
        /// The row.
        row: usize,
        /// The term.
        term: String,
        /// What it was.
        value: f64,
    },
    /// A row whose tube or life the record does not have.
    #[error("group {group}, life {life}: not in the histories; right would be a tube and a life of the record")]
    UnknownGroup {
        /// The group.
        group: String,
        /// The life.
        life: u32,
    },
    /// A cell that runs backwards, begins before the life does or is not finite.
    #[error("row {row}: a cell runs from {from_h} h to {to_h} h; right would be 0 <= from <= to, both finite")]
    BadCell {
        /// The row.
        row: usize,
        /// Its beginning, run hours.
        from_h: f64,
        /// Its end, run hours.
        to_h: f64,
    },
    /// A cell was given before any row.
    #[error("a cell was given before the first row")]
    CellWithoutRow,
    /// A row that covers no running.
    #[error("row {row} (group {group}): its cells cover 0 run hours; right would be a start_h below its end_h")]
    EmptyRow {
        /// The row.
        row: usize,
        /// Its group.
        group: String,
    },
    /// The running worst grade went down within a row.
    #[error(
        "row {row}: grade_end {grade_end} is below grade_start {grade_start}; both are running worst grades, which never fall"
    )]
    GradeFell {
        /// The row.
        row: usize,
        /// Grade at the start.
        grade_start: u8,
        /// Grade at the end.
        grade_end: u8,
    },
    /// A row that had reached the limit before it began.
    #[error("row {row}: grade_start {grade_start} has already reached the limit {limit}; such a row is not at risk")]
    NotAtRisk {
        /// The row.
        row: usize,
        /// Grade at the start.
        grade_start: u8,
        /// The limit.
        limit: u8,
    },
    /// Records and outcomes do not match in number.
    #[error("{rows} rows but {outcomes} outcomes")]
    Lengths {
        /// Rows.
        rows: usize,
        /// Outcomes.
        outcomes: usize,
    },
    /// Weights on rows, which this estimator has no use for.
    #[error("row weights are not taken; repeat the row instead")]
    Weights,
    /// A term that the table does not have.
    #[error("term {name:?} is not in the table; it has: {known}")]
    UnknownTerm {
        /// The name.
        name: String,
        /// What there is.
        known: String,
    },
    /// A term that was named twice.
    #[error("term {name:?} is named twice")]
    TermTwice {
        /// The name.
        name: String,
    },
    /// A setting out of its range.
    #[error("{name} is {value}; right would be {right}")]
    Setting {
        /// Its name.
        name: &'static str,
        /// What it was.
        value: f64,
        /// What would be right.
        right: &'static str,
    },
    /// A term without variation.
    #[error("term {name} is {value} in every row; a constant cannot explain anything, leave it out")]
    Constant {
        /// The term.
        name: String,
        /// Its one value.
        value: f64,
    },
    /// A term that others already give exactly.
    #[error("term {name} is a linear combination of {with}; leave one out, or penalise it")]
    Collinear {
        /// The term.
        name: String,
        /// What it follows from.
        with: String,
    },
    /// No row ends in an event.
    #[error("none of {rows} rows reaches the limit {limit}; without an event no rate can be fitted")]
    NoEvents {
        /// Rows at risk.
        rows: usize,
        /// The limit.
        limit: u8,
    },
    /// Every row ends in an event.
    #[error("all {rows} rows reach the limit {limit}; without a row that stays below it no rate can be fitted")]
    AllEvents {
        /// Rows at risk.
        rows: usize,
        /// The limit.
        limit: u8,
    },
    /// A starting grade whose intercept would run away.
    #[error(
        "of {rows} rows that start at grade {grade_start}, {events} reach the limit: its intercept is not finite; set a stratum ridge, or leave these rows out"
    )]
    StratumWithoutContrast {
        /// The starting grade.
        grade_start: u8,
        /// Rows.
        rows: usize,
        /// Events.
        events: usize,
    },
    /// Coefficients that run away because the terms tell events and non-events apart without error.
    #[error(
        "the data separate along {names}: its coefficient grows without bound; set a ridge above 0, or leave the term out"
    )]
    Separation {
        /// The parameters.
        names: String,
    },
    /// A Weibull shape that runs away.
    #[error("the shape runs away (last value {shape}): the data cannot tell it; fix the shape instead")]
    ShapeRunsAway {
        /// The last value.
        shape: f64,
    },
    /// Intervals that any number of Weibull distributions fit equally well.
    #[error(
        "the intervals do not bound a Weibull; it takes lifetimes that ended and lifetimes that went on at more than one age"
    )]
    Unbounded,
    /// The fit did not settle.
    #[error("the fit did not converge in {iterations} iterations (largest gradient {max_gradient:e})")]
    NotConverged {
        /// Iterations used.
        iterations: usize,
        /// Largest component of the gradient, in standardised units.
        max_gradient: f64,
    },
    /// The tube has reached the limit already.
    #[error(
        "the last look found grade {grade_start}, at or above the limit {limit}: there is no risk left to reach it"
    )]
    Reached {
        /// The grade.
        grade_start: u8,
        /// The limit.
        limit: u8,
    },
    /// Too few groups to hold one out.
    #[error(
        "{groups} group(s) cannot be cut into {folds} folds; right would be 2 or more folds and at least as many groups"
    )]
    TooFewGroups {
        /// Distinct groups.
        groups: usize,
        /// Folds asked for.
        folds: usize,
    },
    /// An error of the estimator framework.
    #[error(transparent)]
    Framework(#[from] linfa::Error),
}
