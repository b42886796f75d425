//! Reliability curves and paired differences.
#![allow(clippy::unwrap_used)]

use earlywood_model::reliability::{Stated, curve, paired};
use proptest::prelude::*;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

const EDGES: [f64; 5] = [0.0, 0.5, 0.8, 0.9, 1.0];

#[test]
fn bins_and_exact_intervals() {
    let mut worlds = vec![
        Stated {
            p_free: 0.85,
            free: true
        };
        28
    ];
    worlds.extend(
        [Stated {
            p_free: 0.8,
            free: false,
        }; 2],
    );
    worlds.push(Stated {
        p_free: 1.0,
        free: true,
    });
    worlds.push(Stated {
        p_free: 0.9,
        free: true,
    });
    let bins = curve(&worlds, &EDGES, 0.95).unwrap();
    assert_eq!(bins.iter().map(|b| b.worlds).collect::<Vec<_>>(), [0, 0, 30, 2]);
    // 28 of 30: the exact interval of a worked value, 0.7793 to 0.9918
    let (low, high) = bins[2].interval.unwrap();
    assert!(
        (low - 0.7793).abs() < 1e-4 && (high - 0.9918).abs() < 1e-4,
        "{low} {high}"
    );
    assert!((bins[2].mean_stated.unwrap() - (28.0 * 0.85 + 1.6) / 30.0).abs() < 1e-12);
    assert_eq!(
        (bins[0].interval, bins[0].agrees(), bins[2].agrees()),
        (None, None, Some(true))
    );
}

/// Bayes in a toy world: present with 0.3, seen with 0.7 in each of up to three looks. What is stated after looks without a
/// find is true; what is stated by one who believes in a sensitivity of 0.95 is not.
#[test]
fn an_honest_toy_agrees_and_a_boastful_one_does_not() {
    let run = |believed: f64| {
        let mut rng = ChaCha8Rng::seed_from_u64(17);
        let mut worlds = Vec::new();
        while worlds.len() < 4000 {
            let present = rng.random::<f64>() < 0.3;
            let looks = rng.random_range(0..4);
            if present && (0..looks).any(|_| rng.random::<f64>() < 0.7) {
                continue; // found: no assurance is stated
            }
            let missed = (1.0 - believed).powi(looks);
            worlds.push(Stated {
                p_free: 0.7 / (0.7 + 0.3 * missed),
                free: !present,
            });
        }
        curve(&worlds, &EDGES, 0.999).unwrap()
    };
    assert!(
        run(0.7).iter().all(|b| b.agrees() != Some(false)),
        "{:?}",
        run(0.7)
    );
    assert!(run(0.95).iter().any(|b| b.agrees() == Some(false)));
}

#[test]
fn paired_differences() {
    // worked value: differences 1, 2, 3, 4; mean 2.5, sd 1.290994449, t(0.975, 3) = 3.182446305
    let got = paired(&[5.0, 0.0, -3.0, 9.0], &[6.0, 2.0, 0.0, 13.0], 0.95).unwrap();
    let half = 3.182446305 * 1.290994449 / 2.0;
    assert_eq!((got.mean, got.pairs), (2.5, 4));
    assert!(
        (got.high - 2.5 - half).abs() < 1e-7 && (2.5 - got.low - half).abs() < 1e-7,
        "{got:?}"
    );
    let none = paired(&[1.0, 7.0], &[1.0, 7.0], 0.95).unwrap();
    assert_eq!((none.mean, none.low, none.high), (0.0, 0.0, 0.0));
}

#[test]
fn refusals() {
    let one = [Stated {
        p_free: 0.5,
        free: true,
    }];
    assert!(curve(&one, &[], 0.95).is_err());
    assert!(curve(&one, &[0.0], 0.95).is_err());
    assert!(curve(&one, &[0.0, 0.5, 0.5, 1.0], 0.95).is_err());
    assert!(curve(&one, &[0.1, 1.0], 0.95).is_err());
    assert!(curve(&one, &EDGES, 1.0).is_err());
    assert!(
        curve(
            &[Stated {
                p_free: f64::NAN,
                free: true
            }],
            &EDGES,
            0.95
        )
        .is_err()
    );
    assert!(paired(&[1.0], &[1.0], 0.95).is_err());
    assert!(paired(&[1.0, 2.0], &[1.0], 0.95).is_err());
    assert!(paired(&[1.0, f64::INFINITY], &[1.0, 2.0], 0.95).is_err());
    assert!(paired(&[1.0, 2.0], &[1.0, 2.0], 0.0).is_err());
}

proptest! {
    /// Every world is in one bin; swapping plans turns the difference about.
    #[test]
    fn nothing_is_lost(rows in prop::collection::vec((0.0..=1.0f64, any::<bool>(), -9.0..9.0f64), 2..60)) {
        let worlds: Vec<Stated> = rows.iter().map(|(p_free, free, _)| Stated { p_free: *p_free, free: *free }).collect();
        let bins = curve(&worlds, &EDGES, 0.9).unwrap();
        prop_assert_eq!(bins.iter().map(|b| b.worlds).sum::<u64>(), rows.len() as u64);
        prop_assert_eq!(bins.iter().map(|b| b.free).sum::<u64>(), worlds.iter().filter(|w| w.free).count() as u64);
        for b in bins.iter().filter(|b| b.worlds > 0) {
            let mean = b.mean_stated.unwrap();
            prop_assert!(mean >= b.from - 1e-12 && mean <= b.to + 1e-12);
        }
        let a: Vec<f64> = rows.iter().map(|r| r.0).collect();
        let b: Vec<f64> = rows.iter().map(|r| r.2).collect();
        let (there, back) = (paired(&a, &b, 0.9).unwrap(), paired(&b, &a, 0.9).unwrap());
        prop_assert!((there.low + back.high).abs() < 1e-9 && (there.mean + back.mean).abs() < 1e-9);
    }
}
