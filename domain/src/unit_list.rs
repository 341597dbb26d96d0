//! A list of installed units that a person keeps: what is looked for, in which state, in which order.

use crate::fault::Faults;
use crate::named::named;
use crate::spell::SpellState;

named! {
    /// In which order units come.
    UnitOrder as "sort" {
        /// By customer and site.
        Site = "site",
        /// Those that do not work first.
        State = "state",
        /// Those that used most fresh water this month first.
        Water = "water",
        /// Those that were read longest ago first.
        Read = "read",
        /// Those whose work is due first.
        Due = "due",
        /// Those for whose site something has to be ordered first.
        Order = "order",
        /// Those at risk first.
        Risk = "risk",
    }
}

/// A list's record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnitList {
    /// What it is called, 1 to 60 characters.
    pub name: String,
    /// What is looked for; empty for all.
    pub find: String,
    /// In which state alone.
    pub state: Option<SpellState>,
    /// In which order.
    pub sort: UnitOrder,
}

impl UnitList {
    /// The list.
    ///
    /// # Errors
    /// Every fault found.
    pub fn parse(name: &str, find: &str, state: Option<&str>, sort: &str) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let list = Self {
            name: faults.text("/name", name, 60),
            find: faults.optional_text("/find", Some(find), 100).unwrap_or_default(),
            state: state.and_then(|state| faults.take("/state", SpellState::parse(state))),
            sort: faults.take_or("/sort", UnitOrder::parse(sort), UnitOrder::Site),
        };
        faults.or(list)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_of_a_list_is_named() {
        let faults = UnitList::parse(" ", &"x".repeat(101), Some("asleep"), "size").unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/name", "/find", "/state", "/sort"]);
        let list = UnitList::parse(" Bypassed ", "", Some("bypassed"), "state").unwrap();
        assert_eq!(
            (list.name.as_str(), list.state, list.sort),
            ("Bypassed", Some(SpellState::Bypassed), UnitOrder::State)
        );
    }
}
