//! A look at the write-ahead log before SQLite reads it. SQLite takes a damaged log for a short one and drops what
//! follows the damage without a word; here that would be doses that were given and no longer count.
//!
//! A power cut in mid-write also leaves a log that breaks off, but then nothing committed follows the break. So a log is
//! called damaged when its header is no log's, or when two or more commits of the same log lie behind a broken frame: the
//! first of them was acknowledged before the second began. Format: the SQLite file format document, section 4.

use std::fs::File;
use std::io::{BufReader, ErrorKind, Read};
use std::path::Path;

use super::error::LedgerError;
use super::files::{Place, beside};
use super::schema::PAGE_BYTES;

const HEADER_BYTES: usize = 32;
const FRAME_HEADER_BYTES: usize = 24;
/// Magic of a log whose checksums read words as little-endian; one more is big-endian.
const MAGIC: u32 = 0x377f_0682;
const FORMAT: u32 = 3_007_000;

/// Checks the log beside the database at `path`; there being none is fine.
pub(super) fn check(path: &Path) -> Result<(), LedgerError> {
    let log = beside(path, "-wal");
    let place = Place::new(&log, "open it");
    let file = match File::open(&log) {
        Ok(file) => file,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(place.io(error)),
    };
    let length = file.metadata().map_err(|e| place.io(e))?.len();
    let first = u64::try_from(HEADER_BYTES + FRAME_HEADER_BYTES).unwrap_or(u64::MAX);
    // Not one whole frame: nothing was committed in it, whatever a power cut made of its header.
    if length < first.saturating_add(PAGE_BYTES) {
        return Ok(());
    }
    match scan(BufReader::with_capacity(16_384, file)).map_err(|e| place.io(e))? {
        None => Ok(()),
        Some(why) => Err(place.damaged(why)),
    }
}

/// Checks only how the log begins, which is quick.
pub(super) fn check_header(path: &Path) -> Result<(), LedgerError> {
    let log = beside(path, "-wal");
    let place = Place::new(&log, "read it back");
    let begin = File::open(&log).map(|file| file.take(HEADER_BYTES.try_into().unwrap_or(u64::MAX)));
    match begin.and_then(scan).map_err(|e| place.io(e))? {
        None => Ok(()),
        Some(why) => Err(place.damaged(why)),
    }
}

/// Running checksum of the log.
struct Checksum {
    big_endian: bool,
    sums: (u32, u32),
}

impl Checksum {
    fn add(&mut self, bytes: &[u8]) {
        for pair in bytes.chunks_exact(8) {
            let (first, second) = pair.split_at(4);
            let word = |b: &[u8]| {
                let b: [u8; 4] = b.try_into().unwrap_or_default();
                if self.big_endian {
                    u32::from_be_bytes(b)
                } else {
                    u32::from_le_bytes(b)
                }
            };
            let (mut s0, mut s1) = self.sums;
            s0 = s0.wrapping_add(word(first)).wrapping_add(s1);
            s1 = s1.wrapping_add(word(second)).wrapping_add(s0);
            self.sums = (s0, s1);
        }
    }
}

fn be(bytes: &[u8], at: usize) -> u32 {
    bytes
        .get(at..at + 4)
        .and_then(|b| b.try_into().ok())
        .map_or(0, u32::from_be_bytes)
}

/// Why the log is damaged; `None` when it is in order or ends in a transaction that was never acknowledged.
fn scan(mut log: impl Read) -> std::io::Result<Option<String>> {
    let mut header = [0_u8; HEADER_BYTES];
    if !fill(&mut log, &mut header)? {
        return Ok(None);
    }
    // All zeros: the file grew but nothing was written; a power cut at the very first write does that.
    if header.iter().all(|byte| *byte == 0) {
        return Ok(None);
    }
    let magic = be(&header, 0);
    let mut sum = Checksum {
        big_endian: magic == MAGIC + 1,
        sums: (0, 0),
    };
    sum.add(header.get(..24).unwrap_or_default());
    let sound = (magic == MAGIC || magic == MAGIC + 1)
        && be(&header, 4) == FORMAT
        && u64::from(be(&header, 8)) == PAGE_BYTES
        && sum.sums == (be(&header, 24), be(&header, 28));
    if !sound {
        return Ok(Some(
            "it does not begin like a write-ahead log of a ledger".to_owned(),
        ));
    }
    scan_frames(log, &header, sum)
}

fn scan_frames(
    mut log: impl Read,
    header: &[u8],
    mut sum: Checksum,
) -> std::io::Result<Option<String>> {
    let salt = header.get(16..24).unwrap_or_default();
    let mut frame = vec![0_u8; FRAME_HEADER_BYTES + usize::try_from(PAGE_BYTES).unwrap_or(4096)];
    let (mut number, mut broken_at, mut commits_behind) = (0_u32, None, 0_u32);
    while fill(&mut log, &mut frame)? {
        number += 1;
        let same_log = frame.get(8..16) == Some(salt);
        if broken_at.is_none() {
            sum.add(frame.get(..8).unwrap_or_default());
            sum.add(frame.get(FRAME_HEADER_BYTES..).unwrap_or_default());
            if same_log && sum.sums == (be(&frame, 16), be(&frame, 20)) {
                continue;
            }
            broken_at = Some(number);
        }
        // A commit frame carries the size of the database; in others that is zero.
        if same_log && be(&frame, 4) != 0 && Some(number) != broken_at {
            commits_behind += 1;
        }
    }
    Ok(match broken_at {
        Some(frame) if commits_behind >= 2 => Some(format!(
            "frame {frame} of its {number} is broken and {commits_behind} commits lie behind it"
        )),
        Some(_) | None => None,
    })
}

/// Fills the whole buffer; `false` at the end of the file, also in the middle of a frame.
fn fill(log: &mut impl Read, buffer: &mut [u8]) -> std::io::Result<bool> {
    match log.read_exact(buffer) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}
