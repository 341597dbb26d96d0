//! The figures of a month's balance as they are answered: each with its expanded uncertainty, or
//! withheld with the reason.

use domain::baseline::avoided::{Activity, Missing};
use domain::cost::washes::Washes;
use domain::uncertainty::expanded::Expanded;
use domain::uncertainty::figures::Figures;
use domain::units::Litres;
use domain::water::balance::Basis;
use domain::water::grade::Withheld;
use domain::water::statement::Statement;
use serde::Serialize;
use utoipa::ToSchema;

/// A figure of a balance.
#[derive(Serialize, ToSchema)]
pub struct BalanceFigure {
    /// The value: litres, or a share of one; null when it is withheld.
    #[schema(example = 14000.0)]
    value: Option<f64>,
    /// Its expanded uncertainty, coverage factor 2, in the same unit.
    #[schema(example = 820.0)]
    expanded: Option<f64>,
    /// Why there is no value, as a stable code.
    #[schema(example = json!(null))]
    withheld: Option<&'static str>,
    /// What a reader has to know: why it is withheld, or in which direction a meter may be wrong.
    #[schema(example = json!([]))]
    words: Vec<String>,
}

/// The balance of a month, over the days that readings of every meter cover.
#[derive(Serialize, ToSchema)]
pub struct BalanceView {
    /// Make-up with hand fills, rinse and bypass, in litres.
    fresh_used_l: BalanceFigure,
    /// Treated water to the washers less what went into the loop, in litres.
    recycled_l: BalanceFigure,
    /// The same by what went out, in litres.
    recycled_by_losses_l: BalanceFigure,
    /// Water in less water known to have gone out, in litres.
    residual_l: BalanceFigure,
    /// Recycled over all water to the washers; withheld while less make-up water went in than one fill
    /// between the floats takes.
    recycled_share: BalanceFigure,
    /// Washes of these days, by tallies that cover all of them, else by counters, else by sessions at
    /// single guns: `by` says which; `not_counted` where nothing does.
    #[schema(value_type = Object, example = json!({"by": "counter", "washes": 412.0}))]
    washes: Washes,
    /// Hours with a trigger pulled; null where nothing counts them.
    #[schema(example = 61.5)]
    gun_h: Option<f64>,
    /// That the wash volume is more than the tested guns can pass, and what to check; null where it is
    /// not.
    #[schema(example = json!(null))]
    beyond_guns: Option<String>,
}

impl BalanceFigure {
    fn of(found: Result<Expanded, Withheld>) -> Self {
        match found {
            Ok(Expanded { value, expanded, one_sided, .. }) => {
                Self { value: Some(value), expanded: Some(expanded), withheld: None, words: one_sided }
            }
            Err(why) => Self { value: None, expanded: None, withheld: Some(why.code()), words: vec![why.to_string()] },
        }
    }
}

impl BalanceView {
    /// Fresh water used and recycled, each with its expanded uncertainty, in litres.
    pub(super) fn volumes(&self) -> [Option<f64>; 4] {
        let (fresh, recycled) = (&self.fresh_used_l, &self.recycled_l);
        [fresh.value, fresh.expanded, recycled.value, recycled.expanded]
    }

    /// The balance of a month of which `coverage`, 0 to 1, was read. That stands beside it, so
    /// nothing is withheld for it. `fill` is what one fill takes at least, where it is known.
    #[must_use]
    pub fn of(statement: &Statement, coverage: f64, fill: Option<Litres>) -> Self {
        let basis = Basis { read: coverage > 0.0, coverage, least_coverage: 0.0, fill };
        let whole = &statement.whole;
        let figures = Figures::of(whole, &basis, Err(Missing::Baseline), &Activity::default());
        let mut residual = BalanceFigure::of(figures.residual.clone().map(|residual| residual.litres));
        if let Ok(found) = figures.residual {
            residual.words.push(found.verdict.words().to_owned());
        }
        Self {
            fresh_used_l: BalanceFigure::of(figures.fresh_used_l),
            recycled_l: BalanceFigure::of(figures.recycled_l),
            recycled_by_losses_l: BalanceFigure::of(figures.recycled_by_losses_l),
            residual_l: residual,
            recycled_share: BalanceFigure::of(figures.recycled_share),
            washes: statement.washed.clone(),
            gun_h: statement.gun_h.as_ref().map(|hours| hours.value),
            beyond_guns: statement.beyond_guns.map(|beyond| beyond.to_string()),
        }
    }
}
