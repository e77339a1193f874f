//! Whether the record allows outputs to be driven.

use crate::record::{Arming, Who};

/// The latest arming of the ledger must be for this very configuration and board.
///
/// # Errors
/// Why nothing may be driven, with what to do.
pub fn check_arming(
    arming: Option<&Arming>,
    fingerprint: &str,
    hardware: &str,
) -> Result<(), String> {
    match arming {
        None => {
            Err("it was never armed, or the ledger is a new one; run `dosewright arm`".to_owned())
        }
        Some(arming) if !arming.armed => {
            let by = match arming.who {
                Who::Daemon => {
                    " by dosewright itself, because a dry run was made since, or the ledger may have forgotten doses"
                }
                Who::Plan | Who::Local { .. } | Who::Remote { .. } => "",
            };
            Err(format!(
                "it was disarmed{by}; run `dosewright arm` to arm it again"
            ))
        }
        Some(arming) if arming.fingerprint != fingerprint => Err(format!(
            "controller.toml or the board has changed since it was armed (then {} on {}, now {fingerprint} on {hardware}); run `dosewright arm` again",
            arming.fingerprint, arming.hardware
        )),
        Some(_) => Ok(()),
    }
}
