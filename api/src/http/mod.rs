//! Requests and answers: one file a resource, its shapes, handlers and routes. No SQL here.

pub mod answer;
pub mod customers;
