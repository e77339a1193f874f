//! Real-time priority for the thread that calls, where the system allows it.
//!
//! `SCHED_FIFO` at a low priority: ahead of all ordinary work, behind the kernel's own threads (50). Such a thread keeps its core until
//! it waits, so nothing that runs under it may spin; pump threads sleep between edges, and the unit's `LimitRTTIME` ends one that
//! does not. Being refused is no error: what was measured is booked either way.

use thread_priority::{
    RealtimeThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy,
    set_thread_priority_and_policy, thread_native_id,
};

/// The priority, 1 to 99.
const PRIORITY: u8 = 10;

/// How a thread is scheduled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Priority {
    /// Ahead of all ordinary work.
    RealTime,
    /// Like any other thread, as real time was refused.
    Ordinary {
        /// What the system said.
        why: String,
    },
}

/// Asks for real-time priority for the calling thread and those it starts.
pub fn ask_for_real_time() -> Priority {
    let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    let refused = |why: String| Priority::Ordinary { why };
    let value = match ThreadPriorityValue::try_from(PRIORITY) {
        Ok(value) => value,
        Err(why) => return refused(why.clone()),
    };
    match set_thread_priority_and_policy(
        thread_native_id(),
        ThreadPriority::Crossplatform(value),
        policy,
    ) {
        Ok(()) => Priority::RealTime,
        Err(thread_priority::Error::OS(code)) => {
            refused(std::io::Error::from_raw_os_error(code).to_string())
        }
        Err(other) => refused(other.to_string()),
    }
}
