//! What was done to tubes and what inspectors read in them, look by look.

use linfa::DatasetBase;
use linfa::dataset::Records;
use ndarray::Array1;

use crate::WearError;
use crate::course::check_hours;

/// Where a station lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Which zone, counted from 0 at the drive end.
    pub zone: usize,
    /// Which clock position, counted from 0 at 12 o'clock.
    pub clock: usize,
}

/// Running between two looks.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stretch {
    /// Run hours that readings cover, h.
    pub covered_h: f64,
    /// Run hours that no reading covers, h.
    pub blind_h: f64,
    /// Amount of each term in the covered hours.
    pub amounts: Vec<f64>,
}

impl Stretch {
    /// All run hours, h.
    pub fn run_h(&self) -> f64 {
        self.covered_h + self.blind_h
    }
}

/// What one look read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Readings {
    /// Station (as an index into the places) and grade, one each.
    pub stations: Vec<(usize, u8)>,
    /// Station and depth, µm, where it was measured.
    pub depths_um: Vec<(usize, f64)>,
    /// The grade of a finding that spoke for the whole tube.
    pub whole: Option<u8>,
}

impl Readings {
    /// Whether it speaks for the whole tube or for all of so many stations.
    pub fn complete(&self, places: usize) -> bool {
        self.whole.is_some() || (places > 0 && self.stations.len() == places)
    }

    /// The worst grade that was read.
    pub fn worst(&self) -> Option<u8> {
        self.stations.iter().map(|(_, grade)| *grade).chain(self.whole).max()
    }
}

/// A tube between renewals.
#[derive(Debug, Clone, PartialEq)]
pub struct LifeHistory {
    /// Which.
    pub life: u32,
    /// The wall is known to have been smooth when it began.
    pub begins_smooth: bool,
    /// The running before each look, and what the look read.
    pub looks: Vec<(Stretch, Readings)>,
    /// Age at each look as the rows of [`Intervals`](crate::Intervals) count it, h: by it they find their looks.
    pub ages_h: Vec<f64>,
}

impl LifeHistory {
    /// A life whose rows count all running from its beginning.
    pub fn new(life: u32, begins_smooth: bool, looks: Vec<(Stretch, Readings)>) -> LifeHistory {
        let ages = looks.iter().scan(0.0, |age_h, (stretch, _)| {
            *age_h += stretch.run_h();
            Some(*age_h)
        });
        LifeHistory { life, begins_smooth, ages_h: ages.collect(), looks }
    }
}

/// A tube with all its lives, in order.
#[derive(Debug, Clone, PartialEq)]
pub struct TubeHistory {
    /// Its name.
    pub tube: String,
    /// Its surface, as an index.
    pub surface: usize,
    /// Its lives.
    pub lives: Vec<LifeHistory>,
}

/// The record of a fleet as the latent model reads it.
#[derive(Debug, Clone, PartialEq)]
pub struct Histories {
    pub(crate) terms: Vec<String>,
    pub(crate) places: Vec<Place>,
    pub(crate) tubes: Vec<TubeHistory>,
}

impl Histories {
    /// A fleet without tubes, with its terms and stations.
    pub fn new(terms: Vec<String>, places: Vec<Place>) -> Histories {
        Histories { terms, places, tubes: Vec::new() }
    }

    /// Adds a tube.
    ///
    /// # Errors
    /// [`WearError::Setting`] for hours, amounts, grades, depths or stations that cannot be.
    pub fn push(&mut self, tube: TubeHistory) -> Result<(), WearError> {
        if let Some(life) = tube.lives.iter().find(|life| life.ages_h.len() != life.looks.len()) {
            let value = life.ages_h.len() as f64;
            return Err(WearError::Setting { name: "number of ages", value, right: "one per look" });
        }
        for (stretch, readings) in tube.lives.iter().flat_map(|life| &life.looks) {
            check_stretch(stretch, self.terms.len())?;
            check_readings(readings, self.places.len())?;
        }
        self.tubes.push(tube);
        Ok(())
    }

    /// The terms, in the order of the amounts.
    pub fn terms(&self) -> &[String] {
        &self.terms
    }

    /// The stations.
    pub fn places(&self) -> &[Place] {
        &self.places
    }

    /// The tubes, in the order in which they were given.
    pub fn tubes(&self) -> &[TubeHistory] {
        &self.tubes
    }

    /// The tubes that a choice keeps.
    pub fn select(&self, keep: impl Fn(&TubeHistory) -> bool) -> Histories {
        let tubes = self.tubes.iter().filter(|tube| keep(tube)).cloned().collect();
        Histories { terms: self.terms.clone(), places: self.places.clone(), tubes }
    }

    /// As a data set for linfa's `Fit`. The targets are empty: what is to be explained, the readings, is in the records.
    pub fn dataset(self) -> DatasetBase<Histories, Array1<()>> {
        DatasetBase::new(self, Array1::from_elem(0, ()))
    }

    pub(crate) fn looks(&self) -> impl Iterator<Item = &(Stretch, Readings)> {
        self.tubes.iter().flat_map(|tube| &tube.lives).flat_map(|life| &life.looks)
    }
}

impl Records for Histories {
    type Elem = f64;

    fn nsamples(&self) -> usize {
        self.tubes.len()
    }

    fn nfeatures(&self) -> usize {
        self.terms.len()
    }
}

pub(crate) fn check_stretch(stretch: &Stretch, terms: usize) -> Result<(), WearError> {
    check_hours("covered_h", stretch.covered_h)?;
    check_hours("blind_h", stretch.blind_h)?;
    if stretch.amounts.len() != terms {
        let value = stretch.amounts.len() as f64;
        return Err(WearError::Setting { name: "number of amounts", value, right: "one per term" });
    }
    match stretch.amounts.iter().copied().find(|amount| !(*amount >= 0.0 && amount.is_finite())) {
        Some(value) => Err(WearError::Setting { name: "amount", value, right: "0 or more, and finite" }),
        None => Ok(()),
    }
}

fn check_readings(readings: &Readings, places: usize) -> Result<(), WearError> {
    let stations = readings.stations.iter().map(|(station, _)| station);
    if let Some(station) =
        stations.chain(readings.depths_um.iter().map(|(station, _)| station)).find(|station| **station >= places)
    {
        return Err(WearError::Setting { name: "station", value: *station as f64, right: "one of the places" });
    }
    let grades = readings.stations.iter().map(|(_, grade)| *grade).chain(readings.whole);
    if let Some(grade) = grades.into_iter().find(|grade| *grade > 4) {
        return Err(WearError::Setting { name: "grade", value: f64::from(grade), right: "0 to 4" });
    }
    match readings.depths_um.iter().find(|(_, depth)| !(*depth >= 0.0 && depth.is_finite())) {
        Some((_, value)) => Err(WearError::Setting { name: "depth_um", value: *value, right: "0 µm or more" }),
        None => Ok(()),
    }
}
