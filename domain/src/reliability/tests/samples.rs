//! Lives that several tests share.

use crate::reliability::life::Life;

pub(crate) fn failed(age: f64) -> Life {
    Life::failed(age).unwrap()
}

pub(crate) fn running(age: f64) -> Life {
    Life::running(age).unwrap()
}

pub(crate) fn between(good: f64, found: f64) -> Life {
    Life::failed_between(good, found).unwrap()
}

/// The radiotherapy group of the breast cosmesis data of Finkelstein and Wolfe (1985),
/// Biometrics 41: months to deterioration, known to visits.
pub(crate) fn cosmesis() -> Vec<Life> {
    let found = [
        (6, 10),
        (0, 7),
        (7, 16),
        (7, 14),
        (37, 44),
        (0, 8),
        (4, 11),
        (11, 15),
        (25, 37),
        (26, 40),
        (27, 34),
        (36, 44),
        (36, 48),
        (17, 25),
        (11, 18),
        (5, 12),
        (0, 5),
        (5, 11),
        (19, 35),
        (17, 25),
        (19, 26),
    ];
    let good = [45, 46, 46, 17, 15, 22, 46, 46, 46, 46, 46, 37, 40, 46, 38, 37, 18, 24, 36, 24, 32, 33, 37, 34, 36];
    let found = found.map(|(good, found)| between(f64::from(good), f64::from(found)));
    found.into_iter().chain(good.map(|age| running(f64::from(age)))).collect()
}

/// One of every kind of life: exact, running, in an interval, entered late; made up.
pub(crate) fn mixed() -> Vec<Life> {
    vec![
        failed(120.0),
        failed(340.0),
        failed(410.0).watched_from(50.0).unwrap(),
        running(500.0).watched_from(100.0).unwrap(),
        between(200.0, 260.0),
        between(300.0, 420.0).watched_from(80.0).unwrap(),
        running(150.0),
        between(0.0, 90.0),
        running(600.0).watched_from(200.0).unwrap(),
        running(450.0),
    ]
}
