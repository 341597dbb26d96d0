//! What is invented before any water flows: firms, yards, units, and what is odd about some.

use super::bay::Build;
use super::calendar::whole_seconds;
use super::region::Region;
use super::trade::Trade;
use chrono::{DateTime, Duration, NaiveTime, Utc};
use domain::customer::Customer;
use domain::ids::{CustomerId, SiteId, UnitId};
use domain::placement::Terms;
use domain::site::Site;
use domain::spell::SpellState;
use domain::unit::{Unit, UnitModel};
use uuid::Uuid;

/// The stretch of time that readings cover.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Window {
    pub(crate) from: DateTime<Utc>,
    pub(crate) until: DateTime<Utc>,
}

impl Window {
    /// The full hour at that share of it.
    pub(crate) fn at(self, share: f64) -> DateTime<Utc> {
        #[expect(clippy::cast_precision_loss, reason = "hours of some years are exact")]
        let hours = (self.until - self.from).num_hours() as f64 * share;
        self.from + Duration::hours(whole_seconds(hours))
    }

    /// Midnight UTC that many days before its end.
    pub(crate) fn days_before_end(self, days: i64) -> DateTime<Utc> {
        (self.until - Duration::days(days)).date_naive().and_time(NaiveTime::MIN).and_utc()
    }
}

/// A local key: records of an invention name each other by it, and get another one in the database.
pub(crate) fn local_id(record: u16, number: usize) -> Uuid {
    Uuid::from_u128((u128::from(record) << 64) | number as u128)
}

/// A customer.
#[derive(Debug, Clone)]
pub(crate) struct Firm {
    pub(crate) id: CustomerId,
    pub(crate) customer: Customer,
    pub(crate) region: Region,
    pub(crate) place: &'static str,
    /// Number of its trade.
    pub(crate) trade: usize,
    /// Its first unit and how many it has.
    pub(crate) units: std::ops::Range<usize>,
}

impl Firm {
    pub(crate) fn trade(&self) -> &'static Trade {
        Trade::number(self.trade)
    }
}

/// A site.
#[derive(Debug, Clone)]
pub(crate) struct Yard {
    pub(crate) id: SiteId,
    pub(crate) site: Site,
    pub(crate) firm: usize,
}

/// A model with what its record does not say.
#[derive(Debug, Clone)]
pub(crate) struct Model {
    pub(crate) record: UnitModel,
    pub(crate) fill_l_per_h: f64,
    pub(crate) base_kw: f64,
}

/// How a unit is metered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Metering {
    /// Everything, by the hour.
    Full,
    /// Make-up and hours by telemetry.
    Telemetry,
    /// One dial, read about monthly.
    Hand,
    /// Nothing.
    None,
}

/// What is odd about a unit: the cases that figures have to withstand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Oddity {
    /// Shares one meter with another unit.
    SharedMeter,
    /// Rented, and moved to another customer.
    Moved,
    /// Laid up over winter.
    LaidUp,
    /// Bypassed for two weeks.
    Bypassed,
    /// Its pit was emptied, cleaned and filled again.
    CleanedOut,
    /// Its register began again from zero.
    RolledOver,
    /// Its meter was exchanged.
    Exchanged,
    /// Its pulse total loses pulses against the dial.
    DialAndPulses,
    /// Two digits of a reading changed places.
    Transposed,
    /// A red decimal was typed as a whole digit.
    TimesTen,
    /// Water ran back through its make-up meter.
    Backwards,
    /// Its telemetry fell silent.
    Silent,
    /// Its fill valve no longer closes.
    PassingValve,
    /// Its pump wears.
    LosingFlow,
    /// Nobody read it for months.
    Unread,
    /// It was installed within the window.
    New,
}

/// An oddity with its time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Odd {
    pub(crate) what: Oddity,
    pub(crate) from: DateTime<Utc>,
    pub(crate) to: DateTime<Utc>,
}

/// A unit at a yard from-to.
#[derive(Debug, Clone)]
pub(crate) struct Stay {
    pub(crate) yard: usize,
    pub(crate) from: DateTime<Utc>,
    pub(crate) to: Option<DateTime<Utc>>,
    pub(crate) terms: Terms,
    pub(crate) build: Build,
    /// What the bay washes with, on a mean working day, in litres.
    pub(crate) wash_l_per_day: f64,
    /// Share of that which is fresh rinse water.
    pub(crate) rinse: f64,
}

/// A state that lasts until the next one.
#[derive(Debug, Clone)]
pub(crate) struct Phase {
    pub(crate) from: DateTime<Utc>,
    pub(crate) state: SpellState,
    pub(crate) reason: Option<&'static str>,
}

/// A unit.
#[derive(Debug, Clone)]
pub(crate) struct Plant {
    pub(crate) id: UnitId,
    pub(crate) unit: Unit,
    /// The firm that had it first.
    pub(crate) firm: usize,
    pub(crate) model: usize,
    pub(crate) metering: Metering,
    pub(crate) odd: Option<Odd>,
    pub(crate) stays: Vec<Stay>,
    pub(crate) phases: Vec<Phase>,
    /// Seconds between two readings of its telemetry.
    pub(crate) step_s: i64,
}

impl Plant {
    /// The oddity, if it is this one.
    pub(crate) fn odd(&self, what: Oddity) -> Option<Odd> {
        self.odd.filter(|odd| odd.what == what)
    }

    /// Its state at an instant.
    pub(crate) fn state(&self, at: DateTime<Utc>) -> SpellState {
        let begun = self.phases.iter().rev().find(|phase| phase.from <= at);
        begun.map_or(SpellState::Planned, |phase| phase.state)
    }

    /// Where it stands at an instant.
    pub(crate) fn stay(&self, at: DateTime<Utc>) -> Option<&Stay> {
        self.stays.iter().find(|stay| stay.from <= at && stay.to.is_none_or(|to| at < to))
    }

    /// When it was first installed.
    pub(crate) fn installed(&self) -> DateTime<Utc> {
        self.stays.first().map_or(DateTime::UNIX_EPOCH, |stay| stay.from)
    }
}
