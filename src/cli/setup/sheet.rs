//! Where answers come from: a file, the command line, and whoever is asked for what these do not say.

use std::collections::BTreeMap;
use std::path::Path;

use toml::{Table, Value};

use crate::cli::talk::Talk;
use crate::cli::words::usage;
use crate::cli::{Failure, Result, exit};

/// Answers by the words of their questions.
pub(super) struct Sheet<'a> {
    given: BTreeMap<String, String>,
    /// A file says all that is not usual: nobody is asked what has a usual answer.
    from_file: bool,
    person: &'a mut dyn Talk,
}

/// One question.
pub(super) struct Question<'a> {
    /// The word that it is answered by in a file.
    pub(super) key: &'a str,
    pub(super) text: &'a str,
    /// What an empty answer means; empty where there is no usual answer.
    pub(super) usual: &'a str,
}

impl<'a> Sheet<'a> {
    pub(super) fn new(
        file: Option<&Path>,
        words: &[(String, String)],
        person: &'a mut dyn Talk,
    ) -> Result<Self> {
        let mut given = BTreeMap::new();
        if let Some(path) = file {
            let wrong =
                |why: String| Failure::new(exit::USAGE, format!("{}: {why}", path.display()));
            let text = std::fs::read_to_string(path).map_err(|e| wrong(e.to_string()))?;
            let table: Table = text
                .parse()
                .map_err(|e: toml::de::Error| wrong(e.to_string()))?;
            flatten("", &table, &mut given);
        }
        given.extend(words.iter().cloned());
        Ok(Self {
            given,
            from_file: file.is_some(),
            person,
        })
    }

    pub(super) fn say(&mut self, text: &str) -> Result {
        self.person.say(text)
    }

    /// The answer. One that is given and cannot be read ends it, a person is asked again.
    pub(super) fn ask<T>(
        &mut self,
        question: &Question<'_>,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T> {
        let Question { key, text, usual } = *question;
        let usually = self.from_file && !usual.is_empty();
        let given = self.given.remove(key);
        if let Some(given) = given.or_else(|| usually.then(|| usual.to_owned())) {
            let wrong = |why| usage(format!("{key} = \"{given}\": {why}; nothing was written"));
            return read(&given).map_err(wrong);
        }
        let shown = if usual.is_empty() {
            text.to_owned()
        } else {
            format!("{text} [{usual}]")
        };
        loop {
            let typed = self.person.ask(&shown)?;
            let typed = if typed.is_empty() { usual } else { &typed };
            match read(typed) {
                Ok(read) => return Ok(read),
                Err(why) => self.person.say(&why)?,
            }
        }
    }

    /// Answers that no question asked for are slips.
    pub(super) fn all_used(&self) -> Result {
        if self.given.is_empty() {
            return Ok(());
        }
        let unused: Vec<&str> = self.given.keys().map(String::as_str).collect();
        Err(usage(format!(
            "no question asks for {}; nothing was written",
            unused.join(", ")
        )))
    }
}

fn flatten(before: &str, table: &Table, into: &mut BTreeMap<String, String>) {
    for (key, value) in table {
        let key = format!("{before}{key}");
        match value {
            Value::Table(table) => flatten(&format!("{key}."), table, into),
            Value::Array(items) => {
                let items: Vec<String> = items.iter().map(plain).collect();
                into.insert(key, items.join(", "));
            }
            Value::String(_)
            | Value::Integer(_)
            | Value::Float(_)
            | Value::Boolean(_)
            | Value::Datetime(_) => {
                into.insert(key, plain(value));
            }
        }
    }
}

fn plain(value: &Value) -> String {
    value
        .as_str()
        .map_or_else(|| value.to_string(), str::to_owned)
}
