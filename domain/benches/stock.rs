//! A million lines of a stock ledger to balances, and to the use, demand and run-out of an item
//! at ten thousand sites. The goal for all of it is two seconds on one core.

#![expect(clippy::expect_used, reason = "the input is written below and in range")]

use chrono::{DateTime, Days, Duration, NaiveDate, Utc};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use domain::ids::{ItemId, MovementId, PlaceId, UnitId};
use domain::stock::cover::Cover;
use domain::stock::demand::Demand;
use domain::stock::dip::Dip;
use domain::stock::history::{Months, Used};
use domain::stock::ledger::Ledger;
use domain::stock::movement::{Buyer, Event, Movement, Payer};
use domain::stock::quantity::{Quantity, StockUnit};
use domain::stock::replenish::{LeadTimeUse, ServiceLevel};
use domain::stock::site_use::SiteStock;
use domain::zone::Month;
use rust_decimal::Decimal;
use std::hint::black_box;
use std::time::Duration as Time;
use uuid::Uuid;

const SITES: u128 = 10_000;
const ITEM: ItemId = ItemId(Uuid::from_u128(1));
const WAREHOUSE: PlaceId = PlaceId(Uuid::from_u128(2));
const MONTHS: u64 = 24;
/// Each month a delivery and three issues; the first four lines fill up to a hundred a site.
const LINES: u128 = 100;
const FIRST: NaiveDate = NaiveDate::from_ymd_opt(2024, 1, 1).expect("the date exists");

struct Site {
    place_id: PlaceId,
    unit_id: UnitId,
    dips: Vec<Dip>,
}

struct Input {
    movements: Vec<Movement>,
    sites: Vec<Site>,
}

/// A spread of ids as random ones have.
fn id(kind: u128, n: u128) -> Uuid {
    Uuid::from_u128((n.wrapping_mul(0x9E37_79B9_7F4A_7C15_F39C_C060_5CED_C835)) ^ kind)
}

fn at(day: u64) -> DateTime<Utc> {
    (FIRST + Days::new(day)).and_hms_opt(10, 0, 0).expect("the time exists").and_utc()
}

fn quantity(tenths: u64) -> Quantity {
    Quantity::parse(Decimal::new(tenths.cast_signed(), 1)).expect("the quantity is in range")
}

impl Input {
    fn new() -> Self {
        let mut movements = Vec::new();
        let mut line = |at, quantity, event| {
            let id = MovementId(id(9, movements.len() as u128));
            let unit = StockUnit::L;
            movements.push(Movement {
                id,
                item_id: ITEM,
                lot_id: None,
                at,
                quantity,
                unit,
                event,
                overdraw_reason: None,
            });
        };
        let mut sites = Vec::new();
        for n in 0..SITES {
            let (place_id, unit_id) = (PlaceId(id(3, n)), UnitId(id(4, n)));
            let issued = Event::Issued { from_place_id: place_id, unit_id, payer: Payer::Included };
            let received = Event::Received { to_place_id: WAREHOUSE, supplier_id: None, buyer: Buyer::Dealer };
            let delivered = Event::Moved { from_place_id: WAREHOUSE, to_place_id: place_id, payer: None };
            for day in 0..4 {
                line(at(0) + Duration::minutes(day), quantity(2500), received);
            }
            let mut dips = Vec::new();
            for month in 0..MONTHS {
                line(at(month * 30 + 1), quantity(400), delivered);
                for day in [8, 15, 22] {
                    line(at(month * 30 + day), quantity(100 + (month * day) % 30), issued);
                }
                let open = quantity(100 + (month * 7) % 50);
                let (at, sealed) = (at(month * 30), Quantity::ZERO);
                dips.push(Dip { place_id, item_id: ITEM, at, open, sealed, unit: StockUnit::L });
            }
            sites.push(Site { place_id, unit_id, dips });
        }
        assert_eq!(movements.len() as u128, SITES * LINES, "a million lines");
        Self { movements, sites }
    }
}

impl Site {
    /// Its use dip by dip, the demand that makes, and the day to order by.
    fn order_by(&self, ledger: &Ledger, months: &Months, level: ServiceLevel) -> (Option<NaiveDate>, f64) {
        let units = [self.unit_id];
        let stock =
            SiteStock { ledger, place_id: self.place_id, item_id: ITEM, units: &units, dips: &self.dips, feeds: &[] };
        let uses: Vec<Used> =
            (1..MONTHS).filter_map(|month| stock.used(at((month - 1) * 30), at(month * 30))).map(Used::from).collect();
        let on_hand = stock.on_hand(at(MONTHS * 30));
        let demand = Demand::fit(&months.of(&uses, &[])).expect("the history is long enough");
        let from = on_hand.as_of.date_naive();
        let quantity = domain::stock::quantity::float(on_hand.quantity);
        let reorder_point = LeadTimeUse::expected(&demand, from, (14, 3.0), &[]).reorder_point(level);
        (Cover::of((quantity, from), &demand, &[], &[], level).order_by(14), reorder_point)
    }
}

fn stock(criterion: &mut Criterion) {
    let input = Input::new();
    let level = ServiceLevel::parse(0.95).expect("the level is in range");
    let month = |text| Month::parse(text).expect("the month exists");
    let night = |ledger: &Ledger| {
        let months = Months::new(chrono_tz::America::New_York, month("2024-01"), month("2025-11"));
        let sites = input.sites.iter().map(|site| site.order_by(ledger, &months, level));
        sites.filter(|(order_by, _)| order_by.is_some()).count()
    };
    let balances = |ledger: &Ledger| ledger.balances(at(400)).map(|(_, balance)| balance).sum::<Decimal>();
    let ledger = Ledger::of(&input.movements);
    assert_eq!(night(&ledger), input.sites.len(), "every site's stock runs out");

    let mut group = criterion.benchmark_group("stock");
    group.sample_size(10).warm_up_time(Time::from_secs(1));
    group.throughput(Throughput::Elements(input.movements.len() as u64));
    group.bench_function("a_million_lines_to_a_ledger", |bencher| {
        bencher.iter(|| Ledger::of(black_box(&input.movements)));
    });
    group.bench_function("balances_at_an_instant", |bencher| bencher.iter(|| balances(black_box(&ledger))));
    group.bench_function("use_demand_and_run_out_of_10000_sites", |bencher| {
        bencher.iter(|| night(black_box(&ledger)));
    });
    group.bench_function("all_of_it", |bencher| {
        bencher.iter(|| {
            let ledger = Ledger::of(black_box(&input.movements));
            (balances(&ledger), night(&ledger))
        });
    });
    group.finish();
}

criterion_group!(benches, stock);
criterion_main!(benches);
