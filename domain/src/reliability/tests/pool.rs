use crate::reliability::life::Life;
use crate::reliability::pool::*;
use crate::reliability::posterior::Posterior;
use crate::reliability::prior::Prior;
use crate::reliability::tests::published::near;
use crate::reliability::weibull::Weibull;

/// Lives at even quantiles of a Weibull, cut short at an age.
fn fleet(truth: &Weibull, lives: usize, cut: f64) -> Vec<Life> {
    let one = |n: usize| {
        let age = truth.quantile((n as f64 + 0.5) / lives as f64);
        if age <= cut { Life::failed(age).unwrap() } else { Life::running(cut).unwrap() }
    };
    (0..lives).map(one).collect()
}

fn prior() -> Prior {
    Prior::for_rated_life(1000.0, 2.0).unwrap()
}

#[test]
fn a_group_alone_and_groups_without_lives_keep_their_priors() {
    let lives = fleet(&Weibull::new(2.0, 700.0).unwrap(), 20, 900.0);
    for groups in [vec![(lives.as_slice(), prior())], vec![(&[][..], prior()); 3]] {
        for moved in pool(&groups) {
            near(moved.scale.median, prior().scale.median, 1e-3);
            near(moved.scale.sd_ln, prior().scale.sd_ln, 2e-3);
            near(moved.shape.median, prior().shape.median, 1e-3);
            near(moved.shape.sd_ln, prior().shape.sd_ln, 2e-3);
        }
    }
    assert_eq!(pool(&[]), []);
}

/// Groups that last half the rated life move one without lives towards that, the further the more
/// of them agree, and never to where they are. One alone, far from the prior, also widens it:
/// it speaks as much for groups that differ.
#[test]
fn groups_that_agree_move_the_one_without_lives() {
    let lives = fleet(&Weibull::new(2.5, 450.0).unwrap(), 30, 600.0);
    let mut last = prior().scale.median;
    for others in 1..=4 {
        let mut groups = vec![(&[][..], prior())];
        groups.extend(vec![(lives.as_slice(), prior()); others]);
        let moved = pool(&groups)[0].scale;
        assert!(moved.median < last && moved.median > 450.0, "{moved:?}");
        assert!(others < 4 || moved.sd_ln < 0.9 * prior().scale.sd_ln, "{moved:?}");
        last = moved.median;
    }
}

/// Groups far apart share little: the one in doubt keeps more of its width.
#[test]
fn groups_that_differ_move_it_less() {
    let short = fleet(&Weibull::new(2.0, 400.0).unwrap(), 30, 2000.0);
    let long = fleet(&Weibull::new(2.0, 2600.0).unwrap(), 30, 4000.0);
    let with = |a: &[Life], b: &[Life]| pool(&[(&[][..], prior()), (a, prior()), (b, prior())])[0].scale;
    assert!(with(&short, &long).sd_ln > 1.1 * with(&short, &short).sd_ln);
}

/// Each group is measured from its own rated life, and its own lives outweigh the others'.
#[test]
fn a_group_with_many_lives_speaks_for_itself() {
    let own = fleet(&Weibull::new(2.0, 1500.0).unwrap(), 400, 3000.0);
    let other = fleet(&Weibull::new(2.0, 400.0).unwrap(), 30, 2000.0);
    let moved = pool(&[(&own, prior()), (&other, prior()), (&other, prior())])[0];
    let (alone, pooled) = (Posterior::of(&own, &prior()), Posterior::of(&own, &moved));
    near(pooled.failure_ahead(1000.0, 100.0), alone.failure_ahead(1000.0, 100.0), 0.02);
}
