//! A site: a wash bay of a customer.

use crate::country::Country;
use crate::fault::Faults;
use crate::ids::CustomerId;
use crate::named::named;
use chrono_tz::Tz;

named! {
    /// What a bay washes with when its unit stands.
    Fallback as "fallback" {
        /// Town water from the hose.
        TownWater = "town_water",
        /// Another unit at the site.
        SecondUnit = "second_unit",
        /// Nothing: the bay stops.
        None = "none",
    }
}

named! {
    /// What mostly comes off what is washed at a bay; parts wear by it.
    SoilClass as "soil_class" {
        /// Dust and road film, as of cars, vans and buses.
        Light = "light",
        /// Earth, sand and clay, as of building and farm machines.
        Earth = "earth",
        /// Oil and grease, as of workshops and engines.
        Oily = "oily",
        /// Dung, feed and other remains of food, as of stock lorries.
        Organic = "organic",
    }
}

/// Where on Earth, in degrees of WGS 84.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coordinates {
    /// North of the equator is positive.
    pub latitude: f64,
    /// East of Greenwich is positive.
    pub longitude: f64,
}

impl Coordinates {
    /// Both or neither.
    ///
    /// # Errors
    /// Faults at `/latitude` and `/longitude`.
    pub fn parse(latitude: Option<f64>, longitude: Option<f64>) -> Result<Option<Self>, Faults> {
        let mut faults = Faults::default();
        match (latitude, longitude) {
            (None, None) => Ok(None),
            (Some(latitude), Some(longitude)) => {
                faults.range("/latitude", latitude, -90.0, 90.0);
                faults.range("/longitude", longitude, -180.0, 180.0);
                faults.or(Some(Self { latitude, longitude }))
            }
            (Some(_), None) => Err(Faults::one("/longitude", "required", "give both coordinates or neither")),
            (None, Some(_)) => Err(Faults::one("/latitude", "required", "give both coordinates or neither")),
        }
    }
}

/// A site's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// Whose it is.
    pub customer_id: CustomerId,
    /// The name, 1 to 120 characters.
    pub name: String,
    /// Its days and months begin by this zone.
    pub time_zone: Tz,
    /// Where it is.
    pub country: Country,
    /// Postal address.
    pub address: Option<String>,
    /// Where exactly.
    pub coordinates: Option<Coordinates>,
    /// The number the customer's own books give it.
    pub own_number: Option<String>,
    /// The cost centre the customer's own books give it.
    pub cost_centre: Option<String>,
    /// Whether the bay has a roof; an open pad collects rain.
    pub bay_roofed: bool,
    /// Area that drains into the pit, in square metres.
    pub catchment_m2: Option<f64>,
    /// Part of the rain on that area that runs off, 0 to 1.
    pub runoff_coefficient: Option<f64>,
    /// Depth that wets the area before anything runs, in millimetres a rain day.
    pub initial_loss_mm: Option<f64>,
    /// Whether a diverter can keep rain out of the pit.
    pub rain_diverter: bool,
    /// Volume of the pit, in litres.
    pub pit_volume_l: Option<f64>,
    /// What the bay washes with when its unit stands.
    pub fallback: Fallback,
    /// What mostly comes off what is washed; none where nobody said.
    pub soil_class: Option<SoilClass>,
}

/// Largest catchment taken, in square metres: ten football pitches.
const CATCHMENT_M2_MAX: f64 = 100_000.0;
/// Largest initial loss taken, in millimetres, as [`crate::water::losses::Catchment`] does.
const INITIAL_LOSS_MM_MAX: f64 = 100.0;
/// Largest pit taken, in litres.
const PIT_L_MAX: f64 = 10_000_000.0;

impl Site {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        self.address = faults.optional_text("/address", self.address.as_deref(), 500);
        self.own_number = faults.optional_text("/own_number", self.own_number.as_deref(), 60);
        self.cost_centre = faults.optional_text("/cost_centre", self.cost_centre.as_deref(), 60);
        if let Some(area) = self.catchment_m2 {
            faults.range("/catchment_m2", area, 0.0, CATCHMENT_M2_MAX);
        }
        if let Some(part) = self.runoff_coefficient {
            faults.range("/runoff_coefficient", part, 0.0, 1.0);
        }
        if let Some(depth) = self.initial_loss_mm {
            faults.range("/initial_loss_mm", depth, 0.0, INITIAL_LOSS_MM_MAX);
        }
        if let Some(volume) = self.pit_volume_l {
            faults.range("/pit_volume_l", volume, 0.0, PIT_L_MAX);
        }
        faults.or(self)
    }

    /// What it becomes. A site stays with its customer: what that customer may see of the
    /// past hangs on it.
    ///
    /// # Errors
    /// A fault at `/customer_id`.
    pub fn becomes(&self, new: Self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if new.customer_id != self.customer_id {
            let fix = "a site stays with its customer; add a site for the other one and place the unit there";
            faults.add("/customer_id", "fixed", fix);
        }
        faults.or(new)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn site() -> Site {
        Site {
            customer_id: CustomerId(Uuid::from_u128(1)),
            name: " North yard ".to_owned(),
            time_zone: chrono_tz::Europe::Vienna,
            country: Country::parse("AT").unwrap(),
            address: Some("  ".to_owned()),
            coordinates: None,
            own_number: None,
            cost_centre: None,
            bay_roofed: true,
            catchment_m2: Some(0.0),
            runoff_coefficient: None,
            initial_loss_mm: None,
            rain_diverter: false,
            pit_volume_l: None,
            fallback: Fallback::TownWater,
            soil_class: None,
        }
    }

    fn pointers(faults: &Faults) -> Vec<&str> {
        faults.0.iter().map(|fault| fault.pointer.as_str()).collect()
    }

    #[test]
    fn texts_are_trimmed() {
        let site = site().checked().unwrap();
        assert_eq!((site.name.as_str(), site.address), ("North yard", None));
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = Site {
            name: "\u{7}".to_owned(),
            address: Some("x".repeat(501)),
            own_number: Some("x".repeat(61)),
            cost_centre: Some("x".repeat(61)),
            catchment_m2: Some(-1.0),
            runoff_coefficient: Some(1.1),
            initial_loss_mm: Some(-1.0),
            pit_volume_l: Some(f64::NAN),
            ..site()
        };
        assert_eq!(
            pointers(&wrong.checked().unwrap_err()),
            [
                "/name",
                "/address",
                "/own_number",
                "/cost_centre",
                "/catchment_m2",
                "/runoff_coefficient",
                "/initial_loss_mm",
                "/pit_volume_l"
            ]
        );
    }

    #[test]
    fn coordinates_come_in_pairs_on_the_globe() {
        assert_eq!(Coordinates::parse(None, None), Ok(None));
        assert!(Coordinates::parse(Some(-90.0), Some(180.0)).unwrap().is_some());
        assert_eq!(pointers(&Coordinates::parse(Some(1.0), None).unwrap_err()), ["/longitude"]);
        assert_eq!(pointers(&Coordinates::parse(None, Some(1.0)).unwrap_err()), ["/latitude"]);
        assert_eq!(pointers(&Coordinates::parse(Some(90.5), Some(-181.0)).unwrap_err()), ["/latitude", "/longitude"]);
    }

    #[test]
    fn a_site_stays_with_its_customer() {
        let other = Site { customer_id: CustomerId(Uuid::from_u128(2)), ..site() };
        assert_eq!(pointers(&site().becomes(other).unwrap_err()), ["/customer_id"]);
        let renamed = Site { name: "South yard".to_owned(), ..site() };
        assert_eq!(site().becomes(renamed.clone()), Ok(renamed));
    }
}
