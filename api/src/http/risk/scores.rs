//! `/v1/risk/scores`: how past forecasts turned out.

use super::life_models::EndsView;
use crate::auth::{Caller, perm};
use crate::db::risk::life_figures;
use crate::db::risk::outcomes::{self, Unscored};
use crate::db::risk::unit_nights::{self, JudgedUnits};
use crate::db::{Db, Tx};
use crate::http::answer::Problems;
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::readings::intake::in_background;
use actix_web::web::Data;
use actix_web::{HttpResponse, get};
use domain::reliability::score::Bin;
use domain::risk::HORIZONS_DAYS;
use domain::risk::scores::{Rival, Scores, scores};
use serde::Serialize;
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(risk_scores);
}

/// Forecasts of about the same probability, and how often it came true.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalibrationView {
    /// Forecasts.
    #[schema(example = 120)]
    count: usize,
    /// Their mean probability.
    #[schema(example = 0.08)]
    forecast: f64,
    /// Part of them that failed.
    #[schema(example = 0.1)]
    observed: f64,
    /// Exact binomial 90 % bounds of that part: the lower one. Forecasts of one part a week apart share its
    /// end, and count for as many as their outcomes tell.
    #[schema(example = 0.059)]
    lower: f64,
    /// The upper one.
    #[schema(example = 0.157)]
    upper: f64,
    /// Whether the mean probability lies within the bounds.
    #[schema(example = true)]
    agrees: bool,
}

impl From<Bin> for CalibrationView {
    fn from(bin: Bin) -> Self {
        let Bin { count, forecast, observed, lower, upper, agrees } = bin;
        Self { count, forecast, observed, lower, upper, agrees }
    }
}

/// A simple rule on the same forecasts.
#[derive(Debug, Serialize, ToSchema)]
pub struct RivalView {
    /// Forecasts that it could make.
    #[schema(example = 940)]
    count: usize,
    /// Its Brier score.
    #[schema(example = 0.0689)]
    brier: f64,
    /// The forecasts' Brier score on the same parts.
    #[schema(example = 0.0561)]
    brier_of_forecasts: f64,
    /// Its concordance.
    #[schema(example = 0.64)]
    concordance: Option<f64>,
}

impl From<Rival> for RivalView {
    fn from(rival: Rival) -> Self {
        let Rival { count, brier, brier_of_forecasts, concordance } = rival;
        Self { count, brier, brier_of_forecasts, concordance }
    }
}

/// The score of the forecasts of one horizon.
#[derive(Debug, Serialize, ToSchema)]
pub struct ScoreView {
    /// Forecasts scored: the latest 200000 at most.
    #[schema(example = 1200)]
    count: usize,
    /// Failures among them.
    #[schema(example = 84)]
    failed: usize,
    /// The mean squared error of the probabilities; less is better. It is reliability -
    /// resolution + uncertainty + within.
    #[schema(example = 0.055)]
    brier: f64,
    /// Mean squared distance of the tenths' forecasts from their outcomes; less is better.
    #[schema(example = 0.0012)]
    reliability: f64,
    /// Mean squared distance of the tenths' outcomes from the overall one; more is better.
    #[schema(example = 0.0118)]
    resolution: f64,
    /// What the outcomes vary by themselves.
    #[schema(example = 0.0651)]
    uncertainty: f64,
    /// What is left by putting different probabilities into one tenth.
    #[schema(example = 0.0005)]
    within: f64,
    /// Mean distance of the tenths' forecasts from their outcomes.
    #[schema(example = 0.021)]
    calibration_error: f64,
    /// Tenths of the forecasts by probability.
    calibration: Vec<CalibrationView>,
    /// Part of the pairs whose order is known in which the part at higher risk failed first; 0.5
    /// is no better than a coin.
    #[schema(example = 0.78)]
    concordance: Option<f64>,
    /// The rule "it fails when its rated life is over", for parts that have one.
    by_rated_life: Option<RivalView>,
    /// The rule "all parts alike fail at one rate, whatever their age".
    by_constant_rate: Option<RivalView>,
}

impl From<Scores> for ScoreView {
    fn from(found: Scores) -> Self {
        let score = found.score;
        Self {
            count: score.count,
            failed: score.failed,
            brier: score.brier,
            reliability: score.reliability,
            resolution: score.resolution,
            uncertainty: score.uncertainty,
            within: score.within,
            calibration_error: score.calibration_error,
            calibration: score.bins.into_iter().map(CalibrationView::from).collect(),
            concordance: found.concordance,
            by_rated_life: found.rated_life.map(RivalView::from),
            by_constant_rate: found.constant_rate.map(RivalView::from),
        }
    }
}

/// How the forecasts of one horizon turned out.
#[derive(Debug, Serialize, ToSchema)]
pub struct HorizonScoresView {
    /// Days ahead.
    #[schema(example = 30)]
    horizon_days: u16,
    /// Forecasts whose horizon lies ahead.
    #[schema(example = 310)]
    pending: i64,
    /// Forecasts that will never be scored: the part was taken out in good order before, or failed
    /// at an unknown time around the horizon.
    #[schema(example = 22)]
    unknown: i64,
    /// The score; null while there is none.
    score: Option<ScoreView>,
    /// How the forecasts of whole units turned out.
    units: UnitScoresView,
}

/// How forecasts of units turned out: a unit let down where one of its parts failed or the process upset.
#[derive(Debug, Serialize, ToSchema)]
pub struct UnitScoresView {
    /// Forecasts whose horizon lies ahead.
    #[schema(example = 46)]
    pending: i64,
    /// Forecasts that will never be scored: what became of a part is not known, and nothing else let down.
    #[schema(example = 3)]
    unknown: usize,
    /// The score, over the latest nights; null while there is none. The rule by rated life is "it lets down
    /// when one of its parts is past its rated life".
    score: Option<ScoreView>,
}

/// The scores.
#[derive(Debug, Serialize, ToSchema)]
pub struct RiskScoresView {
    /// How forecasts turned out, horizon by horizon.
    horizons: Vec<HorizonScoresView>,
    /// How the lives ended that the last night's forecasts were made from, over the whole fleet; null before
    /// a night has counted it.
    lives_ended: Option<EndsView>,
}

/// How the forecasts of one horizon turned out.
pub(crate) struct TurnedOut {
    /// Days ahead.
    pub(crate) days: u16,
    /// Those that can't be scored.
    pub(crate) unscored: Unscored,
    /// The scores of the others.
    pub(crate) scores: Option<Scores>,
    /// Of whole units: those that wait, those that can't be scored, and the scores of the others.
    pub(crate) units: (i64, usize, Option<Scores>),
}

impl From<TurnedOut> for HorizonScoresView {
    fn from(found: TurnedOut) -> Self {
        let Unscored { pending, unknown } = found.unscored;
        let (waiting, lost, scores) = found.units;
        let units = UnitScoresView { pending: waiting, unknown: lost, score: scores.map(ScoreView::from) };
        Self { horizon_days: found.days, pending, unknown, score: found.scores.map(ScoreView::from), units }
    }
}

/// How the forecasts turned out, by horizon; one horizon's are in memory at a time.
///
/// # Errors
/// When the database fails or the service is stopping.
pub(crate) async fn turned_out(db: &Db, caller: &Caller<perm::ReadRisk>) -> Result<Vec<TurnedOut>, Problem> {
    let mut horizons = Vec::new();
    for days in HORIZONS_DAYS {
        let known = async |tx: &Tx<'_>| {
            let (parts, units) = (outcomes::judged(tx, days).await?, unit_nights::judged(tx, days).await?);
            Ok((parts, units, outcomes::unscored(tx, days).await?))
        };
        let (parts, units, unscored) = db.read(caller.scope(), caller.now(), known).await?;
        let JudgedUnits { judged, pending, unknown } = units;
        let (of_parts, of_units) = in_background(move || (scores(&parts), scores(&judged))).await?;
        horizons.push(TurnedOut { days, unscored, scores: of_parts, units: (pending, unknown, of_units) });
    }
    Ok(horizons)
}

/// Show how forecasts turned out
///
/// A forecast is scored when its horizon has passed and the state of the part, or of the unit, at it is known.
/// Scored is the first night of each week: the nights between say the same of the same parts, and would count
/// each failure seven times. Beside them stands how the lives ended that forecasts are made
/// from: losses to one external event, and parts taken out for a reason that nobody wrote down.
#[utoipa::path(tag = "risk",
    responses((status = 200, description = "The scores by horizon", body = RiskScoresView), Problems))]
#[get("/risk/scores")]
async fn risk_scores(caller: Caller<perm::ReadRisk>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let horizons = turned_out(&db, &caller).await?.into_iter().map(HorizonScoresView::from).collect();
    let ends = db.read(caller.scope(), caller.now(), async |tx| life_figures::fleet_ends(tx).await).await?;
    Ok(HttpResponse::Ok().json(RiskScoresView { horizons, lives_ended: ends.map(EndsView::from) }))
}
