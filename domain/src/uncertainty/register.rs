//! What one meter passed, with the errors of its scale, its register, and the cuts.
//!
//! The scale error is common to all that a meter passes: it counts once for a difference of two
//! readings, and adds linearly over steps, days and months. A register's resolution is an error
//! of each reading: it counts twice for a difference, and where one step ends and the next one
//! begins it cancels out, so that only the ends of an unbroken run of one register count.

use super::distribution::Distribution;
use super::quantity::{Cause, Component, Key, OneSided, Quantity};
use crate::metering::accuracy::{Flow, ScaleError, ScaleKnown, TooLittle};
use crate::metering::meter::MeterFacts;
use crate::metering::month::Divided;
use crate::metering::step::{Reading, Step};
use chrono::{DateTime, SecondsFormat, Utc};

/// A meter and how it works.
#[derive(Debug, Clone, Copy)]
pub struct Meter<'a> {
    /// Its name in the budget: meters of one name are one instrument.
    pub name: &'a str,
    /// Its facts.
    pub facts: &'a MeterFacts,
    /// What is known of its scale error.
    pub known: ScaleKnown,
    /// What is known of the flows while water passes.
    pub flow: Flow,
    /// Temperature of the water, in degrees Celsius.
    pub water_c: f64,
}

/// What a meter passed between two instants, its steps cut there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passed<'a> {
    /// From when.
    pub from: DateTime<Utc>,
    /// Until when.
    pub to: DateTime<Utc>,
    /// What passed, in the inside unit; signed.
    pub amount: f64,
    /// Exchanges of the register between the two.
    pub exchanges: u32,
    /// Errors from steps that cross either instant
    /// ([`Folded::divided`](crate::metering::fold::Folded::divided)): what one month gained by them
    /// the next one lost, and a sum of both knows it.
    pub divided: &'a [Divided],
    /// Standard uncertainty from readings before or after the two, in the inside unit
    /// ([`PeriodShare::timing_u`](crate::water::period::PeriodShare::timing_u)).
    pub timing_u: f64,
}

impl Meter<'_> {
    /// The error common to all that it passes.
    #[must_use]
    pub fn scale_error(&self) -> ScaleError {
        self.facts.scale_error(&self.known, self.flow, self.water_c)
    }

    /// What passed in accepted steps, in time order.
    #[must_use]
    pub fn of_steps(&self, steps: &[Step]) -> Quantity {
        let passed = self.scaled(steps.iter().map(|step| step.amount).sum());
        let same = |a: &Reading, b: &Reading| (a.at, a.register) == (b.at, b.register);
        let runs = steps.chunk_by(|a, b| same(&a.to, &b.from));
        let ends = runs.filter_map(|run| Some((run.first()?.from, run.last()?.to)));
        ends.fold(passed, |sum, (first, last)| self.read(self.read(sum, -1.0, &place(&first)), 1.0, &place(&last)))
    }

    /// What passed between two instants. Sums of neighbouring stretches lose the reading between
    /// them, as sums of steps do.
    #[must_use]
    pub fn of_stretch(&self, passed: &Passed<'_>) -> Quantity {
        let Passed { from, to, amount, exchanges, divided, timing_u } = *passed;
        let stretch = format!("{} {}/{}", self.name, instant(from), instant(to));
        let ends = self.read(self.read(self.scaled(amount), -1.0, &instant(from)), 1.0, &instant(to));
        let exchanged = (0..exchanges).fold(ends, |sum, n| {
            let old = self.read(sum, 1.0, &format!("exchange {n} of {stretch}, old"));
            self.read(old, -1.0, &format!("exchange {n} of {stretch}, new"))
        });
        let divided = divided.iter().fold(exchanged, |sum, one| sum.with_component(self.divided(one)));
        divided.with(Key::new(&stretch, Cause::Timing), timing_u)
    }

    /// The error by which a step was divided, named by the step and the cut.
    fn divided(&self, one: &Divided) -> Component {
        let of = format!("{} step from {}, after {}", self.name, instant(one.step_from), one.after);
        let (sensitivity, u) = (one.sensitivity, one.u);
        Component { key: Key::new(of, Cause::Allocation), sensitivity, u, dof: None }
    }

    /// An amount with the scale error, and with what is of known sign.
    fn scaled(&self, amount: f64) -> Quantity {
        let error = self.scale_error();
        let passed = Quantity::exact(amount).with_relative(Key::new(self.name, Cause::Scale), error.u_share);
        let low = match error.registers_too_little {
            Some(TooLittle::AtMost(low)) => Some(low),
            Some(TooLittle::All) => None,
            None => return passed,
        };
        if amount == 0.0 {
            return passed;
        }
        passed.with_one_sided(OneSided::flow(self.name, low))
    }

    /// One reading's error: anywhere within one step of the register (GUM F.2.2.1).
    fn read(&self, sum: Quantity, sign: f64, place: &str) -> Quantity {
        let step = self.facts.resolution.unwrap_or(1.0) * self.facts.scale();
        let u = Distribution::Rectangular { half_width: 0.5 * step }.standard();
        let key = Key::new(format!("{} {place}", self.name), Cause::Resolution);
        sum.with_component(Component { key, sensitivity: sign, u, dof: None })
    }
}

/// A share of a shared meter, declared with a standard uncertainty; `of` names who declared it
/// for what.
#[must_use]
pub fn allocated(passed: Quantity, of: &str, share: f64, u_share: f64) -> Quantity {
    passed.times(Quantity::exact(share).with(Key::new(of, Cause::Share), u_share))
}

fn instant(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// A reading's name: at an exchange two registers are read at one instant.
fn place(reading: &Reading) -> String {
    format!("{} at {}", reading.register, instant(reading.at))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::meter::{AccuracyClass, PlateFlows};
    use crate::metering::step::Counted;
    use crate::metering::stream::Stream;
    use crate::units::RegisterUnit;
    use proptest::prelude::*;

    /// Class 2 at 900 L/h: 4 % in service; a register that shows tens of litres.
    fn facts() -> MeterFacts {
        MeterFacts {
            class: Some(AccuracyClass::Two),
            flows: PlateFlows::of_ratio(2500.0, 100.0),
            resolution: Some(10.0),
            ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L)
        }
    }

    fn meter(facts: &MeterFacts) -> Meter<'_> {
        Meter { name: "makeup", facts, known: ScaleKnown::Plate, flow: Flow::Usual { l_per_h: 900.0 }, water_c: 15.0 }
    }

    fn at(hour: i64) -> DateTime<Utc> {
        DateTime::UNIX_EPOCH + chrono::Duration::hours(hour)
    }

    fn steps(readings: &[(i64, f64)]) -> Vec<Step> {
        let reading = |(hour, register)| Reading { at: at(hour), register };
        let pairs = readings.windows(2).map(|pair| (reading(pair[0]), reading(pair[1])));
        pairs.map(|(from, to)| Step { from, to, amount: to.register - from.register, how: Counted::Plain }).collect()
    }

    fn scale_u(litres: f64) -> f64 {
        0.04 / 3_f64.sqrt() * litres
    }

    /// Resolution of one reading: 10 L / sqrt(12).
    const READ_U: f64 = 2.886_751_345_948_128_6;

    fn close(got: f64, want: f64) {
        assert!((got - want).abs() < 1e-9 * want.abs().max(1.0), "{got} is not {want}");
    }

    #[test]
    fn a_step_has_its_resolution_twice_and_its_scale_once() {
        let facts = facts();
        let step = meter(&facts).of_steps(&steps(&[(0, 0.0), (24, 5000.0)]));
        assert_eq!(step.value, 5000.0);
        close(step.u(), scale_u(5000.0).hypot(READ_U * 2_f64.sqrt()));
    }

    #[test]
    fn of_many_steps_only_the_ends_count() {
        let facts = facts();
        let meter = meter(&facts);
        let all = steps(&[(0, 0.0), (24, 5000.0), (48, 5200.0), (72, 9000.0)]);
        let whole = meter.of_steps(&all);
        close(whole.u(), scale_u(9000.0).hypot(READ_U * 2_f64.sqrt()));
        let summed: Quantity = all.iter().map(|step| meter.of_steps(std::slice::from_ref(step))).sum();
        close(summed.u(), whole.u());
        assert_eq!(summed.components.len(), 3, "scale, and the reading at each end");
    }

    #[test]
    fn an_exchange_or_a_gap_breaks_the_run() {
        let facts = facts();
        let exchanged = [steps(&[(0, 0.0), (24, 5000.0)]), steps(&[(24, 700.0), (48, 1700.0)])].concat();
        close(meter(&facts).of_steps(&exchanged).u(), scale_u(6000.0).hypot(READ_U * 2.0));
        let gap = [steps(&[(0, 0.0), (24, 5000.0)]), steps(&[(48, 6000.0), (72, 7000.0)])].concat();
        close(meter(&facts).of_steps(&gap).u(), scale_u(6000.0).hypot(READ_U * 2.0));
        let stretch = Passed { exchanges: 1, ..stretch(0, 48, 6000.0) };
        close(meter(&facts).of_stretch(&stretch).u(), scale_u(6000.0).hypot(READ_U * 2.0));
        assert_eq!(meter(&facts).of_steps(&[]), Quantity::exact(0.0));
    }

    fn stretch(from: i64, to: i64, amount: f64) -> Passed<'static> {
        Passed { from: at(from), to: at(to), amount, exchanges: 0, divided: &[], timing_u: 0.0 }
    }

    #[test]
    fn allocation_and_timing_join_in_quadrature() {
        let facts = facts();
        let divided = [cut(1.0)];
        let passed = Passed { divided: &divided, timing_u: 400.0, ..stretch(0, 24, 0.0) };
        close(meter(&facts).of_stretch(&passed).u(), 500_f64.hypot(READ_U * 2_f64.sqrt()));
    }

    /// A step of which 300 L went to the wrong side of the end of a month, give or take.
    fn cut(sensitivity: f64) -> Divided {
        let after = chrono::NaiveDate::default();
        Divided { step_from: at(0), after, u: 300.0, sensitivity }
    }

    /// The errors of both months are one, and their sum is as sure as the scale and its two readings.
    #[test]
    fn what_one_month_gained_the_next_one_lost() {
        let facts = facts();
        let (before, after) = ([cut(1.0)], [cut(-1.0)]);
        let first = meter(&facts).of_stretch(&Passed { divided: &before, ..stretch(0, 24, 1000.0) });
        let second = meter(&facts).of_stretch(&Passed { divided: &after, ..stretch(24, 48, 2000.0) });
        close(first.u(), scale_u(1000.0).hypot(READ_U * 2_f64.sqrt()).hypot(300.0));
        close((first.clone() + second.clone()).u(), scale_u(3000.0).hypot(READ_U * 2_f64.sqrt()));
        // Their difference has it twice, and the reading between them too.
        close((second - first).u(), scale_u(1000.0).hypot(READ_U * 6_f64.sqrt()).hypot(600.0));
    }

    #[test]
    fn below_its_lowest_flow_it_registers_too_little_and_says_so() {
        let facts = facts();
        let slow = Meter { flow: Flow::Usual { l_per_h: 10.0 }, ..meter(&facts) };
        let passed = slow.of_stretch(&stretch(0, 24, 100.0));
        assert!(passed.one_sided[0].words().starts_with("makeup passed water below its lowest flow"));
        close(passed.u(), (2.5 * scale_u(100.0)).hypot(READ_U * 2_f64.sqrt()));
        assert_eq!(slow.of_stretch(&stretch(0, 24, 0.0)).one_sided, [], "nothing passed");
    }

    #[test]
    fn a_declared_share_adds_its_own_error() {
        let facts = facts();
        let shared = allocated(meter(&facts).of_stretch(&stretch(0, 24, 10_000.0)), "bay 2", 0.5, 0.05);
        assert_eq!(shared.value, 5000.0);
        let share = shared.contributions().into_iter().find(|one| one.key.cause == Cause::Share).unwrap();
        assert_eq!(share.u, 500.0);
        close(shared.u(), scale_u(5000.0).hypot(READ_U * 0.5_f64.sqrt()).hypot(500.0));
    }

    proptest! {
        /// Days of one meter come to what the month says, whatever passed in each.
        #[test]
        fn days_add_up_to_the_month(days in prop::collection::vec(0.0..9000.0_f64, 1..31)) {
            let facts = facts();
            let meter = meter(&facts);
            let hour = |day: usize| i64::try_from(day).unwrap() * 24;
            let sum: Quantity = days.iter().enumerate()
                .map(|(day, amount)| meter.of_stretch(&stretch(hour(day), hour(day + 1), *amount)))
                .sum();
            let month = meter.of_stretch(&stretch(0, hour(days.len()), days.iter().sum()));
            prop_assert!((sum.u() - month.u()).abs() < 1e-9 * (1.0 + month.u()));
        }
    }
}
