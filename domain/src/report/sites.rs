//! The reckoning of each of the customer's sites alone.

use super::figure::{Line, Withheld};
use super::inputs::{Inputs, Subject};
use super::reckon::{Case, Tally, enough, lines};
use crate::accounts::site_cost::CostBasis;
use crate::ids::SiteId;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use uuid::Uuid;

/// What a site's water, washes and money come to in the month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SiteReckoning {
    /// The site.
    pub site_id: SiteId,
    /// Its name.
    pub site: String,
    /// The figures, each printed or withheld, as those of all sites together.
    pub reckoning: Vec<Line>,
}

/// One for each site at which something stood or was measured in the month.
pub(super) fn of(inputs: &Inputs, present: &[&Subject]) -> Vec<SiteReckoning> {
    let mut all = present.to_vec();
    all.sort_by_key(|subject| subject.site_id);
    all.chunk_by(|a, b| a.site_id == b.site_id).filter_map(|here| of_site(inputs, here)).collect()
}

fn of_site(inputs: &Inputs, here: &[&Subject]) -> Option<SiteReckoning> {
    let first = here.first()?;
    let case = Case::of(inputs, here, CostBasis::Accrued);
    Some(SiteReckoning { site_id: SiteId(first.site_id), site: first.site.clone(), reckoning: lines(&case) })
}

/// Those of the sites at which days enough are whole, so that the figures of the sites add up to those of all
/// together.
pub(super) fn balanced_sites<'c, 'a>(members: Vec<&'c Tally<'a>>) -> Result<Vec<&'c Tally<'a>>, Withheld> {
    let at =
        |site: Uuid| members.iter().filter(move |tally| tally.subject.site_id == site).copied().collect::<Vec<_>>();
    let sites: BTreeSet<Uuid> = members.iter().map(|tally| tally.subject.site_id).collect();
    let balanced: BTreeSet<Uuid> = sites.into_iter().filter(|site| enough(&at(*site)).is_ok()).collect();
    if balanced.is_empty() {
        return enough(&members).map(|_| members);
    }
    Ok(members.into_iter().filter(|tally| balanced.contains(&tally.subject.site_id)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::stream::Stream;
    use crate::report::SavingsReport;
    use crate::report::figure::{Figure, Name, Printed, Value};
    use crate::report::tests::{fact, inputs, january, subject};

    /// A unit at site `site` that used so many litres of fresh water a day, and washed with 4,000.
    fn unit(n: u128, site: u128, makeup_l: f64) -> Subject {
        let amounts = [(Stream::Makeup, makeup_l), (Stream::Wash, 4000.0)];
        let days = january().map(|date| fact(date, &amounts)).collect();
        let stood = subject(n, &[Stream::Makeup, Stream::Wash], days);
        Subject { site_id: Uuid::from_u128(site), site: format!("Yard {site}"), ..stood }
    }

    fn printed(lines: &[Line], name: Name) -> Printed {
        let found = lines.iter().find(|line| line.name == name).map(|line| &line.figure);
        match found {
            Some(Figure::Printed(printed)) => *printed,
            other => panic!("{name:?}: {other:?}"),
        }
    }

    fn litres(lines: &[Line], name: Name) -> f64 {
        match printed(lines, name).value {
            Value::Litres(litres) => litres,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn each_site_has_its_own_reckoning_and_together_they_are_the_customers() {
        let subjects = vec![unit(1, 8, 1000.0), unit(2, 7, 500.0), unit(3, 8, 250.0)];
        let report = SavingsReport::of(&inputs(subjects));
        let sites: Vec<_> = report.sites.iter().map(|of| (of.site_id.0.as_u128(), of.site.as_str())).collect();
        assert_eq!(sites, [(7, "Yard 7"), (8, "Yard 8")]);
        // By hand, over 31 days: 500; 1,000 and 250; washed with 4,000 by each unit.
        let [seven, eight] = [0, 1].map(|n| report.sites[n].reckoning.as_slice());
        for (of, fresh, washed, units) in [(seven, 15_500.0, 124_000.0, 1), (eight, 38_750.0, 248_000.0, 2)] {
            assert!((litres(of, Name::FreshUsed) - fresh).abs() < 1e-6);
            assert!((litres(of, Name::Washed) - washed).abs() < 1e-6);
            let fresh = printed(of, Name::FreshUsed);
            assert_eq!((fresh.units_covered, fresh.units), (units, units), "of the units at the site");
            assert!(fresh.expanded.is_some_and(|expanded| expanded > 0.0));
        }
        for name in [Name::FreshUsed, Name::Washed, Name::Recycled] {
            let of_sites: f64 = [seven, eight].map(|of| litres(of, name)).iter().sum();
            assert!((of_sites - litres(&report.reckoning, name)).abs() < 1e-6, "{name:?}");
        }
    }

    /// By hand: of the unit at the first yard 20 days of 31 were read, too few for a balance. With it 144 of all
    /// 155 days were: of the four at the other yard 4 x 31 x (4,000 - 1,000) L are recycled, and no more in all.
    #[test]
    fn a_site_without_a_balance_is_in_no_balance_of_all() {
        let mut gap = unit(1, 7, 1000.0);
        let read = gap.days[..20].to_vec();
        let anew = subject(1, &[Stream::Makeup, Stream::Wash], read);
        gap = Subject { site_id: gap.site_id, site: gap.site, ..anew };
        let report = SavingsReport::of(&inputs((2..6).map(|n| unit(n, 8, 1000.0)).chain([gap]).collect()));
        let [seven, eight] = [0, 1].map(|n| report.sites[n].reckoning.as_slice());
        let of_seven = seven.iter().find(|line| line.name == Name::Recycled).unwrap();
        assert!(matches!(of_seven.figure, Figure::Withheld(_)), "{of_seven:?}");
        for (name, wanted) in [(Name::Recycled, 372_000.0), (Name::Washed, 496_000.0)] {
            assert!(
                (litres(eight, name) - wanted).abs() < 1e-6 && litres(&report.reckoning, name) == wanted,
                "{name:?}"
            );
            let all = printed(&report.reckoning, name);
            assert_eq!((all.units_covered, all.units, all.coverage), (4, 5, 1.0));
        }
    }

    #[test]
    fn a_customers_only_site_is_reckoned_as_the_customer() {
        let report = SavingsReport::of(&inputs(vec![unit(1, 7, 1000.0), unit(2, 7, 800.0)]));
        assert_eq!(report.sites.len(), 1);
        assert_eq!(report.sites[0].reckoning, report.reckoning);
        let said_before_there_were_any = {
            let mut said = serde_json::to_value(&report).unwrap();
            said.as_object_mut().unwrap().remove("sites");
            serde_json::from_value::<SavingsReport>(said).unwrap()
        };
        assert!(said_before_there_were_any.sites.is_empty());
    }
}
