//! What the meters of a site and period support, and why a figure is not printed.

use super::term::{Part, Source};
use serde::{Deserialize, Serialize};

/// What the meters support, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Grade {
    /// Wash and make-up are metered.
    Measured,
    /// Make-up is metered, wash derived.
    PartMeasured,
    /// Only make-up is metered.
    MakeupOnly,
    /// Make-up is not metered.
    NotMeasured,
}

/// A figure of the balance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Figure {
    /// Water recycled.
    Recycled,
    /// Fresh water used.
    FreshUsed,
    /// What is not accounted for.
    Residual,
    /// Recycled over all water to the washers.
    ReuseRatio,
    /// Fresh water avoided against an agreed baseline.
    FreshAvoided,
}

/// Why a figure is not printed, and what would change that.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Withheld {
    /// Nothing measures what the figure stands on.
    #[error("the meters do not support it: {}", .0.remedy())]
    Grade(Grade),
    /// A part that belongs to the figure exists and is not known.
    #[error("{} is not known: meter it, or declare its volumes", .0.as_str().replace('_', " "))]
    Unmeasured(Part),
    /// No meter of the balance was read in the period.
    #[error("not read: the figure is caught up when the meters are read")]
    NotRead,
    /// Accepted readings of all meters together cover too little of the period.
    #[error("{}: read every meter, meter every unit, or decide on the open exceptions", read_at_once(*.coverage))]
    Gap {
        /// Covered part of the period, 0 to 1.
        coverage: f64,
    },
    /// Not one whole fill cycle lies in the period.
    #[error("the period holds no whole fill cycle: take a longer one")]
    NoFillCycle,
    /// No water went to the washers.
    #[error("no water went to the washers in the period")]
    NothingWashed,
    /// No baseline was agreed.
    #[error("no baseline is agreed for the period: record one with the customer")]
    NoBaseline,
}

/// How much of the time is known of all that belongs to a figure: each of it may have been read for more.
fn read_at_once(coverage: f64) -> String {
    match (coverage * 100.0).floor() {
        0.0 => "at no time were all its units and meters read at once".to_owned(),
        percent => format!("all its units and meters were read at once for only {percent:.0} % of the time"),
    }
}

impl Withheld {
    /// A stable code for answers.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Grade(_) => "meters_do_not_support",
            Self::Unmeasured(_) => "part_not_measured",
            Self::NotRead => "not_read",
            Self::Gap { .. } => "gap",
            Self::NoFillCycle => "no_fill_cycle",
            Self::NothingWashed => "nothing_washed",
            Self::NoBaseline => "no_baseline",
        }
    }
}

impl Grade {
    /// Every grade, best first.
    pub const ALL: [Self; 4] = [Self::Measured, Self::PartMeasured, Self::MakeupOnly, Self::NotMeasured];

    /// The grade that make-up and wash support together. Make-up counts when a meter stands
    /// behind it, with what was typed in from a hose on top; wash when it is metered or derived.
    #[must_use]
    pub fn of(makeup: Source, wash: Source) -> Self {
        match wash {
            _ if !makeup.metered() => Self::NotMeasured,
            wash if wash.metered() => Self::Measured,
            Source::Derived => Self::PartMeasured,
            _ => Self::MakeupOnly,
        }
    }

    /// Whether the figure may be printed.
    ///
    /// # Errors
    /// Why not.
    pub fn allows(self, figure: Figure) -> Result<(), Withheld> {
        let allowed = match self {
            Self::Measured | Self::PartMeasured => true,
            // Fresh water avoided needs no wash volume: it is held against the baseline. The
            // residual does not either, for the wash volume cancels out.
            Self::MakeupOnly => matches!(figure, Figure::FreshUsed | Figure::FreshAvoided | Figure::Residual),
            Self::NotMeasured => false,
        };
        if allowed { Ok(()) } else { Err(Withheld::Grade(self)) }
    }

    /// The name in requests, answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::PartMeasured => "part_measured",
            Self::MakeupOnly => "makeup_only",
            Self::NotMeasured => "not_measured",
        }
    }

    /// The grade of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|grade| grade.as_str() == name)
    }

    /// What would lift the grade.
    fn remedy(self) -> &'static str {
        match self {
            Self::Measured => "nothing is missing",
            Self::PartMeasured => "meter the treated water to the washers",
            Self::MakeupOnly => "meter the treated water to the washers, or record bucket tests and trigger hours",
            Self::NotMeasured => "meter the make-up water",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn follows_from_what_stands_behind_makeup_and_wash() {
        use Source::{Absent, Allocated, Declared, Derived, Metered, Unknown};
        for (makeup, wash, grade) in [
            (Metered, Metered, Grade::Measured),
            (Allocated, Metered, Grade::Measured),
            (Metered, Derived, Grade::PartMeasured),
            (Metered, Unknown, Grade::MakeupOnly),
            (Metered, Declared, Grade::MakeupOnly),
            (Metered, Absent, Grade::MakeupOnly),
            (Declared, Metered, Grade::NotMeasured),
            (Unknown, Derived, Grade::NotMeasured),
        ] {
            assert_eq!(Grade::of(makeup, wash), grade, "{makeup:?} {wash:?}");
        }
    }

    #[test]
    fn makeup_alone_prints_no_recycled_water() {
        let withheld = Grade::MakeupOnly.allows(Figure::Recycled).unwrap_err();
        assert_eq!(withheld, Withheld::Grade(Grade::MakeupOnly));
        assert!(withheld.to_string().contains("bucket tests"), "{withheld}");
        assert!(Grade::MakeupOnly.allows(Figure::ReuseRatio).is_err());
        assert!(Grade::MakeupOnly.allows(Figure::FreshUsed).is_ok());
        assert!(Grade::NotMeasured.allows(Figure::FreshUsed).is_err());
    }

    #[test]
    fn a_gap_says_how_much_was_read_at_once() {
        let words = |coverage| Withheld::Gap { coverage }.to_string();
        assert!(
            words(0.799).starts_with("all its units and meters were read at once for only 79 % of the time: read ")
        );
        assert!(words(0.004).starts_with("at no time were all its units and meters read at once: read every meter"));
    }

    #[test]
    fn names_round_trip() {
        for grade in Grade::ALL {
            assert_eq!(Grade::from_name(grade.as_str()), Some(grade));
        }
    }
}
