//! The file of `weirbook calc lives`, read into lives by group.

use crate::cli::calc::rows::{self, Rejected};
use domain::reliability::life::Life;
use std::collections::BTreeMap;
use std::error::Error;
use std::io::Read;
use std::path::Path;

/// Lives of parts alike, in the order of the file.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Group {
    pub(super) name: Option<String>,
    pub(super) lives: Vec<Life>,
    /// The first that is given.
    pub(super) rated_life: Option<f64>,
}

type Read_ = (Vec<Group>, Vec<Rejected>);

/// Reads a file, `-` for standard input.
pub(super) fn lives(file: &Path) -> Result<Read_, Box<dyn Error>> {
    read(rows::open(file)?).map_err(|cause| rows::of(file, cause.as_ref()))
}

/// Where the columns stand.
struct Columns {
    time: usize,
    event: usize,
    entry: Option<usize>,
    last_good: Option<usize>,
    group: Option<usize>,
    rated_life: Option<usize>,
}

impl Columns {
    fn of(headers: &csv::StringRecord) -> Option<Self> {
        let place = |name: &str| headers.iter().position(|header| header.eq_ignore_ascii_case(name));
        Some(Self {
            time: place("time")?,
            event: place("event")?,
            entry: place("entry"),
            last_good: place("last_good"),
            group: place("group"),
            rated_life: place("rated_life"),
        })
    }
}

fn read(source: impl Read) -> Result<Read_, Box<dyn Error>> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(source);
    let columns = Columns::of(reader.headers()?).ok_or("the first line must name the columns time and event")?;
    let (mut groups, mut rejected): Read_ = (Vec::new(), Vec::new());
    let mut places: BTreeMap<String, usize> = BTreeMap::new();
    for record in reader.records() {
        let record = record?;
        let line = record.position().map_or(0, csv::Position::line);
        let (life, rated_life) = match row(&record, &columns) {
            Ok(row) => row,
            Err(detail) => {
                rejected.push(Rejected { line, detail });
                continue;
            }
        };
        let name = columns.group.map(|at| record.get(at).unwrap_or_default());
        let place = *places.entry(name.unwrap_or_default().to_owned()).or_insert_with(|| {
            groups.push(Group { name: name.map(str::to_owned), ..Group::default() });
            groups.len() - 1
        });
        if let Some(group) = groups.get_mut(place) {
            group.lives.push(life);
            group.rated_life = group.rated_life.or(rated_life);
        }
    }
    Ok((groups, rejected))
}

/// A life and the rated life beside it.
fn row(record: &csv::StringRecord, columns: &Columns) -> Result<(Life, Option<f64>), String> {
    let number = |name: &str, at: Option<usize>| match at.and_then(|at| record.get(at)).unwrap_or_default() {
        "" => Ok(None),
        text => text.parse::<f64>().map(Some).map_err(|_no_number| {
            format!("{name}: {text:?} is no number; give one with a decimal point, such as 1234.5")
        }),
    };
    let time = number("time", Some(columns.time))?.ok_or("time: give the age at the end")?;
    let failed = match record.get(columns.event).unwrap_or_default() {
        "1" | "1.0" => true,
        "0" | "0.0" => false,
        text => return Err(format!("event: {text:?} is neither 1 for a failure nor 0 for a part still good")),
    };
    let life = match number("last_good", columns.last_good)? {
        Some(_) if !failed => return Err("last_good: leave it empty for a part still good".to_owned()),
        Some(good) => Life::failed_between(good, time),
        None if failed => Life::failed(time),
        None => Life::running(time),
    };
    let entry = number("entry", columns.entry)?.unwrap_or(0.0);
    let life = life.and_then(|life| life.watched_from(entry)).map_err(|why| format!("time: {why}"))?;
    let rated_life = number("rated_life", columns.rated_life)?;
    if rated_life.is_some_and(|rated| !(rated > 0.0 && rated.is_finite())) {
        return Err("rated_life: give a positive number, or leave it empty".to_owned());
    }
    Ok((life, rated_life))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lives_are_read_by_group_and_wrong_rows_named_by_line() {
        let text = "Time, event, entry, last_good, group, rated_life\n\
            10, 1, , , a, 12\n20, 1, 5, 15, b,\n30, 0, , , a,\n0, 1, , , a,\n5, 2, , , a,\n9, 0, , 3, a,\nx, 1, , , a,\n";
        let (groups, rejected) = read(text.as_bytes()).unwrap();
        let lives = |place: usize| groups[place].lives.clone();
        assert_eq!(lives(0), [Life::failed(10.0).unwrap(), Life::running(30.0).unwrap()]);
        assert_eq!(lives(1), [Life::failed_between(15.0, 20.0).unwrap().watched_from(5.0).unwrap()]);
        assert_eq!((groups[0].rated_life, groups[1].rated_life), (Some(12.0), None));
        assert_eq!(rejected.iter().map(|row| row.line).collect::<Vec<_>>(), [5, 6, 7, 8]);
        assert!(read("age,failed\n1,1\n".as_bytes()).is_err());
    }
}
