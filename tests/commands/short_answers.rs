//! What commands print: the answer first, in ten lines, the rest with `--details` and in a file.

use std::process::Command;

use crate::support::{done, root, text};

/// At most ten lines of at most eighty characters, the last with the place of the rest.
fn is_short(printed: &str, place: &str) {
    assert!(printed.lines().count() <= 10, "{printed}");
    for line in printed.lines() {
        assert!(line.chars().count() <= 80, "{line}");
        assert!(!line.contains('\u{1b}'), "{line:?}");
    }
    let last = printed.lines().last().unwrap();
    assert_eq!(last, format!("{place}/tables  everything else"));
}

#[test]
fn commands_answer_in_ten_lines_and_keep_the_rest() {
    let folder = tempfile::tempdir().unwrap();
    let (here, demo) = (folder.path(), root("data-demo"));
    let demo = demo.display();
    let calls = [
        (
            "repeatability",
            format!("{demo}"),
            "REPEATABILITY",
            "tube repeats better than sling (variance ratio",
        ),
        (
            "calibrate",
            format!("{demo}"),
            "CALIBRATION",
            "birds, power of the mean",
        ),
        (
            "correct",
            format!("{demo} --equation calibrate/models/corrections"),
            "CORRECTED",
            "scans corrected, by",
        ),
        (
            "validate",
            "pairs.csv --equation calibrate/models/corrections/fat.toml --map-strain Dogwood=Birch"
                .to_owned(),
            "USABLE?",
            "limits of agreement",
        ),
        (
            "plan",
            format!("{demo} --curve gompertz --weeks 2,8,16,24 --studies 0"),
            "PLAN",
            "As a cue",
        ),
    ];
    let pairs = root("data-demo/second_laboratory/pairs.csv");
    std::fs::copy(pairs, here.join("pairs.csv")).unwrap();
    for (command, rest, heading, only_in_details) in calls {
        let printed = done(here, &format!("{command} {rest} --out {command}"));
        is_short(&printed, command);
        assert!(printed.starts_with(heading), "{printed}");
        let details = std::fs::read_to_string(here.join(command).join("details.txt")).unwrap();
        assert!(details.contains(only_in_details), "{command}: {details}");
        let all = done(here, &format!("{command} {rest} --out {command} --details"));
        assert!(all.starts_with(&printed), "{all}");
        assert!(all.contains(only_in_details), "{all}");
    }
    // Six laboratories, then two of them.
    let six = std::fs::read_to_string(root("data-demo/laboratories/pairs.csv")).unwrap();
    let two: Vec<&str> = six
        .lines()
        .filter(|row| !row.starts_with(['L']) || row.starts_with("L1,") || row.starts_with("L2,"))
        .collect();
    for (name, text, says) in [
        ("six", six.clone(), "bird of another one"),
        (
            "two",
            two.join("\n"),
            "two laboratories do not show how a third differs",
        ),
    ] {
        std::fs::write(here.join("pairs.csv"), text).unwrap();
        let call =
            format!("calibrate pairs.csv --response fat_chem --terms fat_scan,age --out {name}");
        let printed = done(here, &call);
        is_short(&printed, name);
        assert!(
            printed.starts_with("LABORATORIES") && printed.contains(says),
            "{printed}"
        );
        let details = std::fs::read_to_string(here.join(name).join("details.txt")).unwrap();
        assert!(
            details.contains("How much do laboratories differ"),
            "{details}"
        );
        assert!(
            details
                .lines()
                .filter(|line| line.starts_with("    "))
                .all(|line| line.chars().count() <= 100),
            "{details}"
        );
    }
}

/// Styles are for terminals: a pipe gets none unless they are forced, NO_COLOR and TERM=dumb
/// are kept, and without them the words are the same.
#[test]
fn colour_is_never_the_only_carrier_of_meaning() {
    let printed = |variables: &[(&str, &str)]| {
        let folder = tempfile::tempdir().unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_pinfeather"));
        for known in ["NO_COLOR", "CLICOLOR", "CLICOLOR_FORCE", "TERM"] {
            command.env_remove(known);
        }
        let output = command
            .args([
                "target",
                root("data-demo").to_str().unwrap(),
                "--out",
                "out",
            ])
            .envs(variables.iter().copied())
            .current_dir(folder.path())
            .output()
            .unwrap();
        text(&output.stdout)
    };
    let piped = printed(&[("TERM", "xterm")]);
    assert!(piped.contains("BELOW TARGET"), "{piped}");
    assert!(!piped.contains('\u{1b}'), "{piped:?}");
    let forced = printed(&[("TERM", "xterm"), ("CLICOLOR_FORCE", "1")]);
    let red = "\u{1b}[1m\u{1b}[31mBELOW TARGET\u{1b}[0m";
    assert!(forced.contains(red), "{forced:?}");
    let mut plain = String::new();
    for (place, piece) in forced.split('\u{1b}').enumerate() {
        let text = if place == 0 {
            piece
        } else {
            piece.split_once('m').unwrap().1
        };
        plain += text;
    }
    assert_eq!(plain, piped);
    assert_eq!(
        printed(&[("NO_COLOR", "1"), ("CLICOLOR_FORCE", "0")]),
        piped
    );
}
