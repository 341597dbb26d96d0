//! Which units and sites are meant by what people know them by: models, states and the customer's own numbers.

use super::Of;
use crate::db::schema::{site, unit};
use crate::db::{DbError, Tx, spell};
use diesel::pg::Pg;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use uuid::Uuid;

/// Whose units and sites; `None`: all of them.
#[derive(Debug, Clone, Default)]
pub struct Among {
    /// The customer's.
    pub customer: Option<Uuid>,
    /// These sites.
    pub sites: Option<Vec<Uuid>>,
    /// These units.
    pub units: Option<Vec<Uuid>>,
}

impl Among {
    /// Whether everything is meant.
    #[must_use]
    pub fn is_all(&self) -> bool {
        self.customer.is_none() && self.sites.is_none() && self.units.is_none()
    }

    /// Whether a unit at a customer's site is meant, or the site itself.
    #[must_use]
    pub fn has(&self, customer: Uuid, site: Uuid, unit: Option<Uuid>) -> bool {
        self.customer.is_none_or(|meant| meant == customer)
            && self.sites.as_ref().is_none_or(|meant| meant.contains(&site))
            && self.units.as_ref().is_none_or(|meant| unit.is_some_and(|unit| meant.contains(&unit)))
    }
}

impl Of {
    /// The units and sites that it means now, as far as the scope reaches.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn among(&self, tx: &Tx<'_>) -> Result<Among, DbError> {
        Ok(Among { customer: self.customer, sites: self.sites(tx).await?, units: self.units(tx).await? })
    }

    async fn sites(&self, tx: &Tx<'_>) -> Result<Option<Vec<Uuid>>, DbError> {
        if self.site_number.is_none() && self.cost_centre.is_none() {
            return Ok(self.site.map(|site| vec![site]));
        }
        let mut found = site::table.select(site::id).into_boxed::<Pg>();
        if let Some(id) = self.site {
            found = found.filter(site::id.eq(id));
        }
        if let Some(number) = &self.site_number {
            found = found.filter(site::own_number.eq(number));
        }
        if let Some(cost_centre) = &self.cost_centre {
            found = found.filter(site::cost_centre.eq(cost_centre));
        }
        let sites: Vec<Uuid> = found.load(&mut tx.conn()).await?;
        Ok(Some(sites))
    }

    async fn units(&self, tx: &Tx<'_>) -> Result<Option<Vec<Uuid>>, DbError> {
        if self.model.is_none() && self.asset_number.is_none() && self.spell.is_none() {
            return Ok(self.unit.map(|unit| vec![unit]));
        }
        let mut found = unit::table.select(unit::id).into_boxed::<Pg>();
        if let Some(id) = self.unit {
            found = found.filter(unit::id.eq(id));
        }
        if let Some(model) = self.model {
            found = found.filter(unit::model_id.eq(model));
        }
        if let Some(number) = &self.asset_number {
            found = found.filter(unit::asset_number.eq(number));
        }
        if let Some(state) = self.spell {
            found = found.filter(unit::id.eq_any(spell::units_in(state, tx.now())));
        }
        let units: Vec<Uuid> = found.load(&mut tx.conn()).await?;
        Ok(Some(units))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_said_means_all_and_a_site_itself_is_no_unit() {
        let [customer, site, unit, other] = [1, 2, 3, 4].map(Uuid::from_u128);
        let all = Among::default();
        assert!(all.is_all() && all.has(customer, site, None) && all.has(customer, site, Some(unit)));
        let of_units = Among { units: Some(vec![unit]), ..Among::default() };
        assert!(!of_units.is_all() && of_units.has(customer, site, Some(unit)));
        assert!(!of_units.has(customer, site, Some(other)) && !of_units.has(customer, site, None));
        let at_sites = Among { customer: Some(customer), sites: Some(vec![site]), ..Among::default() };
        assert!(at_sites.has(customer, site, None) && !at_sites.has(customer, other, None));
        assert!(!at_sites.has(other, site, None));
        let none = Among { sites: Some(Vec::new()), ..Among::default() };
        assert!(!none.is_all() && !none.has(customer, site, Some(unit)), "a number that nothing has means nothing");
    }
}
