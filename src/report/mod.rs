//! One picture of the record for people: figures first, then the page that shows them.
//!
//! Facts come in as [`Material`], read of the ledger by whoever has it, and an engine started from the same ledger, whose estimate, advice
//! and alarms are the ones that everything else shows. They become one [`Report`], which is what `--json` prints, and nothing on the page
//! is worked out anew: [`page`] only draws.
//!
//! | question | where |
//! |---|---|
//! | what is true | `water`, `doses`, `bottles`, `panels`, `heads`, `journal` |
//! | what does it come to | `glance` (is it well, what is to do), `story` (what happened, and is it working) |
//! | how does it look | `axis` and `plot` (lines in a picture), `of_*` and `pictures` (which), `page` (the page), `page.css`, `plot.css` |

mod axis;
mod bottles;
mod days;
mod doses;
mod glance;
mod heads;
mod journal;
mod made;
mod material;
mod model;
mod of_labs;
mod of_lines;
mod of_water;
mod page;
mod panels;
mod picture;
mod pictures;
mod plot;
mod story;
mod tables;
#[cfg(test)]
mod tests;
mod water;
mod words;

pub use material::{DAYS_MAX, Material, present_engine};
pub use model::{
    BottleReport, Calibrated, Checked, Day, Due, Glance, Happened, HeadReport, Held, LineReport,
    PanelReport, PanelValue, Read, ReadingsReport, Refilled, Rehearsed, Report, UptakeSet,
    WaterReport, Wellness,
};
pub use page::page;
pub use panels::{LAB_C, lab_comparison, nearest_salinity};
pub use pictures::pictures;
