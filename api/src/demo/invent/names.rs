//! Who and where. All of it is invented.

use chrono_tz::Tz;
use domain::site::Coordinates;

/// A country the dealer works in.
#[derive(Debug)]
pub(crate) struct Region {
    pub(crate) country: &'static str,
    pub(crate) zone: Tz,
    /// Whether January is summer.
    pub(crate) southern: bool,
    /// Mean temperature of the year in degrees Celsius, and how far summer lies above it
    /// (of the usual size for such places, from memory).
    pub(crate) celsius: (f64, f64),
    /// Whether meters read by hand count US gallons.
    pub(crate) gallons: bool,
    /// Degrees north and east around which its sites lie.
    around: (f64, f64),
}

pub(crate) const REGIONS: [Region; 3] = [
    Region {
        country: "US",
        zone: Tz::America__Denver,
        southern: false,
        celsius: (10.0, 12.0),
        gallons: true,
        around: (39.0, -105.5),
    },
    Region {
        country: "PT",
        zone: Tz::Europe__Lisbon,
        southern: false,
        celsius: (17.0, 6.0),
        gallons: false,
        around: (39.4, -8.2),
    },
    Region {
        country: "AU",
        zone: Tz::Australia__Adelaide,
        southern: true,
        celsius: (17.0, 6.0),
        gallons: false,
        around: (-34.4, 138.9),
    },
];

/// The customers, in turn of the regions.
pub(crate) const CUSTOMERS: [&str; 17] = [
    "Juniper Flat Transit",
    "Transportes Vale do Sobral",
    "Saltbush Rental",
    "Pinyon Ridge Haulage",
    "Autocarros Ponte Nova",
    "Redclay Earthmoving",
    "Cold Creek Paving",
    "Aluguer Rio Manso",
    "Gumleaf Bus Lines",
    "High Fork Farm Co-op",
    "Limpeza Urbana Serra Alva",
    "Mallee Harvest Services",
    "Sagebrush Equipment Hire",
    "Construções Pedra Fria",
    "Wattle Point Freight",
    "Ten Mile Refuse",
    "Agrícola Monte Claro",
];

/// A model of unit.
#[derive(Debug)]
pub(crate) struct Model {
    pub(crate) name: &'static str,
    pub(crate) flow_l_per_h: f64,
    pub(crate) volume_l: f64,
    pub(crate) band_l: f64,
}

pub(crate) const MODELS: [Model; 4] = [
    Model { name: "MR-15", flow_l_per_h: 1500.0, volume_l: 3000.0, band_l: 150.0 },
    Model { name: "MR-25", flow_l_per_h: 2500.0, volume_l: 5000.0, band_l: 250.0 },
    Model { name: "MR-40", flow_l_per_h: 4000.0, volume_l: 8000.0, band_l: 400.0 },
    Model { name: "MR-60", flow_l_per_h: 6000.0, volume_l: 12_000.0, band_l: 600.0 },
];

/// The region of a site; each customer has one site.
pub(crate) fn region(site: usize) -> &'static Region {
    const FIRST: &Region = &REGIONS[0];
    REGIONS.get(site % REGIONS.len()).unwrap_or(FIRST)
}

/// Where a site lies: in a spiral around the middle of its region.
pub(crate) fn coordinates(site: usize) -> Coordinates {
    let (latitude, longitude) = region(site).around;
    let turn = f64::from(u32::try_from(site).unwrap_or_default());
    let out = 0.2 * turn.sqrt();
    Coordinates { latitude: latitude + out * turn.sin(), longitude: longitude + out * turn.cos() }
}

/// The model of that number.
pub(crate) fn model(number: usize) -> &'static Model {
    const FIRST: &Model = &MODELS[0];
    MODELS.get(number % MODELS.len()).unwrap_or(FIRST)
}

/// Whether the wash bay of a site has a roof; each fourth lies open.
pub(crate) fn roofed(site: usize) -> bool {
    site % 4 != 3
}
