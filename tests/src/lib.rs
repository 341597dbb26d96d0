//! End-to-end tests of Weirbook.
