//! Closed sets of values that have a name in requests, answers and the database.

/// Makes an enum whose variants have such names, with `ALL`, `as_str`, `from_name` and `parse`.
macro_rules! named {
    ($(#[$doc:meta])* $name:ident as $what:literal {
        $($(#[$variant_doc:meta])* $variant:ident = $text:literal,)+
    }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
        pub enum $name {
            $($(#[$variant_doc])* #[serde(rename = $text)] $variant,)+
        }

        impl $name {
            /// Every one.
            pub const ALL: &[Self] = &[$(Self::$variant),+];

            /// The name in requests, answers and the database.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }

            /// The one of that name.
            #[must_use]
            pub fn from_name(name: &str) -> Option<Self> {
                match name { $($text => Some(Self::$variant),)+ _ => None }
            }

            /// The one of that name.
            ///
            /// # Errors
            /// A fault with an empty pointer that lists the names.
            pub fn parse(name: &str) -> Result<Self, $crate::fault::Faults> {
                Self::from_name(name).ok_or_else(|| {
                    let names = [$($text),+].join(", ");
                    $crate::fault::Faults::one("", concat!("unknown_", $what), format!("give one of: {names}"))
                })
            }
        }
    };
}

pub(crate) use named;

#[cfg(test)]
mod tests {
    named! {
        /// Which way.
        Way as "way" {
            /// Up.
            Up = "up",
            /// And down.
            DownHill = "down_hill",
        }
    }

    #[test]
    fn names_round_trip_and_others_are_told_the_choice() {
        for &way in Way::ALL {
            assert_eq!(Way::from_name(way.as_str()), Some(way));
            assert_eq!(serde_json::to_value(way).unwrap(), way.as_str());
        }
        let fault = Way::parse("Up").unwrap_err().0.remove(0);
        assert_eq!((fault.code, fault.detail.as_str()), ("unknown_way", "give one of: up, down_hill"));
    }
}
