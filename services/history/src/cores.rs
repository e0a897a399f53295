//! Work on all cores.

use std::panic::resume_unwind;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// How many cores there are.
pub(crate) fn cores() -> usize {
    thread::available_parallelism().map_or(1, usize::from)
}

/// Works on items on all cores, and gives what came of them in their order.
///
/// # Errors
/// The first in order of those that broke; after one of them no further item is begun.
pub fn on_all_cores<T: Sync, R: Send, E: Send>(
    items: &[T],
    work: impl Fn(&T) -> Result<R, E> + Sync,
) -> Result<Vec<R>, E> {
    let turn = AtomicUsize::new(0);
    let own = || {
        let mut done = Vec::new();
        loop {
            let place = turn.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(place) else { return done };
            let result = work(item);
            if result.is_err() {
                turn.store(items.len(), Ordering::Relaxed);
            }
            done.push((place, result));
        }
    };
    let mut done = thread::scope(|scope| {
        let others: Vec<_> = (1..cores().min(items.len())).map(|_| scope.spawn(own)).collect();
        let mut done = own();
        for other in others {
            done.extend(other.join().unwrap_or_else(|panic| resume_unwind(panic)));
        }
        done
    });
    done.sort_by_key(|(place, _)| *place);
    done.into_iter().map(|(_, result)| result).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_the_order_of_the_items_and_an_error_ends_the_work() {
        let items: Vec<u64> = (0..1000).collect();
        let twice = on_all_cores(&items, |item| Ok::<_, ()>(item * 2));
        assert_eq!(twice.unwrap(), items.iter().map(|i| i * 2).collect::<Vec<_>>());
        let begun = AtomicUsize::new(0);
        let broke = on_all_cores(&items, |item| {
            begun.fetch_add(1, Ordering::Relaxed);
            if *item == 10 { Err("broke") } else { Ok(()) }
        });
        assert_eq!(broke, Err("broke"));
        assert!(begun.into_inner() < 1000);
        assert_eq!(on_all_cores(&[] as &[u64], |_| Ok::<_, ()>(())), Ok(vec![]));
    }
}
