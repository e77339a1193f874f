//! Heads and their lines, by name: one place for the search and for what is said when nothing is found.

use thiserror::Error;

use super::model::{Controller, Head, Line};
use crate::quantity::{Name, listed};

/// Why a name leads to no head, or to no line.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum NoSuchHead {
    /// No head is called so.
    #[error("there is no head {name}; the heads are: {known}")]
    Head {
        /// As it was given.
        name: String,
        /// All there are, separated by commas.
        known: String,
    },
    /// There is such a head, and nothing is dosed with it.
    #[error(
        "no line uses head {head}; add one to controller.toml, with its bottle and its caps, and restart"
    )]
    Line { head: Name },
}

impl Controller {
    /// The head of a name.
    ///
    /// # Errors
    /// [`NoSuchHead::Head`], which names the heads there are.
    pub fn head_named(&self, name: &str) -> Result<&Head, NoSuchHead> {
        let head = self.heads.values().find(|head| head.name.as_str() == name);
        head.ok_or_else(|| NoSuchHead::Head {
            name: name.to_owned(),
            known: listed(self.heads.keys()),
        })
    }

    /// The line that a head serves; no two lines share one.
    ///
    /// # Errors
    /// [`NoSuchHead`] when there is no such head, or no line uses it.
    pub fn line_of_head(&self, head: &Name) -> Result<&Line, NoSuchHead> {
        let head = &self.head_named(head.as_str())?.name;
        let line = self.lines.iter().find(|line| line.head == *head);
        line.ok_or_else(|| NoSuchHead::Line { head: head.clone() })
    }
}
