//! Small valid studies, invented, through the program's own commands to its tables.

use std::ffi::OsString;
use std::fmt::Write as _;
use std::path::Path;

use arbitrary::{Result, Unstructured};

use crate::readers::folder;

/// Uniform and normal numbers (splitmix64; the sum of twelve uniforms is normal enough here).
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// Weighings of some birds on curves of their own.
pub(crate) fn weighings(seed: u64, birds: u32, strains: u32, ages_d: &[f64]) -> String {
    let mut noise = Noise(seed);
    let mut table = "bird,strain,age_d,weight_g\n".to_owned();
    let spread = [0.0, 0.003, 0.02, 0.06][(noise.uniform() * 4.0) as usize];
    let shape = noise.uniform();
    for bird in 0..birds {
        let strain = bird % strains;
        let mature = 1700.0 + 150.0 * f64::from(strain) + 90.0 * noise.normal();
        let k = (0.028 + 0.002 * f64::from(strain)) * (1.0 + 0.05 * noise.normal());
        let ti = 55.0 + 3.0 * noise.normal();
        for age_d in ages_d {
            // A bird may miss a weighing.
            if noise.uniform() < 0.05 {
                continue;
            }
            let z = -k * (age_d - ti);
            let share = if shape < 0.6 {
                (-z.exp()).exp()
            } else if shape < 0.8 {
                1.0 / (1.0 + (1.5 * z).exp())
            } else {
                (0.02 + age_d / 160.0).min(1.0)
            };
            let weight = (mature * share * (1.0 + spread * noise.normal())).max(12.0);
            let _ = writeln!(table, "b{bird},s{strain},{age_d},{weight:.1}");
        }
    }
    table
}

/// Studies.
pub(crate) fn numerics(data: &[u8]) {
    let _ = try_numerics(&mut Unstructured::new(data));
}

fn try_numerics(u: &mut Unstructured) -> Result<()> {
    let seed = u.arbitrary()?;
    let strains = u.int_in_range(1..=3_u32)?;
    let birds = u.int_in_range(1..=8_u32)?.max(strains);
    let weighed = u.int_in_range(3..=10_u32)?;
    let step = f64::from(u.int_in_range(7..=21_u32)?);
    let ages_d: Vec<f64> = (0..weighed)
        .map(|n| f64::from(n) * step + f64::from(n % 2))
        .collect();
    let folder = folder().join("study");
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a folder in a temporary one");
    let put = |name: &str, text: &str| {
        std::fs::write(folder.join(name), text).expect("a file of the study")
    };
    put("weights.csv", &weighings(seed, birds, strains, &ages_d));
    let mut noise = Noise(!seed);
    let mut targets = "strain,age_d,target_g,lower_g,upper_g\n".to_owned();
    for strain in 0..strains {
        for age_d in &ages_d {
            let target = 1750.0 * (-(-0.029 * (age_d - 55.0)).exp()).exp() + 30.0;
            let _ = writeln!(
                targets,
                "s{strain},{age_d},{target:.0},{:.0},{:.0}",
                target * 0.95,
                target * 1.05
            );
        }
    }
    put("targets.csv", &targets);
    let mut onset = "bird,first_egg_age_d,last_seen_age_d\n".to_owned();
    for bird in 0..birds {
        let egg = 140.0 + 6.0 * noise.normal();
        let laid = if egg < 150.0 {
            format!("{egg:.0}")
        } else {
            String::new()
        };
        let _ = writeln!(onset, "b{bird},{laid},170");
    }
    put("onset.csv", &onset);
    let curves = [
        "gompertz",
        "logistic",
        "richards",
        "two-phase-gompertz",
        "bertalanffy",
        "weibull",
        "anchored-gompertz",
    ];
    let curve = *u.choose(&curves)?;
    let variance = *u.choose(&["constant", "constant", "proportional", "power", "lognormal"])?;
    let call: &[&str] = match u.int_in_range(0..=9_u8)? {
        0..=3 => &["fit", "--level", "bird,strain"],
        4 => &["fit", "--level", "bird", "--intervals", "profile"],
        5 => &["fit", "--level", "population"],
        6 => &["target"],
        // Strains are compared where there are two.
        7 if strains > 1 => &["contrast"],
        8 => &["onset"],
        _ => &["run", "--level", "bird,strain"],
    };
    let mut arguments: Vec<OsString> = std::iter::once("pinfeather".into())
        .chain(call.iter().map(Into::into))
        .collect();
    let out = folder.join("out");
    let table = folder.join("weights.csv");
    arguments.push(table.into());
    if matches!(call[0], "fit" | "run" | "contrast") {
        arguments.extend([
            "--curve".into(),
            curve.into(),
            "--variance".into(),
            variance.into(),
        ]);
    }
    if matches!(call[0], "target" | "run") {
        arguments.extend(["--targets".into(), folder.join("targets.csv").into()]);
    }
    if matches!(call[0], "onset" | "run") {
        arguments.extend(["--onset".into(), folder.join("onset.csv").into()]);
    }
    arguments.extend(["--group".into(), "strain".into(), "--quiet".into()]);
    // A figure takes longer than all numbers: the whole study without, as JSON.
    if call[0] == "run" {
        arguments.push("--json".into());
    } else {
        arguments.extend(["--out".into(), out.clone().into()]);
    }
    let shown: Vec<_> = arguments
        .iter()
        .map(|argument| argument.to_string_lossy())
        .collect();
    let status = pinfeather::cli::run(arguments.clone());
    assert!(status == 0, "status {status}: {}", shown.join(" "));
    if status == 0 && call[0] != "run" {
        no_nonsense(&out.join("tables"), &shown.join(" "));
    }
    Ok(())
}

/// No cell is a NaN or an infinity, or beyond what any quantity of a flock can be.
fn no_nonsense(tables: &Path, call: &str) {
    let Ok(entries) = std::fs::read_dir(tables) else {
        return;
    };
    for entry in entries.flatten() {
        let place = entry.path();
        let mut reader = csv::Reader::from_path(&place).expect("a table of results");
        let header = reader.headers().expect("a header").clone();
        for (row, record) in reader.records().enumerate() {
            let record = record.expect("a row as wide as the header");
            // With a power of the mean, sigma and rss are in g^(1 - power) and its square: of
            // any size.
            let power = header.iter().position(|name| name == "variance_power");
            let of_power = power.is_some_and(|at| !record[at].is_empty());
            for (name, cell) in header.iter().zip(&record) {
                let word = cell.trim_start_matches(['-', '+']).to_ascii_lowercase();
                let no_number = matches!(word.as_str(), "nan" | "inf" | "infinity");
                let any_size = of_power && matches!(name, "sigma" | "rss");
                let absurd =
                    !any_size && word.parse::<f64>().is_ok_and(|number| number.abs() > 1e12);
                assert!(
                    !no_number && !absurd,
                    "{} row {}, {name}: {cell} in {record:?}: {call}",
                    place.display(),
                    row + 2
                );
            }
        }
    }
}
