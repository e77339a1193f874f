//! From the tree of one `[solution.NAME]` to what a litre of it carries.

use super::keys;
use super::mistake::quoted;
use super::model::Solution;
use super::tree::RawTable;
use crate::chemistry::{Quantity, Salt, SolutionEffect};
use crate::quantity::{Name, TankVolume};

/// Builds one solution. Its strength is given in exactly one of three ways, or in none when it is not stated.
pub(super) fn build(raw: &RawTable, name: Name) -> Option<Solution> {
    let caustic = raw.flag(keys::solution::CAUSTIC);
    let ways: Vec<&str> = raw
        .keys()
        .filter(|key| {
            ![
                keys::solution::CAUSTIC.name(),
                keys::solution::UNSTATED.name(),
            ]
            .contains(key)
        })
        .collect();
    let unstated = raw.flag(keys::solution::UNSTATED);
    let mut recipe = Vec::new();
    let effect = match ways.as_slice() {
        ["salts"] => salts(raw, caustic, &mut recipe),
        ["claim"] => claim(raw.table(keys::solution::CLAIM)?),
        ["per-litre"] => per_litre(raw.table(keys::solution::PER_LITRE)?),
        [] if unstated == Some(true) => Some(SolutionEffect::default()),
        [] => {
            // A way that was written but wrong has been reported already.
            if !raw.spoiled {
                raw.refuse_whole(
                    "its strength is missing; give one of salts, claim or per-litre, or unstated = true for a bought mix whose maker does not tell"
                );
            }
            None
        }
        many => {
            let found = many.join(", ");
            raw.refuse_whole(format!(
                "its strength is given more than once ({found}); keep one of them"
            ));
            None
        }
    };
    Some(Solution {
        name,
        effect: effect?,
        salts: recipe,
        unstated: unstated?,
        caustic: caustic?,
    })
}

fn salts(
    raw: &RawTable,
    caustic: Option<bool>,
    recipe: &mut Vec<(Salt, f64)>,
) -> Option<SolutionEffect> {
    for table in raw.list(keys::solution::SALTS) {
        let salt = match Salt::from_formula(table.text(keys::salt::SALT)?) {
            Ok(salt) => salt,
            Err(error) => {
                table.refuse(keys::salt::SALT, format!("{error}"));
                return None;
            }
        };
        recipe.push((salt, table.number(keys::salt::G_PER_L)?));
        let hydroxide = ["NaOH", "Ca(OH)2"].contains(&salt.formula());
        if hydroxide && caustic == Some(false) {
            raw.refuse(
                keys::solution::CAUSTIC,
                format!("caustic = false, but {salt} burns skin and eyes; give caustic = true"),
            );
        }
        if hydroxide {
            raw.sink.warn(
                table.place(keys::salt::SALT),
                format!(
                    "{}{salt} raises pH strongly; by common practice (no source) it is not dosed above pH 8.5, and this program does not measure pH",
                    raw.label
                ),
            );
        }
        if salt.formula() == "Na2CO3" && caustic == Some(false) {
            raw.doubt(
                keys::solution::CAUSTIC,
                format!(
                    "caustic = false, but {salt} irritates eyes seriously; consider caustic = true"
                ),
            );
        }
    }
    let effect = SolutionEffect::from_salts(recipe);
    effect
        .map_err(|error| {
            raw.refuse(keys::solution::SALTS, format!("salts: {error}"));
        })
        .ok()
}

fn claim(raw: &RawTable) -> Option<SolutionEffect> {
    let volume = raw.volume(keys::claim::ML)?;
    let litres = TankVolume::from_litres(raw.number(keys::claim::LITRES)?);
    let (raises, by) = (raw.text(keys::claim::RAISES)?, raw.text(keys::claim::BY)?);
    let alkalinity = Quantity::Alkalinity;
    let of = if raises == alkalinity.as_str() {
        Some(alkalinity)
    } else {
        Quantity::dissolved(raises)
    };
    let Some(of) = of else {
        let shown = quoted(raises);
        raw.refuse(
            keys::claim::RAISES,
            format!("raises = \"{shown}\" is not known; give \"alkalinity\" or the symbol of an element such as \"Ca\"")
        );
        return None;
    };
    let rise = match of.unit().parse(by) {
        Ok(rise) => rise,
        Err(error) => {
            raw.refuse(keys::claim::BY, format!("by: {error}"));
            return None;
        }
    };
    let effect = SolutionEffect::from_claim(volume, litres, (&of, rise));
    effect
        .map_err(|error| raw.refuse_whole(format!("{error}")))
        .ok()
}

fn per_litre(raw: &RawTable) -> Option<SolutionEffect> {
    let mut effect = SolutionEffect {
        alkalinity_meq_per_l: raw.number(keys::per_litre::ALKALINITY_MEQ).unwrap_or(0.0),
        ..SolutionEffect::default()
    };
    for key in raw.keys() {
        let of = key.strip_suffix("-mg").and_then(Quantity::dissolved);
        if let (Some(of), Some(mg)) = (of, raw.number_named(key)) {
            effect.dissolved_mg_per_l.insert(of, mg);
        }
    }
    if effect.alkalinity_meq_per_l <= 0.0 && effect.dissolved_mg_per_l.values().all(|mg| *mg <= 0.0)
    {
        if !raw.spoiled {
            raw.refuse_whole("nothing is given; give alkalinity-meq or SYMBOL-mg such as Ca-mg");
        }
        return None;
    }
    Some(effect)
}
