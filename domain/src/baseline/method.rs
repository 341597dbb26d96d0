//! How the figures of a baseline were found.

use super::avoided::{Activity, Missing};
use super::bills::{Bills, FitLimits};
use crate::fault::Faults;
use crate::named::named;
use crate::uncertainty::quantity::{Cause, Component, Key, Quantity};
use crate::water::wash::BucketTest;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use std::collections::HashSet;

named! {
    /// What a figure of the time before is given for each of.
    Per as "per" {
        /// A wash.
        Wash = "wash",
        /// A day on which the site works.
        Day = "day",
    }
}

/// How a baseline was found, with its figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "snake_case")]
pub enum Method {
    /// Measured before the unit, for each wash and machine class.
    PerWash(PerWash),
    /// Bucket tests of the guns times their hours before the unit.
    GunHours(GunHours),
    /// Bills before the unit.
    Bills(Bills),
    /// All water that went to the washers, as if none had been recycled: a ceiling, because
    /// nobody knows that as much would have been used.
    Equivalence,
}

/// Fresh water for each wash before the unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PerWash {
    /// One row a machine class.
    pub classes: Vec<ClassUse>,
}

/// The washes of one machine class, measured before the unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClassUse {
    /// The class, 1 to 60 characters.
    pub machine_class: String,
    /// Mean of the washes measured, in litres.
    pub l_per_wash: f64,
    /// How many were measured.
    pub washes_measured: u32,
    /// Standard deviation of single washes, in litres; null for a single wash.
    pub sd_l: Option<f64>,
    /// Relative standard uncertainty of the meter or bucket.
    pub u_scale_share: f64,
    /// The meter, by the name that it has in today's figures; its scale error is the same then
    /// and now. Null when another one measured.
    pub meter: Option<String>,
}

/// Guns before the unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GunHours {
    /// The guns.
    pub guns: Vec<GunBefore>,
    /// For each of what the hours are given.
    pub per: Per,
}

/// One gun before the unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GunBefore {
    /// Which gun, 1 to 60 characters.
    pub name: String,
    /// Its bucket test.
    pub test: BucketTest,
    /// Hours with the trigger pulled, for each wash or day.
    pub trigger_h: f64,
    /// Standard uncertainty of those, in hours.
    pub u_trigger_h: f64,
}

/// Classes or guns that one baseline can name.
const ROWS_MAX: usize = 100;
/// Largest volume for a wash, and most hours for a day or wash.
const L_PER_WASH_MAX: f64 = 1e6;
const HOURS_MAX: f64 = 24.0;

impl Method {
    /// The method with its texts trimmed. `first_day` is the baseline's: bills end before it.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self, first_day: NaiveDate, limits: Option<&FitLimits>) -> Result<Self, Faults> {
        match self {
            Self::PerWash(per_wash) => per_wash.checked().map(Self::PerWash),
            Self::GunHours(guns) => guns.checked().map(Self::GunHours),
            Self::Bills(bills) => bills.checked(first_day, limits).map(Self::Bills),
            Self::Equivalence => Ok(Self::Equivalence),
        }
    }

    /// What would have been used without the unit, in litres, for the activity of a period.
    ///
    /// # Errors
    /// What of the activity is not known.
    pub fn expected(&self, activity: &Activity) -> Result<Quantity, Missing> {
        match self {
            Self::PerWash(per_wash) => per_wash.expected(activity),
            Self::GunHours(GunHours { guns, per }) => {
                let each: Quantity = guns.iter().map(GunBefore::volume).sum();
                Ok(each.times(activity.count(*per)?))
            }
            Self::Bills(bills) => Ok(bills.rate().times(activity.count(bills.per)?)),
            Self::Equivalence => activity.to_washers_l.clone().ok_or(Missing::ToWashers),
        }
    }

    /// The method in a sentence for the customer.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::PerWash(PerWash { classes }) => {
                let washes: u32 = classes.iter().map(|class| class.washes_measured).sum();
                format!("The baseline was measured before the unit, on {washes} washes, by machine class.")
            }
            Self::GunHours(GunHours { guns, per }) => format!(
                "The baseline is the flow of the guns by bucket test (guns: {}), times their trigger hours for each {} \
                 before the unit.",
                guns.len(),
                per.as_str()
            ),
            Self::Bills(bills) => bills.words(),
            Self::Equivalence => "The baseline is all water that went to the washers, as if none had been recycled: \
                                  nobody measured what was used before, so the figure is a ceiling."
                .to_owned(),
        }
    }
}

impl PerWash {
    fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        count_rows(&mut faults, "/classes", self.classes.len());
        let mut seen = HashSet::new();
        for (n, class) in self.classes.iter_mut().enumerate() {
            let at = |field: &str| format!("/classes/{n}/{field}");
            class.machine_class = faults.text(&at("machine_class"), &class.machine_class, 60);
            if !seen.insert(class.machine_class.clone()) {
                faults.add(at("machine_class"), "twice", "give each class once");
            }
            faults.range(&at("l_per_wash"), class.l_per_wash, 0.0, L_PER_WASH_MAX);
            if class.washes_measured == 0 {
                faults.add(at("washes_measured"), "out_of_range", "give how many washes were measured, 1 or more");
            }
            match class.sd_l {
                Some(_) if class.washes_measured < 2 => {
                    faults.add(at("sd_l"), "single_wash", "leave it out: a single wash has no scatter");
                }
                Some(sd) => faults.range(&at("sd_l"), sd, 0.0, L_PER_WASH_MAX),
                None if class.washes_measured > 1 => {
                    faults.add(at("sd_l"), "required", "give the standard deviation of the washes measured");
                }
                None => {}
            }
            faults.range(&at("u_scale_share"), class.u_scale_share, 0.0, 1.0);
            class.meter = faults.optional_text(&at("meter"), class.meter.as_deref(), 120);
        }
        faults.or(self)
    }

    fn expected(&self, activity: &Activity) -> Result<Quantity, Missing> {
        let washes = activity.washes.as_ref().ok_or(Missing::Washes)?;
        let classes = washes.iter().map(|(class, count)| {
            let before = self.classes.iter().find(|before| before.machine_class == *class);
            let before = before.ok_or_else(|| Missing::Class(class.clone()))?;
            Ok(before.each().times(count.clone()))
        });
        classes.sum()
    }
}

impl ClassUse {
    /// Litres for each wash: the mean with its scatter, s / sqrt(n) at n - 1 degrees of freedom
    /// (GUM 4.2.3), and the scale error of what measured it.
    fn each(&self) -> Quantity {
        let of = format!("baseline, {}", self.machine_class);
        let scale = Key::new(self.meter.as_deref().unwrap_or(&of), Cause::Scale);
        let mean = Quantity::exact(self.l_per_wash).with_relative(scale, self.u_scale_share);
        let n = f64::from(self.washes_measured);
        let scatter = self.sd_l.filter(|_| n > 1.0).map(|sd| Component {
            key: Key::new(of, Cause::Scatter),
            sensitivity: 1.0,
            u: sd / n.sqrt(),
            dof: Some(n - 1.0),
        });
        scatter.into_iter().fold(mean, Quantity::with_component)
    }
}

impl GunHours {
    fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        count_rows(&mut faults, "/guns", self.guns.len());
        for (n, gun) in self.guns.iter_mut().enumerate() {
            let at = |field: &str| format!("/guns/{n}/{field}");
            gun.name = faults.text(&at("name"), &gun.name, 60);
            gun.test = faults.take_or(&at("test"), gun.test.parse(), gun.test);
            faults.range(&at("trigger_h"), gun.trigger_h, 0.0, HOURS_MAX);
            faults.range(&at("u_trigger_h"), gun.u_trigger_h, 0.0, HOURS_MAX);
        }
        faults.or(self)
    }
}

impl GunBefore {
    /// Litres for each wash or day: flow times hours.
    fn volume(&self) -> Quantity {
        let of = format!("baseline, {}", self.name);
        let flow =
            Quantity::exact(self.test.l_per_h()).with_relative(Key::new(&of, Cause::FlowTest), self.test.u_share);
        flow.times(Quantity::exact(self.trigger_h).with(Key::new(of, Cause::Hours), self.u_trigger_h))
    }
}

fn count_rows(faults: &mut Faults, pointer: &str, rows: usize) {
    if !(1..=ROWS_MAX).contains(&rows) {
        faults.add(pointer, "out_of_range", format!("give 1 to {ROWS_MAX} rows"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::baseline::bills::Bill;
    use crate::baseline::record::tests::{date, pointers};

    fn gun(name: &str) -> GunBefore {
        // 20 L in 80 s are 900 L/h.
        let test = BucketTest { on: date("2026-02-10"), litres: 20.0, seconds: 80.0, u_share: 0.05 };
        GunBefore { name: name.into(), test, trigger_h: 2.0, u_trigger_h: 0.5 }
    }

    #[test]
    fn guns_are_flow_times_hours_for_each_day() {
        let method = Method::GunHours(GunHours { guns: vec![gun("left"), gun("right")], per: Per::Day });
        let month = Activity { working_days: Some(Quantity::exact(20.0)), ..Activity::default() };
        let expected = method.expected(&month).unwrap();
        assert_eq!(expected.value, 2.0 * 900.0 * 2.0 * 20.0);
        // For each gun 5 % of the flow and a quarter of the hours.
        let one = 36_000.0 * 0.05_f64.hypot(0.25);
        assert!((expected.u() - one * 2_f64.sqrt()).abs() < 1e-9);
        assert_eq!(method.expected(&Activity::default()), Err(Missing::Days));
        let per_wash = Method::GunHours(GunHours { guns: vec![gun("left")], per: Per::Wash });
        assert_eq!(per_wash.expected(&month), Err(Missing::Washes));
    }

    #[test]
    fn every_method_goes_through_json_and_back() {
        let bill = Bill {
            first_day: date("2025-01-01"),
            last_day: date("2025-03-31"),
            volume_l: 90_000.0,
            other_use_l: 0.0,
            working_days: 60.0,
            washes: None,
        };
        let bills = Bills { bills: vec![bill], per: Per::Day, u_scale_share: 0.02 };
        let guns = GunHours { guns: vec![gun("left")], per: Per::Wash };
        for (method, by) in [
            (Method::GunHours(guns), "gun_hours"),
            (Method::Bills(bills), "bills"),
            (Method::Equivalence, "equivalence"),
        ] {
            let method = method.checked(date("2026-03-01"), None).unwrap();
            let json = serde_json::to_value(&method).unwrap();
            assert_eq!(json["by"], by);
            assert_eq!(serde_json::from_value::<Method>(json).unwrap(), method);
        }
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = GunBefore {
            name: String::new(),
            test: BucketTest { seconds: 0.0, ..gun("left").test },
            trigger_h: 25.0,
            u_trigger_h: -1.0,
        };
        let faults = GunHours { guns: vec![wrong], per: Per::Day }.checked().unwrap_err();
        let want = ["/guns/0/name", "/guns/0/test/seconds", "/guns/0/trigger_h", "/guns/0/u_trigger_h"];
        assert_eq!(pointers(&faults), want);
        let class = |washes_measured, sd_l| ClassUse {
            machine_class: "truck".into(),
            l_per_wash: -1.0,
            washes_measured,
            sd_l,
            u_scale_share: 2.0,
            meter: None,
        };
        let faults = PerWash { classes: vec![class(0, Some(5.0)), class(4, None)] }.checked().unwrap_err();
        let codes: Vec<_> = faults.0.iter().map(|fault| fault.code).collect();
        assert_eq!(
            codes,
            [
                "out_of_range",
                "out_of_range",
                "single_wash",
                "out_of_range",
                "twice",
                "out_of_range",
                "required",
                "out_of_range"
            ]
        );
        assert!(GunHours { guns: vec![], per: Per::Day }.checked().is_err());
    }
}
