//! Bills as they came: each in a sentence, and line by line from what it is held against.

use super::document::Making;
use super::facts::Fact;
use super::words::capital;
use domain::money::Money;
use domain::report::actual_bills::{BillHeld, BillPart};
use domain::report::style::Language;
use rust_decimal::Decimal;
use weirbook_paper::document::{Block, Column, Row, Table};

impl Making<'_> {
    pub(super) fn actual_bills(&mut self) -> Vec<Block> {
        let facts: Vec<Fact> = self.r.actual_bills.iter().flat_map(|bill| self.actual_facts(bill)).collect();
        self.facts.extend(facts);
        let told = |bill: &BillHeld| [Block::Text { text: self.told(bill) }, Block::Table(self.actual_bill(bill))];
        self.r.actual_bills.iter().flat_map(told).collect()
    }

    /// A bill in a sentence: as it was made where that was in this language.
    fn told(&self, bill: &BillHeld) -> String {
        if self.words.language() == Language::English {
            return bill.words.clone();
        }
        let cause = |part: &BillPart| {
            let words = self.words.one_of("bill_cause", part.cause.as_str());
            format!("{} {words}", self.of_bill(bill, part.amount))
        };
        let causes = bill.causes().map(cause).collect::<Vec<_>>().join(", ");
        let by = bill.higher_by.in_minor_units().amount;
        let how = match by {
            by if by.is_zero() => "same",
            by if by.is_sign_negative() => "lower",
            _ => "higher",
        };
        let (from, to, amount) = (self.date(bill.from), self.date(bill.to), self.of_bill(bill, by.abs()));
        let named: [(&str, &str); 4] = [("from", &from), ("to", &to), ("amount", &amount), ("causes", &causes)];
        let said = self.words.with(&format!("billed-{how}-{}", bill.against.as_str()), &named);
        if bill.washing_before_assumed { format!("{said} {}", self.words.say("billed-assumed")) } else { said }
    }

    /// An amount in the currency of a bill.
    fn of_bill(&self, bill: &BillHeld, amount: Decimal) -> String {
        self.money(Money { amount, ..bill.total })
    }

    fn actual_bill(&self, bill: &BillHeld) -> Table {
        let (from, to) = (self.date(bill.from), self.date(bill.to));
        let named: [(&str, &str); 4] = [("site", &bill.site), ("account", &bill.account), ("from", &from), ("to", &to)];
        let first = Row::of([self.words.one_of("bill_against", bill.against.as_str()), self.money(bill.held_against)]);
        let parts = bill.parts.iter().map(|part| {
            let words = self.words.one_of("bill_cause", part.cause.as_str());
            Row::of([capital(&words), self.of_bill(bill, part.amount)])
        });
        let last = Row::of([self.words.say("billed-total"), self.money(bill.total)]);
        Table {
            caption: self.words.with("bill-caption", &named),
            columns: vec![
                Column::words(self.words.say("column-line"), 14),
                Column::number(self.words.say("column-amount"), 6),
            ],
            rows: std::iter::once(first).chain(parts).chain([Row { sum: true, ..last }]).collect(),
        }
    }

    fn actual_facts(&self, bill: &BillHeld) -> Vec<Fact> {
        let fact = |name: &str, amount: Decimal| Fact {
            section: "actual_bills",
            name: name.to_owned(),
            of: format!("{}, {}", bill.site, bill.account),
            from: bill.from.to_string(),
            to: bill.to.to_string(),
            value: amount.to_string(),
            unit: bill.total.currency.to_string(),
            shown: self.of_bill(bill, amount),
            ..Fact::default()
        };
        let parts = bill.parts.iter().map(|part| fact(part.cause.as_str(), part.amount));
        let first = fact(bill.against.as_str(), bill.held_against.amount);
        std::iter::once(first).chain(parts).chain([fact("total", bill.total.amount)]).collect()
    }
}
