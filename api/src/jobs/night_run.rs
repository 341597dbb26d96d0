//! The night run of one dealer: readings to day facts, months and savings reports.
//!
//! It computes only what new or changed readings touch. A chunk of subjects is one
//! transaction; the touched rows are removed at the end, so a run that was cut off is done
//! again from the beginning and comes to the same figures.

use super::night_fold::{Computed, Known, SubjectFold};
use super::{night_condition, night_due, night_risk, night_stock, night_watch};
use crate::auth::Scope;
use crate::db::meter_watch::{self, Looked};
use crate::db::night_plan::{self, Subject, Touch};
use crate::db::night_run::{self, Counts};
use crate::db::night_store::{self, Figures};
use crate::db::report::{self, draft, life, rule};
use crate::db::sheet_stream::SheetView;
use crate::db::{Db, DbError, Tx, exception, meter_month, monthly_file, night_meters, notes};
use chrono::{DateTime, NaiveDate, Utc};
use domain::ids::{CustomerId, DealerId, NightRunId};
use domain::metering::history::MonthUse;
use domain::metering::sheet::DAY_SHEET_READINGS;
use domain::zone::{Month, local_date, parse_zone};
use futures_util::{StreamExt, TryStreamExt, stream};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::atomic::{AtomicUsize, Ordering};
use uuid::Uuid;

/// Subjects computed in one go; memory grows with this and not with the fleet.
const SUBJECTS_A_CHUNK: usize = 48;
/// Chunks under way at once: the machine this is made for has two cores.
const CHUNKS_AT_ONCE: usize = 2;

/// Why a night run did not end well.
#[derive(Debug, thiserror::Error)]
pub enum NightRunError {
    /// Another run of the same dealer is at work.
    #[error("the night run of dealer {0} is at work already")]
    AtWork(DealerId),
    /// The database.
    #[error("the night run stopped")]
    Database(#[from] DbError),
}

/// Told how far the run is: subjects done, of how many.
pub type Progress<'a> = &'a (dyn Fn(usize, usize) + Sync);

/// Runs the dealer's night run as of an instant.
///
/// # Errors
/// When another run is at work or the database fails; what was computed until then stays.
pub async fn run(
    db: &Db,
    dealer: DealerId,
    as_of: DateTime<Utc>,
    progress: Progress<'_>,
) -> Result<Counts, NightRunError> {
    let lock = db.lock_night(dealer).await?.ok_or(NightRunError::AtWork(dealer))?;
    let scope = Scope::of_job(dealer);
    let id = db.write(&scope, Utc::now(), async |tx| night_run::begin(tx, as_of).await).await?;
    let outcome = compute(db, &scope, as_of, progress).await;
    let (counts, error) = match &outcome {
        Ok(counts) => (*counts, None),
        Err(error) => (Counts::default(), Some(error.to_string())),
    };
    note_end(db, &scope, id, counts, error.as_deref()).await?;
    lock.release().await?;
    Ok(outcome?)
}

async fn note_end(db: &Db, scope: &Scope, id: NightRunId, counts: Counts, error: Option<&str>) -> Result<(), DbError> {
    db.write(scope, Utc::now(), async |tx| night_run::end(tx, id, counts, error).await).await
}

async fn compute(db: &Db, scope: &Scope, as_of: DateTime<Utc>, progress: Progress<'_>) -> Result<Counts, DbError> {
    let (taken_on, touches) = db.read(scope, as_of, async |tx| night_plan::touches(tx).await).await?;
    let subjects = planned(db, scope, as_of, &touches).await?;
    let (total, done) = (subjects.len(), AtomicUsize::new(0));
    progress(0, total);
    let chunks = stream::iter(subjects.chunks(SUBJECTS_A_CHUNK)).map(|chunk| {
        let done = &done;
        async move {
            let counts = compute_chunk(db, scope, as_of, chunk).await?;
            progress(done.fetch_add(chunk.len(), Ordering::Relaxed) + chunk.len(), total);
            Ok::<_, DbError>(counts)
        }
    });
    let sums = chunks.buffer_unordered(CHUNKS_AT_ONCE).try_fold(Counts::default(), async |a, b| Ok(a + b));
    let mut counts = sums.await?;
    let meters: Vec<i32> = touches.iter().map(|touch| touch.meter_no).collect();
    db.write(scope, as_of, async |tx| {
        exception::close_unmeasured(tx, &meters).await?;
        meter_watch::close_gone(tx).await
    })
    .await?;
    night_watch::look(db, scope, as_of).await?;
    night_condition::test(db, scope, as_of, &subjects).await?;
    night_due::project(db, scope.dealer(), as_of).await?;
    night_stock::foresee(db, scope.dealer(), as_of).await?;
    night_risk::forecast(db, scope.dealer(), as_of).await?;
    counts.reports = draft_reports(db, scope, as_of, &subjects).await?;
    db.write(scope, as_of, async |tx| monthly_file::want_due(tx).await).await?;
    db.write(scope, as_of, async |tx| night_plan::forget(tx, &taken_on).await).await?;
    Ok(counts)
}

async fn planned(db: &Db, scope: &Scope, as_of: DateTime<Utc>, touches: &[Touch]) -> Result<Vec<Subject>, DbError> {
    if touches.is_empty() {
        return Ok(Vec::new());
    }
    db.read(scope, as_of, async |tx| night_plan::subjects(tx, touches).await).await
}

async fn compute_chunk(db: &Db, scope: &Scope, as_of: DateTime<Utc>, subjects: &[Subject]) -> Result<Counts, DbError> {
    let numbers: Vec<i32> = subjects.iter().flat_map(|subject| &subject.meters).map(|meter| meter.meter_no).collect();
    let (known, wanted) = db
        .read(scope, as_of, async |tx| {
            let wanted = night_meters::wanted(tx, subjects).await?;
            let to_the_last = wanted.iter().filter(|wanted| wanted.to_the_last).map(|wanted| wanted.meter_no).collect();
            let known = Known {
                histories: night_meters::histories(tx, &numbers).await?,
                months: meter_month::before(tx, subjects).await?,
                to_the_last,
                notes: notes::of(tx, subjects).await?,
                as_of,
            };
            Ok((known, wanted))
        })
        .await?;
    let mut folds = Folds::new(subjects, &known);
    let mut dense = BTreeSet::new();
    let each = |sheet: &SheetView| {
        if sheet.at.len() > DAY_SHEET_READINGS {
            dense.insert(sheet.meter_no);
        }
        folds.push(sheet);
    };
    let readings = db.each_sheet(scope, &wanted, each).await?;
    let Stored { figures, found, usual, looked } = folds.finish();
    db.write(scope, as_of, async |tx| {
        night_store::replace(tx, &figures).await?;
        meter_month::replace(tx, subjects, &usual).await?;
        exception::sync(tx, &found).await?;
        meter_watch::keep(tx, &looked).await?;
        night_meters::keep_by_the_hour(tx, &dense, Utc::now().date_naive()).await
    })
    .await?;
    Ok(Counts {
        readings,
        subjects: subjects.len(),
        days: figures.iter().map(|one| one.days.len()).sum(),
        months: figures.iter().map(|one| one.months.len()).sum(),
        reports: 0,
        exceptions: found.iter().map(|one| one.exceptions.len()).sum(),
    })
}

/// The folds of a chunk, found by the meter of a sheet.
struct Folds<'a> {
    subjects: Vec<SubjectFold<'a>>,
    of_meter: HashMap<i32, Vec<usize>>,
}

impl<'a> Folds<'a> {
    fn new(subjects: &'a [Subject], known: &'a Known) -> Self {
        let mut of_meter: HashMap<i32, Vec<usize>> = HashMap::new();
        for (place, subject) in subjects.iter().enumerate() {
            for stretch in &subject.meters {
                let places = of_meter.entry(stretch.meter_no).or_default();
                if places.last() != Some(&place) {
                    places.push(place);
                }
            }
        }
        let subjects = subjects.iter().map(|subject| SubjectFold::new(subject, known)).collect();
        Self { subjects, of_meter }
    }

    fn push(&mut self, sheet: &SheetView) {
        for &place in self.of_meter.get(&sheet.meter_no).into_iter().flatten() {
            if let Some(fold) = self.subjects.get_mut(place) {
                fold.push(sheet);
            }
        }
    }

    fn finish(self) -> Stored<'a> {
        let mut all = Stored::default();
        let mut usual: BTreeMap<(Uuid, i32, Month), MonthUse> = BTreeMap::new();
        for Computed { figures, found, usual: months, looked } in self.subjects.into_iter().map(SubjectFold::finish) {
            for (meter_no, of) in months {
                // Of a month in which a meter left a subject and came back the longer part counts.
                let kept = usual.entry((figures.subject.id, meter_no, of.month)).or_insert(of);
                if of.days > kept.days {
                    *kept = of;
                }
            }
            all.figures.push(figures);
            all.found.extend(found);
            all.looked.extend(looked);
        }
        all.usual = usual.into_iter().map(|((subject, meter_no, _), of)| (subject, meter_no, of)).collect();
        all
    }
}

/// What a chunk came to, as it is stored.
#[derive(Default)]
struct Stored<'a> {
    figures: Vec<Figures<'a>>,
    found: Vec<exception::Found>,
    usual: Vec<(Uuid, i32, MonthUse)>,
    looked: Vec<Looked>,
}

/// Drafts the reports of every customer whose figures changed, and those of the running and
/// the last month, which are due whether or not anything was read; then issues what the dealer's
/// rule says. A changed month shows in the reports of the year after it too, and in those before it
/// with which it shares a billing cycle.
async fn draft_reports(db: &Db, scope: &Scope, as_of: DateTime<Utc>, subjects: &[Subject]) -> Result<usize, DbError> {
    let dealer = db.read(scope, as_of, async |tx| crate::db::dealer::get(tx).await).await?;
    let zone = parse_zone(&dealer.time_zone)?;
    let running = Month::of(local_date(zone, as_of));
    let mut due: BTreeMap<CustomerId, Month> = BTreeMap::new();
    let mut add = |customer, month: Month| {
        due.entry(customer).and_modify(|first| *first = (*first).min(month)).or_insert(month);
    };
    for month in [running.previous(), running] {
        let customers = db.read(scope, as_of, async |tx| draft::customers_in(tx, month).await).await?;
        customers.into_iter().for_each(|customer| add(customer, month));
    }
    let reach = db.read(scope, as_of, async |tx| draft::cycles_reach(tx).await).await?;
    for subject in subjects {
        let months = reach.get(&subject.customer).copied().unwrap_or(0);
        let first = Month::of(subject.from).min(running);
        add(subject.customer, (0..months).fold(first, |month, _| month.previous()));
    }
    let mut written = 0;
    for (customer, first) in due {
        written += db.write(scope, as_of, async |tx| draft_of(tx, customer, first, running).await).await?;
    }
    issue_reports(db, scope, as_of, local_date(zone, as_of)).await?;
    Ok(written)
}

async fn issue_reports(db: &Db, scope: &Scope, as_of: DateTime<Utc>, today: NaiveDate) -> Result<(), DbError> {
    let rule = db.read(scope, as_of, async |tx| rule::get(tx).await).await?.rule;
    if !rule.issues {
        return Ok(());
    }
    let customers = db.read(scope, as_of, async |tx| life::with_drafts(tx, Month::of(today)).await).await?;
    for customer in customers {
        db.write(scope, as_of, async |tx| life::issue_by_rule(tx, customer, &rule, today).await).await?;
    }
    Ok(())
}

async fn draft_of(tx: &Tx<'_>, customer: CustomerId, first: Month, running: Month) -> Result<usize, DbError> {
    report::hold(tx, customer).await?;
    let mut making = draft::Making::of(tx, customer).await?;
    let mut written = 0;
    for month in std::iter::successors(Some(first), |month| Some(month.next())).take_while(|month| *month <= running) {
        written += usize::from(making.month(tx, month).await?);
    }
    Ok(written)
}
