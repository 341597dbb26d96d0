//! What stands beside the reckoning where it was noted: fills, drains and loads; hauling avoided; whether
//! investments pay.

use super::document::Making;
use super::facts::Fact;
use domain::report::display;
use domain::report::haulage::HaulageAvoided;
use domain::report::invested::SiteInvested;
use domain::report::moved::MovedWater;
use weirbook_paper::document::{Block, Column, Row, Table};

impl Making<'_> {
    pub(super) fn moved(&mut self) -> Vec<Block> {
        let facts: Vec<Fact> = self.r.moved.iter().map(|one| self.moved_fact(one)).collect();
        self.facts.extend(facts);
        let row = |one: &MovedWater| {
            Row::of([self.date(one.on), one.of.clone(), self.litres(one.litres), self.words.said(&one.words)])
        };
        let rows = self.r.moved.iter().map(row).collect();
        let columns = vec![
            Column::words(self.words.say("column-on"), 6),
            Column::words(self.words.say("column-unit"), 8),
            Column::number(self.words.say("column-amount"), 5),
            Column::words(self.words.say("column-counts"), 12),
        ];
        vec![Block::Table(Table { caption: String::new(), columns, rows })]
    }

    fn litres(&self, litres: f64) -> String {
        display::volume(litres, self.words.format, 4)
    }

    fn moved_fact(&self, one: &MovedWater) -> Fact {
        Fact {
            section: "moved",
            name: one.kind.clone(),
            of: one.of.clone(),
            from: one.on.to_string(),
            value: one.litres.to_string(),
            unit: "L".to_owned(),
            expanded: one.expanded.to_string(),
            shown: self.litres(one.litres),
            ..Fact::default()
        }
    }

    pub(super) fn haulage(&mut self) -> Vec<Block> {
        let facts: Vec<Fact> = self.r.haulage.iter().flat_map(|one| self.haulage_facts(one)).collect();
        self.facts.extend(facts);
        let row = |one: &HaulageAvoided| {
            let saved = one.saved.map_or_else(|| self.none(), |saved| self.money(saved));
            let words = self.words.said(&one.words);
            Row::of([one.site.clone(), self.loads(one.loads_before), one.loads.to_string(), saved, words])
        };
        let rows = self.r.haulage.iter().map(row).collect();
        let columns = vec![
            Column::words(self.words.say("column-site"), 7),
            Column::number(self.words.say("column-loads-before"), 5),
            Column::number(self.words.say("column-loads"), 5),
            Column::number(self.words.say("column-saved"), 5),
            Column::words(self.words.say("column-basis"), 10),
        ];
        vec![Block::Table(Table { caption: String::new(), columns, rows })]
    }

    fn loads(&self, loads: f64) -> String {
        display::number(loads, 3, 2, self.words.format)
    }

    fn haulage_facts(&self, one: &HaulageAvoided) -> Vec<Fact> {
        let fact = |name: &str, value: String, unit: &str, shown: String| Fact {
            section: "haulage",
            name: name.to_owned(),
            of: one.site.clone(),
            value,
            unit: unit.to_owned(),
            shown,
            ..Fact::default()
        };
        let mut facts = vec![
            fact("loads_before", one.loads_before.to_string(), "loads", self.loads(one.loads_before)),
            fact("loads", one.loads.to_string(), "loads", one.loads.to_string()),
        ];
        let saved = one
            .saved
            .map(|saved| fact("saved", saved.amount.to_string(), &saved.currency.to_string(), self.money(saved)));
        facts.extend(saved);
        facts
    }

    pub(super) fn invested(&self) -> Vec<Block> {
        let item = |one: &SiteInvested| {
            let (day, words) = (self.date(one.day), self.words.said(&one.words));
            self.words.with("invested", &[("site", one.site.as_str()), ("day", &day), ("words", &words)])
        };
        vec![Block::List { items: self.r.invested.iter().map(item).collect() }]
    }
}
