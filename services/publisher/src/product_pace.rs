//! What if another product ran until the next chance to open.

use std::collections::{BTreeMap, BTreeSet};

use plant::UnitId;

use crate::stop_ask::BadAsk;
use crate::{Snapshot, Voice};

/// Products that are named where one is asked for that is not known.
const NAMED: usize = 12;

/// How fast a unit wears with a product.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProductPace {
    /// So many times its pace of late, at which its chances ahead are reckoned.
    pub times: f64,
    /// From how many covered run hours with the product, h.
    pub covered_h: f64,
    /// These are the unit's own; otherwise those of all units.
    pub own: bool,
}

/// By unit and product. What too few hours tell is not in it.
pub type ProductPaces = BTreeMap<UnitId, BTreeMap<String, ProductPace>>;

/// The products that can be asked for.
pub(crate) fn products(snapshot: &Snapshot) -> BTreeSet<&str> {
    snapshot.product_paces.values().flat_map(BTreeMap::keys).map(String::as_str).collect()
}

/// Whether a product can be asked for.
///
/// # Errors
/// The field, with what would be right.
pub(crate) fn is_known(product: &str, snapshot: &Snapshot) -> Result<(), BadAsk> {
    let known = products(snapshot);
    if known.contains(product) {
        return Ok(());
    }
    let right = match known.len() {
        0 => "no product can be asked for yet: a model that reads exposures and past production runs are needed"
            .to_owned(),
        count => {
            let named: Vec<&str> = known.into_iter().take(NAMED).collect();
            let more = if count > NAMED { " or another product of the past year" } else { "" };
            format!("right would be {}{more}", named.join(", "))
        }
    };
    let detail = format!("product={product}: how it wears tubes is not known; {right}");
    Err(BadAsk::contradicts("product", detail))
}

impl ProductPace {
    /// What is said of it.
    pub(crate) fn words(&self, product: &str, voice: &Voice) -> String {
        let message = if self.own { "stop-pace-own" } else { "stop-pace-of-all" };
        let (times, hours) = (voice.decimal(self.times, 1), voice.hours(self.covered_h));
        voice.tell(message, &[("product", &product), ("times", &times), ("hours", &hours)])
    }
}
