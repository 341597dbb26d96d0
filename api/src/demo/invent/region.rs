//! The three countries of the scenario: clocks, holidays, climate, units, money and names.
//! Climates and names are invented to be of the right size; nothing here is measured.

use super::calendar;
use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;

/// Where a customer is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Region {
    /// South Australia: half an hour off the full hour, seasons reversed.
    Adelaide,
    /// The mountain states: frost in winter, gallons.
    Denver,
    /// Portugal: wet winters, dry summers.
    Lisbon,
}

/// Mean of a month, and how often and how much it rains then.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Climate {
    /// Mean temperature, in degrees Celsius.
    pub(crate) celsius: f64,
    /// Share of days with rain.
    pub(crate) wet_share: f64,
    /// Mean rain of a wet day, in millimetres.
    pub(crate) wet_day_mm: f64,
}

const ADELAIDE: ([f64; 12], [f64; 12], f64) = (
    [23.0, 23.0, 20.5, 17.5, 14.5, 12.0, 11.5, 12.5, 14.5, 17.0, 19.5, 21.5],
    [0.13, 0.12, 0.18, 0.27, 0.40, 0.48, 0.52, 0.50, 0.42, 0.34, 0.27, 0.22],
    4.5,
);
const DENVER: ([f64; 12], [f64; 12], f64) = (
    [-1.0, 0.5, 5.0, 9.0, 14.0, 20.0, 23.5, 22.5, 18.0, 11.0, 4.0, -1.0],
    [0.18, 0.20, 0.26, 0.30, 0.35, 0.30, 0.29, 0.28, 0.21, 0.18, 0.19, 0.17],
    4.0,
);
const LISBON: ([f64; 12], [f64; 12], f64) = (
    [11.5, 12.5, 14.5, 16.0, 18.5, 21.5, 23.5, 24.0, 22.5, 19.0, 15.0, 12.5],
    [0.48, 0.44, 0.37, 0.39, 0.26, 0.13, 0.05, 0.06, 0.18, 0.33, 0.43, 0.46],
    7.0,
);

impl Region {
    /// All three; customers take turns.
    pub(crate) const ALL: [Self; 3] = [Self::Adelaide, Self::Denver, Self::Lisbon];

    pub(crate) fn zone(self) -> Tz {
        match self {
            Self::Adelaide => Tz::Australia__Adelaide,
            Self::Denver => Tz::America__Denver,
            Self::Lisbon => Tz::Europe__Lisbon,
        }
    }

    /// ISO 3166-1 code.
    pub(crate) fn country(self) -> &'static str {
        match self {
            Self::Adelaide => "AU",
            Self::Denver => "US",
            Self::Lisbon => "PT",
        }
    }

    /// ISO 4217 code.
    pub(crate) fn currency(self) -> &'static str {
        match self {
            Self::Adelaide => "AUD",
            Self::Denver => "USD",
            Self::Lisbon => "EUR",
        }
    }

    /// Latitude and longitude about which the sites lie, in degrees.
    pub(crate) fn centre(self) -> (f64, f64) {
        match self {
            Self::Adelaide => (-34.6, 138.9),
            Self::Denver => (39.6, -104.8),
            Self::Lisbon => (38.9, -8.9),
        }
    }

    pub(crate) fn southern(self) -> bool {
        self == Self::Adelaide
    }

    pub(crate) fn climate(self, day: NaiveDate) -> Climate {
        let (celsius, wet_share, wet_day_mm) = match self {
            Self::Adelaide => ADELAIDE,
            Self::Denver => DENVER,
            Self::Lisbon => LISBON,
        };
        let of_month = |table: [f64; 12]| table.get(day.month0() as usize).copied().unwrap_or_default();
        Climate { celsius: of_month(celsius), wet_share: of_month(wet_share), wet_day_mm }
    }

    /// Whether nobody works on `day`.
    pub(crate) fn holiday(self, day: NaiveDate) -> bool {
        let on = |month, date| (day.month(), day.day()) == (month, date);
        let easter = calendar::easter(day.year());
        let after_easter = |days: i64| easter.is_some_and(|easter| (day - easter).num_days() == days);
        let fixed: &[(u32, u32)] = match self {
            Self::Adelaide => &[(1, 1), (1, 26), (4, 25), (12, 25), (12, 26)],
            Self::Denver => &[(1, 1), (7, 4), (12, 25)],
            Self::Lisbon => {
                &[(1, 1), (4, 25), (5, 1), (6, 10), (8, 15), (10, 5), (11, 1), (12, 1), (12, 8), (12, 25)]
            }
        };
        fixed.iter().any(|&(month, date)| on(month, date))
            || match self {
                Self::Adelaide => after_easter(-2) || after_easter(1) || calendar::nth_weekday(day, 10, 0, 1),
                Self::Denver => {
                    calendar::nth_weekday(day, 11, 3, 4) || calendar::nth_weekday(day, 9, 0, 1)
                }
                Self::Lisbon => after_easter(-2),
            }
    }

    /// Names of places, none of them real as far as we know.
    pub(crate) fn places(self) -> &'static [&'static str; 8] {
        match self {
            Self::Adelaide => &[
                "Wattle Bore", "Galah Creek", "Saltpan Siding", "Redgum Flat", "Quandong Rise", "Corella Bend",
                "Mallee Gate", "Emu Drift",
            ],
            Self::Denver => &[
                "Cinder Mesa", "Juniper Shelf", "Tumble Creek", "Basalt Gap", "Larkspur Draw", "Sagebrush Hollow",
                "Magpie Butte", "Coyote Bench",
            ],
            Self::Lisbon => &[
                "Vale da Garça", "Ribeira Funda", "Monte Raso", "Corvo Velho", "Ponte Seca", "Barca Nova",
                "Pinhal do Lobo", "Serra Mansa",
            ],
        }
    }

    /// The name of a firm at `place` in one of the trades, in their order.
    pub(crate) fn firm(self, place: &str, trade: usize) -> String {
        let (before, after): (&[&str; 7], &[&str; 7]) = match self {
            Self::Adelaide => (
                &[""; 7],
                &["Transport", "Coach Lines", "Harvesting", "Earthmoving", "Plant Hire", "Waste Collection", "Turf Club"],
            ),
            Self::Denver => (
                &[""; 7],
                &["Trucking", "Charter Buses", "Custom Harvesting", "Excavating", "Rentals", "Sanitation", "Golf Club"],
            ),
            Self::Lisbon => (
                &["Transportes", "Autocarros", "Agrícola", "Terraplanagens", "Aluguer", "Recolhas", "Golfe"],
                &[""; 7],
            ),
        };
        let word = |words: &'static [&'static str; 7]| words.get(trade % 7).copied().unwrap_or_default();
        format!("{} {place} {}", word(before), word(after)).trim().to_owned()
    }

    /// The name of the water supplier at `place`.
    pub(crate) fn water_supplier(self, place: &str) -> String {
        match self {
            Self::Adelaide => format!("{place} Water"),
            Self::Denver => format!("{place} Water District"),
            Self::Lisbon => format!("Águas de {place}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_works_on_holidays() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        // Public calendars of the three countries (from memory).
        assert!(Region::Denver.holiday(day("2025-11-27")), "Thanksgiving, the fourth Thursday of November");
        assert!(Region::Denver.holiday(day("2025-09-01")), "Labor Day, the first Monday of September");
        assert!(Region::Adelaide.holiday(day("2026-04-03")), "Good Friday");
        assert!(Region::Adelaide.holiday(day("2026-04-06")), "Easter Monday");
        assert!(Region::Lisbon.holiday(day("2026-06-10")));
        assert!(!Region::Lisbon.holiday(day("2026-04-06")));
        assert!(!Region::Denver.holiday(day("2025-11-20")));
    }

    #[test]
    fn firms_are_named_in_their_language() {
        assert_eq!(Region::Lisbon.firm("Monte Raso", 1), "Autocarros Monte Raso");
        assert_eq!(Region::Denver.firm("Basalt Gap", 8), "Basalt Gap Charter Buses");
    }
}
