//! `done`: the owner's own jobs.

use std::io::Write;

use clap::Args;

use crate::cli::moment::{Moment, moment};
use crate::cli::running::status::{fetch, job_words};
use crate::cli::water::owner_args::Told;
use crate::cli::water::told::tell;
use crate::cli::{Out, Place, Result};
use crate::control::Client;
use crate::quantity::Name;
use crate::record::Observed;

/// Options of `done`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright done carbon\n          dosewright done lab-panel --at \"yesterday 18:00\" --note \"sent to the lab in the north\"\nThe jobs are the tables [job.NAME] of plan.toml. Without a name they are listed. What was told by mistake is taken back with `dosewright changes take-back NUMBER`."
)]
pub(crate) struct Done {
    /// The job, by its name in plan.toml
    #[arg(value_parser = Name::new)]
    job: Option<Name>,
    /// When it was done, such as "yesterday 18:00"; now when left out
    #[arg(long, value_name = "TIME", value_parser = moment)]
    at: Option<Moment>,
    /// Anything worth remembering of it
    #[arg(long, default_value = "")]
    note: String,
}

pub(crate) fn done(place: &Place, options: &Done, out: &mut Out) -> Result {
    if let Some(job) = options.job.clone() {
        let told = Told {
            at: options.at,
            method: options.note.clone(),
            sure: false,
        };
        return tell(place, vec![Observed::Job { job }], None, (&told, None), out);
    }
    let view = fetch(&mut Client::connect(&place.state)?)?;
    if place.json {
        return Ok(out.json(&view.jobs)?);
    }
    if view.jobs.is_empty() {
        writeln!(
            out,
            "plan.toml has no job; [job.NAME] with every-days makes one"
        )?;
    }
    for job in &view.jobs {
        writeln!(out, "{}", job_words(job, &view))?;
    }
    Ok(())
}
