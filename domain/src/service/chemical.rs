//! A wash chemical in use at a site, and whether the unit's biology takes it.

use crate::fault::Faults;
use crate::measures::days::Days;
use crate::named::named;

named! {
    /// Whether the unit takes a product.
    Standing as "standing" {
        /// It does.
        Accepted = "accepted",
        /// It does not: the product must not go into the loop.
        NotAccepted = "not_accepted",
        /// Nobody knows yet.
        Untested = "untested",
    }
}

/// A wash chemical's record.
#[derive(Debug, Clone, PartialEq)]
pub struct WashChemical {
    /// The local days on which it was used and stood so.
    pub days: Days,
    /// The product, as its can says.
    pub product: String,
    /// Whether the unit takes it.
    pub standing: Standing,
    /// What else there is to say.
    pub note: Option<String>,
}

impl WashChemical {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.product = faults.text("/product", &self.product, 120);
        self.note = faults.optional_text("/note", self.note.as_deref(), 500);
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_product_has_a_name() {
        let days = Days::since("2026-03-01".parse().unwrap());
        let chemical = |product: &str| WashChemical {
            days,
            product: product.to_owned(),
            standing: Standing::Untested,
            note: None,
        };
        assert_eq!(chemical(" Truck foam ").checked().unwrap().product, "Truck foam");
        assert_eq!(chemical(" ").checked().unwrap_err().0[0].pointer, "/product");
    }
}
