//! What the doors keep in mind.

use std::sync::Mutex;

use tokio::sync::Semaphore;

use crate::allowance::Allowances;
use crate::tally::Tally;
use crate::throttle::Throttle;

/// Passwords that are checked at once. Each takes some 20 MB and a core for a moment.
const CHECKED_AT_ONCE: usize = 2;

/// Tries, allowances and counts since the start.
#[derive(Debug)]
pub(crate) struct Access {
    pub throttle: Mutex<Throttle>,
    pub allowances: Mutex<Allowances>,
    pub logins: Semaphore,
    pub tally: Tally,
}

impl Default for Access {
    fn default() -> Self {
        Access {
            throttle: Mutex::default(),
            allowances: Mutex::default(),
            logins: Semaphore::new(CHECKED_AT_ONCE),
            tally: Tally::default(),
        }
    }
}
