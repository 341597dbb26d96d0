//! A dealer's units as they could be: who has which, what water ran, and what the meters showed.

pub(crate) mod bay;
pub(crate) mod chance;
pub(crate) mod meters;
pub(crate) mod names;
pub(crate) mod oddity;
pub(crate) mod plan;
pub(crate) mod trace;
