//! The scanning protocol: each statement of a number has its n and its table, and what the
//! study has no evidence for is a prompt.

use pinfeather::analysis::{Options, Scans};
use pinfeather::report::protocol::Protocol;
use pinfeather::study::Study;

use crate::support::root;
use crate::support::scans::{invented, write_files};

fn written(study: &Study) -> Option<String> {
    let scans = Scans::of(study, &Options::of(study).unwrap()).unwrap();
    Protocol::of(study, &scans, None).map(|protocol| protocol.markdown())
}

/// Each line with a figure of the study names a table or the settings' rule.
fn check(text: &str) {
    assert!(!text.contains("NaN") && !text.contains("inf "), "{text}");
    for step in 1..=12 {
        assert!(
            text.contains(&format!("\n## {step}. ")),
            "step {step}: {text}"
        );
    }
    for line in text.lines().filter(|line| line.starts_with("- ")) {
        let figures =
            line.contains("df ") || line.contains(" % ") || line.contains("standard error");
        let source = [".csv", "scans)", "[", "Reject a scan", "df "];
        assert!(
            !figures || source.iter().any(|source| line.contains(source)),
            "{line}"
        );
        assert_eq!(
            line.matches('[').count(),
            line.matches(']').count(),
            "{line}"
        );
    }
    assert_eq!(
        text.matches("X-ray work").count(),
        1,
        "the cautions stand once"
    );
}

#[test]
fn the_demo_has_a_protocol() {
    let text = written(&Study::read_folder(&root("data-demo")).unwrap()).unwrap();
    check(&text);
    for expected in [
        "Use: tube. It repeats best, and there is no evidence that it is rejected more often.",
        "sling: SD of a repositioned scan",
        "Scan birds singly",
        "g of reading for each g of feathers",
        "rejected_scans.csv",
        "Measure the phantom before the first bird of each day of scanning",
        "The phantom's bone reading was out of control from 2025-0",
        "Record the phantom's reading of each day",
    ] {
        assert!(text.contains(expected), "{expected}: {text}");
    }
    if let Ok(path) = std::env::var("PINFEATHER_PROTOCOL") {
        std::fs::write(path, &text).unwrap();
    }
}

#[test]
fn without_repeats_and_chemistry_there_are_prompts_and_no_rules() {
    let folder = tempfile::tempdir().unwrap();
    write_files(
        folder.path(),
        &[
            (
                "study.toml",
                "[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\nscans = \"scans.csv\"\n",
            ),
            ("birds.csv", "bird,strain\na1,A\na2,A\n"),
            ("weighings.csv", "bird,age_d,weight_g\na1,56,700\n"),
            (
                "scans.csv",
                "bird,age_d,region,feathers,fat_g,lean_g,bone_g\na1,56,,intact,80,600,15\na2,56,,intact,90,640,16\n",
            ),
        ],
    );
    let text = written(&Study::read_folder(folder.path()).unwrap()).unwrap();
    check(&text);
    for prompt in [
        "[Method of restraint",
        "[Number of repeats",
        "[Equations",
        "[Weigh each bird",
        "[Shelled egg",
        "[Daily phantom",
    ] {
        assert!(text.contains(prompt), "{prompt}: {text}");
    }
    assert!(!text.contains("Use: "), "{text}");
}

#[test]
fn a_study_without_scans_has_no_protocol() {
    let mut study = invented(1).study();
    study.scans.rows.clear();
    study.chemistry.rows.clear();
    assert_eq!(written(&study), None);
}
