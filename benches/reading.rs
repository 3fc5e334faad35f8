//! Reading a table of 100,000 birds weighed twelve times, and summing it up.

use divan::Bencher;
use pinfeather::study::{Columns, Study, Summary};

fn main() {
    divan::main();
}

/// A folder with the table `w.csv`: a bird's rows together, birds in order.
fn table(birds: u32) -> tempfile::TempDir {
    let mut text = "bird,strain,age_d,weight_g\n".to_owned();
    for bird in 0..birds {
        for week in 0..12 {
            let weight = 40 + week * 90 + bird % 37;
            text += &format!("bird{bird},line{},{},{weight}.5\n", bird % 3, week * 7);
        }
    }
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("w.csv"), text).expect("a table");
    folder
}

fn columns() -> Columns {
    Columns {
        group: Some("strain".into()),
        ..Columns::default()
    }
}

#[divan::bench(sample_count = 5)]
fn read_100_000_birds(bencher: Bencher) {
    let folder = table(100_000);
    let path = folder.path().join("w.csv");
    bencher.bench_local(|| Study::read_table(&path, &columns()).expect("a study"));
}

#[divan::bench(sample_count = 5)]
fn sum_up_100_000_birds(bencher: Bencher) {
    let folder = table(100_000);
    let study = Study::read_table(&folder.path().join("w.csv"), &columns()).expect("a study");
    bencher.bench_local(|| Summary::of(&study));
}
