//! What is wrong with an input, said once for each fault and never just for the first.

/// One fault in an input: where it is, a stable code, and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// JSON pointer (RFC 6901) of the field, relative to the parsed object.
    pub pointer: String,
    /// Stable code of the fault, in snake_case.
    pub code: &'static str,
    /// A sentence that names the fix.
    pub detail: String,
}

/// The faults of one input. Constructors collect all of them before they refuse.
#[derive(Debug, Clone, Default, PartialEq, Eq, thiserror::Error)]
#[error("{}", said(.0))]
pub struct Faults(pub Vec<Fault>);

/// Each fault with its place, so that whoever reads a log or a command's last words can mend it.
fn said(faults: &[Fault]) -> String {
    let one = |Fault { pointer, detail, .. }: &Fault| match pointer.as_str() {
        "" => detail.clone(),
        pointer => format!("{pointer}: {detail}"),
    };
    faults.iter().map(one).collect::<Vec<_>>().join("; ")
}

impl Faults {
    /// Adds a fault at `pointer`.
    pub fn add(&mut self, pointer: impl Into<String>, code: &'static str, detail: impl Into<String>) {
        self.0.push(Fault { pointer: pointer.into(), code, detail: detail.into() });
    }

    /// A single fault.
    pub fn one(pointer: impl Into<String>, code: &'static str, detail: impl Into<String>) -> Self {
        let mut faults = Self::default();
        faults.add(pointer, code, detail);
        faults
    }

    /// `value` when nothing was found wrong.
    ///
    /// # Errors
    /// The collected faults.
    pub fn or<T>(self, value: T) -> Result<T, Self> {
        if self.0.is_empty() { Ok(value) } else { Err(self) }
    }

    /// Notes the faults of a part under `prefix` and gives the part's value when it has none.
    pub fn take<T>(&mut self, prefix: &str, part: Result<T, Faults>) -> Option<T> {
        match part {
            Ok(value) => Some(value),
            Err(found) => {
                self.0.extend(
                    found.0.into_iter().map(|fault| Fault { pointer: format!("{prefix}{}", fault.pointer), ..fault }),
                );
                None
            }
        }
    }

    /// The same, with a stand-in for a part that has faults: the rest can still be checked.
    pub fn take_or<T>(&mut self, prefix: &str, part: Result<T, Faults>, stand_in: T) -> T {
        self.take(prefix, part).unwrap_or(stand_in)
    }

    /// The value of `part` when nothing was found wrong with it or before.
    ///
    /// # Errors
    /// The faults collected before and those of the part.
    pub fn and<T>(mut self, part: Result<T, Faults>) -> Result<T, Self> {
        match self.take("", part) {
            Some(value) => self.or(value),
            None => Err(self),
        }
    }

    /// Requires a text of 1 to `most` characters once trimmed; gives the trimmed text.
    pub fn text(&mut self, pointer: &str, value: &str, most: usize) -> String {
        let trimmed = value.trim();
        let length = trimmed.chars().count();
        if length == 0 {
            self.add(pointer, "required", "write at least one character");
        } else if length > most {
            self.add(pointer, "too_long", format!("keep it within {most} characters; it has {length}"));
        } else if trimmed.chars().any(|c| c.is_control() && c != '\n' && c != '\t') {
            self.add(pointer, "control_character", "remove the control characters");
        }
        trimmed.to_owned()
    }

    /// The same for a text that may be left out; an empty one counts as left out.
    pub fn optional_text(&mut self, pointer: &str, value: Option<&str>, most: usize) -> Option<String> {
        let value = value.map(str::trim).filter(|text| !text.is_empty())?;
        Some(self.text(pointer, value, most))
    }

    /// The same for one word in snake_case, a letter first: what is called alike can be compared.
    pub fn word(&mut self, pointer: &str, value: &str, most: usize) -> String {
        let word = self.text(pointer, value, most);
        let plain = word.starts_with(|first: char| first.is_ascii_lowercase())
            && word.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
        if !(plain || word.is_empty()) {
            let fix = "give one word in lower-case letters, digits and underscores, such as transfer_pump";
            self.add(pointer, "not_a_word", fix);
        }
        word
    }

    /// Requires a finite number within `low..=high`.
    pub fn range(&mut self, pointer: &str, value: f64, low: f64, high: f64) {
        if !(value.is_finite() && (low..=high).contains(&value)) {
            self.add(pointer, "out_of_range", format!("give a number from {low} to {high}"));
        }
    }
}
