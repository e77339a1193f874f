//! The lamp or buzzer: follows whether the engine calls for help.
//!
//! It rests off, and goes off with the daemon like every output. That the daemon is gone it cannot show; the watchdog relay and
//! `dosewright tell` are for that.

use crate::pump::Output;

pub(super) struct AlarmOutput {
    pin: Box<dyn Output>,
    /// What was last heard of it, so that a pin that does not obey is said once.
    obeys: bool,
}

impl AlarmOutput {
    /// An output that is off.
    pub(super) fn new(pin: Box<dyn Output>) -> Self {
        Self { pin, obeys: true }
    }

    /// Looks at the pin each time: what another program did to it is put right.
    pub(super) fn set(&mut self, on: bool) {
        if self.pin.is_on() == Some(on) {
            self.obeys = true;
            return;
        }
        let set = if on {
            self.pin.set_on()
        } else {
            self.pin.set_off()
        };
        let fault = match set {
            Err(error) => Some(error.to_string()),
            Ok(()) => (self.pin.is_on() == Some(!on))
                .then(|| "it was switched but reads as the opposite".to_owned()),
        };
        if let Some(why) = fault.as_ref().filter(|_| self.obeys) {
            tracing::error!(on, "the alarm output does not obey: {why}");
        }
        self.obeys = fault.is_none();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

    use super::*;
    use crate::pump::PumpError;

    #[derive(Clone, Default)]
    struct Lamp {
        on: Arc<AtomicBool>,
        writes: Arc<AtomicU32>,
    }

    impl Lamp {
        fn write(&self, on: bool) {
            self.on.store(on, Ordering::SeqCst);
            self.writes.fetch_add(1, Ordering::SeqCst);
        }
    }

    impl Output for Lamp {
        fn set_on(&mut self) -> Result<(), PumpError> {
            self.write(true);
            Ok(())
        }
        fn set_off(&mut self) -> Result<(), PumpError> {
            self.write(false);
            Ok(())
        }
        fn is_on(&mut self) -> Option<bool> {
            Some(self.on.load(Ordering::SeqCst))
        }
    }

    #[test]
    fn the_lamp_follows_and_is_put_right_when_another_program_switches_it() {
        let lamp = Lamp::default();
        let mut alarm = AlarmOutput::new(Box::new(lamp.clone()));
        let is_on = || lamp.on.load(Ordering::SeqCst);
        alarm.set(false);
        assert!(!is_on());
        for on in [true, true, false, false, true] {
            alarm.set(on);
            assert_eq!(is_on(), on);
        }
        assert_eq!(
            lamp.writes.load(Ordering::SeqCst),
            3,
            "one that is right is left alone"
        );
        lamp.on.store(false, Ordering::SeqCst);
        alarm.set(true);
        assert!(is_on());
    }
}
