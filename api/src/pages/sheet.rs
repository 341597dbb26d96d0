//! A record as a form: its fields are listed once, and from that list it is shown, read into what the
//! API takes of such a record, and shown again with each fault beside its field.

use super::choosing::{self, Cut};
use super::fault;
pub(super) use super::filled::Filled;
use super::filled::{Meanwhile, is_ticked};
use super::form::{self, Typed, field};
use super::html_for;
use crate::auth::{Caller, Permission};
use crate::extract::from_json;
use crate::http::answer::patched;
use crate::problem::{Kind, Problem};
use actix_web::HttpResponse;
use actix_web::http::{StatusCode, header};
use askama::Template;
use chrono_tz::Tz;
use domain::fault::{Fault, Faults};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value, json};
use std::borrow::Cow;

/// What a field takes.
#[derive(Clone)]
pub(super) enum Takes {
    /// A line.
    Text,
    /// Several lines.
    Lines,
    /// A number.
    Number,
    /// A number without loss, such as of money: in the record a text.
    Amount,
    /// An instant, by the clock of the site.
    Instant,
    /// A day.
    Day,
    /// Yes or no.
    Tick,
    /// One of these, by name and in words.
    OneOf(Vec<(String, String)>),
    /// One of these numbers, with words.
    NumberOf(Vec<(String, String)>),
    /// Several of these: in the record a list of names.
    SomeOf(Vec<(String, String)>),
    /// A line, with suggestions.
    Suggested(Vec<String>),
    /// A colour, as `#rrggbb`.
    Colour,
    /// A picture to be sent along; whoever takes the form reads it.
    Picture,
}

/// The months of the year, in order.
pub(super) const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// The months by their numbers.
pub(super) fn months() -> Vec<(String, String)> {
    MONTHS.iter().zip(1..).map(|(name, n): (_, u8)| (n.to_string(), (*name).to_owned())).collect()
}

/// One of these, by name and in words.
pub(super) fn choice<const N: usize>(names: [(&str, &str); N]) -> Takes {
    Takes::OneOf(names.map(|(name, words)| (name.to_owned(), words.to_owned())).into())
}

/// A field of a record.
#[derive(Clone)]
pub(super) struct Spec {
    pub(super) name: Cow<'static, str>,
    label: Cow<'static, str>,
    hint: &'static str,
    /// Under which heading it stands; empty for none.
    group: &'static str,
    pub(super) takes: Takes,
    needed: bool,
    more: bool,
}

/// A field of that name.
pub(super) const fn spec(name: &'static str, label: &'static str, takes: Takes) -> Spec {
    Spec {
        name: Cow::Borrowed(name),
        label: Cow::Borrowed(label),
        hint: "",
        group: "",
        takes,
        needed: false,
        more: false,
    }
}

/// One of several alike, whose name and words say which.
pub(super) fn numbered(name: String, label: String, takes: Takes) -> Spec {
    Spec { name: Cow::Owned(name), label: Cow::Owned(label), ..spec("", "", takes) }
}

impl Spec {
    /// One that can't be left out.
    pub(super) fn needed(self) -> Self {
        Self { needed: true, ..self }
    }

    /// With words that help to fill it in.
    pub(super) fn hint(self, hint: &'static str) -> Self {
        Self { hint, ..self }
    }

    /// One that stands under a heading, with those beside it of the same.
    pub(super) fn under(self, group: &'static str) -> Self {
        Self { group, ..self }
    }

    /// One that is seldom filled in, folded away.
    pub(super) fn more(self) -> Self {
        Self { more: true, ..self }
    }

    fn is_text(&self) -> bool {
        matches!(self.takes, Takes::Text | Takes::Lines | Takes::Suggested(_))
    }

    /// What was typed into it as JSON; null where it was left empty.
    fn read(&self, typed: &Typed, zone: Tz, faults: &mut Faults) -> Value {
        match &self.takes {
            Takes::Tick => return json!(field(typed, &self.name).is_some()),
            Takes::Picture => return Value::Null,
            Takes::SomeOf(all) => {
                let chosen = |(name, _): &&(String, String)| field(typed, &format!("{}-{name}", self.name)).is_some();
                return all.iter().filter(chosen).map(|(name, _)| json!(name)).collect();
            }
            _ => {}
        }
        let Some(text) = field(typed, &self.name) else {
            if self.needed && !self.is_text() {
                faults.add(format!("/{}", self.name), "required", "fill it in");
            }
            return if self.needed && self.is_text() { json!("") } else { Value::Null };
        };
        match self.takes {
            // A whole number stays one: what counts takes no decimals.
            Takes::NumberOf(_) => serde_json::from_str(text).unwrap_or(Value::Null),
            Takes::Number => form::number(faults, typed, &self.name)
                .map_or(Value::Null, |number| serde_json::from_str(&number.to_string()).unwrap_or(Value::Null)),
            Takes::Amount => {
                let amount = faults.take(&format!("/{}", self.name), form::decimal(text));
                amount.map_or(Value::Null, |amount| json!(amount.to_string()))
            }
            Takes::Instant => {
                form::local(faults, typed, &self.name, zone).map_or(Value::Null, |at| json!(at.to_rfc3339()))
            }
            Takes::Day => form::day(faults, typed, &self.name).map_or(Value::Null, |day| json!(day.to_string())),
            _ => json!(text),
        }
    }

    fn shown(&self, filled: &Filled<'_>, meanwhile: Option<&Meanwhile<'_>>, faults: &[(String, String)]) -> Shown {
        let find = filled.wanted(self);
        let (filled, now) = match meanwhile {
            Some(meanwhile) => meanwhile.of(filled, self),
            None => (filled, None),
        };
        let value = filled.value(self);
        let chosen = |name: &str| match self.takes {
            Takes::SomeOf(_) => filled.has(self, name),
            _ => value == name,
        };
        let mut options = match &self.takes {
            Takes::OneOf(all) | Takes::NumberOf(all) | Takes::SomeOf(all) => {
                let mut options: Vec<_> =
                    all.iter().map(|(name, words)| (name.clone(), words.clone(), chosen(name))).collect();
                // What a record has does not change unseen because it is offered no more.
                if matches!(self.takes, Takes::OneOf(_)) && !value.is_empty() && !options.iter().any(|one| one.2) {
                    options.push((value.clone(), "as it is now".to_owned(), true));
                }
                options
            }
            Takes::Suggested(all) => all.iter().map(|one| (one.clone(), String::new(), false)).collect(),
            _ => Vec::new(),
        };
        let cut = match &self.takes {
            Takes::OneOf(_) => {
                let of = (&*self.name, &*self.label, find);
                choosing::cut(&mut options, of, |(_, words, _)| words.as_str(), |(_, _, chosen)| *chosen)
            }
            _ => None,
        };
        Shown {
            name: self.name.to_string(),
            label: self.label.to_string(),
            hint: self.hint,
            needed: self.needed,
            input: input(&self.takes),
            options,
            cut,
            ticked: is_ticked(&value),
            now: now.map(|plain| self.in_words(&plain)).unwrap_or_default(),
            fault: faults
                .iter()
                .find(|(name, _)| *name == self.name)
                .map(|(_, fault)| fault.clone())
                .unwrap_or_default(),
            value,
        }
    }

    /// What stands in it, as it is told.
    fn in_words(&self, plain: &str) -> String {
        match &self.takes {
            Takes::Tick => String::from(if is_ticked(plain) { "yes" } else { "no" }),
            _ if plain.is_empty() => "empty".to_owned(),
            Takes::OneOf(all) | Takes::NumberOf(all) => {
                named(all, plain).unwrap_or_else(|| "something that is offered no more".to_owned())
            }
            Takes::SomeOf(all) => plain.lines().filter_map(|name| named(all, name)).collect::<Vec<_>>().join(", "),
            Takes::Instant => plain.replace('T', " "),
            _ => plain.to_owned(),
        }
    }
}

/// The words of one of these.
fn named(all: &[(String, String)], name: &str) -> Option<String> {
    all.iter().find(|(one, _)| one == name).map(|(_, words)| words.clone())
}

/// How a browser asks for it.
fn input(takes: &Takes) -> &'static str {
    match takes {
        Takes::Text => "text",
        Takes::Lines => "lines",
        Takes::Number | Takes::Amount => "number",
        Takes::Instant => "datetime-local",
        Takes::Day => "date",
        Takes::Tick => "tick",
        Takes::OneOf(_) | Takes::NumberOf(_) => "one",
        Takes::SomeOf(_) => "some",
        Takes::Suggested(_) => "suggested",
        Takes::Colour => "color",
        Takes::Picture => "picture",
    }
}

/// A field as the template shows it.
pub(super) struct Shown {
    name: String,
    label: String,
    hint: &'static str,
    needed: bool,
    input: &'static str,
    options: Vec<(String, String, bool)>,
    /// Of a list that is not shown whole.
    cut: Option<Cut>,
    value: String,
    ticked: bool,
    /// What others wrote there while something else was typed; empty where they did not.
    now: String,
    fault: String,
}

impl Shown {
    /// The ids of what is said of it, the most urgent first.
    fn says(&self) -> String {
        let all = [("w", self.fault.is_empty()), ("n", self.now.is_empty()), ("h", self.hint.is_empty())];
        let said = all.iter().filter(|(_, empty)| !empty).map(|(of, _)| format!("{of}-{}", self.name));
        said.collect::<Vec<_>>().join(" ")
    }
}

/// Fields that stand together under a heading, or under none.
struct Group {
    title: &'static str,
    fields: Vec<Shown>,
}

/// A way to part with the record.
pub(super) struct End {
    /// Where its form goes.
    pub(super) action: String,
    /// What follows from it.
    pub(super) words: &'static str,
    /// The words of its button.
    pub(super) button: &'static str,
}

/// A page with the form of one record.
#[derive(Template)]
#[template(path = "sheet.html")]
pub(super) struct Sheet {
    title: String,
    lead: String,
    action: String,
    button: &'static str,
    key: String,
    revision: Option<i32>,
    /// What stands in the fields of the record that is shown.
    was: String,
    /// Of a record that others changed while its form was open: the fields where they wrote something else than was
    /// typed, by name and label, and what.
    meanwhile: Option<Vec<(String, String, String)>>,
    fields: Vec<Group>,
    more: Vec<Group>,
    /// The fault and, where it is about one, the field.
    faults: Vec<(String, Option<(String, String)>)>,
    back: (String, String),
    end: Option<End>,
    /// What is shown of the record above the form: a picture with a sentence, as markup of our own.
    sample: String,
    /// What else the form may be sent to, and the words of that button.
    also: Option<(String, &'static str)>,
    /// Whether a picture may be sent along.
    pictures: bool,
}

/// What the page is about.
pub(super) struct About<'a> {
    /// Its heading.
    pub(super) title: String,
    /// What stands under it.
    pub(super) lead: String,
    /// Where the form goes.
    pub(super) action: String,
    /// The words of its button.
    pub(super) button: &'static str,
    /// The revision of the record that is shown; none for one that is made.
    pub(super) revision: Option<i32>,
    /// The way back, and in words.
    pub(super) back: (String, String),
    /// A way to part with the record.
    pub(super) end: Option<End>,
    /// Its fields.
    pub(super) specs: &'a [Spec],
}

impl Sheet {
    /// The form, filled.
    pub(super) fn of(about: About<'_>, filled: &Filled<'_>, faults: &[(String, String)]) -> Self {
        let meanwhile = filled.meanwhile(about.revision);
        let (more, fields): (Vec<&Spec>, Vec<&Spec>) = about.specs.iter().partition(|spec| spec.more);
        let group = |specs: &[&Spec]| Group {
            title: specs.first().map_or("", |spec| spec.group),
            fields: specs.iter().map(|spec| spec.shown(filled, meanwhile.as_ref(), faults)).collect(),
        };
        let shown = |specs: Vec<&Spec>| -> Vec<Group> {
            specs.chunk_by(|one, next| one.group == next.group).map(group).collect()
        };
        let (fields, more) = (shown(fields), shown(more));
        let met = |field: &Shown| (field.name.clone(), field.label.clone(), field.now.clone());
        let all = fields.iter().chain(&more).flat_map(|group| &group.fields);
        let met = all.filter(|field| !field.now.is_empty()).map(met).collect();
        // That others changed it has words of its own where it can be said what they wrote.
        let told = |(name, fault): &&(String, String)| meanwhile.is_none() || !name.is_empty() || fault != CHANGED;
        let named = |(name, fault): &(String, String)| {
            let of = about.specs.iter().find(|spec| spec.name == *name);
            (fault.clone(), of.map(|spec| (spec.name.to_string(), spec.label.to_string())))
        };
        Self {
            title: about.title,
            lead: about.lead,
            action: about.action,
            button: about.button,
            key: form::key(),
            revision: about.revision,
            was: about.revision.map_or_else(String::new, |_| filled.was(about.specs)),
            meanwhile: meanwhile.is_some().then_some(met),
            fields,
            more,
            faults: faults.iter().filter(told).map(named).collect(),
            back: about.back,
            end: about.end,
            sample: String::new(),
            also: None,
            pictures: about.specs.iter().any(|spec| matches!(spec.takes, Takes::Picture)),
        }
    }

    /// The same with what is shown of the record above the form; nothing in it is a visitor's, unescaped.
    pub(super) fn with_sample(self, sample: String) -> Self {
        Self { sample, ..self }
    }

    /// The same with something else that the form may be sent to.
    pub(super) fn with_also(self, also: Option<(String, &'static str)>) -> Self {
        Self { also, ..self }
    }

    /// Whether a list of it is not shown whole.
    fn is_cut(&self) -> bool {
        self.fields.iter().chain(&self.more).flat_map(|group| &group.fields).any(|field| field.cut.is_some())
    }

    /// Whether what is folded away has to be seen.
    fn more_open(&self) -> bool {
        self.more.iter().flat_map(|group| &group.fields).any(|field| !field.fault.is_empty() || !field.now.is_empty())
    }
}

/// What was typed, as the API takes it of a new record.
///
/// # Errors
/// A fault for each field that can't be read.
pub(super) fn made<I: DeserializeOwned>(specs: &[Spec], typed: &Typed, zone: Tz) -> Result<I, Problem> {
    let read = read(specs, typed, zone)?;
    let given: Map<String, Value> = read.into_iter().filter(|(_, value)| !value.is_null()).collect();
    from_json(Value::Object(given).to_string().as_bytes())
}

/// What a record becomes by what was typed. An instant that was left as the form showed it stays as it is: its
/// seconds, and which of two hours it is on the night when clocks go back, are not shown.
///
/// # Errors
/// A fault for each field that can't be read.
pub(super) fn changed<I>(specs: &[Spec], typed: &Typed, zone: Tz, current: &I) -> Result<I, Problem>
where
    I: Serialize + DeserializeOwned,
{
    let (shown, mut fields) = (Filled::of(current, zone), read(specs, typed, zone)?);
    for spec in specs.iter().filter(|spec| matches!(spec.takes, Takes::Instant)) {
        if field(typed, &spec.name) == Some(shown.value(spec).as_str()) {
            fields.remove(&*spec.name);
        }
    }
    patched(current, &Value::Object(fields))
}

/// The fields as JSON, null for what was left empty.
///
/// # Errors
/// A fault for each field that can't be read.
pub(super) fn read(specs: &[Spec], typed: &Typed, zone: Tz) -> Result<Map<String, Value>, Faults> {
    choosing::is_done(form::pairs(typed))?;
    let mut faults = Faults::default();
    let read = specs.iter().map(|spec| (spec.name.to_string(), spec.read(typed, zone, &mut faults))).collect();
    faults.or(read)
}

/// What is said of a record that others changed while its form was open.
const CHANGED: &str =
    "It was changed while you had it open: look at what stands there now, and press again if you still want to.";

/// The revision that a form showed.
pub(super) fn revision(typed: &Typed) -> i32 {
    field(typed, "revision").and_then(|text| text.parse().ok()).unwrap_or_default()
}

/// What is wrong by the names of the fields, where other words would mend it.
///
/// # Errors
/// A problem that no other words would mend.
pub(super) fn faults_of(problem: Problem) -> Result<Vec<(String, String)>, Problem> {
    match problem.kind() {
        Kind::Invalid | Kind::Conflict | Kind::Malformed if !problem.faults().is_empty() => {}
        Kind::Stale => return Ok(vec![(String::new(), CHANGED.to_owned())]),
        Kind::Conflict => return Ok(vec![(String::new(), problem.detail().to_owned())]),
        _ => return Err(problem),
    }
    let one = |fault: &Fault| {
        let name = fault.pointer.rsplit('/').next().unwrap_or_default().to_owned();
        (name, fault.detail.clone())
    };
    Ok(problem.faults().iter().map(one).collect())
}

/// The same problem with its faults by the names of a form's fields, where those differ from the record's.
pub(super) fn renamed(problem: Problem, name: impl Fn(&str) -> Option<String>) -> Problem {
    if !matches!(problem.kind(), Kind::Invalid | Kind::Malformed) || problem.faults().is_empty() {
        return problem;
    }
    let one = |fault: &Fault| match name(&fault.pointer) {
        Some(field) => Fault { pointer: format!("/{field}"), ..fault.clone() },
        None => fault.clone(),
    };
    Faults(problem.faults().iter().map(one).collect()).into()
}

/// The answer to a form: the way on, or the form again with what is wrong.
///
/// # Errors
/// A problem that no other words would mend.
pub(super) async fn answer<P: Permission>(
    caller: &Caller<P>,
    outcome: Result<String, Problem>,
    again: impl AsyncFnOnce(Vec<(String, String)>) -> Result<Sheet, Problem>,
) -> Result<HttpResponse, fault::Fault> {
    match outcome {
        Ok(address) => Ok(to(&address)),
        Err(problem) => {
            let status = problem.kind().status();
            let page = again(faults_of(problem)?).await?;
            Ok(html_for(caller, status, &page)?)
        }
    }
}

/// The way to another page.
pub(super) fn to(address: &str) -> HttpResponse {
    HttpResponse::SeeOther().insert_header((header::LOCATION, address.to_owned())).finish()
}

/// A form that was not sent yet.
///
/// # Errors
/// When the page can't be made.
pub(super) fn fresh<P: Permission>(caller: &Caller<P>, page: &Sheet) -> Result<HttpResponse, fault::Fault> {
    Ok(html_for(caller, StatusCode::OK, page)?)
}
