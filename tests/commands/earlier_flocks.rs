//! This flock among earlier flocks that were saved as populations.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use crate::support::{done, pinfeather, text};

/// Weighings of ten birds whose strain is so much heavier than another flock's, percent.
fn flock(seed: u64, heavier_pct: f64) -> String {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut uniform = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
    };
    let mut rows = "bird,strain,age_d,weight_g\n".to_owned();
    for bird in 0..10 {
        let size = 1.0 + 0.15 * uniform();
        for week in 0..13 {
            let age_d = 7.0 * f64::from(week);
            let typical = 1600.0 * (-(-0.022 * (age_d - 55.0)).exp()).exp();
            let weight = typical * size * (1.0 + 0.01 * heavier_pct) * (1.0 + 0.03 * uniform());
            writeln!(rows, "b{bird},Alder,{age_d},{weight:.2}").unwrap();
        }
    }
    rows
}

/// Saves the population of an earlier flock.
fn earlier(at: &Path, name: &str, seed: u64, heavier_pct: f64) -> PathBuf {
    std::fs::write(at.join(format!("{name}.csv")), flock(seed, heavier_pct)).unwrap();
    done(
        at,
        &format!(
            "fit {name}.csv --curve gompertz --level population --save-population {name} --out {name}-results"
        ),
    );
    let saved = at.join(name).join("body_weight_gompertz.toml");
    assert!(saved.is_file(), "{name}");
    saved
}

#[test]
fn a_flock_is_placed_among_earlier_ones() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    // Means of ten birds vary by 1.4 percent, so that these keep their order.
    let saved: Vec<String> = [-30.0, -20.0, 25.0, -12.0, 40.0]
        .iter()
        .enumerate()
        .map(|(place, heavier)| {
            let path = earlier(at, &format!("f{place}"), 11 + place as u64, *heavier);
            path.to_str().unwrap().to_owned()
        })
        .collect();
    std::fs::write(at.join("now.csv"), flock(3, 0.0)).unwrap();
    let targets = "strain,trait,age_d,target_g\nAlder,body_weight,0,40\nAlder,body_weight,84,950\n";
    std::fs::write(at.join("targets.csv"), targets).unwrap();
    let call = |earlier: &[String]| {
        format!(
            "target now.csv --targets targets.csv --curve gompertz --details --earlier {}",
            earlier.join(",")
        )
    };
    let few = done(at, &call(&saved[..3]));
    assert!(few.contains("heavier than 2 of 3 earlier flocks"), "{few}");
    assert!(!few.contains("percentile"), "{few}");
    let all = done(at, &call(&saved));
    assert!(all.contains("heavier than 3 of 5 earlier flocks"), "{all}");
    // R 4.2.2: binom.test(3, 5)$conf.int is 0.1466 to 0.9473.
    assert!(
        all.contains("percentile 60 (95 % interval 15 to 95)"),
        "{all}"
    );
    let answers = std::fs::read_to_string(at.join("results/tables/answers.csv")).unwrap();
    assert!(
        answers.contains("percentile_among_earlier_flocks"),
        "{answers}"
    );
    assert!(answers.contains("lighter_earlier_flocks"), "{answers}");
    let table = std::fs::read_to_string(at.join("results/tables/earlier_flocks.csv")).unwrap();
    assert_eq!(table.lines().count(), 7, "{table}");
    assert!(table.contains("this flock"), "{table}");
    // This flock itself is none of the earlier ones.
    let own = earlier(at, "same", 3, 0.0).to_str().unwrap().to_owned();
    let words = done(at, &call(&[own]));
    assert!(
        words.contains("no earlier flock to compare with"),
        "{words}"
    );
    assert!(words.contains("among those of this flock"), "{words}");
    let output = pinfeather(at, &call(&["nothing.toml".to_owned()]));
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("nothing.toml"));
}
