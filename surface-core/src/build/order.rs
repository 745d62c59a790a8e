//! Work in parallel, results in order: the same bytes for any number of threads.

use rayon::prelude::*;

/// Map `items` in parallel, a few at a time, and hand the results to `take` in the items' order.
///
/// At most `2 × threads` results wait at a time, so memory is bounded.
///
/// # Errors
/// The first error in the items' order, of `map` or of `take`.
pub(super) fn in_order<T: Sync, R: Send, E: Send>(
    items: &[T],
    map: impl Fn(&T) -> Result<R, E> + Sync,
    mut take: impl FnMut(&T, R) -> Result<(), E>,
) -> Result<(), E> {
    let at_a_time = 2 * rayon::current_num_threads().max(1);
    for chunk in items.chunks(at_a_time) {
        let results: Vec<Result<R, E>> = chunk.par_iter().map(&map).collect();
        for (item, result) in chunk.iter().zip(results) {
            take(item, result?)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_arrive_in_order_and_the_first_error_ends_the_work() {
        let items: Vec<u32> = (0..100).collect();
        let mut seen = Vec::new();
        let done = in_order(
            &items,
            |&k| if k == 70 { Err(k) } else { Ok(2 * k) },
            |_, r| {
                seen.push(r);
                Ok(())
            },
        );
        assert_eq!(done, Err(70));
        assert_eq!(seen, (0..70).map(|k| 2 * k).collect::<Vec<_>>());
    }
}
