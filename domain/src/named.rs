//! Closed sets of values that have a name in requests, answers and the database.

use crate::fault::Faults;

/// The one of `all` that is called `name`.
///
/// # Errors
/// A fault `code` with an empty pointer that lists the names.
pub(crate) fn pick<T: Copy>(
    code: &'static str,
    all: &[T],
    name_of: fn(T) -> &'static str,
    name: &str,
) -> Result<T, Faults> {
    all.iter().copied().find(|&one| name_of(one) == name).ok_or_else(|| {
        let names: Vec<_> = all.iter().copied().map(name_of).collect();
        Faults::one("", code, format!("give one of: {}", names.join(", ")))
    })
}

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
                Self::parse(name).ok()
            }

            /// The one of that name.
            ///
            /// # Errors
            /// A fault with an empty pointer that lists the names.
            pub fn parse(name: &str) -> Result<Self, $crate::fault::Faults> {
                $crate::named::pick(concat!("unknown_", $what), Self::ALL, Self::as_str, name)
            }
        }
    };
}

pub(crate) use named;

#[cfg(test)]
#[expect(unreachable_pub, reason = "the macro makes public enums; this one serves its test alone")]
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
