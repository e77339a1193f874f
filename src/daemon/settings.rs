//! Both files, as `run`, `check` and `arm` load them: the plan held against its controller, and the PWM channels against this machine.

use std::path::Path;

use crate::config::{ConfigMistakes, Loaded, load_with};
use crate::plan::check_plan;
use crate::pump::PwmClass;

/// Reads and checks both files of a config directory.
///
/// # Errors
/// All mistakes of both files, each with its place.
pub fn load_all(dir: &Path) -> Result<Loaded, ConfigMistakes> {
    load_with(dir, &check_plan, &|written| {
        super::pwm::findings(written, &PwmClass::system())
    })
}
