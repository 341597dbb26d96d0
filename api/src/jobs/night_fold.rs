//! The readings of one subject, folded meter by meter as their sheets pass by.

use crate::db::exception::Found;
use crate::db::night_plan::{MeterHistory, Stretch, Subject};
use crate::db::night_store::Figures;
use crate::db::sheet_stream::SheetView;
use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use domain::facts::{MeterDays, assemble, months};
use domain::metering::fold::MeterFold;
use domain::metering::meter::MeterFacts;
use domain::metering::step::ReadingException;
use domain::metering::stream::ReadBy;
use domain::period_facts::{HandRead, PeriodFact, of_subject};
use domain::zone::{day_bounds, day_start, local_date};
use std::collections::HashMap;

/// A subject's folds, one for each stretch in which a meter measured it.
pub(super) struct SubjectFold<'a> {
    subject: &'a Subject,
    stretches: Vec<StretchFold<'a>>,
}

struct StretchFold<'a> {
    stretch: &'a Stretch,
    facts: &'a MeterFacts,
    fold: MeterFold<'a>,
}

impl<'a> SubjectFold<'a> {
    pub(super) fn new(subject: &'a Subject, histories: &'a HashMap<i32, MeterHistory>) -> Self {
        let known = |stretch: &'a Stretch| Some((stretch, histories.get(&stretch.meter_no)?));
        let meters: Vec<_> = subject.meters.iter().filter_map(known).collect();
        // Read periods are for subjects whose every meter is read by hand; beside a logger the
        // days say more.
        let by_hand = meters.iter().all(|(_, history)| read_by_hand(&history.facts));
        let stretches = meters.into_iter().map(|(stretch, history)| {
            let facts = &history.facts;
            let fold = MeterFold::new(facts, subject.zone, &history.exchanges, &history.rulings);
            StretchFold { stretch, facts, fold: if by_hand { fold.with_steps() } else { fold } }
        });
        Self { subject, stretches: stretches.collect() }
    }

    /// Takes the sheet's readings into the stretches of its meter that they lie in.
    pub(super) fn push(&mut self, sheet: &SheetView) {
        for one in self.stretches.iter_mut().filter(|one| one.stretch.meter_no == sheet.meter_no) {
            let (from, to) = within(one.stretch, sheet);
            if let (Some(at), Some(register)) = (sheet.at.get(from..to), sheet.register.get(from..to))
                && !at.is_empty()
            {
                one.fold.push_sheet(sheet.day, at, register);
            }
        }
    }

    pub(super) fn finish(self) -> (Figures<'a>, Vec<Found>) {
        let subject = self.subject;
        let span = subject.from..=subject.to;
        let within = (day_start(subject.zone, subject.from), day_bounds(subject.zone, subject.to).1);
        let (mut meters, mut hand_read, mut found) = (Vec::new(), Vec::new(), Vec::new());
        for StretchFold { stretch, facts, fold } in self.stretches {
            let folded = fold.finish();
            let days = folded.days.into_iter().filter(|day| span.contains(&day.date)).collect();
            meters.push(MeterDays { stream: facts.stream, share: stretch.share, days });
            hand_read.push(HandRead { stream: facts.stream, share: stretch.share, steps: folded.steps });
            let ends_within = |found: &ReadingException| span.contains(&local_date(subject.zone, found.to.at));
            let exceptions = folded.exceptions.into_iter().filter(ends_within).collect();
            found.push(Found { meter_no: stretch.meter_no, within: stretch.part_of(within), exceptions });
        }
        let days = assemble(subject.zone, &meters);
        let months = months(subject.zone, &days);
        let reaches = |period: &PeriodFact| period.from < within.1 && period.to > within.0;
        let periods = of_subject(&hand_read).into_iter().filter(reaches).collect();
        (Figures { subject, days, months, periods }, found)
    }
}

fn read_by_hand(facts: &MeterFacts) -> bool {
    matches!(facts.read_by, ReadBy::Technician | ReadBy::Customer)
}

impl Stretch {
    /// The part of a span in which the meter measured the subject: the same meter may have
    /// served another one before and after. Steps end after the first instant.
    fn part_of(&self, (from, to): (DateTime<Utc>, DateTime<Utc>)) -> (DateTime<Utc>, DateTime<Utc>) {
        let just_before = from - TimeDelta::seconds(1);
        (self.from.map_or(just_before, |at| at.max(just_before)), self.to.map_or(to, |at| at.min(to)))
    }
}

/// The places of the sheet's readings that lie in the stretch; a reading at its very end
/// still belongs to it.
fn within(stretch: &Stretch, sheet: &SheetView) -> (usize, usize) {
    let from = stretch.from.map_or(0, |from| sheet.at.partition_point(|&at| i64::from(at) < second(sheet.day, from)));
    let to =
        stretch.to.map_or(sheet.at.len(), |to| sheet.at.partition_point(|&at| i64::from(at) <= second(sheet.day, to)));
    (from, to)
}

/// An instant as a second of the UTC day, which may lie outside it.
fn second(day: NaiveDate, at: DateTime<Utc>) -> i64 {
    (at - day.and_time(NaiveTime::MIN).and_utc()).num_seconds()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_is_cut_at_the_ends_of_a_stretch() {
        let day: NaiveDate = "2026-03-01".parse().unwrap();
        let sheet = SheetView { meter_no: 1, day, at: vec![0, 3600, 7200], register: vec![1.0, 2.0, 3.0] };
        let at = |hours: i64| Some(day.and_time(NaiveTime::MIN).and_utc() + chrono::Duration::hours(hours));
        let cut = |from, to| within(&Stretch { meter_no: 1, share: 1.0, from, to }, &sheet);
        assert_eq!(cut(None, None), (0, 3));
        assert_eq!(cut(None, at(1)), (0, 2), "the reading at the end closes the stretch");
        assert_eq!(cut(at(1), None), (1, 3), "and opens the next");
        assert_eq!(cut(at(24), None), (3, 3));
        assert_eq!(cut(at(-48), at(-24)), (0, 0));
    }
}
