//! One line of the stock ledger.

use super::item::{Item, Lot};
use super::quantity::{Quantity, StockUnit};
use crate::fault::Faults;
use crate::ids::{ItemId, LotId, MovementId, PlaceId, SupplierId, UnitId};
use crate::named::named;
use crate::span;
use crate::zone::local_date;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

named! {
    /// Who pays for what a customer gets.
    Payer as "payer" {
        /// The customer, by invoice.
        Billed = "billed",
        /// The dealer: the agreement includes it.
        Included = "included",
        /// The dealer or the maker, under warranty.
        Warranty = "warranty",
        /// Nobody any more: the customer bought it elsewhere, or paid when it was delivered.
        AlreadyPaid = "already_paid",
    }
}

named! {
    /// Who bought what came in.
    Buyer as "buyer" {
        /// The dealer.
        Dealer = "dealer",
        /// The customer, elsewhere.
        Customer = "customer",
    }
}

named! {
    /// Why a count differs from the ledger.
    DifferenceWhy as "difference_why" {
        /// It was used and nobody wrote it down.
        Used = "used",
        /// It was spilt, broken or leaked.
        Lost = "lost",
        /// It was taken or is missing.
        Missing = "missing",
        /// An earlier count or movement was wrong.
        EarlierError = "earlier_error",
        /// The ledger begins with this count.
        Opening = "opening",
        /// Looked into, without a result.
        Unknown = "unknown",
    }
}

named! {
    /// Why stock is written off.
    WriteOffWhy as "write_off_why" {
        /// Past its date.
        Expired = "expired",
        /// Damaged, spilt or frozen.
        Damaged = "damaged",
        /// Sent back to who sold it.
        SentBack = "sent_back",
        /// Of no use any more.
        Obsolete = "obsolete",
        /// Lost.
        Lost = "lost",
    }
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Event {
    /// Stock came in from outside.
    Received {
        /// Where to.
        to_place_id: PlaceId,
        /// From whom; `None` when bought elsewhere, from no supplier of the dealer's.
        supplier_id: Option<SupplierId>,
        /// Who bought it.
        buyer: Buyer,
    },
    /// From one place to another.
    Moved {
        /// Where from.
        from_place_id: PlaceId,
        /// Where to.
        to_place_id: PlaceId,
        /// Who pays, when a customer gets it with that.
        payer: Option<Payer>,
    },
    /// To a unit: filled in or fitted.
    Issued {
        /// Where from.
        from_place_id: PlaceId,
        /// Which unit.
        unit_id: UnitId,
        /// Who pays.
        payer: Payer,
    },
    /// What was issued came back unused, and its payer is let off it.
    Returned {
        /// Which unit it had been issued to.
        unit_id: UnitId,
        /// Where to.
        to_place_id: PlaceId,
        /// Who had to pay.
        payer: Payer,
    },
    /// Somebody counted: the quantity is what was found.
    Counted {
        /// Where.
        place_id: PlaceId,
        /// Why it differs from the ledger, when it does.
        why: Option<DifferenceWhy>,
    },
    /// Stock is no more.
    WrittenOff {
        /// Where from.
        from_place_id: PlaceId,
        /// Why.
        why: WriteOffWhy,
    },
}

/// A line of the ledger. It is never changed: a wrong one is answered by another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Movement {
    /// Its key; decides the order of lines of one instant.
    pub id: MovementId,
    /// Of which item.
    pub item_id: ItemId,
    /// Of which lot, for items kept by lot.
    pub lot_id: Option<LotId>,
    /// When it happened.
    pub at: DateTime<Utc>,
    /// How much.
    pub quantity: Quantity,
    /// In what; the item's own unit.
    pub unit: StockUnit,
    /// What happened.
    #[serde(flatten)]
    pub event: Event,
    /// Why more may leave than the ledger has there; `None` refuses that.
    pub overdraw_reason: Option<String>,
}

/// What a line does to the stock of a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// Adds, or takes away.
    By(Decimal),
    /// Sets to what was found.
    To(Decimal),
}

impl Movement {
    /// What it does where; one or two places.
    pub fn changes(&self) -> impl Iterator<Item = (PlaceId, Change)> + use<> {
        let amount = self.quantity.get();
        let (first, second) = match self.event {
            Event::Received { to_place_id, .. } | Event::Returned { to_place_id, .. } => {
                ((to_place_id, Change::By(amount)), None)
            }
            Event::Moved { from_place_id, to_place_id, .. } => {
                ((from_place_id, Change::By(-amount)), Some((to_place_id, Change::By(amount))))
            }
            Event::Issued { from_place_id, .. } | Event::WrittenOff { from_place_id, .. } => {
                ((from_place_id, Change::By(-amount)), None)
            }
            Event::Counted { place_id, .. } => ((place_id, Change::To(amount)), None),
        };
        std::iter::once(first).chain(second)
    }

    /// Whether goods change hands or place in it, and so have to be good.
    fn uses_goods(&self) -> bool {
        !matches!(self.event, Event::Counted { .. } | Event::WrittenOff { .. })
    }

    /// The line, judged by itself: its instant as the database keeps it, against its item, its
    /// lot and the `zone` of its place. [`super::ledger::Ledger::admit`] judges it among others.
    ///
    /// # Errors
    /// Every fault found, each naming the field and the fix.
    pub fn checked(mut self, item: &Item, lot: Option<&Lot>, zone: Tz, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.at = span::instant(&mut faults, "/at", self.at);
        span::past(&mut faults, "/at", self.at, now);
        if self.quantity == Quantity::ZERO && !matches!(self.event, Event::Counted { .. }) {
            faults.add("/quantity", "not_positive", "give more than nothing, or leave the line out");
        }
        if self.unit != item.unit {
            let fix = format!("{} is kept in {}: give the quantity in that", item.name, item.unit.as_str());
            faults.add("/unit", "wrong_unit", fix);
        }
        if let Event::Moved { from_place_id, to_place_id, .. } = self.event
            && from_place_id == to_place_id
        {
            faults.add("/to_place_id", "same_place", "give another place than it came from, or leave the line out");
        }
        self.overdraw_reason = faults.optional_text("/overdraw_reason", self.overdraw_reason.as_deref(), 500);
        self.check_lot(&mut faults, item, lot, zone);
        faults.or(self)
    }

    fn check_lot(&self, faults: &mut Faults, item: &Item, lot: Option<&Lot>, zone: Tz) {
        match lot {
            None if item.by_lot => faults.add("/lot_id", "required", format!("{} is kept by lot: name it", item.name)),
            None => {}
            Some(_) if !item.by_lot => {
                faults.add("/lot_id", "not_by_lot", format!("{} is not kept by lot: leave it out", item.name));
            }
            Some(lot) if lot.item_id != self.item_id => {
                faults.add("/lot_id", "other_item", "give a lot of this item");
            }
            Some(Lot { number, expires_on: Some(last), .. })
                if self.uses_goods() && local_date(zone, self.at) > *last =>
            {
                let fix = format!("lot {number} was good until {last}: use another lot, and write this one off");
                faults.add("/lot_id", "expired", fix);
            }
            Some(_) => {}
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::stock::item::tests::acid;
    use crate::stock::quantity::tests::quantity;
    use serde_json::json;
    use uuid::Uuid;

    pub(crate) const WAREHOUSE: PlaceId = PlaceId(Uuid::from_u128(1));
    pub(crate) const VAN: PlaceId = PlaceId(Uuid::from_u128(2));
    pub(crate) const SITE: PlaceId = PlaceId(Uuid::from_u128(3));
    pub(crate) const UNIT: UnitId = UnitId(Uuid::from_u128(40));
    pub(crate) const ACID: ItemId = ItemId(Uuid::from_u128(50));

    /// A line on a day of March 2026, at its noon.
    pub(crate) fn line(id: u128, day: u32, amount: &str, event: Event) -> Movement {
        Movement {
            id: MovementId(Uuid::from_u128(id)),
            item_id: ACID,
            lot_id: None,
            at: noon(day),
            quantity: quantity(amount),
            unit: StockUnit::L,
            event,
            overdraw_reason: None,
        }
    }

    pub(crate) fn noon(day: u32) -> DateTime<Utc> {
        format!("2026-03-{day:02}T12:00:00Z").parse().unwrap()
    }

    pub(crate) fn received(to_place_id: PlaceId) -> Event {
        Event::Received { to_place_id, supplier_id: None, buyer: Buyer::Dealer }
    }

    pub(crate) fn moved(from_place_id: PlaceId, to_place_id: PlaceId) -> Event {
        Event::Moved { from_place_id, to_place_id, payer: None }
    }

    pub(crate) fn issued(from_place_id: PlaceId) -> Event {
        Event::Issued { from_place_id, unit_id: UNIT, payer: Payer::Included }
    }

    pub(crate) fn counted(place_id: PlaceId) -> Event {
        Event::Counted { place_id, why: Some(DifferenceWhy::Unknown) }
    }

    fn faults_of(movement: Movement, item: &Item, lot: Option<&Lot>) -> Vec<(String, &'static str)> {
        match movement.checked(item, lot, chrono_tz::America::New_York, noon(31)) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| (fault.pointer, fault.code)).collect(),
        }
    }

    fn fault(pointer: &str, code: &'static str) -> Vec<(String, &'static str)> {
        vec![(pointer.to_owned(), code)]
    }

    #[test]
    fn a_line_is_judged_by_itself() {
        assert_eq!(faults_of(line(1, 3, "5", moved(VAN, SITE)), &acid(), None), []);
        assert_eq!(faults_of(line(1, 3, "5", moved(VAN, VAN)), &acid(), None), fault("/to_place_id", "same_place"));
        assert_eq!(faults_of(line(1, 3, "0", issued(VAN)), &acid(), None), fault("/quantity", "not_positive"));
        assert_eq!(faults_of(line(1, 3, "0", counted(VAN)), &acid(), None), []);
        let in_kg = Movement { unit: StockUnit::Kg, ..line(1, 3, "5", issued(VAN)) };
        assert_eq!(faults_of(in_kg, &acid(), None), fault("/unit", "wrong_unit"));
        let ahead = Movement { at: noon(31) + chrono::Duration::seconds(1), ..line(1, 3, "5", issued(VAN)) };
        assert_eq!(faults_of(ahead, &acid(), None), fault("/at", "future"));
    }

    #[test]
    fn expired_goods_can_only_be_counted_and_written_off() {
        let by_lot = Item { by_lot: true, ..acid() };
        let lot = Lot { item_id: ACID, number: "B7".to_owned(), expires_on: "2026-03-03".parse().ok() };
        let dated = |at: &str, event| Movement { at: at.parse().unwrap(), ..line(1, 3, "5", event) };
        // The third of March ends in New York at five in the morning, UTC.
        let (good, late) = ("2026-03-04T04:59:59Z", "2026-03-04T05:00:00Z");
        assert_eq!(faults_of(dated(good, issued(VAN)), &by_lot, Some(&lot)), []);
        for event in [issued(VAN), moved(VAN, SITE), received(VAN)] {
            assert_eq!(faults_of(dated(late, event), &by_lot, Some(&lot)), fault("/lot_id", "expired"));
        }
        let write_off = Event::WrittenOff { from_place_id: VAN, why: WriteOffWhy::Expired };
        for event in [counted(VAN), write_off] {
            assert_eq!(faults_of(dated(late, event), &by_lot, Some(&lot)), []);
        }
    }

    #[test]
    fn lots_are_named_where_they_are_kept_and_belong_to_the_item() {
        let by_lot = Item { by_lot: true, ..acid() };
        let lot = Lot { item_id: ACID, number: "B7".to_owned(), expires_on: None };
        let other = Lot { item_id: ItemId(Uuid::nil()), ..lot.clone() };
        let of = |item: &Item, lot: Option<&Lot>| faults_of(line(1, 3, "5", issued(VAN)), item, lot);
        assert_eq!(of(&by_lot, Some(&lot)), []);
        assert_eq!(of(&by_lot, None), fault("/lot_id", "required"));
        assert_eq!(of(&acid(), Some(&lot)), fault("/lot_id", "not_by_lot"));
        assert_eq!(of(&by_lot, Some(&other)), fault("/lot_id", "other_item"));
    }

    #[test]
    fn a_line_is_plain_json() {
        let billed = Event::Issued { from_place_id: VAN, unit_id: UNIT, payer: Payer::Billed };
        let movement = line(9, 3, "2.5", billed);
        let json = json!({
            "id": Uuid::from_u128(9), "item_id": ACID, "lot_id": null, "at": "2026-03-03T12:00:00Z",
            "quantity": "2.5", "unit": "l", "kind": "issued", "from_place_id": VAN, "unit_id": UNIT,
            "payer": "billed", "overdraw_reason": null
        });
        assert_eq!(serde_json::to_value(&movement).unwrap(), json);
        assert_eq!(serde_json::from_value::<Movement>(json).unwrap(), movement);
        let bought_elsewhere = Event::Received { to_place_id: SITE, supplier_id: None, buyer: Buyer::Customer };
        for event in [bought_elsewhere, moved(VAN, SITE), counted(VAN)] {
            let movement = line(9, 3, "1", event);
            let json = serde_json::to_string(&movement).unwrap();
            assert_eq!(serde_json::from_str::<Movement>(&json).unwrap(), movement, "{json}");
        }
    }
}
