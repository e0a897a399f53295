//! Guessing passwords is made slow, without a way to lock everybody out.
//!
//! Misses count per name and address, so that a stranger who guesses a name from elsewhere keeps nobody out, and per
//! address, so that trying many names from one place is slow too. Who has logged in from an address before is not held
//! up by what others try from it (a proxy gives all its people one address). After Open Web Application Security
//! Project, "Authentication Cheat Sheet" (account lockout, from memory).

use std::collections::HashMap;
use std::hash::Hash;
use std::net::{IpAddr, Ipv6Addr};
use std::time::{Duration, Instant};

/// Misses of one name from one address before it has to wait, and of one address over all names (house limits).
const FREE_OF_A_NAME: u32 = 5;
const FREE_OF_AN_ADDRESS: u32 = 30;
/// The longest wait: long enough to make guessing hopeless, short enough for a shift (house limit).
const LONGEST: Duration = Duration::from_secs(15 * 60);
/// After so long without a miss all is forgotten.
const FORGET: Duration = Duration::from_secs(2 * 3600);
/// For how long a name is known at an address after it has logged in there.
const KNOWN: Duration = Duration::from_secs(30 * 24 * 3600);
/// Names and addresses kept in mind at once; beyond that the longest quiet one is dropped.
const MOST: usize = 10_000;
/// Letters of a name that are looked at.
const NAME: usize = 64;

type Pair = (String, IpAddr);

/// Who has tried how often without success.
#[derive(Debug, Default)]
pub(crate) struct Throttle {
    pairs: HashMap<Pair, Misses>,
    addresses: HashMap<IpAddr, Misses>,
    known: HashMap<Pair, Misses>,
}

#[derive(Debug, Clone, Copy)]
struct Misses {
    count: u32,
    last: Instant,
}

impl Throttle {
    /// Begins an attempt and counts it as missed, so that many at once are many.
    ///
    /// # Errors
    /// How long to wait. An attempt that has to wait is not counted.
    pub(crate) fn begin(&mut self, name: &str, address: IpAddr, now: Instant) -> Result<(), Duration> {
        let pair = pair(name, address);
        let known = self.known.get(&pair).is_some_and(|known| now.duration_since(known.last) < KNOWN);
        let of_pair = wait(self.pairs.get(&pair), FREE_OF_A_NAME, now);
        let of_address = if known { None } else { wait(self.addresses.get(&pair.1), FREE_OF_AN_ADDRESS, now) };
        if let Some(wait) = of_pair.max(of_address) {
            return Err(wait);
        }
        miss(&mut self.addresses, pair.1, now);
        miss(&mut self.pairs, pair, now);
        Ok(())
    }

    /// Takes back the miss of an attempt that succeeded. Those of other names stay: whoever has one password could
    /// otherwise guess at the others for ever.
    pub(crate) fn succeeded(&mut self, name: &str, address: IpAddr, now: Instant) {
        let pair = pair(name, address);
        self.pairs.remove(&pair);
        if let Some(misses) = self.addresses.get_mut(&pair.1) {
            misses.count = misses.count.saturating_sub(1);
        }
        miss(&mut self.known, pair, now);
    }
}

/// How long the next attempt has to wait: nothing at first, then 1 s and twice as long with every miss.
fn wait(misses: Option<&Misses>, free: u32, now: Instant) -> Option<Duration> {
    let misses = misses?;
    let beyond = misses.count.checked_sub(free)?;
    let delay = Duration::from_secs(1 << beyond.min(20)).min(LONGEST);
    delay.checked_sub(now.duration_since(misses.last)).filter(|wait| !wait.is_zero())
}

fn miss<K: Hash + Eq + Clone>(misses: &mut HashMap<K, Misses>, key: K, now: Instant) {
    if misses.len() >= MOST && !misses.contains_key(&key) {
        let quiet = misses.iter().min_by_key(|(_, misses)| misses.last).map(|(key, _)| key.clone());
        quiet.map(|quiet| misses.remove(&quiet));
    }
    let entry = misses.entry(key).or_insert(Misses { count: 0, last: now });
    let count = if now.duration_since(entry.last) > FORGET { 0 } else { entry.count };
    *entry = Misses { count: count.saturating_add(1), last: now };
}

/// Names are the same in any case, and one house has a whole IPv6 /64 (RFC 4291, 2.5.4: interface ids of 64 bits).
fn pair(name: &str, address: IpAddr) -> Pair {
    let address = match address {
        IpAddr::V4(_) => address,
        IpAddr::V6(six) => match six.to_ipv4_mapped() {
            Some(four) => IpAddr::V4(four),
            None => IpAddr::V6(Ipv6Addr::from_bits(six.to_bits() >> 64 << 64)),
        },
    };
    (name.trim().to_lowercase().chars().take(NAME).collect(), address)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HERE: &str = "10.0.0.7";

    fn address(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    /// Misses `times` from `from`, each as soon as it may be; how long that took.
    fn guess(throttle: &mut Throttle, name: &str, from: &str, times: u32, start: Instant) -> Duration {
        let mut now = start;
        for _ in 0..times {
            while let Err(wait) = throttle.begin(name, address(from), now) {
                now += wait;
            }
        }
        now - start
    }

    #[test]
    fn a_few_slips_cost_nothing_and_guessing_costs_hours() {
        let (mut throttle, start) = (Throttle::default(), Instant::now());
        assert_eq!(guess(&mut throttle, "ann", HERE, 5, start), Duration::ZERO);
        let hundred = guess(&mut throttle, "ann", HERE, 100, start);
        assert!(hundred > Duration::from_secs(20 * 3600), "{hundred:?}");
    }

    #[test]
    fn nobody_is_kept_out_from_another_address() {
        let (mut throttle, start) = (Throttle::default(), Instant::now());
        guess(&mut throttle, "ann", HERE, 12, start);
        assert!(throttle.begin("Ann", address(HERE), start).is_err());
        assert_eq!(throttle.begin("ann", address("10.0.0.8"), start), Ok(()));
    }

    #[test]
    fn many_names_from_one_address_wait_but_not_who_is_known_there() {
        let (mut throttle, start) = (Throttle::default(), Instant::now());
        throttle.begin("ann", address(HERE), start).unwrap();
        throttle.succeeded("ann", address(HERE), start);
        for number in 0..40 {
            // Whether it must wait or not: it goes on trying.
            let _ = throttle.begin(&format!("name{number}"), address(HERE), start);
        }
        assert!(throttle.begin("bob", address(HERE), start).is_err());
        assert_eq!(throttle.begin("ann", address(HERE), start), Ok(()));
    }

    #[test]
    fn one_good_password_does_not_pay_for_guesses_at_others() {
        let (mut throttle, start) = (Throttle::default(), Instant::now());
        let mut tried = 0;
        for number in 0..200 {
            tried += u32::from(throttle.begin(&format!("name{number}"), address(HERE), start).is_ok());
            if throttle.begin("mallory", address(HERE), start).is_ok() {
                throttle.succeeded("mallory", address(HERE), start);
            }
        }
        assert_eq!(tried, FREE_OF_AN_ADDRESS);
    }

    #[test]
    fn attempts_at_the_same_moment_all_count() {
        let (mut throttle, start) = (Throttle::default(), Instant::now());
        let begun = (0..50).filter(|_| throttle.begin("ann", address(HERE), start).is_ok()).count();
        assert_eq!(begun, 5);
    }

    #[test]
    fn a_house_with_many_addresses_is_one() {
        let at = |text| pair("a", address(text)).1;
        assert_eq!(at("2001:db8:1:2::1"), at("2001:db8:1:2:ffff::9"));
        assert_ne!(at("2001:db8:1:2::1"), at("2001:db8:1:3::1"));
        assert_eq!(at("::ffff:10.0.0.7"), at("10.0.0.7"));
    }

    #[test]
    fn memory_is_bounded() {
        let (mut throttle, start) = (Throttle::default(), Instant::now());
        for number in 0..(MOST as u32 + 50) {
            let from = IpAddr::V4(std::net::Ipv4Addr::from_bits(number));
            throttle.begin("ann", from, start + Duration::from_millis(number.into())).unwrap();
        }
        assert_eq!((throttle.pairs.len(), throttle.addresses.len()), (MOST, MOST));
    }
}
