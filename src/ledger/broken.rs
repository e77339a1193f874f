//! What happens to a ledger behind its back, for simulations.

use std::path::Path;

use rusqlite::Connection;

use super::open::Ledger;

impl Ledger {
    /// From now on there is no room for another page, or nothing can be written, or all is well.
    pub(crate) fn break_disk(&self, is_full: bool, is_read_only: bool) {
        let pages = if is_full { 1 } else { i64::from(i32::MAX) };
        let set = |_: &rusqlite::Row<'_>| Ok(());
        let conn = &self.conn;
        conn.pragma_update_and_check(None, "max_page_count", pages, set)
            .unwrap();
        conn.pragma_update(None, "query_only", is_read_only)
            .unwrap();
    }

    /// Makes it the ledger of another installation.
    pub(crate) fn belongs_to(path: &Path, installation: &str) {
        let conn = Connection::open(path).unwrap();
        conn.execute("UPDATE meta SET installation = ?1", [installation])
            .unwrap();
    }
}
