//! Units that each have a meter of make-up water, beside one wash meter of the whole site, in a report: which
//! subjects these are, and what each has to say of their balance. The rule is that of
//! [`water::together`](crate::water::together).

use super::inputs::{Inputs, Subject};
use super::levels::{OwnParts, metered_on, past_by_site, washing_beside};
use super::reckon::{Case, Tally};
use crate::metering::stream::Stream;
use crate::uncertainty::figures::Parts;
use crate::water::statement::Statement;
use crate::water::term::{Part, Source};
use crate::water::together::{self, Fitted, Measured, known_of_site, washed_with};
use chrono::NaiveDate;
use std::collections::BTreeSet;
use uuid::Uuid;

/// All that measures at a site whose units are washed together; else nobody.
pub(super) fn washed_together<'s>(site_id: Uuid, present: &[&'s Subject]) -> Vec<&'s Subject> {
    let here: Vec<&'s Subject> = present.iter().filter(|subject| subject.site_id == site_id).copied().collect();
    let fitted: Vec<Fitted> = here.iter().map(|subject| subject.fitted()).collect();
    if together::washed_together(&fitted) { here } else { Vec::new() }
}

/// All that measures at a site where it makes up one balance, whichever of the two sides is the site's; else
/// nobody.
pub(super) fn one_balance<'s>(site_id: Uuid, present: &[&'s Subject]) -> Vec<&'s Subject> {
    let here: Vec<&'s Subject> = present.iter().filter(|subject| subject.site_id == site_id).copied().collect();
    let fitted: Vec<Fitted> = here.iter().map(|subject| subject.fitted()).collect();
    if together::make_one_balance(&fitted) { here } else { Vec::new() }
}

impl Subject {
    fn fitted(&self) -> Fitted {
        Fitted { of_site: self.unit.is_none(), makeup: self.measures_stream(Stream::Makeup), wash: self.knows_wash() }
    }
}

/// Those whose wash water is held against the fresh water of a subject, and all that have to be read on the
/// same days for that.
pub(super) fn held_against<'s>(subject: &'s Subject, present: &[&'s Subject]) -> (Vec<&'s Subject>, Vec<&'s Subject>) {
    let together = washed_together(subject.site_id, present);
    if subject.unit.is_some() && !together.is_empty() {
        let of_site = together.iter().filter(|one| one.unit.is_none()).copied().collect();
        return (of_site, together);
    }
    let beside = washing_beside(subject, present);
    let all = [&beside[..], &[subject]].concat();
    (beside, all)
}

impl OwnParts {
    /// The parts of one of those that are washed together.
    pub(super) fn together(inputs: &Inputs, together: &[&Subject], subject: &Subject) -> Self {
        let of_site = subject.unit.is_none();
        let past = past_by_site(inputs, together, subject);
        let kept = |of: fn(&Statement) -> &Parts, counts: fn(&Subject, NaiveDate) -> bool| {
            let sites = together.iter().filter(|one| one.unit.is_none());
            let known = known_of_site(sites.map(|site| of(&site.statement)));
            let by_site = |part, source| part == Part::Bypass && source == Source::Unknown && past && !of_site;
            let parts = of(&subject.statement).keeping(|part, source| !by_site(part, source));
            let one = Measured { of_site, metered: metered_on(inputs, subject, counts), parts };
            washed_with(&one, &known, |stream| subject.measures_stream(stream))
        };
        let all = kept(|statement| &statement.all, |_, _| true);
        let whole = kept(|statement| &statement.whole, Subject::is_full);
        Self { all, whole, joined: true, notes: of_site, washed_by_site: false }
    }
}

impl<'a> Case<'a> {
    /// These subjects, and the sites of theirs for which rain and losses count.
    pub(super) fn with_notes<'t>(&'t self, mut members: Vec<&'t Tally<'a>>) -> Vec<&'t Tally<'a>> {
        let sites: BTreeSet<Uuid> = members.iter().map(|tally| tally.subject.site_id).collect();
        let known: BTreeSet<Uuid> = members.iter().map(|tally| tally.subject.id).collect();
        let noting = self.tallies.iter().filter(|tally| tally.own.notes && sites.contains(&tally.subject.site_id));
        members.extend(noting.filter(|tally| !known.contains(&tally.subject.id)));
        members
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::DayFact;
    use crate::report::SavingsReport;
    use crate::report::figure::{Figure, Name, Printed, Reason, Value};
    use crate::report::tests::{fact, inputs, january, subject};
    use crate::water::grade::Grade;
    use crate::water::term::Term;

    fn days(amounts: &[(Stream, f64)]) -> Vec<DayFact> {
        january().map(|date| fact(date, amounts)).collect()
    }

    fn with(mut of: Subject, terms: &[(Part, Term)]) -> Subject {
        let name = of.name();
        for parts in [&mut of.statement.all, &mut of.statement.whole] {
            *parts = terms.iter().fold(parts.clone(), |parts, (part, term)| parts.with_term(&name, *part, *term));
        }
        of
    }

    fn declared(litres: f64, u: f64) -> Term {
        Term::new(litres, u, Source::Declared)
    }

    /// A unit with 1,000 L of make-up water a day. Of rain, losses and wash water nothing is known at it.
    fn unit(n: u128, storage: Term) -> Subject {
        let own = subject(n, &[Stream::Makeup], days(&[(Stream::Makeup, 1000.0)]));
        let unknown = [Part::Wash, Part::Rain, Part::Evaporation, Part::CarryOff].map(|part| (part, Term::UNKNOWN));
        with(with(own, &unknown), &[(Part::StorageChange, storage)])
    }

    /// The site's meter of 8,000 L of wash water a day. What was noted of a unit stands in its statement too.
    fn site() -> Subject {
        let own = Subject { unit: None, ..subject(9, &[Stream::Wash], days(&[(Stream::Wash, 8000.0)])) };
        let noted = [
            (Part::Makeup, Term::UNKNOWN),
            (Part::StorageChange, Term::UNKNOWN),
            (Part::HandFill, declared(2000.0, 100.0)),
            (Part::Rain, declared(3000.0, 300.0)),
            (Part::Evaporation, declared(6200.0, 620.0)),
            (Part::CarryOff, declared(24_800.0, 2480.0)),
        ];
        with(own, &noted)
    }

    /// Two units, of which the first was filled with 2,000 L by hose and holds 500 L more than it did.
    fn all() -> Vec<Subject> {
        let first = with(unit(1, declared(500.0, 40.0)), &[(Part::HandFill, declared(2000.0, 100.0))]);
        vec![first, unit(2, declared(0.0, 30.0)), site()]
    }

    fn report(subjects: Vec<Subject>) -> SavingsReport {
        SavingsReport::of(&inputs(subjects))
    }

    #[track_caller]
    fn printed(report: &SavingsReport, name: Name) -> Printed {
        *report.figure(name).unwrap().printed().unwrap_or_else(|| panic!("{:?}", report.figure(name)))
    }

    fn reason(report: &SavingsReport, name: Name) -> Option<Reason> {
        match report.figure(name)? {
            Figure::Withheld(why) => Some(why.reason),
            Figure::Printed(_) => None,
        }
    }

    /// By hand: W = 31 x 8,000 = 248,000 L, F = 2 x 31,000 = 62,000 L, H = 2,000 L once, P = 3,000 L, dS =
    /// 500 L: 248,000 - 62,000 - 2,000 - 3,000 + 500 = 181,500 L recycled. Its standard uncertainty is that of
    /// 2 % of 248,000 L and of 31,000 L twice, of 100 L, 300 L, 40 L and 30 L in quadrature.
    #[test]
    fn one_wash_meter_is_held_against_the_make_up_of_all_units() {
        let of = report(all());
        let recycled = printed(&of, Name::Recycled);
        assert_eq!((recycled.value, recycled.grade), (Value::Litres(181_500.0), Grade::Measured));
        assert_eq!((recycled.units_covered, recycled.units, recycled.coverage), (2, 2, 1.0));
        let squares = [4960.0_f64, 620.0, 620.0, 100.0, 300.0, 40.0, 30.0].map(|u| u * u);
        let expanded = 2.0 * squares.iter().sum::<f64>().sqrt();
        assert!((recycled.expanded.unwrap() - expanded).abs() < 1e-3, "{recycled:?}");
        assert_eq!(printed(&of, Name::ReuseShare).value, Value::Share(0.73185));
        assert_eq!(printed(&of, Name::Washed).value, Value::Litres(248_000.0));
        assert_eq!(printed(&of, Name::FreshUsed).value, Value::Litres(64_000.0));
        assert!(of.units.iter().all(|unit| unit.recycled.printed().is_none()), "nothing is said of one unit");
    }

    /// The second route is 248,000 - 6,200 - 24,800 = 217,000 L; less the first, 35,500 L are not accounted
    /// for: (62,000 + 2,000 + 3,000) - (6,200 + 24,800) - 500.
    #[test]
    fn what_is_not_accounted_for_is_the_second_route_less_the_first() {
        let of = report(all());
        assert_eq!(printed(&of, Name::Residual).value, Value::Litres(35_500.0));
        let flow = of.flow.unwrap();
        assert_eq!((flow.residual_l, flow.washed_l, flow.not_counted), (35_500.0, Some(248_000.0), Vec::new()));
    }

    /// By hand: losses that each unit's counter of washes tells and the site's meters do not are the units':
    /// 67,000 - 2 x 3,100 - 6,200 - 500 = 54,100 L.
    #[test]
    fn losses_that_only_the_units_know_are_theirs() {
        let of_unit = |own: Subject| match own.unit {
            Some(_) => with(own, &[(Part::CarryOff, declared(3100.0, 310.0))]),
            None => with(own, &[(Part::CarryOff, Term::UNKNOWN)]),
        };
        let of = report(all().into_iter().map(of_unit).collect());
        assert_eq!(printed(&of, Name::Residual).value, Value::Litres(54_100.0));
    }

    #[test]
    fn where_a_meter_is_missing_or_unread_nothing_is_joined() {
        let mut one = all();
        one[1] = subject(2, &[Stream::RunHours], days(&[(Stream::RunHours, 8.0)]));
        assert_eq!(reason(&report(one), Name::Recycled), Some(Reason::MetersDoNotSupport), "its make-up is in no sum");
        let mut unread = all();
        unread[1].days.remove(10);
        assert_eq!(reason(&report(unread), Name::Recycled), Some(Reason::Gap), "a day of the others alone");
        let mut never = all();
        never[1].days.clear();
        assert_eq!(reason(&report(never), Name::Recycled), Some(Reason::Gap));
        let mut unwashed = all();
        unwashed[2].days.clear();
        let of = report(unwashed);
        assert!(reason(&of, Name::Recycled).is_some());
        assert_eq!(printed(&of, Name::FreshUsed).value, Value::Litres(64_000.0), "the units' meters tell it");
    }

    /// By hand: the first unit has a wash meter of its own and is balanced alone: 31 x (4,000 - 1,000) L. The
    /// site's meter, which may count that water again, is held against nothing.
    #[test]
    fn a_unit_with_a_wash_meter_of_its_own_is_balanced_alone() {
        let mut some = all();
        let own = days(&[(Stream::Makeup, 1000.0), (Stream::Wash, 4000.0)]);
        some[0] = subject(1, &[Stream::Makeup, Stream::Wash], own);
        let of = report(some);
        let recycled = printed(&of, Name::Recycled);
        assert_eq!((recycled.value, recycled.units_covered, recycled.units), (Value::Litres(93_000.0), 1, 2));
    }

    /// By hand: 64,000 L as above, and 31 x 50 = 1,550 L that the site's own meter saw go past the first unit.
    #[test]
    fn what_the_sites_meter_saw_go_past_a_unit_counts_beside_its_wash_water() {
        let mut some = all();
        some[0] = with(some[0].clone(), &[(Part::Bypass, Term::UNKNOWN)]);
        let span = crate::span::Span::EVER;
        let spell = crate::spell::Spell { state: crate::spell::SpellState::Bypassed, reason: None, span };
        some[0].unit.as_mut().unwrap().spells = vec![spell];
        let of_site = days(&[(Stream::Wash, 8000.0), (Stream::Bypass, 50.0)]);
        let own = Subject { unit: None, ..subject(9, &[Stream::Wash, Stream::Bypass], of_site) };
        let last = some.len() - 1;
        some[last] = with(own, &[(Part::Makeup, Term::UNKNOWN)]);
        assert_eq!(printed(&report(some), Name::FreshUsed).value, Value::Litres(65_550.0));
    }
}
