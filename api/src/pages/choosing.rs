//! Long lists to choose from: a form offers as many as a page can hold, says so, and finds the others by name. What
//! is to be found is sent with the form, so that nothing that was typed is lost and nothing is kept meanwhile.

use super::form::{Typed, field};
use crate::db::page::CHOICES_MOST;
use domain::fault::Faults;

/// Choices that one list of a form has at most.
const SHOWN_MOST: usize = 500;

/// What is said of a list that is not shown whole, and how the others are found.
pub(super) struct Cut {
    /// The field that is chosen in.
    pub(super) name: String,
    pub(super) label: String,
    /// What is to be in the names of those shown.
    pub(super) find: String,
    pub(super) says: String,
}

/// The field by which the list of another is searched.
fn find_field(name: &str) -> String {
    format!("find-{name}")
}

/// What was typed to find in the list of a field.
pub(super) fn wanted<'a>(typed: &'a Typed, name: &str) -> &'a str {
    field(typed, &find_field(name)).unwrap_or_default()
}

/// Leaves of `all`, where they are too many, those whose words have all of `find` in them, and what was chosen.
pub(super) fn cut<T>(
    all: &mut Vec<T>,
    (name, label, find): (&str, &str, &str),
    words: impl Fn(&T) -> &str,
    chosen: impl Fn(&T) -> bool,
) -> Option<Cut> {
    let known = all.len();
    if known <= SHOWN_MOST {
        return None;
    }
    let parts: Vec<String> = find.split_whitespace().map(str::to_lowercase).collect();
    let (mut found, find) = (0_usize, find.to_owned());
    all.retain(|one| {
        let text = words(one).to_lowercase();
        let is_found = parts.iter().all(|part| text.contains(part.as_str()));
        found += usize::from(is_found);
        chosen(one) || is_found && found <= SHOWN_MOST
    });
    // Lists are looked up with one more than they may have: how many others there are is not known.
    let is_more = i64::try_from(known).is_ok_and(|known| known > CHOICES_MOST);
    let of = if is_more { format!("more than {CHOICES_MOST}") } else { known.to_string() };
    let says = match found {
        _ if find.is_empty() => format!("These are the first {SHOWN_MOST} of {of}; find the others by name."),
        0 if is_more => format!("None of the first {CHOICES_MOST} has that in its name, of more than {CHOICES_MOST}."),
        0 => format!("None of {of} has that in its name."),
        n if n > SHOWN_MOST => format!("{n} of {of} have that in their names; these are the first {SHOWN_MOST}."),
        n => format!("With that in their names: {n} of {of}."),
    };
    Some(Cut { name: name.to_owned(), label: label.to_owned(), find, says })
}

/// Whether a form was sent to be kept, and not to find something in a long list.
///
/// # Errors
/// A fault for each field whose list was to be searched: by its button, or by words that it was not searched for yet.
pub(super) fn is_done<'a>(fields: impl Iterator<Item = (&'a str, &'a str)> + Clone) -> Result<(), Faults> {
    let text = |name: &str| fields.clone().find(|(one, _)| *one == name).map_or("", |(_, text)| text.trim());
    let mut faults = Faults::default();
    for (name, typed) in fields.clone() {
        let Some(name) = name.strip_prefix("find-") else { continue };
        if !text(&format!("look-{name}")).is_empty() || typed.trim() != text(&format!("found-{name}")) {
            faults.add(format!("/{name}"), "not_chosen", "choose among what was found, then send it");
        }
    }
    faults.or(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cut_of(most: usize, find: &str, chosen: &str) -> (Vec<String>, Option<String>) {
        let mut all: Vec<String> = (1..=most).map(|n| format!("Yard {n}")).collect();
        let cut = cut(&mut all, ("site_id", "Site", find), String::as_str, |one| one == chosen);
        (all, cut.map(|cut| cut.says))
    }

    #[test]
    fn a_long_list_is_cut_and_found_in() {
        let (all, says) = cut_of(SHOWN_MOST, "x", "");
        assert_eq!((all.len(), says), (SHOWN_MOST, None), "a short list is shown whole");
        let (all, says) = cut_of(600, "", "Yard 600");
        assert_eq!((all.len(), all.last().map(String::as_str)), (501, Some("Yard 600")), "what was chosen stays");
        assert_eq!(says.as_deref(), Some("These are the first 500 of 600; find the others by name."));
        let (all, says) = cut_of(600, " yARD 60 ", "");
        assert_eq!((all.len(), says.as_deref()), (7, Some("With that in their names: 7 of 600.")), "60, 160 and so on");
        let (all, says) = cut_of(600, "quay", "");
        assert_eq!((all.len(), says.as_deref()), (0, Some("None of 600 has that in its name.")));
    }

    #[test]
    fn a_list_that_was_not_looked_up_whole_says_so() {
        let says = |most: usize, find: &str| cut_of(most, find, "").1.unwrap();
        assert_eq!(says(10_000, ""), "These are the first 500 of 10000; find the others by name.");
        assert_eq!(says(10_001, ""), "These are the first 500 of more than 10000; find the others by name.");
        assert_eq!(says(10_001, "yard 9999"), "With that in their names: 1 of more than 10000.");
        assert_eq!(says(10_001, "quay"), "None of the first 10000 has that in its name, of more than 10000.");
    }

    #[test]
    fn a_form_is_kept_when_nothing_is_to_be_found() {
        let done = |fields: &[(&str, &str)]| is_done(fields.iter().copied()).is_ok();
        assert!(done(&[("name", "Bay"), ("site_id", "")]));
        assert!(done(&[("find-site_id", "Yard"), ("found-site_id", "Yard")]));
        assert!(!done(&[("find-site_id", "Yard 7"), ("found-site_id", "Yard")]), "by the key, not the button");
        assert!(!done(&[("find-site_id", ""), ("found-site_id", ""), ("look-site_id", "yes")]));
    }
}
