//! Lab reports as CSV: which column is what, and rows as readings.
//!
//! Deliberately small: one heading line below whatever titles there are, one value a row. A row that is none is named and left out, and a
//! word that stands where a number should is asked about, never guessed at.

use std::collections::BTreeMap;

use csv::{ReaderBuilder, StringRecord, Trim};

use super::panel_names::measurand;
use crate::chemistry::{Measurand, Unit};
use crate::estimate::{PanelUnit, lab_uncertainty};
use crate::quantity::parse_plain_number;
use crate::record::{Columns, Found, NoNumber, Reading};

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
        words: BTreeMap::new(),
    })
}

/// Reads `n.n.=not-found`.
pub(in crate::cli) fn no_number(text: &str) -> Result<(String, NoNumber), String> {
    let (word, means) = text.rsplit_once('=').unwrap_or((text, ""));
    let means = match means.trim() {
        "not-found" => NoNumber::NotFound,
        "not-measured" => NoNumber::NotMeasured,
        _ => {
            return Err(format!(
                "\"{text}\" says nothing of a word; write for example \"n.n.=not-found\" or \"n.n.=not-measured\""
            ));
        }
    };
    Ok((word.trim().to_owned(), means))
}

/// A file as text: UTF-8, UTF-16 of either order, else Latin-1.
pub(in crate::cli) fn decoded(bytes: &[u8]) -> String {
    let wide = |of: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes.as_chunks().0.iter().map(|two| of(*two)).collect();
        String::from_utf16_lossy(&units)
    };
    match bytes {
        [0xff, 0xfe, ..] | [_, 0, ..] => wide(u16::from_le_bytes),
        [0xfe, 0xff, ..] | [0, _, ..] => wide(u16::from_be_bytes),
        _ => match str::from_utf8(bytes) {
            Ok(text) => text.to_owned(),
            Err(_) => bytes.iter().copied().map(char::from).collect(),
        },
    }
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
    /// Relative standard uncertainty of each value, percent, where the lab states one.
    pub(in crate::cli) uncertainty_percent: Option<f64>,
    /// The sign before the decimals, when the owner said which.
    pub(in crate::cli) decimal: Option<Decimal>,
}

/// A CSV text as its lines, each with its number.
struct Sheet {
    separator: char,
    /// From the heading on.
    lines: Vec<(u64, StringRecord)>,
}

impl Sheet {
    /// The text with each sign that may stand between cells.
    fn all(text: &str) -> impl Iterator<Item = Self> {
        let text = text.trim_start_matches('\u{feff}');
        [b';', b'\t', b',']
            .into_iter()
            .filter_map(move |separator| {
                let lines = ReaderBuilder::new()
                    .delimiter(separator)
                    .has_headers(false)
                    .flexible(true)
                    .trim(Trim::All)
                    .from_reader(text.as_bytes())
                    .into_records()
                    .map(|line| {
                        line.map(|line| (line.position().map_or(0, csv::Position::line), line))
                    })
                    .collect::<Result<_, _>>()
                    .ok()?;
                let separator = char::from(separator);
                Some(Self { separator, lines })
            })
    }

    /// The text from the line on that has all of these headings, titles above it left out.
    fn below(text: &str, wanted: &[&String]) -> Result<Self, String> {
        let has_all = |line: &StringRecord| {
            let has = |heading: &&String| line.iter().any(|cell| cell == heading.as_str());
            wanted.iter().all(has)
        };
        for mut sheet in Self::all(text) {
            if let Some(at) = sheet.lines.iter().position(|(_, line)| has_all(line)) {
                sheet.lines.drain(..at);
                return Ok(sheet);
            }
        }
        let names = headings(text);
        let missing = wanted.iter().find(|heading| !names.contains(heading));
        Err(format!(
            "the report has no line with the column \"{}\"; it has: {}; tell with --columns which is which",
            missing.map_or("", |heading| heading.as_str()),
            names.join(", ")
        ))
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

/// The headings of a CSV text: the first of its lines with the most cells that say something.
pub(in crate::cli) fn headings(text: &str) -> Vec<String> {
    let said = |line: &StringRecord| line.iter().filter(|cell| !cell.is_empty()).count();
    let lines = Sheet::all(text).flat_map(|sheet| sheet.lines);
    let most = lines.fold(None, |best: Option<StringRecord>, (_, line)| match best {
        Some(best) if said(&best) >= said(&line) => Some(best),
        Some(_) | None => Some(line),
    });
    most.map_or_else(Vec::new, |line| line.iter().map(str::to_owned).collect())
}

/// Reads a report along its columns.
///
/// A number is never guessed at: where one has a decimal comma and another a dot, the owner has to say which sign it is.
pub(in crate::cli) fn read(
    text: &str,
    columns: &Columns,
    sample: Sample,
) -> Result<Report, String> {
    let (element, value, unit) = (&columns.element, &columns.value, &columns.unit);
    let wanted = [
        Some(element),
        Some(value),
        Some(unit),
        columns.limit.as_ref(),
    ];
    let sheet = Sheet::below(text, &wanted.into_iter().flatten().collect::<Vec<_>>())?;
    let names = sheet.headings();
    let find = |wanted: &String| names.iter().position(|n| n == wanted).unwrap_or(usize::MAX);
    let (element, value, unit) = (find(element), find(value), find(unit));
    let limit = columns.limit.as_ref().map(find);
    let numbers = sheet.rows().flat_map(|(line, cells)| {
        let of = [Some(value), limit].into_iter().flatten();
        of.filter_map(move |index| Some((*line, cells.get(index)?.to_owned())))
    });
    let written = decimal(numbers, sheet.separator, sample.decimal)?;
    let words = &columns.words;
    let mut report = Report::default();
    for (line, cells) in sheet.rows() {
        if report.rows.len() >= ROWS_MAX {
            return Err(format!("a report of more than {ROWS_MAX} rows is none"));
        }
        let cell = |index: usize| cells.get(index).unwrap_or("");
        let of = match measurand(cell(element)) {
            Ok(of) => of,
            Err(why) => {
                report.left_out.push(format!("line {line}: {why}"));
                continue;
            }
        };
        ask_for_word(*line, &of, cell(value), words)?;
        let row = Row {
            value: cell(value),
            unit: cell(unit),
            limit: limit.map_or("", cell),
        };
        match row.read(of, words, (written, sample)) {
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

/// What labs write where there is no number, without having to be asked; the lab's own words come first.
const NOT_FOUND: [&str; 5] = ["", "-", "n.d.", "nd", "not detected"];

fn meaning(value: &str, words: &BTreeMap<String, NoNumber>) -> Option<NoNumber> {
    let lower = value.to_lowercase();
    let usual = NOT_FOUND.contains(&lower.as_str());
    let usual = usual.then_some(NoNumber::NotFound);
    words.get(&lower).copied().or(usual)
}

/// A word where a number should stand, of which nobody has said what it means.
fn ask_for_word(
    line: u64,
    of: &Measurand,
    value: &str,
    words: &BTreeMap<String, NoNumber>,
) -> Result<(), String> {
    if value.contains(|c: char| c.is_ascii_digit()) || meaning(value, words).is_some() {
        return Ok(());
    }
    Err(format!(
        "line {line}: {of} has \"{value}\" where a number should stand; say once what this lab means by it: --word \"{value}=not-found\" (looked for, and below the detection limit) or --word \"{value}=not-measured\"; nothing was stored"
    ))
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

/// The cells of one row.
struct Row<'a> {
    value: &'a str,
    unit: &'a str,
    limit: &'a str,
}

impl Row<'_> {
    fn read(
        &self,
        of: Measurand,
        words: &BTreeMap<String, NoNumber>,
        (written, sample): (Written, Sample),
    ) -> Result<Reading, String> {
        let number = |text: &str| parse_plain_number(&plain(text, written)?).ok();
        let amount = |number: f64| {
            self.amount(&of, number, sample)
                .map_err(|error| format!("{of}: {error}"))
        };
        let limit = number(self.limit).filter(|limit| *limit > 0.0 && of.has_detection_limit());
        let below = |limit: f64, as_read: String| {
            Ok(Reading {
                of: of.clone(),
                found: Found::Below(amount(limit)?),
                step: None,
                as_read,
            })
        };
        let unit = self.unit;
        match meaning(self.value, words) {
            Some(NoNumber::NotMeasured) => return Err(format!("{of}: not measured")),
            Some(NoNumber::NotFound) => {
                let limit = limit.ok_or_else(|| {
                    format!("{of}: not found, and without a detection limit that says nothing")
                })?;
                return below(limit, format!("<{limit} {unit}"));
            }
            None => {}
        }
        let found =
            number(self.value).ok_or_else(|| format!("{of}: \"{}\" is no number", self.value))?;
        let zero = found <= 0.0;
        if self.value.starts_with('<') {
            if zero || !of.has_detection_limit() {
                return Err(format!("{of}: \"{}\" is no amount", self.value));
            }
            return below(found, format!("<{found} {unit}"));
        }
        match limit {
            Some(limit) if found < limit && found >= 0.0 => {
                return below(limit, format!("<{limit} {unit}"));
            }
            _ if zero => {
                return Err(format!(
                    "{of}: {found} is no amount, and the row gives no detection limit to say what it is below"
                ));
            }
            Some(_) | None => {}
        }
        let (value, limit) = (amount(found)?, limit.map(amount).transpose()?);
        let stated = sample
            .uncertainty_percent
            .map(|percent| value * percent / 100.0);
        Ok(Reading {
            found: Found::Value {
                value,
                uncertainty: stated.unwrap_or_else(|| lab_uncertainty(&of, value, limit)),
            },
            step: None,
            as_read: format!("{found} {unit}"),
            of,
        })
    }

    /// In the unit of the record.
    fn amount(&self, of: &Measurand, number: f64, sample: Sample) -> Result<f64, String> {
        match of.per_litre() {
            Some(known @ Unit::Dkh) => {
                let degrees = self.unit.trim_start_matches('\u{b0}').to_lowercase();
                let degrees = ["dh", "kh", "dkh"].contains(&degrees.as_str());
                let unit = if degrees { "dKH" } else { self.unit };
                known
                    .parse(&format!("{number} {unit}"))
                    .map_err(|error| error.to_string())
            }
            Some(Unit::MgPerL) | None => PanelUnit::parse(self.unit)
                .map(|unit| unit.mg_per_l(number, sample.kg_per_l))
                .map_err(|error| error.to_string()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SAMPLE: Sample = Sample {
        kg_per_l: 1.025,
        uncertainty_percent: None,
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
    fn zero_and_what_is_below_the_limit_of_its_row_is_not_found() {
        let text = "Parameter,Result,Unit,LOD\nCu,0,ug/L,0.5\nNi,0.4,ug/L,0.5\nZn,0.5,ug/L,0.5\nFe,0,ug/L,\nKH,0,dKH,\nMn,n.d.,ug/L,\n";
        let report = read(text, &told(), SAMPLE).unwrap();
        let found: Vec<String> = report.rows.iter().map(ToString::to_string).collect();
        assert_eq!(report.left_out.len(), 3, "{:?}", report.left_out);
        assert_eq!(
            &found[..2],
            ["copper below 0.000500 mg/L", "nickel below 0.000500 mg/L"]
        );
        assert_eq!(report.rows[1].as_read, "<0.5 ug/L");
        assert!(found[2].starts_with("zinc 0.000500 mg/L +-"), "{found:?}");
    }

    #[test]
    fn a_word_for_no_number_is_asked_about_once_and_then_known() {
        let text = "Parameter,Result,Unit,LOD\nCa,412,mg/L,1\nCu,n.n.,ug/L,0.5\nNi,N.B.,ug/L,0.5\nremarks,see below,,\n";
        let asked = read(text, &told(), SAMPLE).unwrap_err();
        assert!(
            asked.contains("line 3") && asked.contains("--word \"n.n.=not-found\""),
            "{asked}"
        );
        let words = ["n.n.=not-found", "n.b.=not-measured"];
        let known = Columns {
            words: words.iter().map(|word| no_number(word).unwrap()).collect(),
            ..told()
        };
        let report = read(text, &known, SAMPLE).unwrap();
        assert_eq!(report.rows[1].as_read, "<0.5 ug/L");
        assert_eq!((report.rows.len(), report.left_out.len()), (2, 2));
        assert!(no_number("n.n.").is_err() && no_number("n.n.=perhaps").is_err());
    }

    #[test]
    fn titles_above_the_heading_are_passed_over_whatever_separates_cells_there() {
        let text = "Report 4711, of 2 October\nTank: north, 300 L\n\nParameter;Result;Unit;LOD\nCalcium;412,5;mg/L;1\n";
        assert_eq!(rows(text, None).unwrap().0, ["calcium 412.5 mg/L"]);
        assert_eq!(headings(text), ["Parameter", "Result", "Unit", "LOD"]);
    }

    #[test]
    fn files_of_other_encodings_are_read() {
        let text = "Parameter;Result;Unit;LOD\nMolybdän;10,1;\u{b5}g/L;0,5\nKH;8,1;°dH;\n";
        let latin: Vec<u8> = text
            .chars()
            .map(|c| u8::try_from(u32::from(c)).unwrap())
            .collect();
        let wide = |mark: &[u16], of: fn(u16) -> [u8; 2]| {
            let units = mark.iter().copied().chain(text.encode_utf16());
            units.flat_map(of).collect::<Vec<u8>>()
        };
        for bytes in [
            text.as_bytes().to_vec(),
            latin,
            wide(&[0xfeff], u16::to_le_bytes),
            wide(&[0xfeff], u16::to_be_bytes),
            wide(&[], u16::to_le_bytes),
            wide(&[], u16::to_be_bytes),
        ] {
            let (read, left_out) = rows(&decoded(&bytes), None).unwrap();
            assert_eq!(read, ["molybdenum 10.1 \u{b5}g/L", "alkalinity 8.1 °dH"]);
            assert_eq!(left_out, 0);
        }
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
