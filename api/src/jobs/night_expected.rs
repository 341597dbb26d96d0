//! What sites are expected to use of an item, apart from its own past: what somebody declared of
//! the item, else what the models of the units there dose.

use crate::db::stock::doses::{self, SiteDoses};
use crate::db::stock::item::Named;
use crate::db::stock::night_inputs::{self, Held, UnitsAt};
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use domain::ids::ItemId;
use domain::stock::demand::Demand;
use domain::stock::demand::per_day::{DOSE_SD_SHARE, PerDay};
use domain::stock::dose::{Doses, SiteWashed};
use domain::stock::expect::{Stretch, UseFinding, of_issues};
use domain::stock::idle::{IdleDays, running_d};
use domain::stock::item::Item;
use domain::zone::{Month, day_start};
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// Months of the past whose washing says what a day takes (our own choice).
const WASHED_MONTHS: usize = 12;

/// A whole month that has passed, with its ends.
pub(super) type Past = (Month, DateTime<Utc>, DateTime<Utc>);

/// All that is known of it.
pub(super) struct Expected {
    zone: Tz,
    /// Units that stand at each site.
    units_at: HashMap<Uuid, UnitsAt>,
    doses: SiteDoses,
}

impl Expected {
    /// Reads it; `from` is the first month of the past that counts.
    pub(super) async fn read(tx: &Tx<'_>, zone: Tz, from: NaiveDate) -> Result<Self, DbError> {
        let units_at = night_inputs::units_at(tx).await?;
        Ok(Self { zone, units_at, doses: doses::at_sites(tx, from).await? })
    }

    /// The items of which something is expected at sites.
    pub(super) fn items(&self, all: &HashMap<ItemId, Named>) -> BTreeSet<ItemId> {
        let declared = all.iter().filter(|(_, named)| named.item.per_day.is_some()).map(|(id, _)| *id);
        declared.chain(self.doses.items()).collect()
    }

    /// The sites at which units stand.
    pub(super) fn sites(&self) -> Vec<Uuid> {
        self.units_at.keys().copied().collect()
    }

    fn doses(&self, site: Uuid, item: ItemId) -> Option<Doses<'_>> {
        let units = self.units_at.get(&site)?.units;
        Some(Doses { of: self.doses.of(site, item), units }).filter(|doses| !doses.of.is_empty())
    }

    /// What the units at a site will use of what is held there; `months` are those of the past.
    pub(super) fn demand(&self, held: &Held, item: &Item, (months, idle): (&[Past], &[IdleDays])) -> Option<Demand> {
        let site = held.site?;
        if let Some(declared) = item.per_day {
            return Some(declared.of_units(self.units_at.get(&site)?.units).demand());
        }
        let past = months.iter().rev().take(WASHED_MONTHS).filter_map(|(month, from, to)| {
            let washed = self.doses.washed(site, month.first_day())?;
            Some((running_d(self.zone, (*from, *to), idle), washed))
        });
        steady(self.doses(site, held.item)?.per_day(past)?)
    }

    /// The same in one month of the past.
    fn in_month(&self, held: &Held, item: &Item, (month, running_d): (Month, f64)) -> Option<f64> {
        let site = held.site?;
        if let Some(declared) = item.per_day {
            let units = self.units_at.get(&site)?.units;
            return Some(declared.of_units(units).demand().on(month.first_day()) * running_d);
        }
        let nothing = SiteWashed::default();
        let washed = self.doses.washed(site, month.first_day()).unwrap_or(&nothing);
        self.doses(site, held.item)?.in_month(running_d, washed)
    }

    /// What is wrong with what the ledger issued at a site in whole months, each held against what
    /// its pumps dosed in it, else against what is expected. Months count from the first issue on,
    /// and since the last time that a unit came or went.
    pub(super) fn finding(
        &self,
        (held, item): (&Held, &Item),
        dosed: impl Fn(DateTime<Utc>, DateTime<Utc>) -> Option<f64>,
        (months, idle): (&[Past], &[IdleDays]),
    ) -> Option<UseFinding> {
        let issues = held.issues + held.straight.issues;
        let since = self.units_at.get(&held.site?)?.since.max(day_start(self.zone, first_issue(held)?));
        let mut issued: HashMap<NaiveDate, f64> = HashMap::new();
        for (month, quantity) in held.months.iter().chain(&held.straight.months) {
            *issued.entry(*month).or_default() += quantity;
        }
        let usual = issued.values().sum::<f64>() / f64::from(i32::try_from(issues).ok().filter(|times| *times > 0)?);
        let whole = months.iter().rev().take_while(|(_, from, _)| *from >= since);
        let judged = whole.map_while(|&(month, from, to)| {
            let running = running_d(self.zone, (from, to), idle);
            let expected = dosed(from, to).or_else(|| self.in_month(held, item, (month, running)))?;
            Some(Stretch { from, actual: issued.get(&month.first_day()).copied().unwrap_or_default(), expected })
        });
        of_issues(judged, usual)
    }
}

/// The day from which on something was issued from there or straight to units there.
fn first_issue(held: &Held) -> Option<NaiveDate> {
    held.first_issue.into_iter().chain(held.straight.since).min()
}

/// So much a day, whatever the month.
pub(super) fn steady(per_day: f64) -> Option<Demand> {
    let declared = PerDay { at_20_c: per_day, theta: 1.0, water_c: [20.0; 12], sd_share: DOSE_SD_SHARE };
    Some(declared.checked().ok()?.demand())
}
