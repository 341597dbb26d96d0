//! The report's sentences: plain words first, nothing claimed that the figures do not hold.

use super::display::{self, Format};
use super::figure::{Figure, Line, Name, Printed, Reason, Value};
use super::inputs::{Inputs, Subject};
use super::model::{BaselineRow, Made, MeterRow, Period};
use super::reckon::LEAST_WHOLE_DAYS;
use crate::baseline::record::Baseline;
use crate::uncertainty::quantity::{OneSided, Shortfall, percent_up};
use std::collections::{BTreeMap, BTreeSet};

/// The report in one sentence.
pub(super) fn sentence(inputs: &Inputs, present: &[&Subject], period: &Period, lines: &[Line]) -> String {
    let (customer, month) = (&inputs.customer, display::month(inputs.month));
    let find = |name: Name| lines.iter().find(|line| line.name == name).map(|line| &line.figure);
    let printed = |name: Name| find(name).and_then(Figure::printed);
    let Some(to) = period.to else { return format!("{month} has not begun, so there is nothing to report.") };
    if present.is_empty() {
        return format!("No unit stood at a site of {customer} in {month}.");
    }
    let Some(fresh) = printed(Name::FreshUsed) else {
        return match find(Name::FreshUsed) {
            Some(Figure::Withheld(withheld)) if withheld.reason == Reason::NotRead => format!(
                "{month} was not read: no meter of {customer} has an accepted reading that covers any of it, so nothing is claimed for it."
            ),
            Some(Figure::Withheld(withheld)) if withheld.reason == Reason::Gap => format!(
                "Too little was read in {month} to say what the wash bays of {customer} used, so nothing is claimed for it."
            ),
            _ => format!("No meter measures the units of {customer}, so nothing is claimed for {month}."),
        };
    };
    let when = if period.complete {
        format!("In {month}")
    } else {
        format!("In {month}, up to {}", display::date_in(to, inputs.style.dates(inputs.unit_system)))
    };
    let what = match (printed(Name::Washed), printed(Name::Recycled)) {
        (Some(washed), Some(recycled)) => balanced(inputs, fresh, washed, recycled, printed(Name::ReuseShare)),
        _ => format!(
            "the wash bays of {customer} used {} of fresh water{}",
            shown(inputs, fresh),
            because(find(Name::Recycled))
        ),
    };
    format!("{when}, {what}{}.", shortfall(fresh))
}

fn balanced(inputs: &Inputs, fresh: &Printed, washed: &Printed, recycled: &Printed, reuse: Option<&Printed>) -> String {
    let customer = &inputs.customer;
    let at = if recycled.units_covered < recycled.units {
        format!(" at {} of {} units", recycled.units_covered, recycled.units)
    } else {
        String::new()
    };
    let (fresh, washed, recycled_text) = (shown(inputs, fresh), shown(inputs, washed), shown(inputs, recycled));
    if matches!(recycled.value, Value::Litres(litres) if litres < 0.0) {
        return format!(
            "more fresh water went into the units of {customer} than treated water came out: {recycled_text} recycled, \
             which is a loss, with {fresh} of fresh water used"
        );
    }
    let share =
        reuse.map(|reuse| format!(" ({} of all water to the washers)", shown(inputs, reuse))).unwrap_or_default();
    format!(
        "{customer} washed with {washed} of treated water{at}, {recycled_text} of it recycled{share}, and used {fresh} of fresh water"
    )
}

fn because(recycled: Option<&Figure>) -> &'static str {
    match recycled {
        Some(Figure::Withheld(withheld)) if withheld.reason == Reason::MetersDoNotSupport => {
            "; the meters fitted do not show how much was recycled"
        }
        Some(Figure::Withheld(_)) => "; too little was read to say how much was recycled",
        _ => "",
    }
}

/// What the figure does not cover, so that no total is taken for the whole.
fn shortfall(fresh: &Printed) -> String {
    let mut parts = Vec::new();
    if fresh.units_covered < fresh.units {
        parts.push(format!("read at {} of {} units", fresh.units_covered, fresh.units));
    }
    if fresh.coverage < 0.98 {
        let there = if parts.is_empty() { "" } else { " there" };
        parts.push(format!("readings{there} cover {} of the time", display::coverage(fresh.coverage)));
    }
    if parts.is_empty() { String::new() } else { format!(" ({})", parts.join("; ")) }
}

fn shown(inputs: &Inputs, printed: &Printed) -> String {
    display::figure(printed, Format::of(&inputs.style, inputs.unit_system))
}

/// How the figures were made.
pub(super) fn made(inputs: &Inputs, present: &[&Subject]) -> Made {
    let mut method = vec![
        "A meter's use is the difference of two readings of its register. What passed between them is divided over the \
         local days of the site between them; the parts add up to the difference."
            .to_owned(),
        "Fresh water used is make-up with hand fills, rinse water, and fresh water that went to the washers past the \
         unit, as far as each is metered."
            .to_owned(),
        "Water recycled is the treated water to the washers less the fresh water and the rain that went into the loop, \
         with the change of what stands in tanks and pit: by levels where they were read at both ends, else taken as \
         none, anywhere within the working band between the floats. The result keeps its sign."
            .to_owned(),
        "The recycled share is the water recycled over all water to the washers: treated, rinse and past the unit. \
         Volumes are summed first, then divided."
            .to_owned(),
        format!(
            "A balance or a ratio counts only days that readings of all its meters cover, and is printed when these are \
             at least {:.0} % of the days.",
            LEAST_WHOLE_DAYS * 100.0
        ),
        "Coverage is the share of the time between accepted readings; estimated is what was spread evenly between \
         readings more than a day apart. Figures are shown with as many digits as these two support."
            .to_owned(),
        "The figure after \u{b1} is the expanded uncertainty (coverage factor 2, about 95 %), after the Guide to the \
         Expression of Uncertainty in Measurement (JCGM 100): the meters' permissible errors in service, the \
         resolution of their registers, readings that do not fall on the ends of the month, and what stands in tanks \
         and pit."
            .to_owned(),
        "Money saved is the difference of two bills of the account. The amounts in brackets are what it comes to with \
         less and with more water avoided, by its expanded uncertainty: bills go by steps, so they need not lie at the \
         same distance, and every line of a bill is rounded."
            .to_owned(),
        "What washing cost is at the customer's prices, as accrued: a fee over its days, a part over the life it reached, \
         water and sewer as the account's bill would be less without the units' water. It is printed where all that \
         belongs to it is known, and divided by washes that were counted, never by a guess."
            .to_owned(),
    ];
    let zones = inputs.zone_names();
    if !zones.is_empty() {
        method.push(format!("Days and months begin at midnight in {}.", zones.join(", ")));
    }
    let ends: BTreeSet<_> =
        present.iter().filter(|s| s.meters.iter().any(|meter| meter.share < 1.0)).map(|s| s.name()).collect();
    if !ends.is_empty() {
        let ends: Vec<_> = ends.into_iter().collect();
        method.push(format!("A shared meter is allocated by a declared share at: {}.", ends.join("; ")));
    }
    method.extend(slow_flow(inputs, present));
    Made {
        method,
        meters: present.iter().flat_map(|subject| meters(subject)).collect(),
        baselines: baselines(inputs, present),
    }
}

/// What each meter passed so slowly that it registers too little, in the reader's units. A meter that
/// several share is said once.
fn slow_flow(inputs: &Inputs, present: &[&Subject]) -> Vec<String> {
    let format = Format::of(&inputs.style, inputs.unit_system);
    let statements = present.iter().map(|subject| &subject.statement.all);
    let errors =
        statements.flat_map(|parts| parts.iter().flat_map(|(_, litres, _)| &litres.one_sided).collect::<Vec<_>>());
    let flows = errors.filter(|error| error.shortfall == Shortfall::Flow);
    let words = |error: &OneSided| match error.low {
        None => format!("{} passed water below its lowest flow, where a meter registers too little.", error.of),
        Some(low) => format!(
            "Of what {} showed at most {} passed below its lowest flow of {}, where a meter registers too little, and at \
             most {} below {}, where its wider limit of error holds.",
            error.of,
            percent_up(low.below_q1_share),
            display::flow(low.q1_l_per_h, format),
            percent_up(low.below_q2_share),
            display::flow(low.q2_l_per_h, format)
        ),
    };
    flows.map(words).collect::<BTreeSet<_>>().into_iter().collect()
}

/// The baselines that hold on a day of the month, site by site.
fn baselines(inputs: &Inputs, present: &[&Subject]) -> Vec<BaselineRow> {
    let sites: BTreeMap<_, _> = present.iter().map(|subject| (subject.site_id, &subject.site)).collect();
    let mut rows = Vec::new();
    for money in &inputs.money {
        let Some(site) = sites.get(&money.site_id.0) else { continue };
        let held = money.baselines.touching(inputs.month.first_day(), inputs.month_end());
        rows.extend(held.map(|held| row(site, held)));
    }
    rows
}

fn row(site: &str, held: &Baseline) -> BaselineRow {
    BaselineRow {
        site: site.to_owned(),
        words: held.method.words(),
        from: held.first_day,
        to: held.last_day,
        agreed_by: held.agreed.by.clone(),
        role: held.agreed.role.clone(),
        agreed_on: held.agreed.on,
    }
}

fn meters(subject: &Subject) -> Vec<MeterRow> {
    let row = |meter: &super::inputs::MeterLine| MeterRow {
        of: subject.name(),
        label: meter.label.clone(),
        stream: meter.stream,
        read_by: meter.read_by,
        share: meter.share,
        last_read_at: meter.last_read_at,
    };
    subject.meters.iter().map(row).collect()
}

/// What a customer's people have to mind around a unit (common practice, no source).
pub(super) fn cautions() -> Vec<String> {
    [
        "Recycled water is for washing only. Its spray can carry germs, Legionella among them: keep lances away from \
         faces, and keep to your own rules for aerosols.",
        "Keep the backflow protection of the fresh-water connection in place; have it tested by a licensed tester where \
         your local code asks for it.",
        "Do not open or enter pits and tanks: they can lack oxygen and hold hydrogen sulphide. That is work for people \
         trained and equipped for confined spaces.",
        "Leave chemicals, ozone and electrical parts of the unit to trained people. The safety data sheets and the \
         maker's instructions come first.",
        "Discharge to a sewer, or hauling away, only as your local authority permits.",
        "Protect a standing unit from frost as the maker says.",
    ]
    .map(str::to_owned)
    .to_vec()
}
