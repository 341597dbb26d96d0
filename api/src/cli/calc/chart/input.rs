//! The file of `weirbook calc chart`, read into values by time.

use crate::cli::calc::rows::{self, Rejected};
use std::error::Error;
use std::io::Read;
use std::path::Path;

/// A value, and its time as the file has it.
#[derive(Debug, PartialEq)]
pub(super) struct Charted {
    pub(super) time: String,
    pub(super) value: f64,
}

type Taken = (Vec<Charted>, Vec<Rejected>);

/// Reads a file, `-` for standard input.
pub(super) fn values(file: &Path) -> Result<Taken, Box<dyn Error>> {
    read(rows::open(file)?).map_err(|cause| rows::of(file, cause.as_ref()))
}

fn read(source: impl Read) -> Result<Taken, Box<dyn Error>> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(source);
    let headers = reader.headers()?;
    let place = |name: &str| headers.iter().position(|header| header.eq_ignore_ascii_case(name));
    let columns = place("time").zip(place("value"));
    let (time, value) = columns.ok_or("the first line must name the columns time and value")?;
    let (mut values, mut rejected): Taken = (Vec::new(), Vec::new());
    for record in reader.records() {
        let record = record?;
        let text = record.get(value).unwrap_or_default();
        match text.parse::<f64>() {
            Ok(value) if value.is_finite() => {
                values.push(Charted { time: record.get(time).unwrap_or_default().to_owned(), value });
            }
            _ => {
                let line = record.position().map_or(0, csv::Position::line);
                let detail = format!("value: {text:?} is no number; give one with a decimal point, such as 1234.5");
                rejected.push(Rejected { line, detail });
            }
        }
    }
    Ok((values, rejected))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_and_wrong_rows_named_by_line() {
        let (values, rejected) = read("Value,time\n1.5,a\nx,b\n2,c\ninf,d\n".as_bytes()).unwrap();
        assert_eq!(
            values.iter().map(|one| (one.time.as_str(), one.value)).collect::<Vec<_>>(),
            [("a", 1.5), ("c", 2.0)]
        );
        assert_eq!(rejected.iter().map(|row| row.line).collect::<Vec<_>>(), [3, 5]);
        assert!(read("at,value\n1,1\n".as_bytes()).is_err());
    }
}
