//! Places drawn by their coordinates, with a bar for the scale: nothing on it comes from elsewhere.

use super::{add, escaped};
use domain::customer::UnitSystem;

/// Mean radius of the Earth, in kilometres: R1 of the Geodetic Reference System 1980.
const EARTH_KM: f64 = 6_371.008_8;
/// Kilometres of a mile, by its definition.
const MILE_KM: f64 = 1.609_344;
/// Width and height of the picture.
const SIZE: (f64, f64) = (600.0, 460.0);
/// Free on each side, so that marks and their numbers are within.
const MARGIN: f64 = 40.0;
/// The least that a picture is across, in kilometres: sites in one street are not a street apart.
const KM_LEAST: f64 = 2.0;
/// Places further from all others than that are not of one region with them, in kilometres.
const APART_KM: f64 = 500.0;
/// Half of a mark.
const MARK: f64 = 9.0;

/// A place.
#[derive(Debug, Clone)]
pub struct Spot {
    /// Degrees north.
    pub latitude: f64,
    /// Degrees east.
    pub longitude: f64,
    /// Its number, as the list beside the picture has it.
    pub number: usize,
    /// Its name.
    pub name: String,
    /// Its page.
    pub link: String,
    /// Whether something stands still there: it is drawn as a square.
    pub stands: bool,
}

/// From degrees to the picture: an equirectangular projection, true to scale along its middle latitude.
struct Projection {
    /// The meridian from which degrees east are counted: of places on both sides of 180 degrees, neither is far.
    meridian: f64,
    /// The middle, in degrees east of that meridian, and north.
    middle: (f64, f64),
    /// Kilometres of a degree east there, and of one north.
    km: (f64, f64),
    /// Dots of a kilometre.
    dots: f64,
}

impl Projection {
    fn of(spots: &[Spot]) -> Self {
        let meridian = spots.first().map_or(0.0, |spot| spot.longitude);
        let (east, west) = bounds(spots.iter().map(|spot| east_of(meridian, spot.longitude)));
        let (north, south) = bounds(spots.iter().map(|spot| spot.latitude));
        let middle = (f64::midpoint(east, west), f64::midpoint(north, south));
        let north_km = EARTH_KM * 1.0_f64.to_radians();
        let km = (north_km * middle.1.to_radians().cos(), north_km);
        let across = ((east - west) * km.0).max(KM_LEAST);
        let along = ((north - south) * km.1).max(KM_LEAST);
        let dots = ((SIZE.0 - 2.0 * MARGIN) / across).min((SIZE.1 - 2.0 * MARGIN) / along);
        Self { meridian, middle, km, dots }
    }

    fn place(&self, spot: &Spot) -> (f64, f64) {
        let east = (east_of(self.meridian, spot.longitude) - self.middle.0) * self.km.0 * self.dots;
        let north = (spot.latitude - self.middle.1) * self.km.1 * self.dots;
        (SIZE.0 / 2.0 + east, SIZE.1 / 2.0 - north)
    }

    /// A round length of at most a third of the picture, in dots, and in words.
    fn bar(&self, system: UnitSystem) -> (f64, String) {
        let (unit_km, unit) = if system == UnitSystem::Us { (MILE_KM, "mi") } else { (1.0, "km") };
        let most = SIZE.0 / 3.0 / (self.dots * unit_km);
        let power = 10_f64.powf(most.log10().floor());
        let round = [5.0, 2.0, 1.0].into_iter().map(|digit| digit * power).find(|length| *length <= most);
        let length = round.unwrap_or(power);
        (length * unit_km * self.dots, format!("{length}\u{a0}{unit}"))
    }
}

/// How far east a longitude is of a meridian the short way round, in degrees; to the west it is negative.
fn east_of(meridian: f64, longitude: f64) -> f64 {
    (longitude - meridian + 540.0).rem_euclid(360.0) - 180.0
}

fn bounds(values: impl Iterator<Item = f64> + Clone) -> (f64, f64) {
    (values.clone().fold(f64::NEG_INFINITY, f64::max), values.fold(f64::INFINITY, f64::min))
}

/// How far it is between two places along the surface, in kilometres.
fn km_between(one: &Spot, other: &Spot) -> f64 {
    let half = |from: f64, to: f64| ((to - from).to_radians() / 2.0).sin().powi(2);
    let cosines = one.latitude.to_radians().cos() * other.latitude.to_radians().cos();
    let haversine = half(one.latitude, other.latitude) + cosines * half(one.longitude, other.longitude);
    2.0 * EARTH_KM * haversine.min(1.0).sqrt().asin()
}

/// Places by regions, each to be drawn by itself: whoever is nearer than [`APART_KM`] to another is of its region.
#[must_use]
pub fn regions(spots: Vec<Spot>) -> Vec<Vec<Spot>> {
    let mut all: Vec<Vec<Spot>> = Vec::new();
    for spot in spots {
        let is_near = |region: &Vec<Spot>| region.iter().any(|other| km_between(&spot, other) < APART_KM);
        let (near, far): (Vec<_>, Vec<_>) = all.into_iter().partition(is_near);
        let mut own: Vec<Spot> = near.into_iter().flatten().collect();
        own.push(spot);
        own.sort_by_key(|one| one.number);
        all = far;
        all.push(own);
    }
    all.sort_by_key(|region| region.first().map(|first| first.number));
    all
}

/// The picture; none without places. The list beside it leads to the same pages by keyboard and in words, so
/// whoever can't see it misses nothing.
#[must_use]
pub fn drawn(spots: &[Spot], system: UnitSystem) -> Option<String> {
    if spots.is_empty() {
        return None;
    }
    let map = Projection::of(spots);
    let (width, height) = SIZE;
    let mut svg = format!("<svg class=\"map\" viewBox=\"0 0 {width} {height}\" aria-hidden=\"true\">");
    for spot in spots {
        let (x, y) = map.place(spot);
        let mark = match spot.stands {
            true => format!(
                "<rect class=\"out\" x=\"{:.1}\" y=\"{:.1}\" width=\"{}\" height=\"{}\"/>",
                x - MARK,
                y - MARK,
                2.0 * MARK,
                2.0 * MARK
            ),
            false => format!("<circle class=\"fresh\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{MARK}\"/>"),
        };
        let beside = x + MARK + 3.0;
        add(
            &mut svg,
            format_args!(
                "<a href=\"{}\" tabindex=\"-1\"><title>{}</title>{mark}<text x=\"{beside:.1}\" y=\"{:.1}\">{}</text></a>",
                escaped(&spot.link),
                escaped(&spot.name),
                y + 6.0,
                spot.number
            ),
        );
    }
    let (bar, words) = map.bar(system);
    let foot = height - 12.0;
    add(
        &mut svg,
        format_args!(
            "<path class=\"bar\" d=\"M12 {} V{foot} H{:.1} V{}\"/><text x=\"{:.1}\" y=\"{foot}\">{words}</text>\
             <text x=\"{}\" y=\"22\">N\u{2191}</text></svg>",
            foot - 8.0,
            12.0 + bar,
            foot - 8.0,
            18.0 + bar,
            width - 32.0
        ),
    );
    Some(svg)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spot(latitude: f64, longitude: f64) -> Spot {
        let (name, link) = ("Yard \"<1>\"".to_owned(), "/sites/1".to_owned());
        Spot { latitude, longitude, number: 1, name, link, stands: false }
    }

    /// A nautical mile was a minute of latitude: 1.852 km (BIPM, SI brochure, table 8 of the 8th edition), so
    /// 30 minutes are 55.56 km; the mean radius gives 55.60.
    #[test]
    fn half_a_degree_of_latitude_is_thirty_nautical_miles() {
        let spots = [spot(48.0, 16.0), spot(48.5, 16.0)];
        let map = Projection::of(&spots);
        let (south, north) = (map.place(&spots[0]), map.place(&spots[1]));
        assert!((south.0 - north.0).abs() < 1e-9 && south.1 > north.1, "north is up");
        let km = (south.1 - north.1) / map.dots;
        assert!((km / (30.0 * 1.852) - 1.0).abs() < 0.001, "{km}");
        let (dots, words) = map.bar(UnitSystem::Metric);
        assert_eq!(words, "20\u{a0}km");
        assert!((dots / map.dots - 20.0).abs() < 1e-9);
        let (dots, words) = map.bar(UnitSystem::Us);
        assert_eq!(words, "10\u{a0}mi");
        assert!((dots / map.dots - 16.093_44).abs() < 1e-9);
    }

    /// At 60 degrees a degree of longitude is half as long as one of latitude: the cosine.
    #[test]
    fn a_degree_east_is_shorter_far_north() {
        let spots = [spot(60.0, 10.0), spot(60.0, 11.0)];
        let map = Projection::of(&spots);
        assert!((map.km.0 / map.km.1 - 0.5).abs() < 1e-12);
    }

    #[test]
    fn places_on_both_sides_of_180_degrees_are_next_to_each_other() {
        let spots = [spot(-17.0, 179.75), spot(-17.0, -179.75)];
        let map = Projection::of(&spots);
        let (west, east) = (map.place(&spots[0]), map.place(&spots[1]));
        assert!(west.0 < east.0, "the second is east of the first");
        let km = (east.0 - west.0) / map.dots;
        assert!((km / km_between(&spots[0], &spots[1]) - 1.0).abs() < 1e-3, "{km}");
    }

    #[test]
    fn regions_are_drawn_apart_and_a_place_between_two_joins_them() {
        let numbered = |number, longitude| Spot { number, ..spot(48.0, longitude) };
        let apart = regions(vec![numbered(1, 10.0), numbered(2, 30.0), numbered(3, 10.1)]);
        let numbers = |all: &[Vec<Spot>]| -> Vec<Vec<usize>> {
            all.iter().map(|region| region.iter().map(|spot| spot.number).collect()).collect()
        };
        assert_eq!(numbers(&apart), [vec![1, 3], vec![2]]);
        let chained = regions((1..=5).map(|n| numbered(6 - n, 5.0 * f64::from(u8::try_from(n).unwrap()))).collect());
        assert_eq!(numbers(&chained), [[1, 2, 3, 4, 5]], "each is 370 km from the next");
        assert!((km_between(&spot(48.0, 16.0), &spot(48.5, 16.0)) / 55.56 - 1.0).abs() < 0.001);
    }

    #[test]
    fn all_marks_are_within_and_nothing_is_written_raw() {
        let spots = [spot(-33.0, -70.0), spot(48.0, 16.0), spot(48.0, 16.0)];
        let map = Projection::of(&spots);
        for spot in &spots {
            let (x, y) = map.place(spot);
            assert!((MARGIN - 1e-9..=SIZE.0 - MARGIN + 1e-9).contains(&x), "{x}");
            assert!((MARGIN - 1e-9..=SIZE.1 - MARGIN + 1e-9).contains(&y), "{y}");
        }
        let svg = drawn(&spots, UnitSystem::Metric).unwrap();
        assert!(svg.contains("Yard &quot;&lt;1&gt;&quot;") && !svg.contains("http"), "{svg}");
        assert_eq!(drawn(&[], UnitSystem::Metric), None);
        let one = Projection::of(&[spot(48.0, 16.0)]);
        assert!((one.place(&spot(48.0, 16.0)).0 - SIZE.0 / 2.0).abs() < 1e-9 && one.dots.is_finite());
    }
}
