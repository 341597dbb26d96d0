//! What a site used of an item: by dips where there are two, else by what the ledger issued,
//! else by what its pumps dosed; and how far the three lie apart.
//!
//! ```text
//! by dips   = opening dip + delivered - closing dip
//! by ledger = issued to its units - returned by them
//! by dosing = sum of feed rate x time
//! ```
//!
//! Delivered is what came to the site's place, and what its units got straight from elsewhere:
//! poured into the drum or into the unit, either way the drum is that much fuller.

use super::dip::Dip;
use super::ledger::Ledger;
use super::quantity::float;
use crate::ids::{ItemId, PlaceId, UnitId};
use crate::named::named;
use chrono::{DateTime, Utc};
use rust_decimal::Decimal;

named! {
    /// How a use was found, the best way first.
    UseMethod as "use_method" {
        /// From two dips and what was delivered between them.
        Dips = "dips",
        /// From what the ledger issued.
        Ledger = "ledger",
        /// From what the pumps dosed.
        Dosing = "dosing",
    }
}

/// Product that a site's pumps feed in a stretch of time, all pumps together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feed {
    /// From when.
    pub from: DateTime<Utc>,
    /// Until when.
    pub to: DateTime<Utc>,
    /// In the item's unit, a day of 24 hours.
    pub per_day: f64,
}

/// All that says what a site used of an item.
#[derive(Debug, Clone, Copy)]
pub struct SiteStock<'a> {
    /// The ledger.
    pub ledger: &'a Ledger,
    /// The site's place in it.
    pub place_id: PlaceId,
    /// The item.
    pub item_id: ItemId,
    /// The units at the site.
    pub units: &'a [UnitId],
    /// Dips of the item there, in time order.
    pub dips: &'a [Dip],
    /// Stretches of known feed that do not overlap; none for pumps led by pH.
    pub feeds: &'a [Feed],
}

/// What a site used from one instant to another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteUse {
    /// From when: of a use by dips, the opening one.
    pub from: DateTime<Utc>,
    /// Until when: of a use by dips, the closing one.
    pub to: DateTime<Utc>,
    /// How the use was found: the first way of the three that there is.
    pub method: UseMethod,
    /// What was used, in the item's unit. Signed: less than nothing says that a delivery
    /// is missing or a dip wrong.
    pub quantity: f64,
    /// By each way, over the same time; in the order of [`UseMethod::ALL`].
    by: [Option<f64>; 3],
}

/// What is at a site.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OnHand {
    /// How much, in the item's unit.
    pub quantity: Decimal,
    /// Use since then is not taken off it yet: the last dip, or the instant asked for.
    pub as_of: DateTime<Utc>,
}

impl SiteUse {
    /// The use found in a way, when it could be found so.
    #[must_use]
    pub fn by(&self, method: UseMethod) -> Option<f64> {
        self.by.get(method as usize).copied().flatten()
    }

    /// What the other ways say beyond the use, each signed.
    pub fn differences(&self) -> impl Iterator<Item = (UseMethod, f64)> + '_ {
        let others = UseMethod::ALL.iter().filter(|method| **method != self.method);
        others.filter_map(|&method| Some((method, self.by(method)? - self.quantity)))
    }
}

impl SiteStock<'_> {
    /// What was used between two instants. With a dip before the end and another one before
    /// that, the time runs from dip to dip: from the last one by `from`, else the first one, to
    /// the last one by `to`. `None` when there is no way to tell.
    #[must_use]
    pub fn used(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Option<SiteUse> {
        let dips = self.dips_around(from, to);
        let (from, to) = dips.map_or((from, to), |(opening, closing)| (opening.at, closing.at));
        let by_dips = dips.map(|(opening, closing)| self.between(opening, closing));
        let by_ledger = self.issued((from, to), None);
        let by = [by_dips.map(float), by_ledger.map(float), self.dosed(from, to)];
        let (method, quantity) =
            UseMethod::ALL.iter().zip(by).find_map(|(method, quantity)| Some((*method, quantity?)))?;
        Some(SiteUse { from, to, method, quantity, by })
    }

    /// What was used from dip to dip between two instants, or between the two where there are no
    /// two dips.
    #[must_use]
    pub fn stretches(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Vec<SiteUse> {
        let Some((opening, closing)) = self.dips_around(from, to) else {
            return self.used(from, to).into_iter().collect();
        };
        let dips: Vec<_> = self.dips.iter().filter(|dip| opening.at <= dip.at && dip.at <= closing.at).collect();
        let pairs = dips.iter().zip(dips.iter().skip(1));
        pairs.filter_map(|(one, next)| self.used(one.at, next.at)).collect()
    }

    /// What is there: the last dip and what the ledger changed since, or the ledger alone where
    /// nobody dipped since its last count.
    #[must_use]
    pub fn on_hand(&self, at: DateTime<Utc>) -> OnHand {
        let dipped = self.dips.iter().rev().find(|dip| dip.at <= at);
        let counted_at = self.ledger.last_count(self.place_id, self.item_id, at);
        match dipped.filter(|dip| counted_at.is_none_or(|counted| counted <= dip.at)) {
            Some(dip) => {
                let since = self.ledger.changed(self.place_id, self.item_id, (dip.at, at));
                OnHand { quantity: dip.total() + since, as_of: dip.at }
            }
            None => OnHand { quantity: self.ledger.balance(self.place_id, self.item_id, at), as_of: at },
        }
    }

    fn dips_around(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Option<(&Dip, &Dip)> {
        let closing = self.dips.iter().rev().find(|dip| dip.at <= to)?;
        let opening = self.dips.iter().rev().find(|dip| dip.at <= from).or(self.dips.first())?;
        (opening.at < closing.at).then_some((opening, closing))
    }

    pub(super) fn between(&self, opening: &Dip, closing: &Dip) -> Decimal {
        let span = (opening.at, closing.at);
        let delivered = self.ledger.delivered(self.place_id, self.item_id, span);
        let straight = self.issued(span, Some(self.place_id)).unwrap_or_default();
        opening.total() + delivered + straight - closing.total()
    }

    pub(super) fn issued(&self, span: (DateTime<Utc>, DateTime<Utc>), but_from: Option<PlaceId>) -> Option<Decimal> {
        let of_units = self.units.iter().filter_map(|&unit| self.ledger.issued(unit, self.item_id, span, but_from));
        of_units.reduce(|sum, issued| sum + issued)
    }

    /// What the pumps dosed over the whole time; `None` where a feed is missing for a part of it.
    #[must_use]
    pub fn dosed(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Option<f64> {
        let parts = self.feeds.iter().map(|feed| (feed.to.min(to) - feed.from.max(from), feed.per_day));
        let within: Vec<_> = parts.filter(|(time, _)| time.num_microseconds().is_some_and(|us| us > 0)).collect();
        let covered = within.iter().map(|(time, _)| *time).sum::<chrono::Duration>();
        let amounts = within.iter().map(|(time, per_day)| time.as_seconds_f64() / 86_400.0 * per_day);
        (from < to && covered >= to - from).then(|| amounts.sum())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::movement::Movement;
    use crate::stock::movement::tests::{ACID, SITE, UNIT, VAN, counted, issued, line, moved, noon, received};
    use crate::stock::quantity::StockUnit;
    use crate::stock::quantity::tests::quantity;

    fn dip(day: u32, left: &str) -> Dip {
        let sealed = quantity("0");
        Dip { place_id: SITE, item_id: ACID, at: noon(day), open: quantity(left), sealed, unit: StockUnit::L }
    }

    fn stock<'a>(ledger: &'a Ledger, dips: &'a [Dip], feeds: &'a [Feed]) -> SiteStock<'a> {
        SiteStock { ledger, place_id: SITE, item_id: ACID, units: &[UNIT], dips, feeds }
    }

    /// 20 to the site on the 5th, 3 out of it to the unit, 2 to the unit straight from the van.
    fn lines() -> [Movement; 4] {
        [
            line(1, 1, "100", received(VAN)),
            line(2, 5, "20", moved(VAN, SITE)),
            line(3, 8, "3", issued(SITE)),
            line(4, 9, "2", issued(VAN)),
        ]
    }

    fn feed(from: u32, to: u32, per_day: f64) -> Feed {
        Feed { from: noon(from), to: noon(to), per_day }
    }

    #[test]
    fn dips_come_before_the_ledger_and_the_ledger_before_dosing() {
        let ledger = Ledger::of(&lines());
        let (dips, feeds) = ([dip(2, "10"), dip(12, "24")], [feed(1, 6, 1.0), feed(6, 20, 0.5)]);
        let used = stock(&ledger, &dips, &feeds).used(noon(3), noon(14)).unwrap();
        // 10 + 20 delivered + 2 straight from the van - 24 left.
        assert_eq!((used.method, used.quantity, used.from, used.to), (UseMethod::Dips, 8.0, noon(2), noon(12)));
        // Of the other ways over the same days: 5 issued; 4 days of 1 and 6 of a half dosed.
        let differences: Vec<_> = used.differences().collect();
        assert_eq!(differences, [(UseMethod::Ledger, -3.0), (UseMethod::Dosing, -1.0)]);

        let used = stock(&ledger, &dips[..1], &feeds).used(noon(3), noon(14)).unwrap();
        assert_eq!((used.method, used.quantity, used.from, used.to), (UseMethod::Ledger, 5.0, noon(3), noon(14)));
        assert_eq!(used.differences().collect::<Vec<_>>(), [(UseMethod::Dosing, 2.0)]);

        let nothing = Ledger::default();
        let used = stock(&nothing, &[], &feeds).used(noon(3), noon(14)).unwrap();
        assert_eq!((used.method, used.quantity), (UseMethod::Dosing, 7.0));
        assert_eq!(used.by(UseMethod::Ledger), None);
    }

    #[test]
    fn without_any_way_nothing_is_said() {
        let nothing = Ledger::default();
        assert_eq!(stock(&nothing, &[], &[]).used(noon(3), noon(14)), None);
        let gap = [feed(1, 6, 1.0), feed(7, 20, 1.0)];
        assert_eq!(stock(&nothing, &[], &gap).used(noon(3), noon(14)), None, "a pump unknown for a day");
        let old = [dip(1, "10"), dip(2, "9")];
        assert_eq!(stock(&nothing, &old, &[]).used(noon(3), noon(14)), None, "no dip since the beginning");
    }

    #[test]
    fn a_missing_delivery_shows_as_use_below_nothing() {
        let ledger = Ledger::default();
        let used = stock(&ledger, &[dip(2, "10"), dip(12, "24")], &[]).used(noon(2), noon(12)).unwrap();
        assert_eq!(used.quantity, -14.0);
    }

    #[test]
    fn what_is_there_is_the_last_dip_and_what_came_since() {
        let ledger = Ledger::of(&lines());
        let on_hand = |dips: &[Dip], day| stock(&ledger, dips, &[]).on_hand(noon(day));
        let with = |amount: &str, as_of| OnHand { quantity: amount.parse().unwrap(), as_of: noon(as_of) };
        assert_eq!(on_hand(&[], 10), with("17", 10));
        assert_eq!(on_hand(&[dip(2, "10")], 10), with("27", 2));
        assert_eq!(on_hand(&[dip(2, "10"), dip(6, "25")], 7), with("25", 6));
        let mut counted_since = ledger.clone();
        counted_since.post(&line(5, 10, "15", counted(SITE)));
        assert_eq!(stock(&counted_since, &[dip(2, "10")], &[]).on_hand(noon(11)), with("15", 11));
    }
}
