//! Folds that keep every group whole.

/// Gives each row a fold, 0 to `folds - 1`, so that no group is split.
///
/// Groups are taken from the largest to the smallest (equal sizes: from the last to the first in sorted order), each
/// into the fold with the fewest rows so far (the first of equals). This is the rule of scikit-learn 1.9's
/// `GroupKFold`; there is no shuffling. With fewer groups than folds, some folds stay empty.
pub fn by_group<G: Ord>(groups: &[G], folds: usize) -> Vec<usize> {
    let mut names: Vec<&G> = groups.iter().collect();
    names.sort();
    names.dedup();
    let place: Vec<usize> = groups.iter().map(|group| names.partition_point(|name| *name < group)).collect();
    let mut sizes = vec![0usize; names.len()];
    place.iter().for_each(|place| sizes[*place] += 1);
    let mut order: Vec<usize> = (0..names.len()).collect();
    order.sort_by_key(|place| sizes[*place]);
    let mut filled = vec![0usize; folds.max(1)];
    let mut fold_of = vec![0usize; names.len()];
    for place in order.into_iter().rev() {
        let lightest = (0..filled.len()).min_by_key(|fold| filled[*fold]).unwrap_or(0);
        filled[lightest] += sizes[place];
        fold_of[place] = lightest;
    }
    place.into_iter().map(|place| fold_of[place]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_go_first_and_equals_from_the_last() {
        // By hand: sizes a 1, b 3, c 2, d 2. b -> 0, d -> 1, c -> 1? no: fold 2 is empty; a joins the lighter of 2 and 2.
        let groups = ["b", "a", "b", "c", "c", "b", "d", "d"];
        assert_eq!(by_group(&groups, 3), [0, 1, 0, 2, 2, 0, 1, 1]);
        assert_eq!(by_group(&groups, 2), [0, 0, 0, 1, 1, 0, 1, 1]);
    }
}
