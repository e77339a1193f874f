//! Lab reports as CSV: which column is what, and rows as readings.
//!
//! Deliberately small: one heading line, one value a row. A row that is none is named and left out, never guessed at.

use csv::{ReaderBuilder, StringRecord, Trim};

use crate::chemistry::{Measurand, Quantity, Unit};
use crate::estimate::PanelUnit;
use crate::quantity::parse_plain_number;
use crate::record::{Columns, Found, Reading};

/// Largest report that is read, in rows.
const ROWS_MAX: usize = 500;

/// Reads `element=Parameter,value=Result,unit=Unit,limit=LOD`.
pub(in crate::cli) fn columns(text: &str) -> Result<Columns, String> {
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
    let missing = |what: &str| format!("the column of the {what} is missing; add {what}=HEADING");
    Ok(Columns {
        element: element.ok_or_else(|| missing("element"))?,
        value: value.ok_or_else(|| missing("value"))?,
        unit: unit.ok_or_else(|| missing("unit"))?,
        limit,
    })
}

/// The sign before the decimals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(in crate::cli) enum Decimal {
    Comma,
    Dot,
}

/// A report as read.
#[derive(Debug, Default)]
pub(in crate::cli) struct Report {
    pub(in crate::cli) rows: Vec<Reading>,
    /// Rows that are none, with why.
    pub(in crate::cli) left_out: Vec<String>,
}

/// What is known beside the file.
#[derive(Debug, Clone, Copy)]
pub(in crate::cli) struct Sample {
    /// Density of the sample.
    pub(in crate::cli) kg_per_l: f64,
    /// Relative standard uncertainty of each value, percent.
    pub(in crate::cli) uncertainty_percent: f64,
    /// The sign before the decimals, when the owner said which.
    pub(in crate::cli) decimal: Option<Decimal>,
}

/// A CSV text as its lines, each with its number; the first is the heading.
struct Sheet {
    separator: char,
    lines: Vec<(u64, StringRecord)>,
}

impl Sheet {
    fn new(text: &str) -> Result<Self, String> {
        let text = text.trim_start_matches('\u{feff}');
        let heading = text.lines().next().unwrap_or("");
        let found = [b';', b'\t']
            .into_iter()
            .find(|c| heading.contains(char::from(*c)));
        let separator = found.unwrap_or(b',');
        let lines = ReaderBuilder::new()
            .delimiter(separator)
            .has_headers(false)
            .flexible(true)
            .trim(Trim::All)
            .from_reader(text.as_bytes())
            .into_records()
            .map(|line| line.map(|line| (line.position().map_or(0, csv::Position::line), line)))
            .collect::<Result<_, _>>()
            .map_err(|error| error.to_string())?;
        Ok(Self {
            separator: char::from(separator),
            lines,
        })
    }

    fn headings(&self) -> Vec<&str> {
        self.lines
            .first()
            .map_or_else(Vec::new, |(_, heading)| heading.iter().collect())
    }

    fn rows(&self) -> impl Iterator<Item = &(u64, StringRecord)> {
        self.lines.iter().skip(1)
    }
}

/// The headings of a CSV text.
pub(in crate::cli) fn headings(text: &str) -> Result<Vec<String>, String> {
    let sheet = Sheet::new(text)?;
    Ok(sheet.headings().into_iter().map(str::to_owned).collect())
}

/// Reads a report along its columns.
///
/// A number is never guessed at: where one has a decimal comma and another a dot, the owner has to say which sign it is.
pub(in crate::cli) fn read(
    text: &str,
    columns: &Columns,
    sample: Sample,
) -> Result<Report, String> {
    let sheet = Sheet::new(text)?;
    let names = sheet.headings();
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
    let numbers = sheet.rows().flat_map(|(line, cells)| {
        let of = [Some(value), limit].into_iter().flatten();
        of.filter_map(move |index| Some((*line, cells.get(index)?.to_owned())))
    });
    let decimal = decimal(numbers, sheet.separator, sample.decimal)?;
    let mut report = Report::default();
    for (line, cells) in sheet.rows() {
        if report.rows.len() >= ROWS_MAX {
            return Err(format!("a report of more than {ROWS_MAX} rows is none"));
        }
        let cell = |index: usize| cells.get(index).unwrap_or("");
        let limit = limit.map_or("", cell);
        match row(
            cell(element),
            cell(value),
            cell(unit),
            (limit, decimal, sample),
        ) {
            Ok(row) if report.rows.iter().any(|r| r.of == row.of) => {
                report
                    .left_out
                    .push(format!("line {line}: {} stands here a second time", row.of));
            }
            Ok(row) => report.rows.push(row),
            Err(why) => report.left_out.push(format!("line {line}: {why}")),
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
    numbers: impl Iterator<Item = (u64, String)>,
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

/// What a cell names: "Calcium (Ca)" as well as "Ca", and what labs call alkalinity.
fn measurand(cell: &str) -> Option<Measurand> {
    let inside = cell
        .split_once('(')
        .and_then(|(_, rest)| rest.split_once(')'));
    let word = inside.map_or(cell, |(symbol, _)| symbol).trim();
    let lower = word.to_lowercase();
    if lower == "kh" {
        return Some(Quantity::Alkalinity.into());
    }
    let dissolved = ["alkalinity", "nitrate", "phosphate"].contains(&lower.as_str());
    let word = if dissolved { &lower } else { word };
    let found = Measurand::new(word, None).ok();
    // A salinity or a temperature has scales that a report does not say.
    found.filter(|of| of.quantity().is_some() || dissolved)
}

fn row(
    element: &str,
    value: &str,
    unit: &str,
    (limit, written, sample): (&str, Written, Sample),
) -> Result<Reading, String> {
    let of = measurand(element).ok_or_else(|| format!("\"{element}\" is no element"))?;
    let not_found =
        ["", "-", "n.d.", "nd", "not detected"].contains(&value.to_lowercase().as_str());
    let (text, below) = if not_found {
        (limit, true)
    } else {
        (value, value.starts_with('<'))
    };
    let text = plain(text, written);
    let number = text
        .as_ref()
        .and_then(|text| parse_plain_number(text).ok())
        .ok_or_else(|| format!("{of}: \"{value}\" is no number"))?;
    let amount = match of.per_litre() {
        Some(known @ Unit::Dkh) => known
            .parse(&format!("{number} {unit}"))
            .map_err(|error| format!("{of}: {error}"))?,
        Some(Unit::MgPerL) | None => PanelUnit::parse(unit)
            .map(|unit| unit.mg_per_l(number, sample.kg_per_l))
            .map_err(|error| format!("{of}: {error}"))?,
    };
    if number < 0.0 || (below && (number <= 0.0 || !of.has_detection_limit())) {
        return Err(format!("{of}: {number} is no amount"));
    }
    let sign = if below { "<" } else { "" };
    Ok(Reading {
        of,
        found: if below {
            Found::Below(amount)
        } else {
            Found::Value {
                value: amount,
                uncertainty: amount * sample.uncertainty_percent / 100.0,
            }
        },
        as_read: format!("{sign}{number} {unit}"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SAMPLE: Sample = Sample {
        kg_per_l: 1.025,
        uncertainty_percent: 5.0,
        decimal: None,
    };

    fn told() -> Columns {
        columns("element=Parameter,value=Result,unit=Unit,limit=LOD").unwrap()
    }

    fn rows(text: &str, decimal: Option<Decimal>) -> Result<(Vec<String>, usize), String> {
        let report = read(text, &told(), Sample { decimal, ..SAMPLE })?;
        let rows = report.rows.iter();
        let rows = rows
            .map(|row| format!("{} {}", row.of, row.as_read))
            .collect();
        Ok((rows, report.left_out.len()))
    }

    #[test]
    fn a_report_is_read_along_its_columns_wherever_they_stand() {
        let text = "Unit,Parameter,LOD,Result\nmg/L,Calcium (Ca),1,412\nug/L,I,5,<5\nug/L,Cu,0.5,n.d.\nppm,Mg,1,1300\nx,Salinity,,35\n\ndKH,KH,,8.1\nmg/L,Nitrate,,4\n";
        let read = [
            "calcium 412 mg/L",
            "iodine <5 ug/L",
            "copper <0.5 ug/L",
            "alkalinity 8.1 dKH",
            "nitrate 4 mg/L",
        ];
        // ppm has two meanings, and a salinity is no element.
        assert_eq!(rows(text, None), Ok((read.map(str::to_owned).into(), 2)));
    }

    #[test]
    fn values_are_kept_in_the_unit_of_the_record() {
        let text = "Parameter,Result,Unit,LOD\nSr,8000,ug/kg,1\nKH,2.9,meq/L,\n";
        let report = read(text, &told(), SAMPLE).unwrap();
        let found: Vec<f64> = report.rows.iter().map(|r| r.found.amount().0).collect();
        // 2.9 meq/L at 2.804 dKH per meq/L.
        let wanted = [8.2, 8.131];
        let near = found
            .iter()
            .zip(wanted)
            .all(|(found, wanted)| (found - wanted).abs() < 1e-3);
        assert!(near, "{found:?}");
    }

    #[test]
    fn a_decimal_comma_is_read_between_semicolons_only() {
        let text = "Parameter;Result;Unit;LOD\nSr;7,9;mg/L;0,1\n";
        assert_eq!(rows(text, None).unwrap().0, ["strontium 7.9 mg/L"]);
        let text = "Parameter,Result,Unit,LOD\nSr,\"7,9\",mg/L,0.1\n";
        assert!(rows(text, None).is_err());
        let text = "Parameter,Result,Unit,LOD\nSr,\"7,9\",mg/L,1\n";
        assert!(rows(text, None).unwrap().0.is_empty());
    }

    #[test]
    fn an_element_that_stands_twice_is_not_taken_twice() {
        let text = "Parameter,Result,Unit,LOD\nCa,412,mg/L,1\nCa,41.2,mg/L,1\n";
        let (rows, left_out) = rows(text, None).unwrap();
        assert_eq!((rows.len(), left_out), (1, 1));
    }

    #[test]
    fn a_mapping_without_a_needed_column_is_refused() {
        assert!(columns("element=A,value=B").unwrap_err().contains("unit"));
        assert!(columns("element=A,value=B,unit=C,colour=D").is_err());
        assert!(
            read("A,B,C\n", &told(), SAMPLE)
                .unwrap_err()
                .contains("A, B, C")
        );
    }

    #[test]
    fn a_report_that_mixes_decimal_signs_is_asked_about_and_never_silently_read() {
        let text =
            "Parameter;Result;Unit;LOD\nMg;1.290;mg/L;1\nCa;412,5;mg/L;1\nCu;n.d.;ug/L;0,5\n";
        let asked = rows(text, None).unwrap_err();
        assert!(
            asked.contains("1.290") && asked.contains("412,5") && asked.contains("--decimal"),
            "{asked}"
        );
        let (read, _) = rows(text, Some(Decimal::Comma)).unwrap();
        assert_eq!(
            read,
            [
                "magnesium 1290 mg/L",
                "calcium 412.5 mg/L",
                "copper <0.5 ug/L"
            ]
        );
        // Said to be dots, the commas would be thousands, and none stands before three digits.
        let (read, left_out) = rows(text, Some(Decimal::Dot)).unwrap();
        assert_eq!(
            (read, left_out),
            (vec!["magnesium 1.29 mg/L".to_owned()], 2)
        );
    }
}
