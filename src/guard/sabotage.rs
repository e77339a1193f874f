//! An interlock that is left out on purpose, to see that a simulation finds it.

use std::cell::Cell;

std::thread_local! {
    static LEFT_OUT: Cell<Option<usize>> = const { Cell::new(None) };
}

/// From now on, on this thread.
pub(crate) fn leave_out(interlock: Option<usize>) {
    LEFT_OUT.set(interlock);
}

pub(super) fn left_out() -> Option<usize> {
    LEFT_OUT.get()
}
