//! The nearest known word to a misspelt one.

/// The candidate nearest to `word`, when it is near enough that it may have been meant.
///
/// Near is an edit distance of at most a third of the word, at least 2, with a swap of neighbours counted once. A word that is
/// the beginning of a candidate (a forgotten unit, `daily-cap` for `daily-cap-ml`) is near too.
pub(super) fn nearest<'a>(
    word: &str,
    candidates: impl Iterator<Item = &'a str>,
) -> Option<&'a str> {
    let word: String = word.chars().take(64).collect();
    let length = word.chars().count();
    let near = (length / 3).max(2);
    candidates
        .map(|candidate| {
            let begun = length >= 3 && candidate.starts_with(&word);
            let distance = strsim::osa_distance(&word, candidate);
            let kept = candidate.chars().count() > distance;
            (distance, begun, kept, candidate)
        })
        .filter(|(distance, begun, kept, _)| *begun || (*distance <= near && *kept))
        .min_by_key(|(distance, _, _, _)| *distance)
        .map(|(_, _, _, candidate)| candidate)
}

/// The question that goes before what is known; nothing when none is near.
pub(super) fn did_you_mean<'a>(word: &str, candidates: impl Iterator<Item = &'a str>) -> String {
    nearest(word, candidates)
        .map(|near| format!("did you mean \"{near}\"? "))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_slip_of_the_finger_is_one_step() {
        for slip in [
            "daily-cap-mll",
            "dialy-cap-ml",
            "daily-cap-m",
            "daily_cap-ml",
        ] {
            let two_steps_away = &slip[..slip.len() - 2];
            let known = [two_steps_away, "daily-cap-ml"];
            assert_eq!(
                nearest(slip, known.into_iter()),
                Some("daily-cap-ml"),
                "{slip}"
            );
        }
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
