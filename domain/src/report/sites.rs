//! The reckoning of each of the customer's sites alone.

use super::figure::Line;
use super::inputs::{Inputs, Subject};
use super::reckon::{Case, lines};
use crate::accounts::site_cost::CostBasis;
use crate::ids::SiteId;
use serde::{Deserialize, Serialize};

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::stream::Stream;
    use crate::report::SavingsReport;
    use crate::report::figure::{Figure, Name, Printed, Value};
    use crate::report::tests::{fact, inputs, january, subject};
    use uuid::Uuid;

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
