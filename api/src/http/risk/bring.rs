//! What to bring, as it is shown: the kit that a part is replaced with.

use crate::auth::{Permission, Role, perm};
use crate::db::risk::bring::ToBring;
use rust_decimal::Decimal;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// What one of an item's unit costs.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = KitItemPrice)]
pub struct PriceView {
    /// In major units, without tax.
    #[schema(value_type = String, example = "12.40")]
    amount: Decimal,
    /// ISO 4217 code: the dealer's currency.
    #[schema(example = "EUR")]
    currency: String,
}

/// An item of a kit, and what of it is at hand.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = KitItemToBring)]
pub struct ItemToBring {
    /// The part or consumable in stock.
    item_id: Uuid,
    /// What it is called.
    #[schema(example = "Tube 6 mm")]
    item: String,
    /// What it is counted in.
    #[schema(example = "piece")]
    unit: String,
    /// How much of it the kit has.
    #[schema(value_type = String, example = "1")]
    quantity: Decimal,
    /// What one of it costs the dealer today; null where no price is known, and for those who may not look at
    /// prices.
    purchase_price: Option<PriceView>,
    /// What one of it costs customers today; likewise.
    selling_price: Option<PriceView>,
    /// What of it is in all vans together.
    #[schema(value_type = String, example = "2")]
    in_vans: Decimal,
    /// What of it is in all warehouses together.
    #[schema(value_type = String, example = "14")]
    in_warehouses: Decimal,
}

/// The kit that a part is replaced with.
#[derive(Debug, Serialize, ToSchema)]
pub struct KitToBring {
    /// The kit.
    kit_id: Uuid,
    /// What it is called.
    #[schema(example = "Dosing tube kit")]
    kit: String,
    /// What is in it.
    items: Vec<ItemToBring>,
}

impl KitToBring {
    /// The kit of a part of that kind and maker's model, as somebody of a role may see it; none where no kit
    /// says that it is for such parts.
    pub(super) fn of(known: &[ToBring], kind: &str, model: Option<&str>, role: Role) -> Option<Self> {
        let prices = perm::ReadPrices::ROLES.contains(&role);
        let mut lines = known.iter().filter(|one| one.is_for(kind, model)).peekable();
        let (kit_id, kit) = lines.peek().map(|first| (first.kit_id, first.kit.clone()))?;
        let item = |one: &ToBring| {
            let price = |amount: Option<Decimal>| {
                Some(PriceView { amount: amount.filter(|_| prices)?, currency: one.currency.clone() })
            };
            ItemToBring {
                item_id: one.item_id,
                item: one.item.clone(),
                unit: one.unit.clone(),
                quantity: one.quantity,
                purchase_price: price(one.purchase),
                selling_price: price(one.selling),
                in_vans: one.in_vans,
                in_warehouses: one.in_warehouses,
            }
        };
        Some(Self { kit_id, kit, items: lines.map(item).collect() })
    }
}
