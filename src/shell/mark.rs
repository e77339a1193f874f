//! The rules of the mark: a few numbers beside the ledger, written after each commit, that say what the ledger must hold at least.
//!
//! A ledger that was lost, replaced or restored while the rest of its folder was not is known by it: what the books may have forgotten
//! counts as given. As the mark comes after the commit, a kill or a power cut leaves the ledger ahead of it, never behind.
//!
//! The mark lies in two slots that are written in turns, so that one torn in mid-write leaves the one before it. A mark that is missing or
//! that no slot tells beside a ledger with anything in it is a doubt of its own: such a ledger may be as old as any backup.

use serde::{Deserialize, Serialize};

use crate::config::{Mode, fingerprint};
use crate::record::{Arming, Entry, Forgotten, Hold, HoldChange, HoldScope, Stamp, Who};

/// Bytes of a slot, one page of any disk: what follows the text is zero.
pub const SLOT_BYTES: usize = 4_096;
pub const SLOTS: u64 = 2;

/// What a ledger holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recorded {
    /// The id that was made with the ledger.
    pub installation: String,
    /// Number of the newest dose.
    pub dose: i64,
    /// Order number of the newest outcome or refill.
    pub order: i64,
    /// Number of the newest of all other entries.
    pub entry: i64,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// The ledger holds at least this.
    Recorded(Recorded),
    /// Whatever the ledger says, it may have forgotten something, for this reason.
    Doubt(String),
}

/// What is found where the mark should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FoundMark {
    Absent,
    /// No slot of it tells anything.
    Unreadable,
    Says {
        /// Counts up with each mark written.
        number: u64,
        mark: Mark,
    },
}

/// A slot that says this.
///
/// # Errors
/// When it has no room for it.
pub fn slot(number: u64, mark: &Mark) -> Result<Vec<u8>, String> {
    let said = serde_json::to_string(&(number, mark)).map_err(|e| e.to_string())?;
    let mut bytes = format!("{} {said}\n", fingerprint(&said)).into_bytes();
    if bytes.len() > SLOT_BYTES {
        return Err(format!("it would be {} bytes long", bytes.len()));
    }
    bytes.resize(SLOT_BYTES, 0);
    Ok(bytes)
}

/// What a file of slots says.
pub fn read_slots(bytes: &[u8]) -> FoundMark {
    let newest = bytes.chunks(SLOT_BYTES).filter_map(read_slot);
    newest
        .max_by_key(|(number, _)| *number)
        .map_or(FoundMark::Unreadable, |(number, mark)| FoundMark::Says {
            number,
            mark,
        })
}

fn read_slot(bytes: &[u8]) -> Option<(u64, Mark)> {
    let line = bytes.split(|byte| *byte == b'\n').next()?;
    let (check, said) = std::str::from_utf8(line).ok()?.split_once(' ')?;
    if check == fingerprint(said) {
        serde_json::from_str(said).ok()
    } else {
        None
    }
}

/// Why the ledger may have forgotten something; `None` when it holds all that the mark says.
pub fn doubt(found: &FoundMark, ledger: &Recorded) -> Option<String> {
    let is_empty = ledger.dose == 0 && ledger.order == 0 && ledger.entry == 0;
    match found {
        // A first start, or one that was cut off before it wrote anything.
        FoundMark::Absent | FoundMark::Unreadable if is_empty => None,
        FoundMark::Absent => Some(
            "the mark beside the ledger (ledger.mark), which says how far it must go, is not there; the ledger may be an old copy"
                .to_owned(),
        ),
        FoundMark::Unreadable => Some(
            "the mark beside the ledger (ledger.mark), which says how far it must go, cannot be understood; the ledger may be an old copy"
                .to_owned(),
        ),
        FoundMark::Says { mark: Mark::Doubt(why), .. } => Some(why.clone()),
        FoundMark::Says { mark: Mark::Recorded(least), .. } => behind(least, ledger),
    }
}

fn behind(least: &Recorded, ledger: &Recorded) -> Option<String> {
    if least.installation != ledger.installation {
        let what = if ledger.dose == 0 {
            "a new one"
        } else {
            "another one"
        };
        return Some(format!(
            "the ledger is {what} (installation {}): the one that was written here (installation {}, {} doses) is gone",
            ledger.installation, least.installation, least.dose
        ));
    }
    let is_behind =
        ledger.dose < least.dose || ledger.order < least.order || ledger.entry < least.entry;
    is_behind.then(|| {
        format!(
            "the ledger is older than what was written here: it ends with dose {} and entry {}, and dose {} and entry {} were written",
            ledger.dose, ledger.entry, least.dose, least.entry
        )
    })
}

/// What is written down before a start looks at the record: that it may have forgotten something, and with it the end of the arming and a
/// hold; or only the end of the arming, before a dry run.
pub fn before_start(
    doubt: Option<&str>,
    arming: Option<Arming>,
    mode: Mode,
    at: Stamp,
) -> Vec<Entry> {
    let mut entries = Vec::new();
    if let Some(why) = doubt {
        let why = why.to_owned();
        entries.push(Entry::Forgotten(Forgotten { why, at }));
    }
    if let Some(arming) = arming
        && arming.armed
        && (doubt.is_some() || mode == Mode::DryRun)
    {
        entries.push(Entry::Arming(Arming {
            armed: false,
            sentence: String::new(),
            who: Who::Daemon,
            at,
            ..arming
        }));
    }
    if let Some(why) = doubt {
        let hold = Hold {
            scope: HoldScope::All,
            reason: hold_reason(why),
            who: Who::Daemon,
            since: at.wall,
            until: None,
        };
        entries.push(Entry::Hold(HoldChange::set(hold, at)));
    }
    entries
}

fn hold_reason(why: &str) -> String {
    format!(
        "the ledger may have forgotten doses: {why}. What it cannot know counts as given, so each line's daily cap is full for 24 h. Look whether this is the right ledger (`dosewright ledger list`), or put the right one in place (`dosewright ledger restore`); then test the water, say what each bottle holds (`dosewright refill`), and `dosewright resume`; live mode must be armed anew (`dosewright arm`)"
    )
}
