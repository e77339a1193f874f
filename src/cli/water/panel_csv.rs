//! Lab reports as CSV: which column is what, and rows as they are kept.
//!
//! Deliberately small: one heading line, one element a row. A row that is no element is named and left out, never guessed at.

use crate::chemistry::Element;
use crate::cli::water::owner_args::Decimal;
use crate::estimate::{Detected, PanelEntry, PanelUnit};
use crate::quantity::parse_plain_number;

/// Largest report that is read, in rows.
const ROWS_MAX: usize = 500;

/// Which heading holds what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::cli) struct Columns {
    element: String,
    value: String,
    unit: String,
    limit: Option<String>,
}

impl Columns {
    pub(in crate::cli) fn parse(text: &str) -> Result<Self, String> {
        let mut found: [Option<String>; 4] = [None, None, None, None];
        for part in text.split(',') {
            let (key, heading) = part.split_once('=').ok_or_else(|| {
                format!("\"{part}\" says no column; write for example element=Parameter")
            })?;
            let place = ["element", "value", "unit", "limit"]
                .iter()
                .position(|k| *k == key.trim())
                .and_then(|index| found.get_mut(index))
                .ok_or_else(|| {
                    format!("\"{key}\" is no column here; they are element, value, unit and limit")
                })?;
            *place = Some(heading.trim().to_owned());
        }
        let [element, value, unit, limit] = found;
        let missing =
            |what: &str| format!("the column of the {what} is missing; add {what}=HEADING");
        Ok(Self {
            element: element.ok_or_else(|| missing("element"))?,
            value: value.ok_or_else(|| missing("value"))?,
            unit: unit.ok_or_else(|| missing("unit"))?,
            limit,
        })
    }

    /// As [`Self::parse`] reads it.
    pub(in crate::cli) fn text(&self) -> String {
        let limit = self
            .limit
            .as_ref()
            .map_or(String::new(), |l| format!(",limit={l}"));
        format!(
            "element={},value={},unit={}{limit}",
            self.element, self.value, self.unit
        )
    }
}

/// A report as read.
#[derive(Debug, Default)]
pub(in crate::cli) struct Report {
    /// Rows that are elements with a value.
    pub(in crate::cli) rows: Vec<Kept>,
    /// Rows that are not, with why.
    pub(in crate::cli) left_out: Vec<String>,
}

/// One value as it is kept.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::cli) struct Kept {
    pub(in crate::cli) element: Element,
    /// The number, or the detection limit.
    pub(in crate::cli) value: f64,
    pub(in crate::cli) below: bool,
    /// Unit as the report has it.
    pub(in crate::cli) unit: String,
}

impl Kept {
    fn line(&self) -> String {
        let below = if self.below { "<" } else { "" };
        format!("{};{below}{};{}", self.element, self.value, self.unit)
    }

    fn from_line(line: &str) -> Option<Self> {
        let mut parts = line.split(';');
        let (element, value, unit) = (parts.next()?, parts.next()?, parts.next()?);
        Some(Self {
            element: Element::new(element)?,
            below: value.starts_with('<'),
            value: value.trim_start_matches('<').parse().ok()?,
            unit: unit.to_owned(),
        })
    }

    /// As the report has it.
    pub(in crate::cli) fn shown(&self) -> String {
        let below = if self.below { "below " } else { "" };
        format!("{below}{} {}", self.value, self.unit)
    }

    /// For the comparison with natural seawater.
    pub(in crate::cli) fn entry(&self, uncertainty_percent: f64) -> Option<PanelEntry> {
        Some(PanelEntry {
            element: self.element.clone(),
            value: self.value,
            detected: if self.below {
                Detected::BelowLimit
            } else {
                Detected::Yes
            },
            unit: PanelUnit::parse(&self.unit).ok()?,
            uncertainty_percent,
        })
    }
}

/// All rows as they are kept.
pub(in crate::cli) fn to_text(rows: &[Kept]) -> String {
    rows.iter().map(Kept::line).collect::<Vec<_>>().join("\n")
}

pub(in crate::cli) fn from_text(text: &str) -> Vec<Kept> {
    text.lines().filter_map(Kept::from_line).collect()
}

/// The headings of a CSV text.
pub(in crate::cli) fn headings(text: &str) -> Vec<String> {
    let heading = text
        .trim_start_matches('\u{feff}')
        .lines()
        .next()
        .unwrap_or("");
    split(heading, separator(heading))
}

/// Reads a report along its columns.
///
/// A number is never guessed at: where one has a decimal comma and another a dot, `told` has to say which sign it is.
pub(in crate::cli) fn read(
    text: &str,
    columns: &Columns,
    told: Option<Decimal>,
) -> Result<Report, String> {
    let heading = text
        .trim_start_matches('\u{feff}')
        .lines()
        .next()
        .unwrap_or("");
    let separator = separator(heading);
    let names = split(heading, separator);
    let find = |wanted: &String| {
        names.iter().position(|n| n == wanted).ok_or_else(|| {
            format!(
                "the report has no column \"{wanted}\"; it has: {}; tell with --columns which is which",
                names.join(", ")
            )
        })
    };
    let (element, value, unit) = (
        find(&columns.element)?,
        find(&columns.value)?,
        find(&columns.unit)?,
    );
    let limit = columns.limit.as_ref().map(find).transpose()?;
    let lines = || {
        (2..)
            .zip(text.lines().skip(1))
            .filter(|(_, l)| !l.trim().is_empty())
    };
    let numbers = lines().flat_map(|(number, line)| {
        let cells = split(line, separator);
        let of = [Some(value), limit].into_iter().flatten();
        of.filter_map(move |index| Some((number, cells.get(index)?.clone())))
            .collect::<Vec<_>>()
    });
    let decimal = decimal(numbers, separator, told)?;
    let mut report = Report::default();
    for (number, line) in lines() {
        if report.rows.len() >= ROWS_MAX {
            return Err(format!("a report of more than {ROWS_MAX} rows is none"));
        }
        let cells = split(line, separator);
        let cell = |index: usize| cells.get(index).map_or("", |c| c.as_str());
        let limit = limit.map_or("", cell);
        match row(cell(element), cell(value), cell(unit), (limit, decimal)) {
            Ok(kept) if report.rows.iter().any(|r| r.element == kept.element) => {
                report.left_out.push(format!(
                    "line {number}: {} stands here a second time",
                    kept.element
                ));
            }
            Ok(kept) => report.rows.push(kept),
            Err(why) => report.left_out.push(format!("line {number}: {why}")),
        }
    }
    Ok(report)
}

/// How the numbers of a report are written.
#[derive(Debug, Clone, Copy)]
struct Written {
    decimal: Decimal,
    /// Whether the other sign is a thousands' mark, because the owner said so.
    thousands: bool,
}

/// Which sign stands before the decimals, from all numbers of the report with their lines.
fn decimal(
    numbers: impl Iterator<Item = (usize, String)>,
    separator: char,
    told: Option<Decimal>,
) -> Result<Written, String> {
    if let Some(decimal) = told {
        return Ok(Written {
            decimal,
            thousands: true,
        });
    }
    let (mut comma, mut dot) = (None, None);
    for (line, cell) in numbers.filter(|(_, cell)| cell.contains(|c: char| c.is_ascii_digit())) {
        for (sign, first) in [(',', &mut comma), ('.', &mut dot)] {
            if first.is_none() && cell.contains(sign) && is_numeric(&cell) {
                *first = Some((line, cell.clone()));
            }
        }
    }
    let decimal = match (comma, dot) {
        (Some((at, one)), Some((there, other))) => {
            return Err(format!(
                "line {at} has \"{one}\" and line {there} has \"{other}\": one of the two signs is a thousands' mark, and it is not guessed which; look at the lab's own page and say --decimal comma or --decimal dot; nothing was stored"
            ));
        }
        // With a comma between cells, a comma in a number can only be a thousand's mark, and that is not guessed at.
        (Some(_), None) if separator != ',' => Decimal::Comma,
        (Some(_) | None, _) => Decimal::Dot,
    };
    Ok(Written {
        decimal,
        thousands: false,
    })
}

/// Whether a cell is a number, however it is written: no text such as "n.d.".
fn is_numeric(cell: &str) -> bool {
    cell.trim_start_matches('<')
        .trim()
        .chars()
        .all(|c| c.is_ascii_digit() || c == '.' || c == ',')
}

/// A number with a dot before its decimals; `None` where a thousands' mark stands elsewhere than before three digits.
fn plain(text: &str, written: Written) -> Option<String> {
    let text = text.trim().trim_start_matches('<').trim();
    let (decimal, mark) = match written.decimal {
        Decimal::Comma => (',', '.'),
        Decimal::Dot => ('.', ','),
    };
    let (whole, rest) = text.split_once(decimal).unwrap_or((text, ""));
    if rest.contains(mark) || rest.contains(decimal) {
        return None;
    }
    let mut groups = whole.split(mark);
    let first = groups.next().unwrap_or("");
    let mut joined = first.to_owned();
    for group in groups {
        if !written.thousands || group.len() != 3 || !(1..=3).contains(&first.len()) {
            return None;
        }
        joined.push_str(group);
    }
    if !rest.is_empty() {
        joined.push('.');
        joined.push_str(rest);
    }
    Some(joined)
}

/// Semicolon, tab or comma, whichever the heading has.
fn separator(heading: &str) -> char {
    [';', '\t']
        .into_iter()
        .find(|c| heading.contains(*c))
        .unwrap_or(',')
}

/// Cells of one line; a cell in double quotes may hold the separator.
fn split(line: &str, separator: char) -> Vec<String> {
    let mut cells = vec![String::new()];
    let mut quoted = false;
    for c in line.trim_end_matches('\r').chars() {
        if c == '"' {
            quoted = !quoted;
        } else if c == separator && !quoted {
            cells.push(String::new());
        } else if let Some(cell) = cells.last_mut() {
            cell.push(c);
        }
    }
    cells.into_iter().map(|c| c.trim().to_owned()).collect()
}

fn row(
    element: &str,
    value: &str,
    unit: &str,
    (limit, written): (&str, Written),
) -> Result<Kept, String> {
    // "Calcium (Ca)" as well as "Ca".
    let inside = element
        .split_once('(')
        .and_then(|(_, rest)| rest.split_once(')'));
    let symbol = inside.map_or(element, |(symbol, _)| symbol).trim();
    let element = Element::new(symbol).ok_or_else(|| format!("\"{element}\" is no element"))?;
    let not_found =
        ["", "-", "n.d.", "nd", "not detected"].contains(&value.to_lowercase().as_str());
    let (text, below) = if not_found {
        (limit, true)
    } else {
        (value, value.starts_with('<'))
    };
    let number = plain(text, written)
        .and_then(|text| parse_plain_number(&text).ok())
        .ok_or_else(|| format!("{element}: \"{value}\" is no number"))?;
    PanelUnit::parse(unit).map_err(|error| format!("{element}: {error}"))?;
    if number < 0.0 || (below && number <= 0.0) {
        return Err(format!("{element}: {number} is no amount"));
    }
    Ok(Kept {
        element,
        value: number,
        below,
        unit: unit.trim().to_owned(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns() -> Columns {
        Columns::parse("element=Parameter,value=Result,unit=Unit,limit=LOD").unwrap()
    }

    #[test]
    fn a_report_is_read_along_its_columns_wherever_they_stand() {
        let text = "Unit,Parameter,LOD,Result\nmg/L,Calcium (Ca),1,412\nug/L,I,5,<5\nug/L,Cu,0.5,n.d.\nppm,Mg,1,1300\nx,Salinity,,35\n";
        let report = read(text, &columns(), None).unwrap();
        let lines: Vec<String> = report.rows.iter().map(Kept::line).collect();
        assert_eq!(lines, ["Ca;412;mg/L", "I;<5;ug/L", "Cu;<0.5;ug/L"]);
        // ppm has two meanings, and a salinity is no element.
        assert_eq!(report.left_out.len(), 2, "{:?}", report.left_out);
    }

    #[test]
    fn a_decimal_comma_is_read_between_semicolons_only() {
        let text = "Parameter;Result;Unit;LOD\nSr;7,9;mg/L;0,1\n";
        assert_eq!(
            to_text(&read(text, &columns(), None).unwrap().rows),
            "Sr;7.9;mg/L"
        );
        let text = "Parameter,Result,Unit,LOD\nSr,\"7,9\",mg/L,0.1\n";
        assert!(read(text, &columns(), None).is_err());
        let text = "Parameter,Result,Unit,LOD\nSr,\"7,9\",mg/L,1\n";
        assert!(read(text, &columns(), None).unwrap().rows.is_empty());
    }

    #[test]
    fn an_element_that_stands_twice_is_not_taken_twice() {
        let text = "Parameter,Result,Unit,LOD\nCa,412,mg/L,1\nCa,41.2,mg/L,1\n";
        let report = read(text, &columns(), None).unwrap();
        assert_eq!((report.rows.len(), report.left_out.len()), (1, 1));
    }

    #[test]
    fn what_is_kept_comes_back_as_it_was() {
        let text = "Parameter,Result,Unit,LOD\nCa,412.25,mg/L,1\nI,<5,ug/L,5\n";
        let rows = read(text, &columns(), None).unwrap().rows;
        assert_eq!(from_text(&to_text(&rows)), rows);
        assert_eq!(Columns::parse(&columns().text()).unwrap(), columns());
    }

    #[test]
    fn a_mapping_without_a_needed_column_is_refused() {
        assert!(
            Columns::parse("element=A,value=B")
                .unwrap_err()
                .contains("unit")
        );
        assert!(Columns::parse("element=A,value=B,unit=C,colour=D").is_err());
        assert!(
            read("A,B,C\n", &columns(), None)
                .unwrap_err()
                .contains("A, B, C")
        );
    }

    #[test]
    fn a_report_that_mixes_decimal_signs_is_asked_about_and_never_silently_read() {
        let text =
            "Parameter;Result;Unit;LOD\nMg;1.290;mg/L;1\nCa;412,5;mg/L;1\nCu;n.d.;ug/L;0,5\n";
        let asked = read(text, &columns(), None).unwrap_err();
        assert!(
            asked.contains("1.290") && asked.contains("412,5") && asked.contains("--decimal"),
            "{asked}"
        );
        let report = read(text, &columns(), Some(Decimal::Comma)).unwrap();
        assert_eq!(
            to_text(&report.rows),
            "Mg;1290;mg/L\nCa;412.5;mg/L\nCu;<0.5;ug/L"
        );
        // Said to be dots, the commas would be thousands, and none stands before three digits.
        let report = read(text, &columns(), Some(Decimal::Dot)).unwrap();
        assert_eq!(to_text(&report.rows), "Mg;1.29;mg/L");
        assert_eq!(report.left_out.len(), 2, "{:?}", report.left_out);
    }
}
