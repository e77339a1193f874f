//! Values of `plan.toml` and `controller.toml` changed in place: comments, order and everything else stay as the owner wrote them.
//!
//! The new text passes the same check as a start before the file is touched; then the file is replaced whole, or not at all.

use std::fs::{self, File};
use std::io::{self, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use toml_edit::{DocumentMut, Item, Value};

use crate::cli::args::Place;
use crate::cli::exit::{self, Failure, accepted};
use crate::config::{
    CONTROLLER_FILE, ConfigMistakes, Controller, PLAN_FILE, check_plan_text, check_texts,
    system_zone,
};
use crate::control::{Client, Request, Response};
use crate::quantity::{Name, Volume};

/// One value of a file.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::cli) enum Edit {
    Uptake(f64),
    /// `daily-ml` of a line.
    Daily(Name, f64),
    /// `ratio` of a line that follows another.
    Ratio(Name, f64),
    /// `standby` of a line; the one key that may be new.
    Standby(Name, bool),
    /// `follow` of a line.
    Follow(Name, Name),
    /// `solution` of a line, in `controller.toml`.
    Solution(Name, Name),
}

impl Edit {
    /// The tables to the key, the key, and the value as it will stand there.
    fn place(&self) -> (Vec<&str>, &'static str, Value) {
        let number = |value: &f64| Value::from(*value);
        match self {
            Self::Uptake(value) => (Vec::new(), "uptake-dkh-per-day", number(value)),
            Self::Daily(line, value) => (vec!["line", line.as_str()], "daily-ml", number(value)),
            Self::Ratio(line, value) => (vec!["line", line.as_str()], "ratio", number(value)),
            Self::Standby(line, value) => {
                (vec!["line", line.as_str()], "standby", Value::from(*value))
            }
            Self::Follow(line, leader) => (
                vec!["line", line.as_str()],
                "follow",
                Value::from(leader.as_str()),
            ),
            Self::Solution(line, solution) => (
                vec!["line", line.as_str()],
                "solution",
                Value::from(solution.as_str()),
            ),
        }
    }

    /// A line's daily volume in mL, as `daily-ml` or, for one that follows another, as its ratio to what that one gives.
    pub(in crate::cli) fn volume(line: Name, ml: f64, leader: Option<Volume>) -> Self {
        match leader {
            Some(leader) => Self::Ratio(line, written_ratio(ml / leader.as_ml())),
            None => Self::Daily(line, written_ml(ml)),
        }
    }

    /// As it stands in the file.
    pub(in crate::cli) fn words(&self) -> String {
        let (tables, key, value) = self.place();
        match tables.last() {
            Some(line) => format!("{key} = {} in [line.{line}]", value.to_string().trim()),
            None => format!("{key} = {value}"),
        }
    }
}

/// A daily volume as a person writes it: at most a two-hundredth of it is lost by rounding.
pub(in crate::cli) fn written_ml(ml: f64) -> f64 {
    let places = if ml >= 20.0 {
        10.0
    } else if ml >= 2.0 {
        100.0
    } else {
        1000.0
    };
    (ml * places).round() / places
}

/// A ratio as a person writes it: four places, more where that would lose over a two-thousandth of it.
fn written_ratio(ratio: f64) -> f64 {
    let places = if ratio >= 0.1 {
        1e4
    } else if ratio >= 0.01 {
        1e5
    } else {
        1e7
    };
    (ratio * places).round() / places
}

/// The text with the numbers changed; why not, when a key is not where it belongs.
pub(in crate::cli) fn edited(text: &str, edits: &[Edit]) -> Result<String, String> {
    let mut document: DocumentMut = text.parse().map_err(|e| format!("is no TOML: {e}"))?;
    for edit in edits {
        let (tables, key, new) = edit.place();
        let mut item: &mut Item = document.as_item_mut();
        for step in &tables {
            item = item
                .as_table_like_mut()
                .and_then(|table| table.get_mut(step))
                .ok_or_else(|| missing(step, edit))?;
        }
        let table = item.as_table_like_mut().ok_or_else(|| missing(key, edit))?;
        if matches!(edit, Edit::Standby(..)) && !table.contains_key(key) {
            table.insert(key, Item::Value(new));
            continue;
        }
        let value = table
            .get_mut(key)
            .and_then(Item::as_value_mut)
            .ok_or_else(|| missing(key, edit))?;
        // What stands around the value, a comment behind it for one, stays.
        let around = value.decor().clone();
        *value = new;
        *value.decor_mut() = around;
    }
    Ok(document.to_string())
}

fn missing(what: &str, edit: &Edit) -> String {
    format!("has no {what} where {} belongs", edit.words())
}

/// One file with some of its values changed; nothing is written yet.
#[derive(Debug)]
struct FileChange {
    /// As people call it.
    shown: String,
    path: PathBuf,
    before: String,
    after: String,
    words: String,
}

impl FileChange {
    /// Works the new text out; what it means is the caller's to check.
    fn read(place: &Place, file: &str, edits: &[Edit]) -> Result<Self, Failure> {
        let words: Vec<String> = edits.iter().map(Edit::words).collect();
        let shown = place.config.join(file);
        // Behind a link stands the real file, and the link is to stay.
        let path = fs::canonicalize(&shown).unwrap_or_else(|_| shown.clone());
        let mut change = Self {
            shown: shown.display().to_string(),
            path,
            before: String::new(),
            after: String::new(),
            words: words.join("; "),
        };
        change.before = fs::read_to_string(&change.path).map_err(|e| change.unwritten(&e))?;
        change.after = edited(&change.before, edits)
            .map_err(|why| Failure::new(exit::CONFIG, format!("{} {why}", change.shown)))?;
        Ok(change)
    }

    fn write(&self) -> Result<(), Failure> {
        replace(&self.path, &self.after).map_err(|e| self.unwritten(&e))
    }

    fn undo(&self) -> Result<(), Failure> {
        replace(&self.path, &self.before).map_err(|e| self.unwritten(&e))
    }

    fn unwritten(&self, error: &io::Error) -> Failure {
        Failure::new(
            exit::IO,
            format!(
                "{} cannot be changed: {error}; change it by hand ({}), then dosewright reload",
                self.path.display(),
                self.words
            ),
        )
    }
}

fn wrong(words: &str, mistakes: &ConfigMistakes) -> Failure {
    Failure::new(
        exit::CONFIG,
        format!("nothing was changed, for with {words} it would be wrong: {mistakes}"),
    )
}

/// A change of the plan file that has been checked and waits to be written.
#[derive(Debug)]
pub(in crate::cli) struct PlanChange(FileChange);

impl PlanChange {
    /// Works the change out; nothing is written yet.
    ///
    /// # Errors
    /// What is wrong with the edited plan, or why the file cannot be read.
    pub(in crate::cli) fn prepare(
        place: &Place,
        controller: &Controller,
        edits: &[Edit],
    ) -> Result<Self, Failure> {
        let change = FileChange::read(place, PLAN_FILE, edits)?;
        check_plan_text((&change.shown, &change.after), controller)
            .map_err(|mistakes| wrong(&change.words, &mistakes))?;
        Ok(Self(change))
    }

    /// What is changed, as it will stand in the file.
    pub(in crate::cli) fn words(&self) -> &str {
        &self.0.words
    }

    /// Writes it and has the daemon read it.
    ///
    /// # Errors
    /// Why the file cannot be replaced, or the daemon does not take it; the file is as it was before then.
    pub(in crate::cli) fn apply(&self, place: &Place) -> Result<Response, Failure> {
        // Connected before anything is changed: without a daemon nothing is.
        let mut client = Client::connect(&place.state)?;
        self.0.write()?;
        let reloaded = client
            .ask(&Request::Reload {})
            .map_err(Failure::from)
            .and_then(accepted);
        reloaded.or_else(|failure| {
            self.0.undo()?;
            Err(failure.after("the plan file is as it was before"))
        })
    }
}

/// A change of both files that has been checked and waits to be written. They are in force with the next start.
#[derive(Debug)]
pub(in crate::cli) struct BothChange {
    controller: FileChange,
    plan: FileChange,
}

impl BothChange {
    /// Works the change out; nothing is written yet.
    ///
    /// # Errors
    /// What would be wrong with the edited files together, or why one cannot be read.
    pub(in crate::cli) fn prepare(
        place: &Place,
        controller: &[Edit],
        plan: &[Edit],
    ) -> Result<Self, Failure> {
        let change = Self {
            controller: FileChange::read(place, CONTROLLER_FILE, controller)?,
            plan: FileChange::read(place, PLAN_FILE, plan)?,
        };
        let of = |file: &FileChange| (file.shown.clone(), file.after.clone());
        let ((c_name, c_text), (p_name, p_text)) = (of(&change.controller), of(&change.plan));
        check_texts([(&c_name, &c_text), (&p_name, &p_text)], &system_zone)
            .map_err(|mistakes| wrong(&change.words(), &mistakes))?;
        Ok(change)
    }

    /// What is changed, as it will stand in the files.
    pub(in crate::cli) fn words(&self) -> String {
        format!(
            "{CONTROLLER_FILE}: {}; {PLAN_FILE}: {}",
            self.controller.words, self.plan.words
        )
    }

    /// Writes both, or none.
    ///
    /// # Errors
    /// Why one cannot be replaced; both are as they were before then.
    pub(in crate::cli) fn write(&self) -> Result<(), Failure> {
        // Both are on the disk before the first takes its place: a lost supply finds both old or both new but for an instant.
        let controller = beside(&self.controller.path, &self.controller.after)
            .map_err(|e| self.unwritten(&self.controller, &e))?;
        let plan = beside(&self.plan.path, &self.plan.after).map_err(|e| {
            drop(fs::remove_file(&controller));
            self.unwritten(&self.plan, &e)
        })?;
        put_in_place(&plan, &self.plan.path).map_err(|e| {
            drop(fs::remove_file(&controller));
            self.unwritten(&self.plan, &e)
        })?;
        put_in_place(&controller, &self.controller.path).or_else(|e| {
            self.plan.undo()?;
            Err(self.unwritten(&self.controller, &e))
        })
    }

    fn unwritten(&self, file: &FileChange, error: &io::Error) -> Failure {
        Failure::new(
            exit::IO,
            format!(
                "{} cannot be changed: {error}; both files are as they were before. By hand: {}; then restart the daemon",
                file.path.display(),
                self.words()
            ),
        )
    }

    /// Whether the files say all of it already.
    pub(in crate::cli) fn is_nothing(&self) -> bool {
        self.controller.before == self.controller.after && self.plan.before == self.plan.after
    }
}

/// Replaces a file whole, with its owner and rights.
fn replace(path: &Path, text: &str) -> io::Result<()> {
    let new = beside(path, text)?;
    put_in_place(&new, path)
}

/// Writes a new text beside a file, with its owner and rights, safe on the disk.
fn beside(path: &Path, text: &str) -> io::Result<PathBuf> {
    let old = fs::metadata(path)?;
    let mut name = path.as_os_str().to_owned();
    name.push(".new");
    let beside = PathBuf::from(name);
    let write = || -> io::Result<()> {
        let mut file = File::create(&beside)?;
        file.write_all(text.as_bytes())?;
        file.set_permissions(old.permissions())?;
        let new = file.metadata()?;
        if (new.uid(), new.gid()) != (old.uid(), old.gid()) {
            std::os::unix::fs::fchown(&file, Some(old.uid()), Some(old.gid()))?;
        }
        file.sync_all()
    };
    let written = write();
    if written.is_err() {
        // Best effort: the file that counts is untouched.
        drop(fs::remove_file(&beside));
    }
    written.map(|()| beside)
}

/// Puts a new file in place of an old one.
fn put_in_place(new: &Path, path: &Path) -> io::Result<()> {
    if let Err(error) = fs::rename(new, path) {
        drop(fs::remove_file(new));
        return Err(error);
    }
    path.parent()
        .map_or(Ok(()), |folder| File::open(folder)?.sync_all())
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: &str = "# mine\nuptake-dkh-per-day = 0.80 # since May\n[line.alkalinity]\ndaily-ml = 75.6\ndoses = 24\n\n[line.calcium]\nfollow = \"alkalinity\"\nratio = 1.0   # both alike\n";

    fn line(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    #[test]
    fn only_the_numbers_change_and_every_comment_stays() {
        let edits = [
            Edit::Uptake(0.87),
            Edit::Daily(line("alkalinity"), 82.2),
            Edit::Ratio(line("calcium"), 1.05),
        ];
        let wanted = PLAN
            .replace("0.80", "0.87")
            .replace("75.6", "82.2")
            .replace("1.0 ", "1.05 ");
        assert_eq!(edited(PLAN, &edits).unwrap(), wanted);
    }

    #[test]
    fn a_key_that_is_not_there_is_named_and_nothing_is_made_up() {
        let why = edited(PLAN, &[Edit::Daily(line("magnesium"), 3.0)]).unwrap_err();
        assert!(why.contains("no magnesium"), "{why}");
        let why = edited(PLAN, &[Edit::Daily(line("calcium"), 3.0)]).unwrap_err();
        assert!(why.contains("no daily-ml"), "{why}");
    }

    #[test]
    fn a_written_volume_loses_less_than_half_a_percent() {
        for ml in [0.5, 1.9994, 2.004, 19.994, 20.04, 82.2499, 4000.06] {
            assert!((written_ml(ml) / ml - 1.0).abs() < 0.005, "{ml}");
        }
    }

    #[test]
    fn a_written_ratio_loses_less_than_a_thousandth_however_small() {
        for ratio in [0.005_728, 0.0123, 0.1, 0.736_1, 1.0, 12.345_6] {
            assert!((written_ratio(ratio) / ratio - 1.0).abs() < 5e-4, "{ratio}");
        }
    }

    #[test]
    fn a_file_is_replaced_whole_through_a_link_with_its_rights() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let real = folder.path().join("real.toml");
        fs::write(&real, "a = 1\n").unwrap();
        fs::set_permissions(&real, fs::Permissions::from_mode(0o640)).unwrap();
        replace(&real, "a = 2\n").unwrap();
        assert_eq!(fs::read_to_string(&real).unwrap(), "a = 2\n");
        assert_eq!(
            fs::metadata(&real).unwrap().permissions().mode() & 0o777,
            0o640
        );
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
