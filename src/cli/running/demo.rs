//! `demo`: something to look at for who has no record of their own yet.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;

use crate::cli::exit::{self, Failure, chain};
use crate::cli::out::Out;
use crate::cli::place::Place;
use crate::cli::record::report::{made, write_page};
use crate::config::{CONTROLLER_FILE, Loaded, PLAN_FILE, load};
use crate::daemon::{ledger_path, machine_now};
use crate::plan::check_plan;
use crate::rehearsal::{Demo, demo_controller, demo_plans};

/// Days on its report.
const DAYS: u32 = 90;

/// Options of `demo`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dosewright demo target/demo\nMakes controller.toml, plan.toml, a ledger and report.html in DIR and says what to look at. Everything in it is invented, no head runs, and no live daemon takes the ledger: it counts virtual days."
)]
pub(crate) struct DemoArgs {
    /// A folder that is not there yet, or is empty
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

pub(crate) fn demo(options: &DemoArgs, out: &mut Out) -> Result<(), Failure> {
    let folder = &options.folder;
    make_folder(folder)?;
    write(folder, CONTROLLER_FILE, &demo_controller())?;
    let (plan_before, plan_after) = demo_plans();
    let before = with_plan(folder, &plan_before)?;
    let after = with_plan(folder, &plan_after)?;
    let began = machine_now();
    let invented = Demo {
        before: &before,
        after: &after,
        ends: began.wall,
        ledger: &ledger_path(folder),
    };
    let invented = invented
        .run()
        .map_err(|error| Failure::new(exit::IO, chain(&error)))?;
    if let Some(broken) = invented.broken.first() {
        return Err(Failure::new(
            exit::REFUSED,
            format!(
                "a rule that must always hold was broken in the demo, please report it: {broken}"
            ),
        ));
    }
    let place = Place {
        config: folder.clone(),
        state: folder.clone(),
        json: false,
    };
    let report = made(&place, DAYS)?;
    let page = folder.join("report.html");
    write_page(&report, &page)?;
    let took = machine_now().elapsed.minus(began.elapsed).as_secs();
    let own = std::env::args()
        .next()
        .unwrap_or_else(|| "dosewright".to_owned());
    let at = folder.display();
    writeln!(
        out,
        "a quarter of a year of an invented reef, {} doses, made in {took:.1} s\n\
         look at   {}  in a browser\n\
         let it go on, an hour a minute:\n  {own} --config {at} --state {at} run --warp 60\n\
         and in a second terminal:\n  {own} --state {at} status\n  {own} --state {at} advise\n  {own} --state {at} hold --reason \"I am trying it\"",
        invented.doses,
        page.display()
    )?;
    Ok(())
}

fn make_folder(folder: &Path) -> Result<(), Failure> {
    let failed =
        |error: std::io::Error| Failure::new(exit::IO, format!("{}: {error}", folder.display()));
    fs::create_dir_all(folder).map_err(failed)?;
    if fs::read_dir(folder).map_err(failed)?.next().is_some() {
        return Err(Failure::new(
            exit::REFUSED,
            format!(
                "{}: there is something in it already, and nothing is overwritten; name a folder that is not there yet",
                folder.display()
            ),
        ));
    }
    Ok(())
}

fn write(folder: &Path, name: &str, text: &str) -> Result<(), Failure> {
    let path = folder.join(name);
    fs::write(&path, text).map_err(|e| Failure::new(exit::IO, format!("{}: {e}", path.display())))
}

fn with_plan(folder: &Path, plan: &str) -> Result<Loaded, Failure> {
    write(folder, PLAN_FILE, plan)?;
    load(folder, &check_plan).map_err(|mistakes| Failure::new(exit::CONFIG, mistakes.to_string()))
}
