//! How the table of a scanner's export is mapped to this program's scans: names of regions,
//! columns of a region and tissue, and names of scans that identify the bird.

use std::collections::BTreeMap;
use std::fmt;

use serde::Deserialize;

use super::WHOLE;

/// What was mapped to what, for `check`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Mapped {
    /// This program's name of a column, and the header that it was read from.
    pub columns: Vec<(String, String)>,
    /// Headers that were not read.
    pub unread: Vec<String>,
    /// Regions as the table writes them, and their names here.
    pub regions: BTreeMap<String, String>,
    /// Whether anything was mapped by settings and not by its name.
    pub by_settings: bool,
}

impl Mapped {
    /// What was mapped and what was not, a line a statement; none where every column and
    /// region has this program's own name.
    #[must_use]
    pub fn lines(&self, file: &str) -> Vec<String> {
        let mut lines = Vec::new();
        if self.by_settings {
            let columns: Vec<String> = self
                .columns
                .iter()
                .map(|(name, header)| format!("{name} = \"{header}\""))
                .collect();
            lines.push(format!("{file}, columns: {}", columns.join(", ")));
            let regions: Vec<String> = self
                .regions
                .iter()
                .map(|(written, name)| format!("{name} = \"{written}\""))
                .collect();
            if !regions.is_empty() {
                lines.push(format!("{file}, regions: {}", regions.join(", ")));
            }
        }
        if !self.unread.is_empty() {
            let names: Vec<String> = self
                .unread
                .iter()
                .map(|name| format!("\"{name}\""))
                .collect();
            lines.push(format!(
                "{file}: not read: {}; if one holds a reading or the way of scanning, name it under [columns.scans], [scans.readings] or [scans.region_columns] in study.toml",
                names.join(", ")
            ));
        }
        lines
    }
}

/// A column of one region and tissue: `fat legs`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct RegionColumn {
    /// `fat`, `lean`, `bone`, or a further reading.
    pub reading: String,
    /// The region.
    pub region: String,
}

impl TryFrom<String> for RegionColumn {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        match text.trim().split_once(char::is_whitespace) {
            Some((reading, region)) if !region.trim().is_empty() => Ok(Self {
                reading: reading.to_lowercase(),
                region: region.trim().to_lowercase(),
            }),
            _ => Err(format!(
                "found \"{text}\" of a column, expected a reading and its region such as \"fat legs\""
            )),
        }
    }
}

/// How the names of scans are made, `{bird}-{age_d}-{repeat}`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct ScanName {
    written: String,
    /// Fields, and the text after each.
    parts: Vec<(Field, String)>,
    /// The text before the first.
    before: String,
}

/// What a part of a scan's name stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Field {
    /// The bird, or several joined by +.
    Bird,
    /// Age in days.
    AgeD,
    /// Number of the repeat.
    Repeat,
    /// How the bird was held.
    Restraint,
    /// The region that was read.
    Region,
    /// Something else.
    Other,
}

const FIELDS: [(&str, Field); 6] = [
    ("bird", Field::Bird),
    ("age_d", Field::AgeD),
    ("repeat", Field::Repeat),
    ("restraint", Field::Restraint),
    ("region", Field::Region),
    ("any", Field::Other),
];

impl TryFrom<String> for ScanName {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let wrong = |what: &str| {
            let fields: Vec<String> = FIELDS
                .iter()
                .map(|(name, _)| format!("{{{name}}}"))
                .collect();
            format!(
                "found \"{text}\" for the names of scans, {what}; expected fields with text between them, as in {{bird}}-{{age_d}}-{{repeat}} (fields: {})",
                fields.join(", ")
            )
        };
        let mut pieces = text.split('{');
        let before = pieces.next().unwrap_or_default().to_owned();
        let mut parts: Vec<(Field, String)> = Vec::new();
        for piece in pieces {
            let (name, after) = piece
                .split_once('}')
                .ok_or_else(|| wrong("a brace is open"))?;
            let field = FIELDS.iter().find(|(known, _)| *known == name);
            let (_, field) = field.ok_or_else(|| wrong(&format!("{{{name}}} is no field")))?;
            if parts
                .iter()
                .any(|(known, _)| known == field && *field != Field::Other)
            {
                return Err(wrong(&format!("{{{name}}} stands twice")));
            }
            if parts.last().is_some_and(|(_, between)| between.is_empty()) {
                return Err(wrong("two fields have nothing between them"));
            }
            parts.push((*field, after.to_owned()));
        }
        if parts.is_empty() {
            return Err(wrong("it has no field"));
        }
        Ok(Self {
            written: text.clone(),
            parts,
            before,
        })
    }
}

impl fmt::Display for ScanName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.written)
    }
}

impl ScanName {
    /// Whether the names hold a field.
    #[must_use]
    pub fn has(&self, field: Field) -> bool {
        self.parts.iter().any(|(known, _)| *known == field)
    }

    /// The fields of a name; none where it is made in another way.
    #[must_use]
    pub fn read<'n>(&self, name: &'n str) -> Option<BTreeMap<Field, &'n str>> {
        let mut rest = name.trim().strip_prefix(self.before.as_str())?;
        let mut found = BTreeMap::new();
        for (at, (field, after)) in self.parts.iter().enumerate() {
            let last = at + 1 == self.parts.len();
            let end = match (last, after.as_str()) {
                (true, "") => rest.len(),
                (true, after) => rest.strip_suffix(after)?.len(),
                (false, after) => rest.find(after)?,
            };
            let value = rest[..end].trim();
            if value.is_empty() {
                return None;
            }
            found.insert(*field, value);
            rest = &rest[end + after.len()..];
        }
        Some(found)
    }
}

/// A region's name here: that of the settings, else as it is written in small letters.
pub(super) fn region_name(written: &str, names: &BTreeMap<String, String>) -> String {
    let written = written.trim();
    let mapped = names
        .iter()
        .find(|(other, _)| other.trim().eq_ignore_ascii_case(written))
        .map(|(_, name)| name.trim());
    let name = mapped.unwrap_or(written).to_lowercase();
    match name.as_str() {
        "" | "whole body" | "total" => WHOLE.to_owned(),
        _ => name,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pattern(text: &str) -> Result<ScanName, String> {
        text.to_owned().try_into()
    }

    #[test]
    fn names_of_scans_say_their_bird_and_age() {
        let names = pattern("S{bird}_{age_d}d_{repeat}.tif").unwrap();
        let found = names.read("SA07_063d_2.tif").unwrap();
        assert_eq!(found[&Field::Bird], "A07");
        assert_eq!(found[&Field::AgeD], "063");
        assert_eq!(found[&Field::Repeat], "2");
        for other in [
            "A07_063d_2.tif",
            "SA07_063d_2",
            "SA07_063_2.tif",
            "S_063d_2.tif",
            "",
        ] {
            assert!(names.read(other).is_none(), "{other}");
        }
        let plain = pattern("{bird}-{any}").unwrap();
        assert_eq!(plain.read("A1-x-y").unwrap()[&Field::Bird], "A1");
        for wrong in [
            "",
            "bird",
            "{bird}{age_d}",
            "{ring}-{age_d}",
            "{bird",
            "{bird}-{bird}",
        ] {
            assert!(pattern(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn regions_have_one_name() {
        let names = BTreeMap::from([("Left Leg".to_owned(), "legs".to_owned())]);
        assert_eq!(region_name("left leg", &names), "legs");
        assert_eq!(region_name("Breast", &names), "breast");
        assert_eq!(region_name("Total", &names), WHOLE);
        assert_eq!(region_name("", &names), WHOLE);
    }
}
