//! A study to begin with: a `study.toml` with every key explained, and small
//! invented tables that it reads as they stand.

use super::settings::{EXAMPLE, TableName};

/// An example table: its place in a study, and its text.
#[derive(Debug, Clone, Copy)]
pub struct StarterTable {
    /// Which table it is.
    pub name: TableName,
    /// Its rows as CSV.
    pub csv: &'static str,
}

/// The example tables. Invented: no such birds or lines exist.
pub const STARTER_TABLES: [StarterTable; 5] = [
    StarterTable {
        name: TableName::Birds,
        csv: include_str!("starter/birds.csv"),
    },
    StarterTable {
        name: TableName::Weighings,
        csv: include_str!("starter/weighings.csv"),
    },
    StarterTable {
        name: TableName::Targets,
        csv: include_str!("starter/targets.csv"),
    },
    StarterTable {
        name: TableName::Onset,
        csv: include_str!("starter/onset.csv"),
    },
    StarterTable {
        name: TableName::Events,
        csv: include_str!("starter/events.csv"),
    },
];

/// Sections of the example whose keys hold for the example tables; the keys of
/// others stand as comments.
const SECTIONS: [&str; 8] = [
    "",
    "tables",
    "units",
    "format",
    "plausible",
    "ages",
    "fit",
    "target",
];
/// Keys in those sections that do not hold for the example tables.
const OTHER_KEYS: [&str; 5] = [
    "hatch_date",
    "curves",
    "flock_size",
    "least_uniformity_pct",
    "greatest_cv_pct",
];

/// A `study.toml` for the example tables: all of [`EXAMPLE`], with the keys that
/// do not hold for them turned into comments.
#[must_use]
pub fn starter_settings(name: &str) -> String {
    let mut text = String::new();
    let mut section = "";
    for line in EXAMPLE.lines() {
        if let Some(rest) = line.strip_prefix('[') {
            section = rest.split(']').next().unwrap_or_default();
        }
        let key = line.split('=').next().unwrap_or_default().trim();
        let table = TableName::ALL.iter().find(|table| table.key() == key);
        let has_table = |table: &TableName| STARTER_TABLES.iter().any(|known| known.name == *table);
        let holds = SECTIONS.contains(&section)
            && !OTHER_KEYS.contains(&key)
            && (section != "tables" || table.is_none_or(has_table));
        if section.is_empty() && key == "name" {
            text += &format!("name = {}\n", toml::Value::from(name));
        } else if holds || line.trim().is_empty() || line.trim_start().starts_with('#') {
            text += line;
            text.push('\n');
        } else {
            text += "# ";
            text += line;
            text.push('\n');
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::Settings;

    #[test]
    fn the_starter_names_its_tables_and_keeps_every_line_of_the_example() {
        let text = starter_settings("a \"new\" study");
        let settings: Settings = text.parse().unwrap();
        assert_eq!(settings.name.as_deref(), Some("a \"new\" study"));
        for table in TableName::ALL {
            let known = STARTER_TABLES.iter().any(|starter| starter.name == table);
            assert_eq!(
                settings.tables.of(table).is_some(),
                known,
                "{}",
                table.key()
            );
        }
        for line in EXAMPLE.lines().filter(|line| !line.starts_with("name =")) {
            assert!(text.contains(line), "{line}");
        }
    }
}
