//! What lives of parts alike told, as it is shown.

use crate::db::DbError;
use crate::db::risk::life_figures::LifeFigures;
use crate::db::risk::view::PartAtRisk;
use domain::reliability::counts::Counts;
use domain::reliability::estimate::Bounds;
use domain::reliability::records::Ends;
use domain::reliability::rivals::Standing;
use domain::risk::words;
use serde::Serialize;
use utoipa::ToSchema;

/// An interval.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LifeBounds)]
pub struct BoundsView {
    /// The lower bound.
    #[schema(example = 1.8)]
    lower: f64,
    /// The upper bound; null where nothing bounds it.
    #[schema(example = 4.6)]
    upper: Option<f64>,
}

impl From<Bounds> for BoundsView {
    fn from(Bounds { lower, upper }: Bounds) -> Self {
        Self { lower, upper }
    }
}

/// How lives ended, by cause, and what was left out.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LifeEnds)]
pub struct EndsView {
    /// Failed in use: the end of a life.
    #[schema(example = 12)]
    failed: usize,
    /// Found worn out: the end of a life since it was last seen good.
    #[schema(example = 2)]
    worn_out_found: usize,
    /// Failed a calibration: likewise.
    #[schema(example = 0)]
    failed_calibration: usize,
    /// Still fitted. It and all that follow count as good until then.
    #[schema(example = 9)]
    running: usize,
    /// Taken out in good order, before it could fail.
    #[schema(example = 4)]
    preventive: usize,
    /// Taken out for a better one.
    #[schema(example = 1)]
    upgrade: usize,
    /// Lost to external causes such as frost.
    #[schema(example = 2)]
    external: usize,
    /// The events that these come to: losses at one place within 72 hours are one, whatever kinds of
    /// parts they took, so that those of several kinds do not add up.
    #[schema(example = 1)]
    external_events: usize,
    /// Faulty when new.
    #[schema(example = 0)]
    faulty_new: usize,
    /// Taken out for a reason that nobody wrote down: as many lives may have been longer or shorter than
    /// they count.
    #[schema(example = 1)]
    unknown: usize,
    /// Left out: what its counter ran is not known.
    #[schema(example = 1)]
    without_age: usize,
    /// Left out: not watched for any length of its life.
    #[schema(example = 0)]
    without_length: usize,
}

impl From<Ends> for EndsView {
    fn from(ends: Ends) -> Self {
        let Ends { failed, worn_out_found, failed_calibration, running, preventive, upgrade, .. } = ends;
        let Ends { external, external_events, faulty_new, unknown, without_age, without_length, .. } = ends;
        Self {
            failed,
            worn_out_found,
            failed_calibration,
            running,
            preventive,
            upgrade,
            external,
            external_events,
            faulty_new,
            unknown,
            without_age,
            without_length,
        }
    }
}

/// Whether the Weibull fits the lives, beside a constant hazard and a lognormal.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LifeFit)]
pub struct FitView {
    /// Akaike's criterion, corrected for few failures: less is better. That of one rate at all ages.
    #[schema(example = 262.4)]
    exponential_aicc: Option<f64>,
    /// That of the Weibull.
    #[schema(example = 251.3)]
    weibull_aicc: Option<f64>,
    /// That of the lognormal.
    #[schema(example = 244.9)]
    lognormal_aicc: Option<f64>,
    /// Chance of failures by age as far off the Weibull if it is true; null where ages are known to
    /// intervals only.
    #[schema(example = 0.04)]
    agreement_p: Option<f64>,
    /// Greatest distance between the survival that it says and the one without a model; null for more than
    /// 500 lives some of which are known to intervals.
    #[schema(example = 0.06)]
    distance: Option<f64>,
    /// Why the Weibull should not be relied on; null where nothing speaks against it.
    #[schema(
        example = "the chances rest on a Weibull that does not fit these lives: a lognormal fits better by 6.4 (AICc)"
    )]
    warning: Option<String>,
}

impl From<Standing> for FitView {
    fn from(standing: Standing) -> Self {
        let Standing { exponential_aicc, weibull_aicc, lognormal_aicc, agreement_p, distance, misfit } = standing;
        let warning = misfit.map(words::misfit);
        Self { exponential_aicc, weibull_aicc, lognormal_aicc, agreement_p, distance, warning }
    }
}

/// Counts of lives at all other dealers who lend them.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LentLives)]
pub struct LentView {
    /// Lives watched.
    #[schema(example = 210)]
    lives: u32,
    /// Failures among them.
    #[schema(example = 64)]
    failures: u32,
    /// How long they were watched together, in the run basis.
    #[schema(example = 1_105_000.0)]
    time_at_risk: f64,
}

impl From<Counts> for LentView {
    fn from(Counts { lives, failures, time_at_risk }: Counts) -> Self {
        Self { lives, failures, time_at_risk }
    }
}

/// The figures of lives.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LifeFigures)]
pub struct FiguresView {
    /// Weibull shape, above 1 for parts that wear; null where there is no estimate.
    #[schema(example = 2.9)]
    shape: Option<f64>,
    /// Its 90 % bounds.
    shape_bounds: Option<BoundsView>,
    /// Weibull scale, in the run basis: the age by which 63 % fail.
    #[schema(example = 6250.0)]
    scale: Option<f64>,
    /// Its 90 % bounds.
    scale_bounds: Option<BoundsView>,
    /// How the lives of the group ended.
    ends: EndsView,
    /// The use a day assumed of parts without a counter, in the run basis.
    #[schema(example = 6.5)]
    assumed_per_day: f64,
    /// What other dealers counted of such parts, where both sides lend their counts and too few of one's own
    /// failed to tell alone.
    lent: Option<LentView>,
    /// Why there is no estimate.
    #[schema(example = json!(null))]
    why_none: Option<String>,
    /// Whether the Weibull fits; null while fewer than ten failures tell.
    fit: Option<FitView>,
}

impl From<LifeFigures> for FiguresView {
    fn from(figures: LifeFigures) -> Self {
        Self {
            shape: figures.shape,
            shape_bounds: figures.shape_bounds.map(BoundsView::from),
            scale: figures.scale,
            scale_bounds: figures.scale_bounds.map(BoundsView::from),
            ends: figures.ends.into(),
            assumed_per_day: figures.assumed_per_day,
            lent: figures.elsewhere.map(LentView::from),
            why_none: figures.why_none,
            fit: figures.standing.map(FitView::from),
        }
    }
}

/// What lives of parts alike told.
#[derive(Debug, Serialize, ToSchema)]
pub struct LifeModelView {
    /// `lives`: the lives alone. `rated_life_and_lives`: the rated life, corrected by the lives, as
    /// long as fewer than ten parts failed; from ten to a hundred the chances of rated parts are means over
    /// the shapes and scales that the lives leave open. `counts_elsewhere_and_lives`: likewise what other
    /// dealers lend, where no rated life is known. `nothing`: no forecast can be made.
    #[schema(example = "lives")]
    basis: String,
    /// The maker's model that the lives are of; null for all parts of the kind and duty.
    #[schema(example = "T 6")]
    of_model: Option<String>,
    /// The soil of the sites that the lives are of; null for all.
    #[schema(example = "earth")]
    of_soil_class: Option<String>,
    /// When these parts work.
    #[schema(example = "timed")]
    duty: String,
    /// Lives, running ones included.
    #[schema(example = 31)]
    lives: i32,
    /// Failures among them.
    #[schema(example = 14)]
    failures: i32,
    /// Weibull shape and scale, how the lives ended, whether the Weibull fits; or why there is no
    /// estimate.
    figures: FiguresView,
}

impl LifeModelView {
    /// What is told of the group of a part.
    ///
    /// # Errors
    /// When its figures are not kept as this version keeps them.
    pub(super) fn of(part: &PartAtRisk) -> Result<Self, DbError> {
        Ok(Self {
            basis: part.basis.clone(),
            of_model: part.group_model.clone(),
            of_soil_class: part.group_soil.clone(),
            duty: part.duty.clone(),
            lives: part.lives,
            failures: part.failures,
            figures: part.life_figures()?.into(),
        })
    }
}
