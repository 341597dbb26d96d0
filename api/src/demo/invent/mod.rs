//! A dealer's units as they could be: who has which, what water ran, and what the meters showed.

pub(crate) mod bay;
pub(crate) mod certificate;
pub(crate) mod chance;
pub(crate) mod late;
pub(crate) mod meters;
pub(crate) mod money;
pub(crate) mod names;
pub(crate) mod oddity;
pub(crate) mod parts;
pub(crate) mod plan;
pub(crate) mod rain;
pub(crate) mod stock;
pub(crate) mod trace;
pub(crate) mod work;
