//! The nearest known word to a misspelt one.

/// The candidate nearest to `word`, when it is near enough that it may have been meant.
///
/// Near is an edit distance of at most a third of the word, at least 2, with a swap of neighbours counted once. A word that is
/// the beginning of a candidate (a forgotten unit, `daily-cap` for `daily-cap-ml`) is near too.
pub(super) fn nearest<'a>(
    word: &str,
    candidates: impl Iterator<Item = &'a str>,
) -> Option<&'a str> {
    let word: Vec<char> = word.chars().take(64).collect();
    let near = (word.len() / 3).max(2);
    candidates
        .map(|candidate| {
            let letters: Vec<char> = candidate.chars().collect();
            let begun = word.len() >= 3 && letters.starts_with(&word);
            let distance = distance(&word, &letters);
            let kept = letters.len() > distance;
            (distance, begun, kept, candidate)
        })
        .filter(|(distance, begun, kept, _)| *begun || (*distance <= near && *kept))
        .min_by_key(|(distance, _, _, _)| *distance)
        .map(|(_, _, _, candidate)| candidate)
}

/// Optimal string alignment distance: insertions, deletions, replacements and swaps of neighbours.
fn distance(a: &[char], b: &[char]) -> usize {
    let mut before_last: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.iter().enumerate() {
        let mut row = vec![i.saturating_add(1)];
        for (j, to) in b.iter().enumerate() {
            let cell =
                |line: &[usize], index: usize| line.get(index).copied().unwrap_or(usize::MAX);
            let replaced = cell(&last, j).saturating_add(usize::from(from != to));
            let removed = cell(&last, j.saturating_add(1)).saturating_add(1);
            let added = cell(&row, j).saturating_add(1);
            let mut best = replaced.min(removed).min(added);
            let before = |index: usize| index.checked_sub(1);
            let swapped = before(i).and_then(|k| a.get(k)) == Some(to)
                && before(j).and_then(|k| b.get(k)) == Some(from);
            if let (true, Some(k)) = (swapped, before(j)) {
                best = best.min(cell(&before_last, k).saturating_add(1));
            }
            row.push(best);
        }
        before_last = std::mem::replace(&mut last, row);
    }
    last.last().copied().unwrap_or(a.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn d(a: &str, b: &str) -> usize {
        distance(
            &a.chars().collect::<Vec<_>>(),
            &b.chars().collect::<Vec<_>>(),
        )
    }

    #[test]
    fn one_slip_of_the_finger_is_one_step() {
        assert_eq!(d("daily-cap-ml", "daily-cap-ml"), 0);
        assert_eq!(d("daily-cap-mll", "daily-cap-ml"), 1);
        assert_eq!(d("dialy-cap-ml", "daily-cap-ml"), 1);
        assert_eq!(d("daily-cap-m", "daily-cap-ml"), 1);
        assert_eq!(d("daily_cap-ml", "daily-cap-ml"), 1);
        assert_eq!(d("", "abc"), 3);
        assert_eq!(d("abc", ""), 3);
    }

    #[test]
    fn a_forgotten_unit_finds_its_key_and_nonsense_finds_none() {
        let keys = ["daily-cap-ml", "dose-cap-ml", "head", "at"];
        let near = |word| nearest(word, keys.iter().copied());
        assert_eq!(near("daily-cap"), Some("daily-cap-ml"));
        assert_eq!(near("a"), Some("at"));
        assert_eq!(near("xyz"), None);
        assert_eq!(near("colour"), None);
    }
}
