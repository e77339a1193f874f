//! The owner's own jobs that come again and again: when each is due, by when it was last told done or a test did it.

use jiff::{SignedDuration, Timestamp};

use super::effect::Denial;
use super::event::Now;
use super::state::Engine;
use super::status::JobStatus;
use crate::config::Job;
use crate::quantity::{Name, listed};
use crate::record::{Observation, Observed};

impl Engine {
    pub(super) fn jobs_status(&self, now: Now) -> Vec<JobStatus> {
        let jobs = self.in_force.plan.jobs.iter().map(|job| {
            let did = self.told.all().filter(|told| did(told, job));
            let last_done: Option<Timestamp> = did.map(|told| told.happened).max();
            let length = SignedDuration::from_millis(job.every.as_ms());
            let due_at = last_done.and_then(|done| done.checked_add(length).ok());
            JobStatus {
                name: job.name.clone(),
                every_days: job.every.as_days(),
                ticked_by: job.ticked_by.clone(),
                last_done,
                due_at,
                due: due_at.is_none_or(|due| due <= now.wall),
            }
        });
        jobs.collect()
    }

    pub(super) fn known_job(&self, name: &Name) -> Result<(), Denial> {
        let jobs = &self.in_force.plan.jobs;
        if jobs.iter().any(|job| job.name == *name) {
            return Ok(());
        }
        let known = if jobs.is_empty() {
            "there is none; [job.NAME] with every-days makes one".to_owned()
        } else {
            format!("the jobs are: {}", listed(jobs.iter().map(|job| &job.name)))
        };
        let text = format!("there is no job {name} in plan.toml; {known}");
        Err(Denial::new("unknown-job", text))
    }
}

/// Whether what was told does a job.
fn did(told: &Observation, job: &Job) -> bool {
    let ticks = |word: &str| job.ticked_by.as_deref() == Some(word);
    match &told.what {
        Observed::Job { job: name } => *name == job.name,
        Observed::Reading(reading) => {
            ticks(reading.of.as_str()) || (told.panel.is_some() && ticks("panel"))
        }
        Observed::WaterChange { .. } => ticks("water-change"),
        Observed::Addition(_) | Observed::Note { .. } => false,
    }
}
