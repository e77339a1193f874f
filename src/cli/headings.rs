//! `--help` in the order of an owner's day: clap knows no headings for commands.

use std::io;

use clap::Command;
use clap::builder::Styles;

use super::out::columns;

/// Column in which what a command does begins.
const INDENT: usize = 15;
/// Longest line, in characters.
const WIDTH: usize = 110;

/// The template of the help, with what clap knows of these commands.
pub(super) fn template(commands: &Command, headings: &[(&str, &str)]) -> String {
    let styles = Styles::styled();
    let header = styles.get_header();
    let width = columns(io::stdout()).map_or(WIDTH, |width| width.min(WIDTH));
    let listed = headings.iter().map(|(heading, names)| {
        let found = names
            .split(' ')
            .filter_map(|name| commands.find_subcommand(name));
        let entries: String = found.map(|command| entry(command, width)).collect();
        format!("\n{header}{heading}:{header:#}\n{entries}")
    });
    format!(
        "{{about-with-newline}}\n{{usage-heading}} {{usage}}\n{}\n{header}Options:{header:#}\n{{options}}\n\n`dosewright help COMMAND` tells all of one, with examples.{{after-help}}",
        listed.collect::<String>()
    )
}

fn entry(command: &Command, width: usize) -> String {
    let styles = Styles::styled();
    let (name, literal) = (command.get_name(), styles.get_literal());
    let pad = INDENT.saturating_sub(name.len() + 2);
    let mut text = format!("  {literal}{name}{literal:#}{:pad$}", "");
    let about = command.get_about().map(ToString::to_string);
    let aliases: Vec<&str> = command.get_visible_aliases().collect();
    let mut about = about.unwrap_or_default();
    if !aliases.is_empty() {
        about = format!("{about} [also: {}]", aliases.join(", "));
    }
    let hanging = " ".repeat(INDENT);
    let options = textwrap::Options::new(width)
        .initial_indent(&hanging)
        .subsequent_indent(&hanging);
    text.push_str(textwrap::fill(&about, options).trim_start());
    text + "\n"
}
