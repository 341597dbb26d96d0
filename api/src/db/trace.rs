//! What the trace of a figure is made of: the subject's meters with their readings from the last
//! one before the time asked for to the first one after it, what people decided and noted.

use super::error::known;
use super::night_meters::MeterHistory;
use super::night_plan::{self, Stretch, Subject, neighbours};
use super::schema::{meter, reading_correction, reading_exception};
use super::{DbError, Tx, fill, night_meters, notes, reading, report};
use chrono::{DateTime, Days, NaiveTime, TimeDelta, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, ReportId};
use domain::metering::sessions::SessionRule;
use domain::metering::step::{Doubted, ExceptionKind};
use domain::period_facts::ROUND_HOURS;
use domain::report::inputs::Inputs;
use domain::trace::Window;
use domain::trace::meter::{Corrected, MeterInput, Stood};
use domain::trace::subject::SubjectInput;
use std::collections::HashMap;
use uuid::Uuid;

/// Most readings of one meter, and of one answer: a month by the minute has 44,640.
const READINGS_MAX: usize = 100_000;
const READINGS_IN_ALL_MAX: usize = 300_000;

type Between = (DateTime<Utc>, DateTime<Utc>);

/// The subjects of a unit or a site that something measures in the time, as far as the scope
/// reaches.
///
/// # Errors
/// When the database fails.
pub async fn subjects(
    tx: &Tx<'_>,
    unit: Option<Uuid>,
    site: Option<Uuid>,
    window: Window,
) -> Result<Vec<SubjectInput>, DbError> {
    let held = night_plan::of_unit_or_site(tx, unit, site).await?;
    let measured = |subject: &Subject| {
        let time = window.bounds(subject.zone);
        subject.meters.iter().any(|stretch| overlaps(stretch, time))
    };
    let planned: Vec<Subject> = held.into_iter().filter(measured).collect();
    let numbers: Vec<i32> = planned.iter().flat_map(|subject| &subject.meters).map(|one| one.meter_no).collect();
    let mut noted = notes::of(tx, &planned).await?;
    let fills = fill::of(tx, &planned.iter().map(|subject| subject.id).collect::<Vec<_>>()).await?;
    let mut loading = Loading {
        histories: night_meters::histories(tx, &numbers).await?,
        records: records(tx, &numbers).await?,
        doubted: doubted(tx, &numbers).await?,
        corrections: corrections(tx, &numbers).await?,
        sessions: HashMap::new(),
        left: READINGS_IN_ALL_MAX,
    };
    let mut inputs = Vec::with_capacity(planned.len());
    for subject in planned {
        let noted = noted.remove(&subject.id).ok_or(DbError::NotFound)?;
        loading.sessions.clear();
        for (meter_no, rule) in &noted.sessions {
            loading.sessions.entry(*meter_no).or_default().push(*rule);
        }
        let meters = loading.meters(tx, &subject, window).await?;
        inputs.push(SubjectInput {
            id: subject.id,
            unit_id: subject.unit_id,
            site_id: subject.site_id,
            zone: subject.zone,
            meters,
            notes: noted.notes,
            working: noted.working,
            tallies: noted.tallies,
            fill: fills.at(subject.id, window),
            now: tx.now(),
        });
    }
    Ok(inputs)
}

fn overlaps(stretch: &Stretch, (from, to): Between) -> bool {
    stretch.from.is_none_or(|begins| begins < to) && stretch.to.is_none_or(|ends| ends > from)
}

/// What is known of meters, by number, before their readings come.
struct Loading {
    histories: HashMap<i32, MeterHistory>,
    records: HashMap<i32, Record>,
    doubted: HashMap<i32, Vec<Doubted>>,
    corrections: HashMap<i32, Vec<Corrected>>,
    /// Which pause tells washes apart, at the subject's meters of a single gun.
    sessions: HashMap<i32, Vec<SessionRule>>,
    /// Readings that the answer can still take.
    left: usize,
}

impl Loading {
    /// The meters of a subject in their order, dials read before the pulses that spread them.
    async fn meters(&mut self, tx: &Tx<'_>, subject: &Subject, window: Window) -> Result<Vec<MeterInput>, DbError> {
        let (from, to) = window.bounds(subject.zone);
        // The rounds of a read period lie within so much of their middles.
        let round = TimeDelta::hours(if matches!(window, Window::Period { .. }) { ROUND_HOURS } else { 0 });
        let time = (from - round, to + round);
        let mut found: Vec<(usize, MeterInput)> = Vec::with_capacity(subject.meters.len());
        let places = || subject.meters.iter().enumerate();
        let dials = places().filter(|(_, stretch)| stretch.dial_no.is_none());
        for (place, stretch) in dials.chain(places().filter(|(_, stretch)| stretch.dial_no.is_some())) {
            let of_dial = found.iter().filter(|(_, dial)| Some(dial.number) == stretch.dial_no);
            let reach = of_dial.flat_map(|(_, dial)| &dial.readings).map(|reading| reading.at);
            let time = reach.fold(time, |(from, to), at| (from.min(at), to.max(at)));
            if let Some(input) = self.meter(tx, stretch, time).await? {
                found.push((place, input));
            }
        }
        found.sort_by_key(|(place, _)| *place);
        Ok(found.into_iter().map(|(_, input)| input).collect())
    }

    async fn meter(&mut self, tx: &Tx<'_>, stretch: &Stretch, time: Between) -> Result<Option<MeterInput>, DbError> {
        let number = stretch.meter_no;
        let (Some(history), Some(record)) = (self.histories.get(&number), self.records.get(&number)) else {
            return Ok(None);
        };
        let sessions = self.sessions.get(&number).cloned().unwrap_or_default();
        // Whether water came in the pause before the time says whether its first water is another wash.
        let before = TimeDelta::days(i64::from(!sessions.is_empty()));
        let time = (time.0 - before, time.1);
        let most = self.left.min(READINGS_MAX);
        let (readings, too_many) =
            if overlaps(stretch, time) { around(tx, stretch, time, most).await? } else { (Vec::new(), None) };
        self.left -= readings.len();
        let ends = readings.as_slice();
        let used = ends.first().zip(ends.last()).map(|(first, last)| (first.at, last.at));
        let within = |at: DateTime<Utc>| used.is_some_and(|(first, last)| first <= at && at <= last);
        let corrections = self.corrections.get(&number).into_iter().flatten().filter(|one| within(one.at));
        Ok(Some(MeterInput {
            number,
            id: record.id,
            label: record.label.clone(),
            name: history.name.clone(),
            position: record.position.clone(),
            facts: history.facts.clone(),
            share: stretch.share,
            share_u: stretch.share_u,
            checks: history.checks.clone(),
            dial: stretch.dial_no,
            from: stretch.from,
            to: stretch.to,
            exchanges: history.exchanges.clone(),
            rulings: history.rulings.clone(),
            doubted: self.doubted.get(&number).cloned().unwrap_or_default(),
            corrections: corrections.cloned().collect(),
            readings,
            sessions,
            too_many,
        }))
    }
}

/// The readings of a stretch from the last one up to the time to the first one after it; none, and
/// how many there are at least, where these are more than `most`.
async fn around(
    tx: &Tx<'_>,
    stretch: &Stretch,
    (from, to): Between,
    most: usize,
) -> Result<(Vec<Stood>, Option<usize>), DbError> {
    let (first_day, last_day) = (from.date_naive(), to.date_naive());
    let near = neighbours(tx, &[(stretch.meter_no, first_day, last_day)]).await?;
    let (before, after) = near.get(&stretch.meter_no).copied().unwrap_or_default();
    let midnight = |day: chrono::NaiveDate| day.and_time(NaiveTime::MIN).and_utc();
    let end = after.unwrap_or(last_day).checked_add_days(Days::new(1)).unwrap_or(last_day);
    let begin = midnight(before.unwrap_or(first_day));
    // A reading at the very end of a stretch still belongs to it.
    let begin = stretch.from.map_or(begin, |from| from.max(begin));
    let end = stretch.to.map_or(midnight(end), |to| midnight(end).min(to + TimeDelta::seconds(1)));
    let found = reading::between(tx, stretch.meter_no, (begin, end), most.saturating_add(1)).await?;
    if found.len() > most {
        return Ok((Vec::new(), Some(most)));
    }
    let first = found.partition_point(|reading| reading.at <= from).saturating_sub(1);
    let last = (found.partition_point(|reading| reading.at < to) + 1).min(found.len());
    let used = found.get(first..last).unwrap_or_default().iter();
    let stood = |one: &reading::Reading| Stood { at: one.at, register: one.register, source: one.source.as_str() };
    Ok((used.map(stood).collect(), None))
}

struct Record {
    id: Uuid,
    label: String,
    position: Option<String>,
}

async fn records(tx: &Tx<'_>, numbers: &[i32]) -> Result<HashMap<i32, Record>, DbError> {
    let rows: Vec<(i32, Uuid, String, Option<String>)> = meter::table
        .filter(meter::no.eq_any(numbers))
        .select((meter::no, meter::id, meter::label, meter::position))
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(|(no, id, label, position)| (no, Record { id, label, position })).collect())
}

/// The steps that the night run doubted and that nobody set right: open, or accepted.
async fn doubted(tx: &Tx<'_>, numbers: &[i32]) -> Result<HashMap<i32, Vec<Doubted>>, DbError> {
    use reading_exception as e;
    let rows: Vec<(i32, DateTime<Utc>, DateTime<Utc>, String)> = e::table
        .filter(e::meter_no.eq_any(numbers))
        .filter(e::closed_at.is_null().or(e::ruling.eq("accept")))
        .select((e::meter_no, e::from_at, e::to_at, e::kind))
        .order((e::meter_no, e::to_at))
        .load(&mut tx.conn())
        .await?;
    let mut doubted: HashMap<i32, Vec<Doubted>> = HashMap::new();
    for (no, from, to, kind) in rows {
        let kind = known("kind", ExceptionKind::from_name(&kind))?;
        doubted.entry(no).or_default().push(Doubted { from, to, kind });
    }
    Ok(doubted)
}

type CorrectionRow = (i32, DateTime<Utc>, Option<f64>, Option<f64>, String);

async fn corrections(tx: &Tx<'_>, numbers: &[i32]) -> Result<HashMap<i32, Vec<Corrected>>, DbError> {
    use reading_correction as c;
    let rows: Vec<CorrectionRow> = c::table
        .filter(c::meter_no.eq_any(numbers))
        .select((c::meter_no, c::at, c::was, c::became, c::why))
        .order((c::meter_no, c::at, c::n))
        .load(&mut tx.conn())
        .await?;
    let mut corrections: HashMap<i32, Vec<Corrected>> = HashMap::new();
    for (no, at, was, became, why) in rows {
        corrections.entry(no).or_default().push(Corrected { at, was, became, why });
    }
    Ok(corrections)
}

/// A report with what it is made of, as of the instant at which it was made.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn of_report(tx: &Tx<'_>, id: ReportId) -> Result<(report::StoredReport, Inputs), DbError> {
    let stored = report::get(tx, id).await?;
    let inputs = report::inputs::gather(tx, CustomerId(stored.customer_id), stored.month).await?;
    let inputs = Inputs { now: stored.made_at, ..inputs };
    Ok((stored, inputs))
}
