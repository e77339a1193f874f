//! The same as a picture in numbers.

use maud::{Markup, html};

pub(super) struct Table {
    pub(super) heads: Vec<String>,
    pub(super) rows: Vec<Vec<String>>,
}

impl Table {
    pub(super) fn new(heads: &[&str]) -> Self {
        Self {
            heads: heads.iter().map(|head| (*head).to_owned()).collect(),
            rows: Vec::new(),
        }
    }

    pub(super) fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        self.rows.push(cells.into_iter().collect());
    }

    pub(super) fn drawn(&self, of: &str) -> Markup {
        html! {
            details {
                summary { "Numbers" span .hidden { " of " (of) } }
                div .scroll tabindex="0" role="region" aria-label={ "Numbers of " (of) } {
                    table {
                        thead { tr { @for head in &self.heads { th scope="col" { (head) } } } }
                        tbody {
                            @for row in &self.rows {
                                tr { @for cell in row { td { (cell) } } }
                            }
                        }
                    }
                }
            }
        }
    }
}
