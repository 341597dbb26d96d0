//! The reckoning, what is carried for earlier months, and the balance.

use super::charts;
use super::document::Making;
use super::facts::Fact;
use super::words::capital;
use domain::report::adjustment::Adjustment;
use domain::report::claims::Claim;
use domain::report::display;
use domain::report::figure::{Figure, Line, Name, Printed, Value};
use domain::report::flow::{Flow, Side};
use domain::report::readings::{ReadSpan, Readings};
use domain::report::style::Language;
use rust_decimal::Decimal;
use weirbook_paper::document::{Block, Cell, Column, Row, Table};

impl Making<'_> {
    pub(super) fn reckoning(&mut self) -> Vec<Block> {
        let lines = self.r.lines_to_read();
        let before = std::iter::once(None).chain(lines.iter().copied().map(Some));
        let rows: Vec<Row> = lines.iter().zip(before).map(|(line, before)| self.reckoned(line, before)).collect();
        let at_most = self.r.avoided_at_most();
        let facts = lines.iter().map(|line| self.fact_of(line, at_most)).collect::<Vec<_>>();
        self.facts.extend(facts);
        vec![Block::Table(Table { caption: String::new(), columns: self.reckoning_columns(), rows })]
    }

    fn reckoning_columns(&self) -> Vec<Column> {
        vec![
            Column::words(self.words.say("column-figure"), 9),
            Column::number(self.words.say("column-amount"), 8),
            Column::words(self.words.say("column-basis"), 15),
        ]
    }

    /// A line; the one before it may have said why it is not printed.
    fn reckoned(&self, line: &Line, before: Option<&Line>) -> Row {
        let said = before.is_some_and(|before| before.figure == line.figure);
        let basis = match &line.figure {
            Figure::Printed(printed) => self.basis(printed),
            Figure::Withheld(_) if said => self.words.say("not-printed-again"),
            Figure::Withheld(withheld) => self.words.withheld(&withheld.words, withheld.reason.as_str()),
        };
        let withheld = line.figure.printed().is_none();
        let amount = Cell { withheld, ..Cell::from(self.shown(line, self.r.avoided_at_most())) };
        let basis = Cell { below: self.words.said(&line.note), ..Cell::from(basis) };
        Row { cells: vec![self.words.one_of("figure", line.name.as_str()).into(), amount, basis], sum: false }
    }

    /// A line's figure with its uncertainty, or that there is none; `bounded` says whether water avoided
    /// is an upper bound.
    fn shown(&self, line: &Line, bounded: bool) -> String {
        let Some(printed) = line.figure.printed() else { return self.words.say("not-printed") };
        let uncertain = printed.expanded.is_some_and(|expanded| expanded > 0.0);
        if let Some(ends) = printed.between.filter(|_| uncertain) {
            let (figure, low, high) = (self.figure(printed), self.money(ends.low), self.money(ends.high));
            return self.words.with("money-between", &[("figure", &figure), ("low", &low), ("high", &high)]);
        }
        let figure = match display::uncertainty(printed, self.words.format).filter(|_| uncertain) {
            Some(expanded) => format!("{} \u{b1}\u{a0}{expanded}", self.figure(printed)),
            None => self.figure(printed),
        };
        if bounded && line.name == Name::FreshAvoided {
            self.words.with("at-most", &[("figure", &figure)])
        } else {
            figure
        }
    }

    pub(super) fn figure(&self, printed: &Printed) -> String {
        display::figure(printed, self.words.format)
    }

    /// Which units a figure is of, and what their meters support.
    fn who(&self, printed: &Printed) -> String {
        let (covered, units) = (printed.units_covered.to_string(), printed.units.to_string());
        let grade = self.words.one_of("grade", printed.grade.as_str());
        let named: [(&str, &str); 3] = [("covered", &covered), ("units", &units), ("grade", &grade)];
        match (printed.units_covered, printed.units) {
            (1, 1) => grade,
            (covered, units) if covered == units => self.words.with("basis-all", &named),
            _ => self.words.with("basis-some", &named),
        }
    }

    fn basis(&self, printed: &Printed) -> String {
        let (coverage, share) = (display::coverage(printed.coverage), display::percent(printed.estimated_share));
        let whose = if printed.units_covered == printed.units { "basis-read" } else { "basis-read-some" };
        let (who, read) = (self.who(printed), self.words.with(whose, &[("coverage", &coverage)]));
        let named: [(&str, &str); 3] = [("who", &who), ("read", &read), ("share", &share)];
        let basis = self.words.with(if printed.estimated_share > 0.0 { "basis-spread" } else { "basis" }, &named);
        let basis = capital(&basis);
        if printed.open_exceptions == 0 {
            return basis;
        }
        let count = printed.open_exceptions.to_string();
        self.words.with("basis-open", &[("basis", &basis), ("count", &count)])
    }

    fn fact_of(&self, line: &Line, bounded: bool) -> Fact {
        let base = Fact {
            section: "reckoning",
            name: line.name.as_str().to_owned(),
            shown: self.shown(line, bounded),
            ..Fact::default()
        };
        match line.figure.printed() {
            Some(printed) => {
                let (value, unit) = number_of(&printed.value);
                let expanded = printed.expanded.map(|expanded| expanded.to_string()).unwrap_or_default();
                Fact { value, unit, expanded, ..base }
            }
            None => base,
        }
    }

    pub(super) fn adjustments(&mut self) -> Vec<Block> {
        let carried = self.r.adjustments.iter().map(|line| {
            let (value, unit) = number_of(&line.value);
            let name = line.name.as_str().to_owned();
            Fact {
                section: "adjustments",
                name,
                from: line.month.to_string(),
                value,
                unit,
                shown: self.carried(line),
                ..Fact::default()
            }
        });
        let facts: Vec<Fact> = carried.collect();
        self.facts.extend(facts);
        let items = self.r.adjustments.iter().map(|line| self.carried(line)).collect();
        vec![self.text("adjustments-lead"), Block::List { items }]
    }

    /// The reckoning from reading to reading: of each unit or site that is read by hand what is printed. It
    /// is `said` in a sentence where the report does not begin with that.
    pub(super) fn of_readings(&mut self, readings: &Readings, said: Option<String>) -> Vec<Block> {
        let said = said.map(|text| Block::Text { text });
        let mut blocks: Vec<Block> = said.into_iter().chain([self.text("readings-lead")]).collect();
        for span in &readings.spans {
            let lines: Vec<&Line> = span.lines.iter().filter(|line| line.figure.printed().is_some()).collect();
            if lines.is_empty() {
                continue;
            }
            let facts: Vec<Fact> = lines.iter().map(|line| self.read_fact(span, line)).collect();
            self.facts.extend(facts);
            let rows = lines.iter().filter_map(|line| self.read_line(span, line)).collect();
            let (from, to) = (self.date(span.from), self.date(span.to));
            let named: [(&str, &str); 3] = [("of", &span.of), ("from", &from), ("to", &to)];
            let caption = self.words.with("readings-caption", &named);
            blocks.push(Block::Table(Table { caption, columns: self.reckoning_columns(), rows }));
        }
        blocks
    }

    fn read_line(&self, span: &ReadSpan, line: &Line) -> Option<Row> {
        let who = capital(&self.who(line.figure.printed()?));
        let basis = Cell { below: self.words.said(&line.note), ..Cell::from(who) };
        let name = self.words.one_of("figure", line.name.as_str());
        Some(Row { cells: vec![name.into(), self.shown(line, span.avoided_at_most).into(), basis], sum: false })
    }

    fn read_fact(&self, span: &ReadSpan, line: &Line) -> Fact {
        Fact {
            section: "readings",
            of: span.of.clone(),
            from: span.from.to_string(),
            to: span.to.to_string(),
            ..self.fact_of(line, span.avoided_at_most)
        }
    }

    /// A line that is carried, in words: as it was made where that was in this language.
    fn carried(&self, line: &Adjustment) -> String {
        let claim = Claim::of(line.name, line.value).filter(|_| self.words.language() != Language::English);
        let Some(claim) = claim else { return line.words.clone() };
        let (month, amount) = (self.words.month(line.month), claim.signed(self.words.format));
        let figure = self.words.one_of("figure", line.name.as_str());
        let cause = self.words.one_of("cause", line.cause.as_str());
        let named: [(&str, &str); 4] = [("month", &month), ("amount", &amount), ("figure", &figure), ("cause", &cause)];
        self.words.with("adjustment-line", &named)
    }

    pub(super) fn balance(&mut self) -> Vec<Block> {
        let residual = self.r.reckoning.iter().find(|line| line.name == Name::Residual);
        let said = residual.map(|line| self.words.said(&line.note)).filter(|said| !said.is_empty());
        let Some(flow) = &self.r.flow else {
            let why = residual.and_then(|line| match &line.figure {
                Figure::Withheld(withheld) => Some(self.words.withheld(&withheld.words, withheld.reason.as_str())),
                Figure::Printed(_) => said.clone(),
            });
            let why = why.unwrap_or_else(|| self.none());
            return vec![Block::Text { text: self.words.with("balance-none", &[("why", &why)]) }];
        };
        let facts = self.balance_facts(flow);
        self.facts.extend(facts);
        let said = said.map(|text| Block::Text { text });
        std::iter::once(Block::Chart(charts::flow(flow, &self.words))).chain(said).collect()
    }

    fn balance_facts(&self, flow: &Flow) -> Vec<Fact> {
        let parts = flow.parts.iter().map(|part| {
            let value = if part.side == Side::In { part.litres } else { -part.litres };
            (part.part.as_str().to_owned(), value, part.litres)
        });
        let rest = (charts::RESIDUAL.to_owned(), -flow.residual_l, flow.residual_l.abs());
        let fact = |(name, value, shown): (String, f64, f64)| Fact {
            section: "balance",
            name,
            value: value.to_string(),
            unit: "L".to_owned(),
            shown: charts::volume(shown, &self.words),
            ..Fact::default()
        };
        parts.chain([rest]).map(fact).collect()
    }
}

/// A value as a plain number, and its unit.
pub(crate) fn number_of(value: &Value) -> (String, String) {
    let float = |number: f64, unit: &str| (number.to_string(), unit.to_owned());
    let money = |amount: Decimal, unit: String| (amount.to_string(), unit);
    match value {
        Value::Litres(litres) => float(*litres, "L"),
        Value::Share(share) => float(*share, "1"),
        Value::Count(count) => float(*count, "1"),
        Value::LitresPerWash(litres) => float(*litres, "L/wash"),
        Value::Kwh(kwh) => float(*kwh, "kWh"),
        Value::KwhPerM3(kwh) => float(*kwh, "kWh/m3"),
        Value::Money(amount) => money(amount.amount, amount.currency.to_string()),
        Value::MoneyPerWash(each) => money(each.amount, format!("{}/wash", each.currency)),
        Value::MoneyPerM3(each) => money(each.amount, format!("{}/m3", each.currency)),
        Value::MoneyPerGunHour(each) => money(each.amount, format!("{}/gun hour", each.currency)),
    }
}
