//! Somebody who is to sign in.

use crate::fault::Faults;

/// Characters of a person's name.
const NAME_CHARS_MAX: usize = 120;
/// RFC 5321, section 4.5.3.1.3: a path has at most 256 octets with its brackets.
pub(crate) const EMAIL_CHARS_MAX: usize = 254;

/// A person as others know them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// The name, 1 to 120 characters.
    pub name: String,
    /// The e-mail address: who signs in by it.
    pub email: String,
}

impl Person {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.take_or("/name", person_name(&self.name), String::new());
        self.email = faults.text("/email", &self.email, EMAIL_CHARS_MAX);
        check_address(&mut faults, "/email", &self.email);
        faults.or(self)
    }
}

/// A person's name, trimmed.
///
/// # Errors
/// A fault with an empty pointer.
pub fn person_name(name: &str) -> Result<String, Faults> {
    let mut faults = Faults::default();
    let name = faults.text("", name, NAME_CHARS_MAX);
    faults.or(name)
}

/// Notes a fault at `pointer` when `text` is no e-mail address; that there is none is another's to say.
pub(crate) fn check_address(faults: &mut Faults, pointer: &str, text: &str) {
    if !text.is_empty() && !is_address(text) {
        faults.add(pointer, "not_an_address", "give an e-mail address such as mia@example.com");
    }
}

/// One address in the plain form of RFC 5321, with a domain of two parts or more: anything
/// fancier is a slip more often than an address.
fn is_address(text: &str) -> bool {
    let plain = text.is_ascii() && text.chars().all(|c| c.is_ascii_graphic() && !"\"(),:;<>[]\\".contains(c));
    let Some((local, domain)) = text.split_once('@') else { return false };
    let parts = || domain.split('.');
    plain && !local.is_empty() && !domain.contains('@') && parts().count() >= 2 && parts().all(|part| !part.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_named() {
        let person = |name: &str, email: &str| Person { name: name.to_owned(), email: email.to_owned() }.checked();
        assert_eq!(
            person(" Mia ", " mia@example.com ").unwrap(),
            Person { name: "Mia".to_owned(), email: "mia@example.com".to_owned() }
        );
        let faults = person("", "mia").unwrap_err();
        let found: Vec<_> = faults.0.iter().map(|fault| (fault.pointer.as_str(), fault.code)).collect();
        assert_eq!(found, [("/name", "required"), ("/email", "not_an_address")]);
    }

    #[test]
    fn addresses_are_plain() {
        for good in ["a@b.at", "first.last+tag@mail.example.co.uk", "o'neil@example.com"] {
            assert!(is_address(good), "{good}");
        }
        for bad in
            ["", "a", "a@", "@b.at", "a@b", "a@b..at", "a b@c.at", "<a@b.at>", "a@b.at,c@d.at", "ä@b.at", "a@b@c.at"]
        {
            assert!(!is_address(bad), "{bad}");
        }
    }
}
