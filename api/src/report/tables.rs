//! Units with their states; the bill with and without; what washing cost.

use super::document::Making;
use super::facts::Fact;
use chrono_tz::Tz;
use domain::accounts::site_cost::{CostLine, SiteCost};
use domain::money::Money;
use domain::report::display;
use domain::report::figure::Figure;
use domain::report::model::{SpellRow, UnitRow};
use domain::savings::{CaseLine, CycleSaving, MoneySaved};
use domain::zone::previous_day;
use rust_decimal::Decimal;
use weirbook_paper::document::{Block, Cell, Column, Row, Table};

impl Making<'_> {
    pub(super) fn units(&mut self) -> Vec<Block> {
        if self.r.units.is_empty() {
            return vec![self.text("units-none")];
        }
        let facts: Vec<Fact> = self.r.units.iter().flat_map(|unit| self.unit_facts(unit)).collect();
        self.facts.extend(facts);
        let columns = vec![
            Column::words(self.words.say("column-unit"), 8),
            Column::words(self.words.say("column-site"), 8),
            Column::words(self.words.say("column-there"), 9),
            Column::number(self.words.say("column-fresh"), 6),
            Column::number(self.words.say("column-recycled"), 6),
            Column::number(self.words.say("column-lost"), 5),
        ];
        let rows = self.r.units.iter().map(|unit| self.unit(unit)).collect();
        let mut blocks = vec![Block::Table(Table { caption: String::new(), columns, rows })];
        let spells: Vec<Row> = self
            .r
            .units
            .iter()
            .flat_map(|unit| unit.spells.iter().map(move |spell| (unit, spell)))
            .map(|(unit, spell)| self.spell(unit, spell))
            .collect();
        if !spells.is_empty() {
            let columns = vec![
                Column::words(self.words.say("column-unit"), 5),
                Column::words(self.words.say("column-state"), 6),
                Column::words(self.words.say("column-from"), 9),
                Column::words(self.words.say("column-to"), 9),
                Column::words(self.words.say("column-why"), 6),
            ];
            blocks.push(Block::Table(Table { caption: self.words.say("spells-caption"), columns, rows: spells }));
        }
        blocks
    }

    fn unit(&self, unit: &UnitRow) -> Row {
        let stay = match unit.left_on {
            Some(left) => self.words.with("from-to", &[("from", &self.date(unit.placed_on)), ("to", &self.date(left))]),
            None => self.words.with("since", &[("from", &self.date(unit.placed_on))]),
        };
        let label = Cell {
            below: unit.serial_number.clone(),
            link: format!("/units/{}", unit.unit_id),
            ..Cell::from(unit.label.clone())
        };
        let site = Cell { below: unit.time_zone.clone(), ..Cell::from(unit.site.clone()) };
        let cells = vec![
            label,
            site,
            stay.into(),
            self.of_unit(&unit.fresh_used).into(),
            self.of_unit(&unit.recycled).into(),
            self.hours(unit.lost_h).into(),
        ];
        Row { cells, sum: false }
    }

    fn of_unit(&self, figure: &Figure) -> String {
        figure.printed().map_or_else(|| self.none(), |printed| self.figure(printed))
    }

    fn hours(&self, hours: f64) -> String {
        self.words.with("hours", &[("hours", &display::number(hours, 9, 1, self.words.format))])
    }

    fn unit_facts(&self, unit: &UnitRow) -> Vec<Fact> {
        let base = Fact { section: "units", of: format!("{}, {}", unit.label, unit.site), ..Fact::default() };
        let figure = |name: &str, figure: &Figure| {
            let printed = figure.printed()?;
            let (value, unit) = super::lines::number_of(&printed.value);
            let expanded = printed.expanded.map(|expanded| expanded.to_string()).unwrap_or_default();
            Some(Fact { name: name.to_owned(), value, unit, expanded, shown: self.figure(printed), ..base.clone() })
        };
        let lost = Fact {
            name: "lost".to_owned(),
            value: unit.lost_h.to_string(),
            unit: "h".to_owned(),
            shown: self.hours(unit.lost_h),
            ..base.clone()
        };
        [figure("fresh_used", &unit.fresh_used), figure("recycled", &unit.recycled), Some(lost)]
            .into_iter()
            .flatten()
            .collect()
    }

    fn spell(&self, unit: &UnitRow, spell: &SpellRow) -> Row {
        let zone: Tz = unit.time_zone.parse().unwrap_or(Tz::UTC);
        Row::of([
            unit.label.clone(),
            self.words.one_of("state", spell.state.as_str()),
            self.words.instant(zone, spell.from),
            self.words.instant(zone, spell.to),
            spell.reason.clone().unwrap_or_default(),
        ])
    }

    pub(super) fn bill(&mut self) -> Vec<Block> {
        let mut blocks = Vec::new();
        for site in &self.r.savings {
            match &site.saved {
                Some(saved) => blocks.extend(self.site_bill(&site.site, saved)),
                None => {
                    let why: Vec<String> = site.withheld.iter().map(|words| self.words.said(words)).collect();
                    let why = why.join(" ");
                    let named: [(&str, &str); 2] = [("site", &site.site), ("why", &why)];
                    blocks.push(Block::Text { text: self.words.with("bill-none", &named) });
                }
            }
        }
        if blocks.is_empty() {
            blocks.push(self.text("bill-nothing"));
        }
        blocks
    }

    fn site_bill(&mut self, site: &str, saved: &MoneySaved) -> Vec<Block> {
        let mut blocks = Vec::new();
        for cycle in &saved.cycles {
            let facts = self.cycle_facts(site, cycle);
            self.facts.extend(facts);
            blocks.push(Block::Table(self.cycle(site, cycle)));
            if cycle.estimated {
                blocks.push(self.text("bill-estimated"));
            }
            let bounds = cycle.in_month;
            if bounds.least != bounds.most {
                let [least, most] = [bounds.least, bounds.most].map(|money| self.money(money));
                blocks.push(Block::Text { text: self.words.with("bill-range", &[("least", &least), ("most", &most)]) });
            }
            if bounds.low != bounds.high {
                let [low, high] = [bounds.low, bounds.high].map(|money| self.money(money));
                blocks.push(Block::Text { text: self.words.with("bill-ends", &[("low", &low), ("high", &high)]) });
            }
        }
        blocks
    }

    fn cycle(&self, site: &str, cycle: &CycleSaving) -> Table {
        let (from, to) = (self.date(cycle.cycle.from), self.date(previous_day(cycle.cycle.to)));
        let named: [(&str, &str); 4] = [("site", site), ("account", &cycle.account), ("from", &from), ("to", &to)];
        let amounts =
            |line: &CaseLine| [line.line.with_baseline, line.line.with_actual, line.line.saved, line.in_month];
        let mut rows: Vec<Row> = cycle
            .least
            .lines
            .iter()
            .map(|line| {
                let shown = amounts(line).map(|amount| self.money(Money { amount, ..cycle.whole.least }));
                Row::of(std::iter::once(self.words.said(&line.line.words)).chain(shown))
            })
            .collect();
        let [without, with] = cycle.least.sums();
        let sums = [without, with, cycle.whole.least.amount, cycle.in_month.least.amount];
        let sums = sums.map(|amount| self.money(Money { amount, ..cycle.whole.least }));
        let sum = Row::of(std::iter::once(self.words.say("bill-sum")).chain(sums));
        rows.push(Row { sum: true, ..sum });
        let number = |name: &str| Column::number(self.words.say(name), 6);
        let columns = vec![
            Column::words(self.words.say("column-line"), 12),
            number("column-without"),
            number("column-with"),
            number("column-saved"),
            number("column-in-month"),
        ];
        Table { caption: self.words.with("bill-caption", &named), columns, rows }
    }

    fn cycle_facts(&self, site: &str, cycle: &CycleSaving) -> Vec<Fact> {
        let currency = cycle.whole.least.currency;
        let fact = |name: String, amount: Decimal| Fact {
            section: "bill",
            name,
            of: format!("{site}, {}", cycle.account),
            from: cycle.cycle.from.to_string(),
            to: previous_day(cycle.cycle.to).to_string(),
            value: amount.to_string(),
            unit: currency.to_string(),
            shown: self.money(Money { amount, currency }),
            ..Fact::default()
        };
        let of_line = |line: &CaseLine| {
            let amounts = [line.line.with_baseline, line.line.with_actual, line.line.saved, line.in_month];
            let names = ["without", "with", "saved", "in_month"].map(|part| format!("{}/{part}", line.line.code));
            names.into_iter().zip(amounts).map(|(name, amount)| fact(name, amount)).collect::<Vec<_>>()
        };
        let [without, with] = cycle.least.sums();
        let sums = [
            fact("sum/without".to_owned(), without),
            fact("sum/with".to_owned(), with),
            fact("sum/saved".to_owned(), cycle.whole.least.amount),
            fact("sum/in_month".to_owned(), cycle.in_month.least.amount),
        ];
        let bounds = cycle.in_month;
        let ends = [("sum/in_month_low", bounds.low), ("sum/in_month_high", bounds.high)];
        let ends = ends.into_iter().filter(|_| bounds.low != bounds.high);
        let ends = ends.map(|(name, money)| fact(name.to_owned(), money.amount));
        cycle.least.lines.iter().flat_map(of_line).chain(sums).chain(ends).collect()
    }

    pub(super) fn money(&self, amount: Money) -> String {
        display::money(amount, self.words.format)
    }

    pub(super) fn cost(&mut self) -> Vec<Block> {
        let mut blocks = Vec::new();
        for cost in &self.r.costs {
            let site = self.site_of(cost);
            if !cost.lines.is_empty() {
                let facts = self.cost_facts(&site, cost);
                self.facts.extend(facts);
                blocks.push(Block::Table(self.site_cost(&site, cost)));
            }
            let missing = cost.not_known.iter().map(|one| {
                let words = self.words.said(&one.words);
                let named: [(&str, &str); 2] = [("site", &site), ("words", &words)];
                self.words.with("cost-not-known", &named)
            });
            let items: Vec<String> = missing.collect();
            if !items.is_empty() {
                blocks.push(Block::List { items });
            }
        }
        if blocks.is_empty() {
            blocks.push(self.text("cost-nothing"));
        }
        blocks
    }

    fn site_of(&self, cost: &SiteCost) -> String {
        let named = self.r.savings.iter().find(|site| site.site_id == cost.site_id);
        named.map(|site| site.site.clone()).unwrap_or_default()
    }

    fn site_cost(&self, site: &str, cost: &SiteCost) -> Table {
        let mut rows: Vec<Row> = cost.lines.iter().map(|line| self.cost_line(line)).collect();
        if let Some(total) = cost.total {
            let sum = Row::of([self.words.say("cost-sum"), String::new(), self.money(total)]);
            rows.push(Row { sum: true, ..sum });
        }
        let columns = vec![
            Column::words(self.words.say("column-line"), 8),
            Column::words(self.words.say("column-item"), 14),
            Column::number(self.words.say("column-amount"), 6),
        ];
        Table { caption: self.words.with("cost-caption", &[("site", site)]), columns, rows }
    }

    fn cost_line(&self, line: &CostLine) -> Row {
        let below = if line.estimated { self.words.say("cost-estimated") } else { String::new() };
        let amount = Cell { below, ..Cell::from(self.money(line.amount)) };
        Row {
            cells: vec![
                self.words.one_of("kind", line.kind.as_str()).into(),
                self.words.said(&line.what).into(),
                amount,
            ],
            sum: false,
        }
    }

    fn cost_facts(&self, site: &str, cost: &SiteCost) -> Vec<Fact> {
        let fact = |name: &str, amount: Money| Fact {
            section: "cost",
            name: name.to_owned(),
            of: site.to_owned(),
            value: amount.amount.to_string(),
            unit: amount.currency.to_string(),
            shown: self.money(amount),
            ..Fact::default()
        };
        let lines = cost.lines.iter().map(|line| fact(line.kind.as_str(), line.amount));
        lines.chain(cost.total.map(|total| fact("total", total))).collect()
    }
}
