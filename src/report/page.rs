//! The page: one file, without script and without anything from elsewhere.

use base64::prelude::{BASE64_STANDARD, Engine as _};
use maud::{DOCTYPE, Markup, html};
use sha2::{Digest, Sha256};

use super::model::{Due, Happened, Rehearsed, Report, Wellness};
use super::picture::Picture;
use super::pictures::{PLOT_STYLE, Section, sections};
use super::words::{day, minute};

const PAGE_STYLE: &str = include_str!("page.css");

/// The whole page, in a few thousand lines of which a browser needs nothing else.
pub fn page(report: &Report) -> String {
    let style = format!("{PLOT_STYLE}{PAGE_STYLE}");
    let policy = format!(
        "default-src 'none'; style-src 'sha256-{}'; base-uri 'none'; form-action 'none'",
        BASE64_STANDARD.encode(Sha256::digest(style.as_bytes()))
    );
    let (last, rehearsed) = (format!("the last {} days", report.days), &report.rehearsed);
    let (title, story) = if rehearsed.is_some() {
        let title = format!("Rehearsal of {}, not a record", report.name);
        (title, "What would happen, and would it work?".to_owned())
    } else {
        let story = format!("What happened in {last}, and is it working?");
        (format!("{}, {last}", report.name), story)
    };
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                title { (title) }
                style { (maud::PreEscaped(&style)) }
            }
            body {
                main {
                    (first_screen(report))
                    section aria-labelledby="story" {
                        h2 #story { (story) }
                        @for (number, sentence) in report.story.iter().enumerate() {
                            p .answer[number == 0] { (bound(sentence)) }
                        }
                    }
                    @for section in sections(report) { (drawn(&section)) }
                    (journal(report))
                    @if let Some(rehearsed) = rehearsed { (went_wrong(rehearsed, report)) }
                }
                footer { p { (footer(report)) } }
            }
        }
    };
    markup.into_string()
}

fn first_screen(report: &Report) -> Markup {
    let class = match report.glance.wellness {
        Wellness::Well => "well",
        Wellness::SeeTo => "see-to",
        Wellness::NotWell => "not-well",
    };
    html! {
        header {
            p .what { (report.name) " · " (minute(report.at, &report.zone)) " " (report.time_zone) }
            @if let Some(rehearsed) = &report.rehearsed { (warned(rehearsed, report)) }
            h1 class=(class) { (bound(&report.glance.sentence)) }
            @if report.invented && report.rehearsed.is_none() {
                p .quiet { "The days of this record are invented: no real tank stands behind it." }
            }
        }
        section aria-labelledby="due" {
            h2 #due { @if report.rehearsed.is_some() { "In the week after it" } @else { "This week" } }
            @if report.due.is_empty() {
                p { "Nothing is asked of you." }
            } @else {
                ul .due { @for due in &report.due { (asked(due)) } }
            }
        }
    }
}

/// What is real and what is not, before anything else is read.
fn warned(rehearsed: &Rehearsed, report: &Report) -> Markup {
    let since = minute(rehearsed.since, &report.zone);
    html! {
        p .rehearsed role="note" {
            strong { "A rehearsal, not your tank." }
            " No head ran and nobody tested the water: from " (since) " on every dose, test, refill and level here is a model tank's (scenario "
            (rehearsed.scenario) ", seed " (rehearsed.seed) ")."
            @if rehearsed.since > report.since {
                " What lies before that is your record; a dotted upright line parts the two."
            } @else {
                " Nothing here is from your record."
            }
        }
    }
}

fn went_wrong(rehearsed: &Rehearsed, report: &Report) -> Markup {
    html! {
        section aria-labelledby="faults" {
            h2 #faults { "What went wrong, as the scenario has it" }
            @if rehearsed.faults.is_empty() {
                p { "Nothing." }
            } @else {
                ul .journal { @for fault in &rehearsed.faults { (happened(fault, report)) } }
            }
        }
    }
}

fn asked(due: &Due) -> Markup {
    let by = due
        .by
        .map_or_else(|| "now".to_owned(), |by| format!("by {}", day(by)));
    html! {
        li .presses[due.presses] { span .by { (by) } span { (code(&due.what)) } }
    }
}

/// No number without its unit on another line.
fn bound(text: &str) -> String {
    let units = [" %", " dKH", " mg/L", " mL", " L "];
    let bind = |text: String, unit: &str| text.replace(unit, &unit.replacen(' ', "\u{a0}", 1));
    units.into_iter().fold(text.to_owned(), bind)
}

/// What stands between backticks is something to type.
fn code(text: &str) -> Markup {
    html! {
        @for (number, part) in text.split('`').enumerate() {
            @if number % 2 == 1 { code { (part) } } @else { (part) }
        }
    }
}

fn drawn(section: &Section) -> Markup {
    html! {
        section aria-labelledby=(section.id) {
            h2 id=(section.id) { (section.title) }
            @if !section.words.is_empty() { p .quiet { (section.words) } }
            @for picture in &section.pictures { (figure(picture)) }
        }
    }
}

fn figure(picture: &Picture) -> Markup {
    html! {
        figure id=(picture.id) {
            figcaption { strong { (picture.title) } " " span { (bound(&picture.words)) } }
            (picture.plot.drawn(None))
            (picture.table.drawn(&picture.id.replace('-', " ")))
        }
    }
}

fn journal(report: &Report) -> Markup {
    html! {
        section aria-labelledby="journal" {
            h2 #journal { "What was changed" }
            @if report.changes.is_empty() {
                p { "Nothing." }
            } @else {
                ol .journal { @for change in &report.changes { (happened(change, report)) } }
            }
        }
        section aria-labelledby="events" {
            h2 #events { "Events" }
            @if report.events.is_empty() {
                p { "None." }
            } @else {
                details {
                    summary { "The newest " (report.events.len()) " events" }
                    ul .journal { @for event in report.events.iter().rev() { (happened(event, report)) } }
                }
            }
        }
    }
}

fn happened(what: &Happened, report: &Report) -> Markup {
    html! { li { span .by { (minute(what.at, &report.zone)) } span { (what.what) } } }
}

fn footer(report: &Report) -> String {
    let since = report.zone.to_datetime(report.since).date();
    let until = report.zone.to_datetime(report.at).date();
    let record = if report.rehearsed.is_some() {
        "rehearsal"
    } else {
        "record"
    };
    format!(
        "dosewright {}, from the {record} of {since} to {until}. Levels and uptakes are the estimate's, as it was at the time; intervals hold the truth 95 times of 100.",
        env!("CARGO_PKG_VERSION")
    )
}
