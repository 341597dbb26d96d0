//! The report as it is stored and shown.

use super::actual_bills::BillHeld;
use super::adjustment::Adjustment;
use super::figure::{Figure, Line, Name, sentence};
use super::flow::Flow;
use super::haulage::HaulageAvoided;
use super::inputs::{Inputs, OpenException, Subject};
use super::invested::SiteInvested;
use super::money::SiteSaving;
use super::moved::MovedWater;
use super::readings::Readings;
use super::sites::SiteReckoning;
use super::style::ReportStyle;
use super::upkeep::Upkeep;
use crate::accounts::site_cost::SiteCost;
use crate::baseline::avoided::Bound;
use crate::customer::UnitSystem;
use crate::metering::step::ExceptionKind;
use crate::metering::stream::{ReadBy, Stream};
use crate::placement::Terms;
use crate::spell::SpellState;
use crate::water::grade::Grade;
use crate::zone::{Month, local_date};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// The savings report of one customer and month. Volumes are litres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavingsReport {
    /// The dealer's name.
    pub dealer: String,
    /// The customer's name.
    pub customer: String,
    /// The month.
    pub month: Month,
    /// The days that it reports.
    pub period: Period,
    /// IANA zones by which the sites' days begin.
    pub time_zones: Vec<String>,
    /// In which units the figures are shown.
    pub unit_system: UnitSystem,
    /// The report in one sentence.
    pub sentence: String,
    /// The figures, each printed or withheld.
    pub reckoning: Vec<Line>,
    /// The same of each site alone; none in reports that were made before there were any.
    #[serde(default)]
    pub sites: Vec<SiteReckoning>,
    /// The read periods that ended in the month; null where nothing is read by hand.
    #[serde(default)]
    pub readings: Option<Readings>,
    /// What is added to the figures for earlier months, whose reports were issued before.
    #[serde(default)]
    pub adjustments: Vec<Adjustment>,
    /// Water avoided and money saved at each site, line by line of its bills.
    pub savings: Vec<SiteSaving>,
    /// What washing cost the customer at each site, as accrued, line by line.
    #[serde(default)]
    pub costs: Vec<SiteCost>,
    /// Bills as they came that ended in the month, or late ones, each reconciled.
    #[serde(default)]
    pub actual_bills: Vec<BillHeld>,
    /// The balance as a picture shows it; null where its residual is not printed.
    #[serde(default)]
    pub flow: Option<Flow>,
    /// Water that went in or out at once: fills, drains and hauled loads, in order.
    #[serde(default)]
    pub moved: Vec<MovedWater>,
    /// Loads that were not hauled, at each site where those before the unit were declared.
    #[serde(default)]
    pub haulage: Vec<HaulageAvoided>,
    /// How each investment stands by the end of the month.
    #[serde(default)]
    pub invested: Vec<SiteInvested>,
    /// Volumes by day, of what is read daily or better; none when nothing is.
    pub by_day: Option<DaySeries>,
    /// Volumes by read period, of what is read less often than daily, one series for each.
    #[serde(default)]
    pub by_period: Vec<PeriodSeries>,
    /// Volumes by month, thirteen months up to this one.
    pub by_month: Vec<MonthPoint>,
    /// The units, each for the days that it stood at the customer's sites.
    pub units: Vec<UnitRow>,
    /// Steps that wait for a decision and are in no figure.
    pub exceptions: Vec<Exception>,
    /// Units and sites with more wash water than their guns can pass. It is in the figures, and no rule
    /// issues them.
    #[serde(default)]
    pub beyond_guns: Vec<BeyondGuns>,
    /// Days that no accepted reading covers, or not wholly.
    pub missing: Vec<Missing>,
    /// How the figures were made.
    pub made: Made,
    /// What to mind around the units.
    pub cautions: Vec<String>,
    /// Service, consumables and samples of the month.
    #[serde(default)]
    pub upkeep: Upkeep,
    /// How it looks.
    #[serde(default)]
    pub style: ReportStyle,
}

impl SavingsReport {
    /// Whether the water avoided is an upper bound, at one of the sites at least.
    #[must_use]
    pub fn avoided_at_most(&self) -> bool {
        self.savings.iter().filter_map(|site| site.avoided.as_ref()).any(|avoided| avoided.bound == Bound::AtMost)
    }

    /// The lines as they are read: what is printed first, what a customer looks for at the top of it.
    #[must_use]
    pub fn lines_to_read(&self) -> Vec<&Line> {
        const FIRST: [Name; 5] = [Name::FreshAvoided, Name::MoneySaved, Name::ReuseShare, Name::CostEach, Name::Cost];
        let place = |line: &&Line| FIRST.iter().position(|name| *name == line.name).unwrap_or(FIRST.len());
        let mut lines: Vec<&Line> = self.reckoning.iter().collect();
        lines.sort_by_key(|line| (line.figure.printed().is_none(), place(line)));
        lines
    }

    /// A figure by its name.
    #[must_use]
    pub fn figure(&self, name: Name) -> Option<&Figure> {
        self.reckoning.iter().find(|line| line.name == name).map(|line| &line.figure)
    }
}

/// The days of the month that are over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Period {
    /// First local day.
    pub from: NaiveDate,
    /// Last local day that is over; null before the first one is.
    pub to: Option<NaiveDate>,
    /// Whether the whole month is over, at every site.
    pub complete: bool,
}

impl Period {
    pub(super) fn of(inputs: &Inputs, present: &[&Subject]) -> Self {
        let ended = |subject: &&Subject| inputs.days_over(subject.zone).last() == Some(inputs.month_end());
        let to = inputs.last_day();
        Self {
            from: inputs.month.first_day(),
            to,
            complete: to == Some(inputs.month_end()) && present.iter().all(ended),
        }
    }
}

/// Volumes by local day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DaySeries {
    /// The units and sites in it.
    pub of: Vec<String>,
    /// One point for each day reported.
    pub points: Vec<DayPoint>,
}

/// A day. An amount is null where nothing measures it or nothing was read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DayPoint {
    /// The local day.
    pub date: NaiveDate,
    /// Fresh water used, in litres.
    pub fresh_used_l: Option<f64>,
    /// Treated water to the washers, in litres.
    pub washed_l: Option<f64>,
    /// Share of the day between accepted readings, 0 to 1.
    pub coverage: f64,
    /// Share of the day spread from steps longer than a day, 0 to 1.
    pub estimated_share: f64,
}

/// Volumes between the rounds at which a unit's or a site's meters were read: nothing in them is
/// estimated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PeriodSeries {
    /// The unit or site.
    pub of: String,
    /// One point for each read period, in order.
    pub points: Vec<PeriodPoint>,
}

/// A read period. An amount is null where nothing measures it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PeriodPoint {
    /// Local day of the earlier round.
    pub from: NaiveDate,
    /// Local day of the later round.
    pub to: NaiveDate,
    /// Fresh water used, in litres.
    pub fresh_used_l: Option<f64>,
    /// Treated water to the washers, in litres.
    pub washed_l: Option<f64>,
}

/// A month. An amount is null where nothing measures it or nothing was read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MonthPoint {
    /// The month.
    pub month: Month,
    /// Fresh water used, in litres.
    pub fresh_used_l: Option<f64>,
    /// Treated water to the washers, in litres.
    pub washed_l: Option<f64>,
    /// Share of the month between accepted readings, 0 to 1.
    pub coverage: f64,
    /// Share of the month spread from steps longer than a day, 0 to 1.
    pub estimated_share: f64,
}

/// A unit for the days that it stood at the customer's site.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UnitRow {
    /// The unit.
    pub unit_id: Uuid,
    /// What it is called.
    pub label: String,
    /// Its serial number.
    pub serial_number: String,
    /// Its model's name.
    pub model: Option<String>,
    /// The site's name.
    pub site: String,
    /// The site's zone.
    pub time_zone: String,
    /// Local day on which it was placed.
    pub placed_on: NaiveDate,
    /// Local day on which it left; null while it stands there.
    pub left_on: Option<NaiveDate>,
    /// On which terms it stands there.
    pub terms: Terms,
    /// How its water is measured.
    pub measured_by: MeasuredBy,
    /// What its meters support.
    pub grade: Grade,
    /// Fresh water used while it stood there, printed or withheld.
    pub fresh_used: Figure,
    /// Water recycled while it stood there, printed or withheld.
    pub recycled: Figure,
    /// Hours of the month in each state while it stood there; `state` null: not recorded.
    pub hours: Vec<StateHours>,
    /// Hours in which it was there to wash and could not: bypassed, stopped or in the workshop.
    #[serde(default)]
    pub lost_h: f64,
    /// Its states in the month.
    pub spells: Vec<SpellRow>,
}

/// How a unit's water is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MeasuredBy {
    /// By meters of its own.
    OwnMeters,
    /// By the site's meters, together with all that stands there.
    SiteMeters,
    /// By none.
    Nothing,
}

/// Hours in a state.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StateHours {
    /// The state; null: none was recorded.
    pub state: Option<SpellState>,
    /// Hours.
    pub hours: f64,
}

/// A state of a unit, cut to the month and to its stay.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpellRow {
    /// The state.
    pub state: SpellState,
    /// Why.
    pub reason: Option<String>,
    /// From when.
    pub from: DateTime<Utc>,
    /// Until when.
    pub to: DateTime<Utc>,
}

/// A step that waits for a decision.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Exception {
    /// The unit or site.
    pub of: String,
    /// The meter's label.
    pub meter: String,
    /// What is wrong, as a stable code.
    pub kind: String,
    /// What is wrong, in words.
    pub words: String,
    /// Local day of the earlier reading.
    pub from: NaiveDate,
    /// Local day of the later reading.
    pub to: NaiveDate,
}

impl Exception {
    pub(super) fn of(subject: &Subject, open: &OpenException) -> Self {
        Self {
            of: subject.name(),
            meter: open.meter.clone(),
            kind: open.kind.map_or("unknown", ExceptionKind::as_str).to_owned(),
            words: exception_words(open.kind).to_owned(),
            from: local_date(subject.zone, open.from),
            to: local_date(subject.zone, open.to),
        }
    }
}

/// More wash water than the guns can pass.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BeyondGuns {
    /// The unit or site.
    pub of: String,
    /// The wash volume in litres.
    pub wash_l: f64,
    /// The most that the guns can have passed, in litres.
    pub most_l: f64,
    /// What is wrong, and what to check.
    pub words: String,
}

impl BeyondGuns {
    pub(super) fn of(subject: &Subject) -> Option<Self> {
        let found = subject.statement.beyond_guns?;
        let words = sentence(&found.to_string());
        Some(Self { of: subject.name(), wash_l: found.wash.0, most_l: found.most.0, words })
    }
}

/// An open exception in plain words.
#[must_use]
pub fn exception_words(kind: Option<ExceptionKind>) -> &'static str {
    match kind {
        Some(ExceptionKind::Reversal) => "The register went backwards.",
        Some(ExceptionKind::DoubtfulRollover) => {
            "The register may have begun again from zero, but more passed than is sure to fit."
        }
        Some(ExceptionKind::AboveMaxFlow) => "More than the meter can pass in the time.",
        Some(ExceptionKind::AboveHistory) => "Far more than this meter has passed before at this time of year.",
        Some(ExceptionKind::BeyondRegister) => "A value that the register cannot show.",
        None => "A reading that does not fit.",
    }
}

/// Days that no accepted reading covers, or not wholly.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Missing {
    /// The unit or site.
    pub of: String,
    /// First local day.
    pub from: NaiveDate,
    /// Last local day.
    pub to: NaiveDate,
    /// How many days.
    pub days: u32,
    /// What is missing.
    pub words: String,
}

/// How the figures were made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Made {
    /// The method, a sentence each.
    pub method: Vec<String>,
    /// The meters.
    pub meters: Vec<MeterRow>,
    /// The baselines that held in the month.
    #[serde(default)]
    pub baselines: Vec<BaselineRow>,
}

/// A baseline, and who agreed to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaselineRow {
    /// The site.
    pub site: String,
    /// How it was found, in words.
    pub words: String,
    /// The first local day that it holds for.
    pub from: NaiveDate,
    /// The last one; null while it goes on.
    pub to: Option<NaiveDate>,
    /// Who agreed on the customer's side.
    pub agreed_by: String,
    /// That person's role.
    pub role: String,
    /// The day of the agreement.
    pub agreed_on: NaiveDate,
}

/// A meter behind the figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeterRow {
    /// The unit or site.
    pub of: String,
    /// What it is called.
    pub label: String,
    /// What it measures.
    pub stream: Stream,
    /// Who reads it.
    pub read_by: ReadBy,
    /// The declared share of it that counts here, 0 to 1; less than one is an allocation.
    pub share: f64,
    /// Its last reading by the end of the month.
    pub last_read_at: Option<DateTime<Utc>>,
}
