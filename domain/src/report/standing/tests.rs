//! What issued reports state and carry, worked out by hand, and the conservation of it.

use super::*;
use crate::money::{Currency, Money};
use crate::report::figure::{Line, Printed, Value, Withheld};
use crate::report::tests::inputs;
use crate::water::grade::Grade;
use proptest::prelude::*;
use rust_decimal::Decimal;

fn month(n: usize) -> Month {
    (0..n).fold(Month::parse("2026-01").unwrap(), |month, _| month.next())
}

fn printed(value: Value) -> Figure {
    let (expanded, grade) = (None, Grade::MakeupOnly);
    Figure::Printed(Printed {
        value,
        expanded,
        coverage: 1.0,
        estimated_share: 0.0,
        grade,
        units_covered: 1,
        units: 1,
        open_exceptions: 0,
        between: None,
    })
}

fn euro(cents: i64) -> Money {
    Money { amount: Decimal::new(cents, 2), currency: Currency::parse("EUR").unwrap() }
}

fn not_read() -> Figure {
    Figure::Withheld(Withheld { reason: Reason::NotRead, words: "Not read.".to_owned() })
}

fn report(month: Month, figures: &[(Name, Figure)]) -> SavingsReport {
    let line = |(name, figure): &(Name, Figure)| Line {
        name: *name,
        label: name.label().to_owned(),
        figure: figure.clone(),
        note: String::new(),
        washes_by: Vec::new(),
    };
    SavingsReport { month, reckoning: figures.iter().map(line).collect(), ..SavingsReport::of(&inputs(Vec::new())) }
}

fn month_of(month: Month, litres: f64, cents: i64) -> SavingsReport {
    let figures =
        [(Name::FreshUsed, printed(Value::Litres(litres))), (Name::MoneySaved, printed(Value::Money(euro(cents))))];
    report(month, &figures)
}

/// A twentieth of each volume, and ten euros.
fn tolerance() -> Tolerance {
    Tolerance { share: 0.05, money: vec![euro(1000)] }
}

fn words(standing: &Standing) -> Vec<String> {
    let lines = standing.adjustments(month(0), UnitSystem::Metric);
    lines.iter().map(|line| line.words.replace(['\u{a0}', '\u{202f}'], " ")).collect()
}

#[test]
fn a_small_difference_is_owed_and_carried_once() {
    let (then, now) = (month_of(month(0), 100_000.0, 24_000), month_of(month(0), 101_240.0, 23_505));
    let mut standing = Standing::issued(&then);
    assert!(standing.owed().is_empty());
    assert_eq!(standing.recount(&then, &now, &tolerance(), false), Verdict::Settled);
    assert_eq!(
        words(&standing),
        [
            "January 2026: +1.240 m³ fresh water used, after a correction.",
            "January 2026: −4.95 EUR money saved, after a correction.",
        ]
    );
    standing.carry(&standing.owed(), &SiteClaims::default());
    assert!(standing.owed().is_empty());
    assert_eq!(standing.recount(&then, &now, &tolerance(), false), Verdict::Settled);
    assert!(standing.owed().is_empty(), "what was carried is not carried again");
}

#[test]
fn a_large_difference_waits_for_a_person_as_a_whole() {
    let then = month_of(month(0), 100_000.0, 24_000);
    let litres = month_of(month(0), 105_001.0, 24_000);
    let money = month_of(month(0), 101_000.0, 25_001);
    for now in [litres, money] {
        let mut standing = Standing::issued(&then);
        assert_eq!(standing.recount(&then, &now, &tolerance(), false), Verdict::Proposed);
        assert!(standing.owed().is_empty());
    }
    let most = month_of(month(0), 105_000.0, 25_000);
    assert_eq!(Standing::issued(&then).recount(&then, &most, &tolerance(), false), Verdict::Settled);
}

#[test]
fn small_steps_do_not_add_up_to_a_large_one_unseen() {
    let then = month_of(month(0), 100_000.0, 0);
    let mut standing = Standing::issued(&then);
    standing.recount(&then, &month_of(month(0), 104_000.0, 0), &tolerance(), false);
    standing.carry(&standing.owed(), &SiteClaims::default());
    let now = month_of(month(0), 108_000.0, 0);
    assert_eq!(standing.recount(&then, &now, &tolerance(), false), Verdict::Proposed);
    assert!(standing.owed().is_empty(), "what was carried before stays");
    standing.revise(&then, &now);
    assert_eq!(words(&standing), ["January 2026: −4.000 m³ fresh water used, after its report was revised."]);
}

#[test]
fn what_a_person_declines_to_revise_is_carried() {
    let (then, now) = (month_of(month(0), 100_000.0, 0), month_of(month(0), 140_000.0, 0));
    let mut standing = Standing::issued(&then);
    standing.recount(&then, &now, &tolerance(), false);
    standing.decline(&then, &now);
    assert_eq!(words(&standing), ["January 2026: +40.000 m³ fresh water used, after a correction."]);
    assert_eq!(standing.recount(&then, &now, &tolerance(), false), Verdict::Settled, "it was decided");
    let more = month_of(month(0), 150_000.0, 0);
    assert_eq!(standing.recount(&then, &more, &tolerance(), false), Verdict::Proposed, "this was not");
}

#[test]
fn a_month_that_was_not_read_is_caught_up_whatever_the_tolerance() {
    let then = report(month(0), &[(Name::FreshUsed, not_read())]);
    let now = report(month(0), &[(Name::FreshUsed, printed(Value::Litres(31_000.0)))]);
    let none = Tolerance { share: 0.0, money: vec![euro(0)] };
    let mut standing = Standing::issued(&then);
    assert_eq!(standing.recount(&then, &now, &none, false), Verdict::Settled);
    let line =
        "January 2026: +31.000 m³ fresh water used, caught up, because its report was issued before it was read.";
    assert_eq!(words(&standing), [line]);
    standing.carry(&standing.owed(), &SiteClaims::default());
    let corrected = report(month(0), &[(Name::FreshUsed, printed(Value::Litres(30_000.0)))]);
    assert_eq!(standing.recount(&then, &corrected, &none, false), Verdict::Proposed, "it is a claim now");
}

#[test]
fn a_disputed_difference_is_not_carried() {
    let (then, now) = (month_of(month(0), 100_000.0, 0), month_of(month(0), 101_000.0, 0));
    let mut standing = Standing::issued(&then);
    standing.recount(&then, &now, &tolerance(), false);
    standing.dispute();
    assert_eq!(standing.recount(&then, &now, &tolerance(), true), Verdict::Proposed);
    assert!(standing.owed().is_empty());
    assert_eq!(standing.recount(&then, &then, &tolerance(), true), Verdict::Settled, "there is nothing to revise");
}

#[test]
fn a_disputed_difference_that_went_away_takes_back_what_was_carried() {
    let (then, now) = (month_of(month(0), 100_000.0, 0), month_of(month(0), 101_000.0, 0));
    let mut standing = Standing::issued(&then);
    standing.recount(&then, &now, &tolerance(), false);
    standing.carry(&standing.owed(), &SiteClaims::default());
    standing.dispute();
    assert_eq!(standing.recount(&then, &then, &tolerance(), true), Verdict::Settled);
    assert_eq!(words(&standing), ["January 2026: −1.000 m³ fresh water used, after a correction."]);
}

#[test]
fn money_of_another_currency_is_neither_added_nor_let_pass() {
    let then = month_of(month(0), 1.0, 24_000);
    let dollars = Money { currency: Currency::parse("USD").unwrap(), ..euro(24_000) };
    let now = report(
        month(0),
        &[(Name::FreshUsed, printed(Value::Litres(1.0))), (Name::MoneySaved, printed(Value::Money(dollars)))],
    );
    let mut standing = Standing::issued(&then);
    assert_eq!(standing.recount(&then, &now, &tolerance(), false), Verdict::Proposed);
    standing.decline(&then, &now);
    let owed: Vec<String> = standing.owed().all().iter().map(|claim| claim.amount.to_string()).collect();
    assert_eq!(owed, ["-240", "240"]);
}

/// An issued month, as the database keeps it.
struct Issued {
    then: SavingsReport,
    now: SavingsReport,
    standing: Standing,
    disputed: bool,
    pending: bool,
}

/// What happens to a customer's reports.
#[derive(Debug, Clone)]
enum Event {
    Issue { litres: i32, cents: i64, unread: bool },
    Change { which: usize, litres: i32, cents: i64 },
    Dispute(usize),
    Decline(usize),
    Revise(usize),
}

fn event() -> impl Strategy<Value = Event> {
    let litres = prop_oneof![-2_000..2_000, -900_000..900_000];
    let change = (0_usize..6, litres, -3_000_i64..3_000);
    prop_oneof![
        3 => (0..2_000_000, -50_000_i64..90_000, any::<bool>())
            .prop_map(|(litres, cents, unread)| Event::Issue { litres, cents, unread }),
        5 => change.prop_map(|(which, litres, cents)| Event::Change { which, litres, cents }),
        1 => (0_usize..6).prop_map(Event::Dispute),
        2 => (0_usize..6).prop_map(Event::Decline),
        2 => (0_usize..6).prop_map(Event::Revise),
    ]
}

#[derive(Default)]
struct Books {
    issued: Vec<Issued>,
    /// All adjustments in issued reports.
    carried: Claims,
}

impl Books {
    fn happens(&mut self, event: Event) {
        match event {
            Event::Issue { litres, cents, unread } => self.issue(f64::from(litres) / 1000.0, cents, unread),
            Event::Change { which, litres, cents } => self.on(which, |one| {
                let claims = Claims::of(&one.now);
                let amount = |name| claims.only(name).all().iter().map(|claim| claim.amount).sum::<Decimal>();
                let litres = amount(Name::FreshUsed) + Decimal::new(i64::from(litres), 3);
                let cents = amount(Name::MoneySaved) * Decimal::ONE_HUNDRED + Decimal::from(cents);
                let (litres, cents) = (litres.to_string().parse().unwrap(), cents.normalize().to_string());
                one.now = month_of(one.now.month, litres, cents.parse().unwrap());
            }),
            Event::Dispute(which) => self.on(which, |one| {
                if !changes(&one.then, &one.now).is_empty() {
                    one.standing.dispute();
                    one.disputed = true;
                }
            }),
            Event::Decline(which) => self.on(which, |one| {
                if std::mem::take(&mut one.pending) {
                    one.standing.decline(&one.then, &one.now);
                    one.disputed = false;
                }
            }),
            Event::Revise(which) => self.on(which, |one| {
                if std::mem::take(&mut one.pending) {
                    one.standing.revise(&one.then, &one.now);
                    one.then = one.now.clone();
                    one.disputed = false;
                }
            }),
        }
    }

    fn on(&mut self, which: usize, deed: impl Fn(&mut Issued)) {
        let Some(one) = self.issued.get_mut(which) else { return };
        deed(one);
        one.pending = one.standing.recount(&one.then, &one.now, &tolerance(), one.disputed) == Verdict::Proposed;
        one.disputed &= one.pending;
    }

    fn issue(&mut self, litres: f64, cents: i64, unread: bool) {
        let month = month(self.issued.len());
        let mut report = if unread {
            report(month, &[(Name::FreshUsed, not_read()), (Name::MoneySaved, not_read())])
        } else {
            month_of(month, litres, cents)
        };
        let owed = self.issued.iter().flat_map(|one| one.standing.adjustments(one.then.month, UnitSystem::Metric));
        report.adjustments = owed.collect();
        for (of, amounts, sites) in report.carried() {
            self.carried = self.carried.plus(&amounts);
            let one = self.issued.iter_mut().find(|one| one.then.month == of).unwrap();
            one.standing.carry(&amounts, &sites);
            assert!(one.standing.owed().is_empty(), "a difference is carried once");
        }
        let standing = Standing::issued(&report);
        self.issued.push(Issued { now: report.clone(), then: report, standing, disputed: false, pending: false });
    }

    fn sum(&self, of: impl Fn(&Issued) -> Claims) -> Claims {
        self.issued.iter().fold(Claims::default(), |sum, one| sum.plus(&of(one)))
    }
}

proptest! {
    /// Conservation: issued figures with all adjustments, the next report's too, are what the
    /// months come to by what was decided; and by what is computed now, once all is decided.
    #[test]
    fn issued_figures_and_adjustments_add_up_to_the_recomputed_ones(events in prop::collection::vec(event(), 1..60)) {
        let mut books = Books::default();
        for event in events {
            books.happens(event);
            let stated = books.sum(|one| Claims::of(&one.then)).plus(&books.carried);
            let with_the_next = stated.plus(&books.sum(|one| one.standing.owed()));
            prop_assert_eq!(&with_the_next, &books.sum(|one| one.standing.settled.clone()));
            if books.issued.iter().all(|one| !one.pending) {
                prop_assert_eq!(with_the_next, books.sum(|one| Claims::of(&one.now)));
            }
        }
        for which in 0..books.issued.len() {
            books.happens(if which % 2 == 0 { Event::Revise(which) } else { Event::Decline(which) });
        }
        books.issue(0.0, 0, false);
        let stated = books.sum(|one| Claims::of(&one.then)).plus(&books.carried);
        prop_assert_eq!(stated, books.sum(|one| Claims::of(&one.now)));
    }
}
