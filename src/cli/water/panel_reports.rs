//! Lab reports as they stand on record.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::chemistry::Salinity;
use crate::cli::exit::Failure;
use crate::cli::words::unread;
use crate::ledger::LedgerReader;
use crate::quantity::local;
use crate::record::Reading;
use crate::report::nearest_salinity;

/// A lab report: the rows of one number.
pub(super) struct Report {
    pub(super) number: i64,
    pub(super) lab: String,
    pub(super) taken: Timestamp,
    pub(super) rows: Vec<Reading>,
}

/// All reports that count, oldest first.
pub(super) fn reports(reader: &LedgerReader) -> Result<Vec<Report>, Failure> {
    let mut all: Vec<Report> = Vec::new();
    for told in reader.told().map_err(|e| unread(&e))? {
        let (Some(number), Some(reading)) = (told.panel, told.reading().cloned()) else {
            continue;
        };
        match all.iter_mut().find(|report| report.number == number) {
            Some(report) => report.rows.push(reading),
            None => all.push(Report {
                number,
                lab: told.method,
                taken: told.happened,
                rows: vec![reading],
            }),
        }
    }
    Ok(all)
}

/// The salinity of the reading nearest in time, with where it is from.
pub(super) fn salinity_at(
    reader: &LedgerReader,
    at: Timestamp,
    zone: &TimeZone,
) -> Result<(Salinity, String), Failure> {
    let all = reader.told().map_err(|e| unread(&e))?;
    Ok(match nearest_salinity(&all, at) {
        Some((taken, salinity)) => (
            salinity,
            format!("of the reading nearest in time ({})", local(taken, zone)),
        ),
        None => (
            Salinity::STANDARD,
            "assumed, for there is no reading of salinity".to_owned(),
        ),
    })
}
