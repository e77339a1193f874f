//! Where an element came from between two panels, and what looks like corroding metal.
//!
//! Terms: the *account* sets what was found at the first panel, less what water changes took, plus all that was dosed, against what was
//! found at the second. What is over needs another source; what is missing was taken up or fell out. All of this names patterns, not
//! culprits.

use std::fmt;

use super::panel::{Band, Comparison, Finding};
use crate::chemistry::{Element, Quantity, figures};
use crate::quantity::Concentration;

/// What is known between two panels.
#[derive(Debug, Clone, PartialEq)]
pub struct Account {
    /// Level at the first panel.
    pub before: Concentration,
    /// Level at the second panel.
    pub after: Concentration,
    /// Standard uncertainty of each level.
    pub uncertainty: Concentration,
    /// Sum of what doses raised the tank by in between.
    pub dosed: Concentration,
    /// Part of the old water that water changes left, from 0 to 1; 1 without changes.
    pub water_left: f64,
    /// Level of the new water.
    pub new_water: Concentration,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// It moved no more than the uncertainty, and nothing to speak of was dosed.
    Unchanged,
    /// It rose, and what was dosed explains it.
    ExplainedByDosing {
        /// Rise that is not from water changes, mg/L.
        rise: f64,
        /// What was dosed, mg/L.
        dosed: f64,
    },
    /// It rose by more than was dosed: look for a source.
    OtherSource {
        /// What dosing does not explain, mg/L.
        unexplained: f64,
        /// Its 95 % half width, mg/L.
        half_width: f64,
    },
    /// Less is there than came in: taken up, skimmed or precipitated.
    Consumed {
        consumed: f64,
        /// Its 95 % half width, mg/L.
        half_width: f64,
    },
    /// The numbers make no account.
    NoAccount,
}

impl Account {
    /// The verdict.
    ///
    /// Doses are counted in full, as if all had come after the water changes: that leaves the least unexplained, so a source is only
    /// named when there is no other way.
    pub fn verdict(&self) -> Verdict {
        let kept = self.before.as_mg_per_l() * self.water_left
            + self.new_water.as_mg_per_l() * (1.0 - self.water_left);
        let rise = self.after.as_mg_per_l() - kept;
        let dosed = self.dosed.as_mg_per_l();
        let u = self.uncertainty.as_mg_per_l();
        let half_width = 1.96 * u * self.water_left.hypot(1.0);
        let sound = [rise, dosed, half_width].iter().all(|v| v.is_finite());
        if !(sound && dosed >= 0.0 && u >= 0.0 && (0.0..=1.0).contains(&self.water_left)) {
            return Verdict::NoAccount;
        }
        let over = rise - dosed;
        if over > half_width {
            Verdict::OtherSource {
                unexplained: over,
                half_width,
            }
        } else if -over > half_width {
            Verdict::Consumed {
                consumed: -over,
                half_width,
            }
        } else if dosed > half_width {
            Verdict::ExplainedByDosing { rise, dosed }
        } else {
            Verdict::Unchanged
        }
    }
}

/// What a series of water changes does, oldest first: the part of the first water that is left, and the level that all the new water
/// in the tank has by then. Each change is (part of the water, level of the new water); a part outside 0 to 1 changes nothing.
///
/// From `c' = c (1 - f) + n f`, change by change.
pub fn after_changes(changes: &[(f64, Concentration)]) -> (f64, Concentration) {
    let sound = |part: &f64| (0.0..=1.0).contains(part);
    let (left, brought) = changes.iter().filter(|(part, _)| sound(part)).fold(
        (1.0, 0.0),
        |(left, brought), (part, new)| {
            (
                left * (1.0 - part),
                brought * (1.0 - part) + new.as_mg_per_l() * part,
            )
        },
    );
    let level = if left < 1.0 {
        brought / (1.0 - left)
    } else {
        0.0
    };
    (left, Concentration::from_mg_per_l(level))
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unchanged => f.write_str("unchanged within what the panels can tell"),
            Self::ExplainedByDosing { rise, dosed } => write!(
                f,
                "dosing explains it: {} mg/L more were found, {} mg/L were dosed",
                figures(*rise),
                figures(*dosed)
            ),
            Self::OtherSource {
                unexplained,
                half_width,
            } => write!(
                f,
                "{} mg/L (+/- {} at 95 %) were not dosed; look for a source",
                figures(*unexplained),
                figures(*half_width)
            ),
            Self::Consumed {
                consumed,
                half_width,
            } => write!(
                f,
                "{} mg/L (+/- {} at 95 %) were taken up, skimmed off or fell out",
                figures(*consumed),
                figures(*half_width)
            ),
            Self::NoAccount => f.write_str("the numbers make no account; check both panels"),
        }
    }
}

/// What corroding metal a set of raised elements looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Corrosion {
    /// Copper and zinc: brass.
    Brass,
    /// Copper and tin: bronze.
    Bronze,
    /// Iron with chromium or nickel: stainless steel.
    StainlessSteel,
    /// Nickel without iron: plating.
    NickelPlating,
    /// Zinc without copper: galvanised steel.
    Galvanised,
    /// Iron alone: plain steel or a magnet whose coat has failed.
    Iron,
    /// Copper alone: pipe, wire or coil.
    Copper,
    /// Lead: solder, old fittings.
    Lead,
}

impl fmt::Display for Corrosion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = match self {
            Self::Brass => "copper and zinc are raised together, as from brass (fittings, valves)",
            Self::Bronze => "copper and tin are raised together, as from bronze",
            Self::StainlessSteel => {
                "iron is raised with chromium or nickel, as from stainless steel (clamps, screws, blades)"
            }
            Self::NickelPlating => "nickel is raised without iron, as from plating",
            Self::Galvanised => "zinc is raised without copper, as from galvanised steel",
            Self::Iron => {
                "iron is raised alone, as from plain steel or a magnet whose coat has failed"
            }
            Self::Copper => "copper is raised alone, as from pipe, wire or a heater coil",
            Self::Lead => "lead is raised, as from solder or old fittings",
        };
        write!(
            f,
            "looks like corroding metal: {what}; unplug mains equipment before reaching into the water to look"
        )
    }
}

/// Above this a metal without a natural level on file counts as raised, mg/L: 2 ug/L, well over the ocean and over most detection limits. Our rule.
const RAISED_MG_PER_L: f64 = 0.002;

/// The patterns that the raised metals of one panel make; none when nothing is raised. Our rules, from what alloys are made of.
pub fn corrosion(panel: &[Comparison]) -> Vec<Corrosion> {
    let raised = |symbol: &str| {
        panel.iter().any(|c| {
            c.of.quantity()
                .and_then(Quantity::element)
                .map(Element::symbol)
                == Some(symbol)
                && is_raised(c)
        })
    };
    let (copper, zinc, iron) = (raised("Cu"), raised("Zn"), raised("Fe"));
    let (nickel, chromium, tin) = (raised("Ni"), raised("Cr"), raised("Sn"));
    [
        (copper && zinc, Corrosion::Brass),
        (copper && tin, Corrosion::Bronze),
        (iron && (chromium || nickel), Corrosion::StainlessSteel),
        (nickel && !iron, Corrosion::NickelPlating),
        (zinc && !copper, Corrosion::Galvanised),
        (iron && !chromium && !nickel, Corrosion::Iron),
        (copper && !zinc && !tin, Corrosion::Copper),
        (raised("Pb"), Corrosion::Lead),
    ]
    .into_iter()
    .filter(|(seen, _)| *seen)
    .map(|(_, pattern)| pattern)
    .collect()
}

/// Found, above what is natural where that is on file, and above 2 ug/L in any case.
fn is_raised(comparison: &Comparison) -> bool {
    let Finding::Found { .. } = comparison.finding else {
        return false;
    };
    let beyond = match comparison.band {
        Band::High | Band::AboveNatural | Band::NothingToCompare => true,
        Band::Low | Band::BelowNatural | Band::Natural | Band::NotFound => false,
    };
    beyond && comparison.interval.0 > RAISED_MG_PER_L
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::panel::tests::compared;
    use proptest::prelude::*;

    fn account(before: f64, after: f64, dosed: f64, water_left: f64) -> Account {
        let mg = Concentration::from_mg_per_l;
        Account {
            before: mg(before),
            after: mg(after),
            uncertainty: mg(0.2),
            dosed: mg(dosed),
            water_left,
            new_water: mg(8.0),
        }
    }

    #[test]
    fn the_account_tells_dosing_from_another_source() {
        assert!(matches!(
            account(8.0, 10.0, 2.2, 1.0).verdict(),
            Verdict::ExplainedByDosing { .. }
        ));
        let Verdict::OtherSource {
            unexplained,
            half_width,
        } = account(8.0, 12.0, 1.0, 1.0).verdict()
        else {
            panic!("no source");
        };
        assert!(
            (unexplained - 3.0).abs() < 1e-9
                && (half_width - 1.96 * 0.2 * 2.0_f64.sqrt()).abs() < 1e-9
        );
        let Verdict::Consumed { consumed, .. } = account(8.0, 8.0, 2.0, 1.0).verdict() else {
            panic!("not consumed");
        };
        assert!((consumed - 2.0).abs() < 1e-9);
        assert_eq!(account(8.0, 8.3, 0.1, 1.0).verdict(), Verdict::Unchanged);
    }

    #[test]
    fn water_changes_are_in_the_account() {
        // 20 mg/L, half the water changed for 8 mg/L: 14 is what is expected, so 14 is no change and 18 needs a source.
        assert_eq!(account(20.0, 14.2, 0.0, 0.5).verdict(), Verdict::Unchanged);
        assert!(matches!(
            account(20.0, 18.0, 0.0, 0.5).verdict(),
            Verdict::OtherSource { .. }
        ));
        assert_eq!(account(20.0, 18.0, 0.0, 1.5).verdict(), Verdict::NoAccount);
    }

    #[test]
    fn water_changes_one_after_the_other_are_those_of_the_account() {
        let mg = Concentration::from_mg_per_l;
        let (left, new) = after_changes(&[]);
        assert!((left - 1.0).abs() < 1e-12 && new.as_mg_per_l().abs() < 1e-12);
        // 50 mg/L, a tenth changed for 8, then a fifth for 10: 45.8, then 38.64.
        let (left, new) = after_changes(&[(0.1, mg(8.0)), (0.2, mg(10.0)), (1.5, mg(99.0))]);
        assert!((left - 0.72).abs() < 1e-12);
        let level = 50.0 * left + new.as_mg_per_l() * (1.0 - left);
        assert!((level - 38.64).abs() < 1e-9, "{level}");
    }

    #[test]
    fn raised_metals_name_what_they_look_like() {
        let seen = |metals: &[(&str, f64)]| {
            let panel: Vec<Comparison> = metals.iter().map(|(s, v)| compared(s, *v)).collect();
            corrosion(&panel)
        };
        assert_eq!(seen(&[("Cu", 25.0), ("Zn", 40.0)]), [Corrosion::Brass]);
        assert_eq!(
            seen(&[("Fe", 30.0), ("Cr", 6.0), ("Ni", 12.0)]),
            [Corrosion::StainlessSteel]
        );
        assert_eq!(seen(&[("Zn", 60.0), ("Cu", 0.5)]), [Corrosion::Galvanised]);
        assert_eq!(seen(&[("Fe", 30.0)]), [Corrosion::Iron]);
        assert_eq!(
            seen(&[("Cu", 25.0), ("Sn", 9.0), ("Pb", 5.0)]),
            [Corrosion::Bronze, Corrosion::Lead]
        );
        assert!(seen(&[("Cu", 0.3), ("Zn", 1.0), ("Fe", 0.5), ("Ca", 420_000.0)]).is_empty());
        // 3 ug/L of zinc is over 2 ug/L but not over ten times the ocean.
        assert!(seen(&[("Zn", 3.0)]).is_empty());
        let text = Corrosion::Brass.to_string();
        assert!(text.contains("unplug mains equipment"), "{text}");
    }

    #[test]
    fn what_was_not_found_is_not_raised() {
        let mut copper = compared("Cu", 50.0);
        copper.finding = Finding::Below(copper.finding.at_most());
        assert!(corrosion(&[copper]).is_empty());
    }

    proptest! {
        #[test]
        fn no_number_makes_the_account_panic(before in any::<f64>(), after in any::<f64>(), dosed in any::<f64>(), left in any::<f64>()) {
            prop_assert!(!account(before, after, dosed, left).verdict().to_string().is_empty());
        }

        #[test]
        fn a_balanced_account_never_names_a_source(before in 0.0..50.0_f64, dosed in 0.0..20.0_f64, left in 0.0..1.0_f64) {
            let after = before * left + 8.0 * (1.0 - left) + dosed;
            let named = matches!(account(before, after, dosed, left).verdict(), Verdict::Unchanged | Verdict::ExplainedByDosing { .. });
            prop_assert!(named);
        }
    }
}
