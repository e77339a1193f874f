//! Weighing on a scale that creeps, or from a cup that dries: two readings before a run and two after it, each pair half a minute apart.
//!
//! What the resting scale does before and after is taken for what it did in between, and taken off, or the run is refused; see
//! [`net_mass`].

use crate::cli::Result;
use crate::cli::heads::measured::{Entries, grams};
use crate::cli::talk::Talk;
use crate::metering::{Baseline, DriftRules, Reading, net_mass};
use crate::quantity::{Millis, Volume};

/// What a run gave on a creeping scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Weighed {
    /// The net mass as a volume.
    pub(crate) volume: Volume,
    /// All four readings, and what was taken off.
    pub(crate) words: String,
}

/// Asks for two readings of a scale at rest.
///
/// # Errors
/// When whoever was asked went away.
pub(crate) fn baseline(talk: &mut impl Talk, when: &str) -> Result<Baseline> {
    let first = reading(
        talk,
        &format!(
            "Scale {when} the run, nothing moving? (for example 214.36 g; type it as you read it)"
        ),
    )?;
    let again = format!(
        "The same scale again, at least {} later?",
        Baseline::SPAN_MIN
    );
    loop {
        let last = reading(talk, &again)?;
        let span = last.at.minus(first.at);
        if span >= Baseline::SPAN_MIN {
            return Ok(Baseline { first, last });
        }
        talk.say(&format!(
            "that was only {span} after the first; wait {} more and read it again",
            Baseline::SPAN_MIN.minus(span).max(Millis::from_secs(1))
        ))?;
    }
}

fn reading(talk: &mut impl Talk, question: &str) -> Result<Reading> {
    loop {
        let typed = talk.ask(question)?;
        if let Some(grams) = grams(&typed) {
            let at = talk.now();
            return Ok(Reading { at, grams });
        }
        talk.say(&format!(
            "\"{typed}\" is no weight; write digits and g, for example 214.36 g"
        ))?;
    }
}

/// What the run added since a baseline; `None` when that is not to be trusted, which was said.
///
/// # Errors
/// When whoever was asked went away.
pub(crate) fn weighed(
    before: &Baseline,
    entries: &mut Entries,
    talk: &mut impl Talk,
) -> Result<Option<Weighed>> {
    let after = baseline(talk, "after")?;
    let net = match net_mass(before, &after, &DriftRules::default()) {
        Ok(net) => net,
        Err(refusal) => {
            talk.say(&format!("{refusal}"))?;
            return Ok(None);
        }
    };
    let words = format!(
        "{} g, {} g; {} g, {} g: net {:.3} g, {:+.3} g of creep taken off (doubt {:.3} g)",
        before.first.grams,
        before.last.grams,
        after.first.grams,
        after.last.grams,
        net.grams,
        net.correction_grams,
        net.doubt_grams
    );
    talk.say(&words)?;
    let volume = entries.volume_of(net.grams, talk)?;
    Ok(volume.map(|volume| Weighed { volume, words }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::heads::measured::Conditions;
    use crate::cli::talk::scripted::Answers;

    fn entries() -> Entries {
        let conditions = Conditions {
            kg_per_l: Some(1.0),
            ..Conditions::default()
        };
        Entries::new(&conditions).unwrap()
    }

    fn weigh(readings: [f64; 4]) -> (Option<Weighed>, Answers) {
        let lines = readings.map(|grams| format!("{grams:.3} g"));
        let lines: Vec<&str> = lines.iter().map(String::as_str).collect();
        let mut talk = Answers::new(&lines);
        let before = baseline(&mut talk, "before").unwrap();
        let weighed = weighed(&before, &mut entries(), &mut talk).unwrap();
        (weighed, talk)
    }

    /// FT-SENS-03: a scale creeps 2 g in 12 min, so 0.083 g in each half minute between readings, up or down.
    #[test]
    fn ft_sens_03_the_creep_of_a_scale_is_taken_off_in_both_directions() {
        for creep in [2.0 / 24.0, -2.0 / 24.0] {
            let readings = [
                100.0,
                100.0 + creep,
                120.0 + 2.0 * creep,
                120.0 + 3.0 * creep,
            ];
            let (weighed, talk) = weigh(readings);
            let weighed = weighed.unwrap();
            // Of 1 kg/L in air, 20 g are 20.021 mL (buoyancy, 1.05 mg/g).
            assert!(
                (weighed.volume.as_ml() - 20.021).abs() < 0.003,
                "{weighed:?}"
            );
            assert!(
                weighed.words.contains("net 20.000 g")
                    || weighed.words.contains("net 19.999 g")
                    || weighed.words.contains("net 20.001 g"),
                "{weighed:?}"
            );
            assert!(talk.heard("of creep taken off"));
        }
    }

    #[test]
    fn ft_sens_03_a_creep_that_turns_round_in_the_run_is_refused() {
        let (weighed, talk) = weigh([100.0, 100.3, 105.0, 104.7]);
        assert_eq!(weighed, None);
        assert!(talk.heard("the drift before and after the run differ"));
    }

    #[test]
    fn a_second_reading_that_comes_too_soon_is_asked_for_again() {
        let mut talk = Answers::new(&["100 g", "100.1", "100.1 g", "100.1 g", "100.2 g"]);
        talk.pace = Millis::from_secs(11);
        let base = baseline(&mut talk, "before").unwrap();
        assert_eq!(base.last.at.minus(base.first.at), Millis::from_secs(33));
        assert!((base.last.grams - 100.2).abs() < 1e-12);
        assert!(talk.heard("is no weight") && talk.heard("only 22 s after the first"));
    }
}
