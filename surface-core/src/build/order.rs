//! Work in parallel, results in order: the same bytes for any number of threads.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, channel};

/// Map `items` in parallel and hand the results to `take` in the items' order, while the next ones
/// are under way: whoever writes does not stop those who compute.
///
/// At most `2 × threads` items are under way or wait at a time, so memory is bounded. After an error
/// no other item is begun: a stop waits for one item a thread at most.
///
/// # Errors
/// The first error in the items' order, of `map` or of `take`.
pub(super) fn in_order<T: Sync, R: Send, E: Send>(
    items: &[T],
    map: impl Fn(&T) -> Result<R, E> + Sync,
    take: impl FnMut(&T, R) -> Result<(), E>,
) -> Result<(), E> {
    in_order_within(items, (&|_| 0, 0), map, take)
}

/// [`in_order`] with items that take memory: `bytes` tells what one takes until its result is taken.
/// Another one is begun while they take `most` together at most; one always is.
///
/// # Errors
/// The first error in the items' order, of `map` or of `take`.
pub(super) fn in_order_within<T: Sync, R: Send, E: Send>(
    items: &[T],
    (bytes, most): (&dyn Fn(&T) -> u64, u64),
    map: impl Fn(&T) -> Result<R, E> + Sync,
    mut take: impl FnMut(&T, R) -> Result<(), E>,
) -> Result<(), E> {
    let ahead = 2 * rayon::current_num_threads().max(1);
    let (mut begun, mut held) = (0, 0u64);
    let given_up = AtomicBool::new(false);
    rayon::in_place_scope_fifo(|scope| {
        let _give_up = GiveUp(&given_up);
        let (done, results) = channel();
        let start = |k: usize| {
            let (done, map, item, given_up) = (done.clone(), &map, &items[k], &given_up);
            scope.spawn_fifo(move |_| {
                if given_up.load(Ordering::Relaxed) {
                    return;
                }
                // Whoever waits for a result must hear of a panic too.
                let result = catch_unwind(AssertUnwindSafe(|| map(item)));
                // Nobody listens any more after an error: then the result is not needed.
                let _ = done.send((k, result));
            });
        };
        let mut begin = |taken: usize, freed: u64| {
            held -= freed;
            while begun < items.len().min(taken + ahead) {
                let more = bytes(&items[begun]);
                if begun > taken && held.saturating_add(more) > most {
                    break;
                }
                held = held.saturating_add(more);
                start(begun);
                begun += 1;
            }
        };
        begin(0, 0);
        let mut early = BTreeMap::new();
        for (k, item) in items.iter().enumerate() {
            let result = early
                .remove(&k)
                .or_else(|| wait_for(k, &results, &mut early));
            let Some(result) = result else {
                return Ok(()); // cannot be: this scope holds a sender itself
            };
            let result = result.unwrap_or_else(|panic| resume_unwind(panic))?;
            take(item, result)?;
            begin(k + 1, bytes(item));
        }
        Ok(())
    })
}

/// Says, when it goes, that nobody waits for results any more: after the last one, an error or a panic.
struct GiveUp<'a>(&'a AtomicBool);

impl Drop for GiveUp<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// The result of item `k`; results that come before it are kept in `early`. A worker of the pool
/// helps with the work while it waits.
fn wait_for<R>(
    k: usize,
    results: &Receiver<(usize, R)>,
    early: &mut BTreeMap<usize, R>,
) -> Option<R> {
    loop {
        let (which, result) = match results.try_recv() {
            Ok(next) => next,
            Err(_) if rayon::yield_now().is_some() => continue,
            Err(_) => results.recv().ok()?,
        };
        if which == k {
            return Some(result);
        }
        early.insert(which, result);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicUsize;

    fn doubled(items: &[u32]) -> (Result<(), u32>, Vec<u32>) {
        let mut seen = Vec::new();
        let done = in_order(
            items,
            |&k| if k == 70 { Err(k) } else { Ok(2 * k) },
            |_, r| {
                seen.push(r);
                Ok(())
            },
        );
        (done, seen)
    }

    fn pool(threads: usize) -> rayon::ThreadPool {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
        pool.build().unwrap()
    }

    #[test]
    fn results_arrive_in_order_and_the_first_error_ends_the_work() {
        let items: Vec<u32> = (0..100).collect();
        let expected = (Err(70), (0..70).map(|k| 2 * k).collect::<Vec<_>>());
        assert_eq!(doubled(&items), expected);
        // From inside a pool, where the one worker is the one that waits.
        for threads in [1, 3] {
            assert_eq!(pool(threads).install(|| doubled(&items)), expected);
        }
    }

    #[test]
    fn no_more_than_twice_the_threads_are_under_way() {
        let (begun, taken) = (AtomicUsize::new(0), AtomicUsize::new(0));
        let most = AtomicUsize::new(0);
        let items: Vec<u32> = (0..500).collect();
        let work = || {
            in_order(
                &items,
                |_| {
                    let begun = begun.fetch_add(1, Ordering::SeqCst) + 1;
                    let waiting = begun.saturating_sub(taken.load(Ordering::SeqCst));
                    most.fetch_max(waiting, Ordering::SeqCst);
                    Ok::<(), ()>(())
                },
                |_, ()| {
                    taken.fetch_add(1, Ordering::SeqCst);
                    Ok(())
                },
            )
        };
        assert_eq!(pool(2).install(work), Ok(()));
        // One more: an item begins before the one that made room for it is counted as taken.
        assert!(most.into_inner() <= 5);
    }

    #[test]
    fn items_under_way_take_no_more_memory_than_they_may_unless_it_is_one() {
        let (begun, taken) = (AtomicUsize::new(0), AtomicUsize::new(0));
        let most = AtomicUsize::new(0);
        let items: Vec<u32> = (0..200).map(|k| if k == 90 { 99 } else { 10 }).collect();
        let bytes = |&k: &u32| u64::from(k);
        let work = || {
            let map = |&k: &u32| {
                let begun = begun.fetch_add(k as usize, Ordering::SeqCst) + k as usize;
                let held = begun.saturating_sub(taken.load(Ordering::SeqCst));
                most.fetch_max(held, Ordering::SeqCst);
                Ok::<u32, ()>(k)
            };
            in_order_within(&items, (&bytes, 35), map, |_, k| {
                taken.fetch_add(k as usize, Ordering::SeqCst);
                Ok(())
            })
        };
        assert_eq!(pool(4).install(work), Ok(()));
        // Three at a time, or the large one alone.
        assert_eq!(taken.into_inner(), 199 * 10 + 99);
        assert_eq!(most.into_inner(), 99);
    }

    #[test]
    fn after_an_error_no_other_item_is_begun() {
        let begun = AtomicUsize::new(0);
        let items: Vec<u32> = (0..500).collect();
        let work = || {
            let map = |&k: &u32| {
                begun.fetch_add(1, Ordering::SeqCst);
                std::thread::sleep(std::time::Duration::from_millis(20));
                Ok::<u32, u32>(k)
            };
            in_order(&items, map, |&k, _| if k == 3 { Err(k) } else { Ok(()) })
        };
        assert_eq!(pool(1).install(work), Err(3));
        // Four are done, and the one thread that there is has begun no other while it waited.
        assert_eq!(begun.into_inner(), 4);
    }

    #[test]
    fn a_panic_of_the_work_is_not_waited_for_forever() {
        let panic = catch_unwind(|| {
            let work = |&k: &u32| {
                if k == 5 {
                    panic!("five")
                } else {
                    Ok::<_, ()>(k)
                }
            };
            in_order(&[1, 5, 7], work, |_, _| Ok(()))
        });
        assert_eq!(panic.unwrap_err().downcast_ref(), Some(&"five"));
    }

    #[test]
    fn nothing_to_do_is_done() {
        assert_eq!(doubled(&[]), (Ok(()), Vec::new()));
    }
}
