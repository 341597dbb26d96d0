//! All that is measured at one site in one sum: by the site's own meters, and by those of its units.
//!
//! What people noted at a unit, such as fills and loads, stands in its site's statement too. In a sum it
//! counts once; of the others what their own meters measured counts, and no more.
//!
//! Where every unit has a meter of make-up water and one meter of the site knows the wash water of all, the
//! site is the smallest level that the meters support: its wash water against the sum of its units' make-up
//! water. What people noted of the units (fills, levels) counts at the units then, as each says it best. Rain
//! and losses are the site's: nothing says how they divide among the units, and the losses that stand on the
//! water to the washers can be told only where that is metered.

use super::term::{Part, Source};
use crate::facts::Amounts;
use crate::metering::stream::Stream;
use crate::uncertainty::figures::Parts;

/// A unit at a site, or the site's own meters, in one stretch of time.
#[derive(Debug, Clone)]
pub struct Measured {
    /// Whether it is the site's own meters.
    pub of_site: bool,
    /// What its meters passed.
    pub metered: Amounts,
    /// The parts of its balance.
    pub parts: Parts,
}

/// What decides how those that are measured at a site go together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fitted {
    /// Whether it is the site's own meters.
    pub of_site: bool,
    /// Whether it has a meter of make-up water.
    pub makeup: bool,
    /// Whether its wash water is metered, or derived from bucket tests.
    pub wash: bool,
}

/// Whether these make up one balance together: every unit has a meter of make-up water, none knows its wash
/// water, and the site's own meters, without one of make-up water, know that of all. A unit that knows its own
/// wash water is balanced alone: whether the site's meter counts it again nobody knows.
#[must_use]
pub fn washed_together(here: &[Fitted]) -> bool {
    let (sites, units): (Vec<&Fitted>, Vec<&Fitted>) = here.iter().partition(|one| one.of_site);
    let joined = units.iter().all(|unit| unit.makeup && !unit.wash);
    !units.is_empty() && joined && sites.iter().any(|site| site.wash && !site.makeup)
}

/// The other way round: every unit knows its wash water, and the site's own meter of make-up water, without a
/// wash volume, serves all of them.
fn fed_together(here: &[Fitted]) -> bool {
    let (sites, units): (Vec<&Fitted>, Vec<&Fitted>) = here.iter().partition(|one| one.of_site);
    let joined = units.iter().all(|unit| unit.wash && !unit.makeup);
    !units.is_empty() && joined && sites.iter().any(|site| site.makeup && !site.wash)
}

/// Whether the site is the smallest level that these meters support: its wash water is held against all of its
/// make-up water, and one of the two is metered for the site as a whole, the other one unit by unit.
#[must_use]
pub fn make_one_balance(here: &[Fitted]) -> bool {
    washed_together(here) || fed_together(here)
}

/// What is noted for a site as a whole.
const OF_SITE: [Part; 3] = [Part::Rain, Part::Evaporation, Part::CarryOff];

/// Of what is noted for a site as a whole, what its own meters' statements know.
pub(crate) fn known_of_site<'p>(sites: impl Iterator<Item = &'p Parts>) -> Vec<Part> {
    let sites: Vec<&Parts> = sites.collect();
    let known = |part: &Part| sites.iter().any(|site| site.get(*part).1 != Source::Unknown);
    OF_SITE.into_iter().filter(known).collect()
}

/// The parts of one of those that are washed together; `known` is [`known_of_site`] of their site.
pub(crate) fn washed_with(one: &Measured, known: &[Part], measures: impl Fn(Stream) -> bool) -> Parts {
    if one.of_site {
        one.parts.keeping(|part, _| known.contains(&part)) + beside(&one.parts, &one.metered, measures)
    } else {
        one.parts.keeping(|part, _| part != Part::Wash && !known.contains(&part))
    }
}

impl Measured {
    fn measures(&self, stream: Stream) -> bool {
        self.metered.get(stream).is_some()
    }

    pub(super) fn fitted(&self) -> Fitted {
        let wash = self.measures(Stream::Wash) || self.parts.get(Part::Wash).1 == Source::Derived;
        Fitted { of_site: self.of_site, makeup: self.measures(Stream::Makeup), wash }
    }
}

/// The parts of a site, by all that is measured there in one and the same time. What people noted counts at
/// the level at which the fresh water into the loop is metered: the site's where it has such a meter or no
/// unit has one, else the units'.
#[must_use]
pub fn together(here: &[Measured]) -> Parts {
    let fitted: Vec<Fitted> = here.iter().map(Measured::fitted).collect();
    counted(here, &fitted, |place, stream| here.get(place).is_some_and(|one| one.measures(stream))).into_iter().sum()
}

/// What each of these has to say of that sum, in their order. `measures` says whether the one of that place has
/// a meter of a stream, read or not.
pub(super) fn counted(here: &[Measured], fitted: &[Fitted], measures: impl Fn(usize, Stream) -> bool) -> Vec<Parts> {
    let washed = washed_together(fitted);
    let known = known_of_site(here.iter().filter(|one| one.of_site).map(|one| &one.parts));
    let makeup = |of_site: bool| fitted.iter().any(|one| one.of_site == of_site && one.makeup);
    let by_site = here.iter().any(|one| one.of_site) && (makeup(true) || !makeup(false));
    // Of the water that all units wash with the site's own statement says that it is unknown.
    let fed = fed_together(fitted);
    let own = |(place, one): (usize, &Measured)| {
        let measures = |stream| measures(place, stream);
        if washed {
            washed_with(one, &known, measures)
        } else if one.of_site == by_site {
            one.parts.keeping(|part, source| !(fed && part == Part::Wash && source == Source::Unknown))
        } else {
            beside(&one.parts, &one.metered, measures)
        }
    };
    here.iter().enumerate().map(own).collect()
}

/// The same with what a meter at the other level knows of the water that went past units: of the site's parts,
/// which have it of all its units, where none of these says that it is unknown and `all_read`, all units that
/// stood there are here with all of their time; of a unit's, where the site's own meters measured it.
#[must_use]
pub(super) fn past_known(here: &[Measured], all_read: bool) -> Vec<Measured> {
    let unknown = |one: &Measured| one.parts.get(Part::Bypass).1 == Source::Unknown;
    let metered =
        |of_site: bool| here.iter().any(|one| one.of_site == of_site && one.metered.get(Stream::Bypass).is_some());
    let by_units = all_read && metered(false) && here.iter().all(|one| one.of_site || !unknown(one));
    let by_site = metered(true);
    let known = |one: &Measured| {
        let elsewhere = if one.of_site { by_units } else { by_site };
        let counts = |part, source| !(elsewhere && part == Part::Bypass && source == Source::Unknown);
        Measured { parts: one.parts.keeping(counts), ..one.clone() }
    };
    here.iter().map(known).collect()
}

/// Of the parts of one beside that in which the notes count: what its own meters and its guns say. `metered`
/// is what its meters passed in the days of these parts.
pub(crate) fn beside(parts: &Parts, metered: &Amounts, measures: impl Fn(Stream) -> bool) -> Parts {
    let own = |part: Part| Stream::ALL.into_iter().any(|stream| Part::of(stream) == Some(part) && measures(stream));
    let kept = parts.keeping(|part, source| own(part) || (part == Part::Wash && source == Source::Derived));
    // Of these people note more than what went through a meter.
    [(Part::HandFill, Stream::HandFill), (Part::Hauled, Stream::Hauled)]
        .into_iter()
        .fold(kept, |kept, (part, stream)| kept.of_meters_alone(part, metered.get(stream).unwrap_or_default()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::quantity::{Cause, Key, Quantity};
    use crate::water::term::Term;

    fn through(litres: f64, meter: &str) -> Quantity {
        Quantity::exact(litres).with_relative(Key::new(meter, Cause::Scale), 0.02)
    }

    /// Meters that passed so much, at a place of which 2,000 L by hose and a load of 900 L are noted.
    fn noted(of_site: bool, streams: &[(Stream, f64)]) -> Measured {
        let mut of = Measured { of_site, metered: Amounts::default(), parts: Parts::default() };
        for (stream, litres) in streams {
            of.metered.add(*stream, *litres);
            let part = Part::of(*stream).unwrap();
            of.parts = of.parts.with(part, through(*litres, stream.as_str()), Source::Metered);
        }
        if of.metered.get(Stream::Makeup).is_none() {
            of.parts = of.parts.with_term("of", Part::Makeup, Term::UNKNOWN);
        }
        let fill = Term::new(2_000.0, 100.0, Source::Declared);
        of.parts = of.parts.plus_term("hose", Part::HandFill, fill);
        of.parts = of.parts.plus_term("load", Part::Hauled, Term::new(900.0, 9.0, Source::Declared));
        of
    }

    fn known(parts: &Parts, part: Part) -> (f64, Source) {
        let (litres, source) = parts.get(part);
        (litres.value, source)
    }

    /// By hand: a dial of 31,000 L with 2,000 L by hose is 33,000 L of fresh water, and 900 L were hauled,
    /// though both statements know of the hose and the load; a unit's rinse of 620 L comes on top.
    #[test]
    fn what_was_noted_counts_once() {
        let site = noted(true, &[(Stream::Makeup, 31_000.0)]);
        let unit = noted(false, &[(Stream::Wash, 90_000.0), (Stream::Rinse, 620.0)]);
        let all = together(&[unit, site]);
        assert_eq!(all.fresh_used().value, 33_620.0);
        assert_eq!(known(&all, Part::Makeup), (31_000.0, Source::Metered));
        assert_eq!(known(&all, Part::Hauled), (900.0, Source::Declared));
        // Where units have the meters, each of them knows what was noted at it.
        let unit = noted(false, &[(Stream::Makeup, 31_000.0)]);
        let site = noted(true, &[(Stream::ToSewer, 500.0)]);
        let all = together(&[unit.clone(), unit, site]);
        assert_eq!((all.fresh_used().value, known(&all, Part::Hauled).0), (66_000.0, 1_800.0));
        assert_eq!(known(&all, Part::ToSewer), (500.0, Source::Metered));
    }

    /// A unit's own meter of fills passed 300 L beside what the site's statement knows as well.
    #[test]
    fn of_a_meter_of_fills_with_notes_on_top_what_it_passed_counts() {
        let site = noted(true, &[(Stream::Makeup, 31_000.0)]);
        let unit = noted(false, &[(Stream::HandFill, 300.0)]);
        let all = together(&[unit, site]);
        assert_eq!(known(&all, Part::HandFill), (2_300.0, Source::Declared));
        let u = all.get(Part::HandFill).0.u();
        assert!((u - 100_f64.hypot(6.0)).abs() < 1e-9, "{u}");
    }

    /// By hand: two units with a dial of 31,000 L each, beside a wash meter of the site of 248,000 L that knows of
    /// 3,000 L of rain, which at the units nobody can divide: 62,000 L and the 2,000 L by hose at each are fresh,
    /// 248,000 - 66,000 - 3,000 L recycled.
    #[test]
    fn rain_is_the_sites_where_its_units_are_washed_together() {
        let rain =
            |of: Measured, term: Term| Measured { parts: of.parts.clone().with_term("rain", Part::Rain, term), ..of };
        let unit = |name: &str| {
            let mut of = rain(noted(false, &[]), Term::UNKNOWN);
            of.metered.add(Stream::Makeup, 31_000.0);
            of.parts = of.parts.with(Part::Makeup, through(31_000.0, name), Source::Metered);
            of
        };
        let site = rain(noted(true, &[(Stream::Wash, 248_000.0)]), Term::new(3_000.0, 300.0, Source::Declared));
        let all = together(&[unit("first"), unit("second"), site.clone()]);
        assert_eq!((all.fresh_used().value, known(&all, Part::Rain)), (66_000.0, (3_000.0, Source::Declared)));
        assert_eq!(all.recycled().value, 179_000.0);
        // A unit that meters its own wash water is none of them: what the rain comes to stays unknown.
        let mut own = unit("second");
        own.metered.add(Stream::Wash, 90_000.0);
        assert_eq!(known(&together(&[unit("first"), own, site]), Part::Rain).1, Source::Unknown);
    }

    /// The site's statement knows of the load of 100 L that was noted at a unit without any meter, too.
    #[test]
    fn where_no_meter_knows_the_make_up_it_stays_unknown() {
        let mut site = noted(true, &[(Stream::ToSewer, 500.0)]);
        site.parts = site.parts.plus_term("other", Part::Hauled, Term::new(100.0, 1.0, Source::Declared));
        let unit = noted(false, &[(Stream::Wash, 90_000.0)]);
        let all = together(&[unit.clone(), site]);
        assert_eq!((known(&all, Part::Makeup).1, known(&all, Part::Hauled).0), (Source::Unknown, 1_000.0));
        let alone = together(&[unit]);
        assert_eq!((known(&alone, Part::Makeup).1, known(&alone, Part::Hauled).0), (Source::Unknown, 900.0));
    }
}
