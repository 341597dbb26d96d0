use super::*;
use crate::uncertainty::quantity::{Cause, Key, Quantity};
use crate::water::term::Term;
use crate::zone::parse_zone;

fn zone() -> Tz {
    parse_zone("Europe/Vienna").unwrap()
}

fn january() -> Month {
    Month::parse("2026-01").unwrap()
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn since(text: &str) -> Span {
    Span::parse(at(text), None).unwrap()
}

fn days(stream: Stream, litres: f64) -> Vec<DayFact> {
    let mut amounts = Amounts::default();
    amounts.set(stream, Some(litres));
    let of = |date| DayFact { date, amounts, coverage: 1.0, estimated_share: 0.0, open_exceptions: 0, sessions: None };
    january().first_day().iter_days().take(31).map(of).collect()
}

/// What a meter of 2 % passed, with rain that is unknown or not.
fn statement(meter: &str, part: Part, litres: f64, rain: Term) -> Statement {
    let through = Quantity::exact(litres).with_relative(Key::new(meter, Cause::Scale), 0.02);
    let mut parts = Parts::default().with(part, through, Source::Metered).with_term("site", Part::Rain, rain);
    if part != Part::Makeup {
        parts = parts.with_term("site", Part::Makeup, Term::UNKNOWN);
    }
    Statement { all: parts.clone(), whole: parts, ..Statement::default() }
}

fn rain() -> Term {
    Term::new(3000.0, 300.0, Source::Declared)
}

/// Two units with 1,000 L of make-up water a day and the site with 8,000 L of wash water and 3,000 L of rain.
struct Yard {
    days: [Vec<DayFact>; 3],
    statements: [Statement; 3],
    spans: [Span; 3],
}

impl Yard {
    fn new() -> Self {
        Self {
            days: [days(Stream::Makeup, 1000.0), days(Stream::Makeup, 1000.0), days(Stream::Wash, 8000.0)],
            statements: [
                statement("first", Part::Makeup, 31_000.0, Term::UNKNOWN),
                statement("second", Part::Makeup, 31_000.0, Term::UNKNOWN),
                statement("wash", Part::Wash, 248_000.0, rain()),
            ],
            spans: [since("2025-06-01T00:00:00Z"), since("2025-06-01T00:00:00Z"), Span::EVER],
        }
    }

    fn stands(&self, streams: [&[Stream]; 3]) -> Vec<Stands<'_>> {
        let one = |place: usize| Stands {
            subject_id: Uuid::from_u128(place as u128),
            of_site: place == 2,
            span: self.spans[place],
            streams: streams[place].to_vec(),
            days: &self.days[place],
            statement: &self.statements[place],
        };
        (0..3).map(one).collect()
    }

    fn balance(&self) -> Option<Result<SiteBalance, ReadOnOtherDays>> {
        let fitted: [&[Stream]; 3] = [&[Stream::Makeup], &[Stream::Makeup], &[Stream::Wash]];
        SiteBalance::of_month(zone(), january(), at("2026-02-02T00:00:00Z"), &self.stands(fitted))
    }
}

/// By hand: 248,000 - 2 x 31,000 - 3,000 = 183,000 L recycled. Its standard uncertainty is that of 2 % of
/// 248,000 L and of 31,000 L twice, and of 300 L, in quadrature.
#[test]
fn a_month_holds_the_sites_wash_water_against_the_make_up_of_all_units() {
    let found = Yard::new().balance().unwrap().unwrap();
    let recycled = found.statement.whole.recycled();
    assert_eq!((recycled.value, found.coverage), (183_000.0, 1.0));
    let u = [4960.0_f64, 620.0, 620.0, 300.0].iter().map(|u| u * u).sum::<f64>().sqrt();
    assert!((recycled.u() - u).abs() < 1e-6, "{}", recycled.u());
    assert_eq!(found.statement.whole.get(Part::Rain).1, Source::Declared, "which unit has it nobody has to know");
    let ids: Vec<u128> = found.of.iter().map(|(id, _)| id.as_u128()).collect();
    assert_eq!(ids, [0, 1, 2]);
    let sum: Parts = found.of.into_iter().map(|(_, parts)| parts).sum();
    assert_eq!(sum, found.statement.whole, "they add up to it");
}

#[test]
fn a_month_counts_on_days_that_all_were_read() {
    let mut yard = Yard::new();
    yard.days.iter_mut().for_each(|days| days.truncate(30));
    let coverage = yard.balance().unwrap().unwrap().coverage;
    assert!((coverage - 30.0 / 31.0).abs() < 1e-12, "{coverage}");
    yard.days[1].remove(10);
    assert_eq!(yard.balance(), Some(Err(ReadOnOtherDays)), "a day of the others alone");
    // By hand: a unit that came with the eleventh day has 21 days of its own, all of them read.
    let mut yard = Yard::new();
    yard.spans[1] = since("2026-01-10T23:00:00Z");
    yard.days[1].drain(..10);
    assert_eq!(yard.balance().unwrap().unwrap().coverage, 1.0);
}

#[test]
fn other_meters_make_no_balance_of_all() {
    let yard = Yard::new();
    let none = |streams: [&[Stream]; 3]| {
        SiteBalance::of_month(zone(), january(), at("2026-02-02T00:00:00Z"), &yard.stands(streams)).is_none()
    };
    assert!(none([&[Stream::Makeup, Stream::Wash], &[], &[]]), "one knows its own wash water");
    assert!(none([&[], &[], &[Stream::Makeup]]), "the site has the make-up water too");
    let mut bare = Yard::new();
    bare.days[1].clear();
    let here = bare.stands([&[], &[], &[]]);
    assert!(SiteBalance::of_month(zone(), january(), at("2026-02-02T00:00:00Z"), &here).is_none(), "one has no meter");
}

/// By hand: the site's dial of 62,000 L a month with 3,000 L of rain, against two units that washed with 124,000 L
/// each: 248,000 - 62,000 - 3,000 = 183,000 L recycled, though the site's statement knows no wash water and each
/// unit's no make-up water.
#[test]
fn a_sites_make_up_is_held_against_the_wash_water_of_all_units() {
    let mut yard = Yard::new();
    let washed = |name| statement(name, Part::Wash, 124_000.0, Term::UNKNOWN);
    let dial = statement("dial", Part::Makeup, 62_000.0, rain());
    let whole = dial.whole.clone().with_term("site", Part::Wash, Term::UNKNOWN);
    yard.statements = [washed("first"), washed("second"), Statement { all: whole.clone(), whole, ..dial }];
    yard.days = [days(Stream::Wash, 4000.0), days(Stream::Wash, 4000.0), days(Stream::Makeup, 2000.0)];
    let here = yard.stands([&[Stream::Wash], &[Stream::Wash], &[Stream::Makeup]]);
    let found = SiteBalance::of_month(zone(), january(), at("2026-02-02T00:00:00Z"), &here).unwrap().unwrap();
    let parts = &found.statement.whole;
    assert_eq!((parts.recycled().value, parts.get(Part::Wash).1), (183_000.0, Source::Metered));
    assert_eq!(parts.get(Part::Makeup).1, Source::Metered);
    // A unit with a meter of make-up water of its own is fed by itself, or by the site's meter: nobody knows.
    let both: [&[Stream]; 3] = [&[Stream::Wash, Stream::Makeup], &[Stream::Wash], &[Stream::Makeup]];
    assert!(SiteBalance::of_month(zone(), january(), at("2026-02-02T00:00:00Z"), &yard.stands(both)).is_none());
}

/// By hand: 62,000 L through the units' dials, and 31 x 50 = 1,550 L that the site's own meter saw go past them.
/// One that was fitted on the eleventh does not know what went past a unit before.
#[test]
fn what_went_past_a_unit_is_known_by_a_meter_of_all_days() {
    let mut yard = Yard::new();
    yard.statements[0].whole = yard.statements[0].whole.clone().with_term("first", Part::Bypass, Term::UNKNOWN);
    let past = Quantity::exact(1550.0).with_relative(Key::new("past", Cause::Scale), 0.02);
    yard.statements[2].whole = yard.statements[2].whole.clone().with(Part::Bypass, past, Source::Metered);
    yard.days[2].iter_mut().for_each(|day| day.amounts.set(Stream::Bypass, Some(50.0)));
    let known = |yard: &Yard| {
        let whole = yard.balance().unwrap().unwrap().statement.whole;
        (whole.get(Part::Bypass).1, whole.fresh_used().value)
    };
    assert_eq!(known(&yard), (Source::Metered, 63_550.0));
    yard.days[2].iter_mut().take(10).for_each(|day| day.amounts.set(Stream::Bypass, None));
    assert_eq!(known(&yard).0, Source::Unknown);
}

type Between<'t> = (&'t str, &'t str);

fn read<'s>((from, to): Between<'_>, stream: Stream, litres: f64, statement: &'s Statement) -> Read<'s> {
    let mut metered = Amounts::default();
    metered.set(stream, Some(litres));
    Read { from: at(&format!("2026-{from}:00Z")), to: at(&format!("2026-{to}:00Z")), metered, statement }
}

fn reads<'s>(n: u128, span: Span, periods: Vec<Read<'s>>) -> Reads<'s> {
    Reads { subject_id: Uuid::from_u128(n), of_site: n == 9, span, periods }
}

/// By hand: the first unit is read on the 1st, 16th and 31st, the second and the site on the 1st and 31st, the
/// site 12 hours after them: 90,000 - (4,000 + 5,000) - 10,000 - 3,000 = 68,000 L recycled. The rounds' middles
/// lie 6 hours from everybody's own: 1 / sqrt(3) of what passes in 6 hours of 720, at both ends, on each
/// amount.
#[test]
fn a_period_lies_between_rounds_of_all() {
    let makeup = |litres| statement("dial", Part::Makeup, litres, Term::UNKNOWN);
    let (early, late, second) =
        (makeup(4000.0), makeup(5000.0), statement("second", Part::Makeup, 10_000.0, Term::UNKNOWN));
    let wash = statement("wash", Part::Wash, 90_000.0, rain());
    let first = vec![
        read(("01-01T06:00", "01-16T06:00"), Stream::Makeup, 4000.0, &early),
        read(("01-16T06:00", "01-31T06:00"), Stream::Makeup, 5000.0, &late),
    ];
    let second_read = read(("01-01T06:00", "01-31T06:00"), Stream::Makeup, 10_000.0, &second);
    let site = reads(9, Span::EVER, vec![read(("01-01T18:00", "01-31T18:00"), Stream::Wash, 90_000.0, &wash)]);
    let stay = since("2025-06-01T00:00:00Z");
    let here = [reads(1, stay, first.clone()), reads(2, stay, vec![second_read]), site.clone()];
    let found = SitePeriod::of_site(&here);
    let bounds: Vec<_> = found.iter().map(|one| (one.from, one.to)).collect();
    assert_eq!(bounds, [(at("2026-01-01T12:00:00Z"), at("2026-01-31T12:00:00Z"))]);
    let recycled = found[0].balance.statement.whole.recycled();
    assert_eq!(recycled.value, 68_000.0);
    let off = 6_f64.hypot(6.0) / 720.0 / 3_f64.sqrt();
    let scale = [1800.0_f64, 180.0, 200.0, 300.0];
    let timing = [90_000.0, 9000.0, 10_000.0].map(|litres| litres * off);
    let u = scale.iter().chain(&timing).map(|u| u * u).sum::<f64>().sqrt();
    assert!((recycled.u() - u).abs() < 1e-6, "{} {u}", recycled.u());
    assert_eq!(found[0].own[0], (Uuid::from_u128(1), at("2026-01-01T06:00:00Z"), at("2026-01-31T06:00:00Z")));

    // Another stood there meanwhile, and nobody read it; or the second was read two days later.
    let other =
        reads(3, Span::parse(at("2026-01-05T00:00:00Z"), Some(at("2026-01-08T00:00:00Z"))).unwrap(), Vec::new());
    assert_eq!(SitePeriod::of_site(&[&here[..], &[other]].concat()), []);
    let later = read(("01-03T06:00", "01-31T06:00"), Stream::Makeup, 10_000.0, &second);
    assert_eq!(SitePeriod::of_site(&[reads(1, stay, first), reads(2, stay, vec![later]), site]), []);
}

/// The second unit came on the 16th, when everything was read: until then the balance is that of the first.
#[test]
fn a_unit_that_comes_later_is_in_the_periods_since() {
    let makeup = |litres| statement("dial", Part::Makeup, litres, Term::UNKNOWN);
    let (one, wash) = (makeup(4000.0), statement("wash", Part::Wash, 20_000.0, Term::ABSENT));
    let halves = [("01-01T06:00", "01-16T06:00"), ("01-16T06:00", "01-31T06:00")];
    let both = |stream, litres, of| halves.map(|half| read(half, stream, litres, of)).to_vec();
    let came = since("2026-01-16T05:00:00Z");
    let here = [
        reads(1, since("2025-06-01T00:00:00Z"), both(Stream::Makeup, 4000.0, &one)),
        reads(2, came, vec![read(halves[1], Stream::Makeup, 4000.0, &one)]),
        reads(9, Span::EVER, both(Stream::Wash, 20_000.0, &wash)),
    ];
    let recycled: Vec<f64> =
        SitePeriod::of_site(&here).iter().map(|one| one.balance.statement.whole.recycled().value).collect();
    assert_eq!(recycled, [16_000.0, 12_000.0]);
}
