//! What the stock will do: each night every item at every place is looked at anew, because the
//! days pass whether or not anything moved.

use super::night_expected::{Expected, Past, steady};
use crate::auth::Scope;
use crate::db::stock::forecast::{self, Forecast};
use crate::db::stock::item::{self, Named};
use crate::db::stock::night_inputs::{self, AllStraight, Held};
use crate::db::stock::placed;
use crate::db::stock::site_use::{self, SiteRecords};
use crate::db::{Db, DbError, Tx, dealer};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use domain::ids::{DealerId, ItemId};
use domain::stock::demand::Demand;
use domain::stock::expect::{Expectation, UseFinding};
use domain::stock::history::{MonthUse, Months, Used};
use domain::stock::idle::{IdleDays, running_d};
use domain::stock::item::Item;
use domain::stock::outlook::Outlook;
use domain::stock::placed::{PlacedOrder, coming, on_order};
use domain::stock::site_use::{Feed, SiteUse};
use domain::zone::{Month, day_start, local_date};
use futures_util::future::try_join;
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};
use rust_decimal::Decimal;
use std::collections::HashMap;
use uuid::Uuid;

/// Months of the past that a demand is fitted to.
const MONTHS_BACK: usize = 36;

/// Looks at the whole stock of a dealer, and puts what it foresees in the place of the night before.
///
/// # Errors
/// When the database fails.
pub async fn foresee(db: &Db, dealer: DealerId, as_of: DateTime<Utc>) -> Result<(), DbError> {
    let scope = &Scope::of_job(dealer);
    let zone = db.read(scope, as_of, async |tx| dealer::zone(tx).await).await?;
    let months = months_back(zone, local_date(zone, as_of));
    // The pass over the ledger takes as long as all else that is asked: both at once.
    let held = db.read(scope, as_of, async |tx| night_inputs::held(tx, &months, zone).await);
    let inputs = db.read(scope, as_of, async |tx| Inputs::read(tx, zone, &months).await);
    let (mut held, (inputs, straight)) = try_join(held, inputs).await?;
    night_inputs::add_straight(&mut held, straight, inputs.today);
    // Not on a thread that serves others.
    let work = tokio::task::spawn_blocking(move || -> Vec<Forecast> {
        held.par_iter().filter_map(|held| inputs.forecast(held)).collect()
    });
    let forecasts = work.await.map_err(|error| DbError::Internal(error.into()))?;
    db.write(scope, as_of, async |tx| forecast::replace(tx, &forecasts).await).await
}

/// The whole months of the past that count, with their ends, and then the present one.
fn months_back(zone: Tz, today: NaiveDate) -> Vec<Past> {
    let back = std::iter::successors(Some(Month::of(today)), |month| Some(month.previous()));
    let mut months: Vec<Month> = back.take(MONTHS_BACK + 1).collect();
    months.reverse();
    let ends = |month: Month| {
        let (from, to) = month.bounds(zone);
        (month, from, to)
    };
    months.into_iter().map(ends).collect()
}

/// All that is known beside what is held.
struct Inputs {
    as_of: DateTime<Utc>,
    zone: Tz,
    today: NaiveDate,
    /// Whole months that have passed, with their ends.
    months: Vec<Past>,
    items: HashMap<ItemId, Named>,
    idle: HashMap<Uuid, Vec<IdleDays>>,
    /// Orders of which something is to come.
    open: Vec<PlacedOrder>,
    /// What sites are expected to use.
    expected: Expected,
    /// Sites where somebody dipped, or noted how a pump doses.
    sites: HashMap<Uuid, SiteRecords>,
}

/// What is known of a use.
struct Known {
    /// `None` where neither the ledger nor a dip says what is there.
    on_hand: Option<Decimal>,
    stood_on: NaiveDate,
    history: Vec<MonthUse>,
    dosed: Option<Demand>,
    finding: Option<UseFinding>,
}

impl Inputs {
    /// With what units at sites got straight from elsewhere.
    async fn read(tx: &Tx<'_>, zone: Tz, months: &[Past]) -> Result<(Self, AllStraight), DbError> {
        let (as_of, today) = (tx.now(), local_date(zone, tx.now()));
        let from = months.first().map_or(as_of, |(_, from, _)| *from);
        let passed = months.split_last().map_or(&[][..], |(_, passed)| passed).to_vec();
        let (expected, items) = (Expected::read(tx, zone, local_date(zone, from)).await?, item::all(tx).await?);
        let looked_at = night_inputs::looked_at(tx).await?;
        let records = site_use::records(tx, &looked_at, (from, as_of)).await?;
        let mut of_interest = expected.items(&items);
        of_interest.extend(records.iter().flat_map(SiteRecords::pumped));
        let straight = night_inputs::straight(tx, &of_interest, (from, zone)).await?;
        let inputs = Self {
            as_of,
            zone,
            today,
            months: passed,
            items,
            idle: site_use::idle(tx, &expected.sites()).await?,
            open: placed::open(tx).await?,
            expected,
            sites: records.into_iter().map(|records| (records.site, records)).collect(),
        };
        Ok((inputs, straight))
    }

    fn forecast(&self, held: &Held) -> Option<Forecast> {
        let item = &self.items.get(&held.item)?.item;
        let records = held.site.and_then(|site| self.sites.get(&site));
        let idle = held.site.and_then(|site| self.idle.get(&site)).map_or(&[][..], Vec::as_slice);
        let known = match records {
            Some(records) => self.of_site(held, item, records),
            None => self.of_ledger(held, item, idle),
        };
        let demand = fitted(item, &known.history).or(known.dosed).or_else(|| self.declared(held, item, idle));
        let coming = coming(&self.open, held.place, held.item, self.today);
        let ahead = |demand: &Demand| {
            let stock = (known.on_hand?, known.stood_on);
            Some(Outlook::of(item, demand, stock, self.today, idle, &coming))
        };
        // Of what nobody knows how much is there, its use is all there is to say.
        let says = known.on_hand.is_some() || demand.is_some() || known.finding.is_some();
        says.then(|| self.row(held, &known, (demand, demand.as_ref().and_then(ahead))))
    }

    /// What the units at a site are declared to use.
    fn declared(&self, held: &Held, item: &Item, idle: &[IdleDays]) -> Option<Demand> {
        self.expected.demand(held, item, (&self.months, idle))
    }

    fn row(&self, held: &Held, known: &Known, (demand, outlook): (Option<Demand>, Option<Outlook>)) -> Forecast {
        let cover = outlook.map(|outlook| outlook.cover);
        let finding = known.finding;
        Forecast {
            place_id: held.place.0,
            consumable_id: held.item.0,
            night: self.today,
            on_hand: known.on_hand.unwrap_or_default(),
            stood_on: known.stood_on,
            months: i32::try_from(demand.map_or(0, |demand| demand.months)).unwrap_or(i32::MAX),
            model: demand.map(|demand| demand.model.as_str().to_owned()),
            per_day: demand.map(|demand| demand.on(self.today)),
            earliest: cover.and_then(|cover| cover.earliest),
            likely: cover.and_then(|cover| cover.likely),
            latest: cover.and_then(|cover| cover.latest),
            order_by: outlook.and_then(|outlook| outlook.order_by),
            safety_stock: outlook.map(|outlook| outlook.safety_stock),
            reorder_point: outlook.map(|outlook| outlook.reorder_point),
            order_quantity: outlook.map(|outlook| outlook.order_quantity),
            use_is: finding.map(|finding| finding.is.as_str().to_owned()),
            use_since: finding.map(|finding| finding.began),
            use_actual: finding.map(|finding| finding.actual),
            use_expected: finding.map(|finding| finding.expected),
            on_order: on_order(&self.open, held.place, held.item),
        }
    }

    /// By the ledger alone.
    fn of_ledger(&self, held: &Held, item: &Item, idle: &[IdleDays]) -> Known {
        Known {
            on_hand: held.in_ledger.then_some(held.on_hand),
            stood_on: self.today,
            history: self.issued(held, idle),
            dosed: None,
            finding: self.expected.finding((held, item), |_from, _to| None, (&self.months, idle)),
        }
    }

    /// What went out by the ledger, whose sums are by month already.
    fn issued(&self, held: &Held, idle: &[IdleDays]) -> Vec<MonthUse> {
        let out: HashMap<NaiveDate, f64> = held.months.iter().copied().collect();
        let begins = day_start(self.zone, held.since);
        let after = self.months.iter().skip_while(|(_, _, ends)| *ends <= begins);
        let months = after.map(|&(month, from, to)| MonthUse {
            month,
            quantity: out.get(&month.first_day()).copied().unwrap_or_default(),
            running_d: running_d(self.zone, (from.max(begins), to), idle),
        });
        months.collect()
    }

    /// By dips, else the ledger, else dosing.
    fn of_site(&self, held: &Held, item: &Item, records: &SiteRecords) -> Known {
        let feeds = records.feeds(held.item, item, self.as_of);
        let stock = records.stock(held.item, &feeds);
        let from = self.months.first().map_or(self.as_of, |(_, from, _)| *from);
        let uses = stock.stretches(from, self.as_of);
        let there = stock.on_hand(self.as_of);
        // Without a dip that counts the stored balance does: the lines read here are not all.
        let dipped = there.as_of < self.as_of;
        let by_ledger = held.in_ledger.then_some(held.on_hand);
        let from_dips = stock.dips.len() > 1;
        Known {
            on_hand: if dipped { Some(there.quantity) } else { by_ledger },
            stood_on: if dipped { local_date(records.zone, there.as_of) } else { self.today },
            history: if from_dips { self.of_uses(records, &uses) } else { self.issued(held, &records.idle) },
            dosed: dosed(feeds.last()),
            finding: if from_dips {
                self.finding((held, item), records, &uses)
            } else {
                let by_pumps = |from, to| stock.dosed(from, to);
                self.expected.finding((held, item), by_pumps, (&self.months, &records.idle))
            },
        }
    }

    /// Whole months between the first dip and the last.
    fn of_uses(&self, records: &SiteRecords, uses: &[SiteUse]) -> Vec<MonthUse> {
        let Some((opened, closed)) = uses.first().zip(uses.last()).map(|(first, last)| (first.from, last.to)) else {
            return Vec::new();
        };
        let spanned = self.months.iter().filter(|(_, from, to)| *from < closed && opened < *to);
        let months: Vec<Month> = spanned.map(|(month, _, _)| *month).collect();
        let Some((first, last)) = months.first().zip(months.last()) else { return Vec::new() };
        // Before the first dip and after the last nothing is known.
        let (first_day, last_day) = (local_date(records.zone, opened), local_date(records.zone, closed));
        let mut unknown = records.idle.clone();
        unknown.extend(before(first.first_day(), first_day));
        unknown.extend(before(last_day, last.next().first_day()));
        let used: Vec<Used> = uses.iter().map(|used| Used::from(*used)).collect();
        Months::new(records.zone, *first, *last).of(&used, &unknown)
    }

    /// Against what was dosed in the latest use, or what was usual before it.
    fn finding(&self, of: (&Held, &Item), records: &SiteRecords, uses: &[SiteUse]) -> Option<UseFinding> {
        let (_, earlier) = uses.split_last()?;
        let usual = fitted(of.1, &self.of_uses(records, earlier));
        let usual = usual.or_else(|| self.declared(of.0, of.1, &records.idle));
        let usual = usual.map(|demand| demand.on(self.today));
        Expectation::of(uses, usual)?.finding(uses, records.zone, &records.idle)
    }
}

/// What an item's past makes likely; what was declared of it says how it goes on.
fn fitted(item: &Item, history: &[MonthUse]) -> Option<Demand> {
    let fitted = match &item.per_day {
        Some(declared) => Demand::at_level(history, declared),
        None => Demand::fit(history),
    };
    fitted.ok()
}

/// The days from one on before another.
fn before(first: NaiveDate, next: NaiveDate) -> Option<IdleDays> {
    let last = next.pred_opt()?;
    (first <= last).then_some(IdleDays { first, last })
}

/// What the pumps will feed if they are left as they are.
fn dosed(feed: Option<&Feed>) -> Option<Demand> {
    steady(feed?.per_day)
}
