//! Countries by their ISO 3166-1 alpha-2 codes.

use crate::fault::Faults;
use std::fmt;

/// The officially assigned codes, in order, as the IANA tz database 2023 lists them
/// (`iso3166.tab`, public domain, after ISO/TC 46 N1108).
const CODES: &str = "\
     AD AE AF AG AI AL AM AO AQ AR AS AT AU AW AX AZ BA BB BD BE BF BG BH BI BJ BL BM BN BO BQ BR BS BT \
     BV BW BY BZ CA CC CD CF CG CH CI CK CL CM CN CO CR CU CV CW CX CY CZ DE DJ DK DM DO DZ EC EE EG EH \
     ER ES ET FI FJ FK FM FO FR GA GB GD GE GF GG GH GI GL GM GN GP GQ GR GS GT GU GW GY HK HM HN HR HT \
     HU ID IE IL IM IN IO IQ IR IS IT JE JM JO JP KE KG KH KI KM KN KP KR KW KY KZ LA LB LC LI LK LR LS \
     LT LU LV LY MA MC MD ME MF MG MH MK ML MM MN MO MP MQ MR MS MT MU MV MW MX MY MZ NA NC NE NF NG NI \
     NL NO NP NR NU NZ OM PA PE PF PG PH PK PL PM PN PR PS PT PW PY QA RE RO RS RU RW SA SB SC SD SE SG \
     SH SI SJ SK SL SM SN SO SR SS ST SV SX SY SZ TC TD TF TG TH TJ TK TL TM TN TO TR TT TV TW TZ UA UG \
     UM US UY UZ VA VC VE VG VI VN VU WF WS YE YT ZA ZM ZW \
";

/// A country.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Country(&'static str);

impl Country {
    /// The country of that code, in capitals.
    ///
    /// # Errors
    /// A fault with an empty pointer.
    pub fn parse(code: &str) -> Result<Self, Faults> {
        Self::all().find(|country| country.0 == code).ok_or_else(|| {
            Faults::one("", "unknown_country", "give an ISO 3166-1 alpha-2 code in capitals, such as IT or US")
        })
    }

    /// Every country.
    pub fn all() -> impl Iterator<Item = Self> {
        CODES.split_ascii_whitespace().map(Self)
    }

    /// Its code.
    #[must_use]
    pub fn code(self) -> &'static str {
        self.0
    }
}

impl fmt::Display for Country {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_assigned_codes_are_countries() {
        assert_eq!(Country::all().count(), 249);
        assert!(Country::all().is_sorted());
        assert_eq!(Country::parse("AT").unwrap().code(), "AT");
        for code in ["at", "UK", "EU", "XX", "", "A", "AUT", "A T"] {
            assert!(Country::parse(code).is_err(), "{code}");
        }
    }
}
